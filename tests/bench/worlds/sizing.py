"""The numbers of a machine of a given structure."""

from __future__ import annotations

import numpy as np

from tests.bench.worlds.machine import CyclePlan, Machine
from tests.bench.worlds.physics import (
    CAPACITY_PER_K,
    DRIVES,
    FREEZE,
    ICE_J_PER_KG_K,
    LATENT_J_PER_KG,
    TRACES,
    WATER_J_PER_KG_K,
    run,
)
from tests.bench.worlds.structure import Structure


def harvest_s(m: Machine, s: Structure) -> float:
    """About how long a harvest takes [s]: to 0 °C, melting, and on to its end."""
    if m.harvest_end == 1:
        return m.harvest_s
    source = m.off_g * m.off_c_least if m.gas == 0 else m.gas_g * m.gas_c
    cold = (m.metal_j_per_k + 0.5 * ICE_J_PER_KG_K * m.ice_kg) * 10 / source
    slow = 1.5 if s.hot_gas == "two valves" else 1.0
    return slow * (cold + m.melt_kg * LATENT_J_PER_KG / source)


def machine_of(rng: np.random.Generator, s: Structure, sink_c: float, water_c: float) -> Machine:
    """A machine of structure `s`, its freeze as long as drawn at a room of `sink_c` and supply water of `water_c` [°C]."""
    u = lambda a, b: float(rng.uniform(a, b))  # noqa: E731
    two = s.evaporators == "two"
    share = np.array([u(0.42, 0.58), 0.0]) if two else np.array([1.0, 0.0])
    if s.harvest_end == "two flaps" and not two:
        share = np.array([u(0.45, 0.55), 0.0])  # one plate, iced on both sides
    share[1] = 1 - share[0] if share[0] < 1 else 0.0
    freeze_s = 60 * float(np.exp(rng.uniform(np.log(8), np.log(36))))
    ice = float(np.exp(rng.uniform(np.log(0.4), np.log(6))))
    reservoir = ice * u(1.15, 1.7)
    every = ice / reservoir
    fresh = np.array([every, every])
    if s.fresh_water == "every second cycle":
        fresh = np.array([min(1.0, every + u(0.1, 0.3)), every * u(0.45, 0.7)])
    left = u(0.3, 2.0)
    begin_c = left + (water_c - left) * every
    load = (ice * LATENT_J_PER_KG + reservoir * WATER_J_PER_KG_K * begin_c) / freeze_s
    if s.refill == "all along":
        load = (
            ice * (LATENT_J_PER_KG + WATER_J_PER_KG_K * water_c) + reservoir * WATER_J_PER_KG_K * left
        ) / freeze_s
    from_refrigerant, from_water, grown = (
        u(3, 7),
        u(0.8, 2.5),
        float(np.exp(rng.uniform(np.log(6), np.log(18)))),
    )
    middle_te = -(from_refrigerant + 0.55 * grown)
    q0 = load / (1 + CAPACITY_PER_K * (middle_te + 10))
    ua = load / from_refrigerant
    metal = ua * u(15, 45)
    gas = {"none, off cycle": 0, "none, heater": 0, "two valves": 2}.get(s.hot_gas, 1)
    heavy = metal + 0.5 * ICE_J_PER_KG_K * ice
    gas_c = u(24, 42)
    to_zero_s, melt_s = u(20, 70), u(20, 140)
    if s.slab == "loose":
        to_zero_s = u(50, 110)
    if gas == 0:
        to_zero_s, melt_s = u(60, 150), u(50, 160)
    if s.slab == "loose":
        melt_s = u(2, 10)
    power = heavy * 11 / to_zero_s
    if s.hot_gas == "half open":
        power *= u(0.4, 0.65)
    off_c = u(12, 18) if s.hot_gas != "none, heater" else u(25, 40)
    melt_kg = min(power * melt_s / LATENT_J_PER_KG, 0.35 * ice)
    plateau_k = u(0.4, 2.5) if s.slab != "loose" else u(1.5, 4)
    pipe = np.array([u(0.3, 0.6), u(0.05, 0.35)]) * (0.5 if s.hot_gas == "half open" else 1.0)
    amps = float(np.exp(rng.uniform(np.log(1.5), np.log(14))))
    per_k = u(0.008, 0.024)
    effect, spike, spike_s = 0.0, 0.0, 10.0
    if s.hot_gas_current == "up":
        effect = u(0.07, 0.4)
    elif s.hot_gas_current == "down":
        effect = -u(0.07, 0.35)
    elif s.hot_gas_current == "spike then dip":
        effect, spike, spike_s = -u(0.04, 0.16), u(0.12, 0.4), u(6, 20)
    lift = u(10, 18)
    low, high = sink_c + 0.42 * lift, sink_c + 0.55 * lift
    if s.head_pressure_control == "yes":
        low = sink_c + lift + u(1.0, 2.5)
        high = low + u(1.5, 4.0)
    elif s.fan == "two speeds":
        low, high = sink_c + 0.6 * lift, sink_c + 0.85 * lift
    time_s = max(50.0, (to_zero_s * _longer(gas, s) + melt_s) * u(1.1, 1.3) + u(5, 40))
    machine = Machine(
        share=share,
        ice_kg=ice,
        water_kg=reservoir,
        q0_w=q0,
        ua=ua,
        h=load / from_water,
        ice_k_per_w=grown / load,
        ice_power=u(0.6, 1.1),
        metal_j_per_k=metal,
        nucleation_c=-u(1.2, 3.5) if s.sub_cooling != "none" else u(0.3, 1.5),
        water_left_c=left,
        fresh_share=fresh,
        refill={"in harvest": 0, "as the freeze begins": 1, "all along": 2}[s.refill],
        refill_s=u(20, 70),
        refill_g=ua * u(0.08, 0.3) if s.refill_warms_line == "yes" else 0.0,
        freeze_end={"level": 0, "temperature": 1, "timer": 2}[s.freeze_end],
        freeze_s=freeze_s,
        freeze_end_c=-grown,
        freeze_after_s=u(20, 90) if rng.random() < 0.5 else u(0.1, 0.4) * freeze_s,
        gas=gas,
        gas_g=power / (gas_c + 5),
        gas_c=gas_c,
        gas_pipe=pipe,
        second_valve_s=u(15, 60),
        gas_leak_w=load * u(0.04, 0.12) if s.hot_gas == "leaking" else 0.0,
        off_g=power / (off_c + 5),
        off_c_least=off_c,
        heater_a=amps * u(0.25, 1.4) if s.hot_gas == "none, heater" else 0.0,
        contact_g=power / plateau_k,
        melt_kg=melt_kg,
        piecemeal=int(s.slab == "piecemeal"),
        harvest_end={"temperature": 0, "time": 1}.get(s.harvest_end, 2),
        harvest_end_c=u(4, 12) if gas else min(u(3, 7), 0.5 * off_c),
        harvest_s=time_s,
        harvest_least_s=u(55, 90),
        wash_g=0.1 * power / (gas_c + 5),
        harvest_limit_s=max(400.0, 2.2 * time_s),
        lift_k=lift,
        condenser_s=u(35, 100),
        fan={"always": 0, "pressure switch": 1, "timer": 2, "two speeds": 3}.get(s.fan, 4),
        fan_low_c=low,
        fan_high_c=high,
        fan_back_s=float(rng.choice([0.0, rng.uniform(10, 60)])),
        fan_a=amps * u(0.04, 0.13) if s.fan != "none, water-cooled" else 0.0,
        pump_a=amps * (u(0.03, 0.1) if s.pump_drive == "mains" else u(0.003, 0.01)),
        pump_stop={"at harvest": 0, "early": 1, "late": 2, "never": 3}[s.pump_stop],
        pump_stop_s=u(10, 50),
        pump_start_s=u(10, 50) if s.pump_start == "later" else 0.0,
        valve_a=amps * u(0.008, 0.03) if s.valve_current == "seen" else 0.0,
        board_a=amps * u(0.005, 0.02),
        compressor_a=amps,
        current_per_k=per_k,
        current_per_k_condensing=u(0.004, 0.014),
        gas_effect=effect,
        gas_spike=spike,
        gas_spike_s=spike_s,
        gas_effect_s=u(1.0, 10.0),
        inrush=u(2.0, 5.5),
        rise_to_outlet=u(0.2, 0.9),
        suction_gain=u(0.04, 0.25),
        pipe_s=u(2, 12),
        gas_fade_s=u(2, 12),
        rest_in_freeze=int(s.rest == "at any moment"),
    )
    return _calibrated(machine, sink_c, water_c)


def _calibrated(m: Machine, sink_c: float, water_c: float) -> Machine:
    """The machine with its heat flows scaled so that a freeze to full ice takes `freeze_s`, and its end temperature where that freeze comes to
    be `freeze_after_s` before its end."""
    for _again in range(2):
        plate, length = _one_freeze(m, sink_c, water_c)
        k = length / m.freeze_s
        m = m._replace(
            q0_w=m.q0_w * k,
            ua=m.ua * k,
            h=m.h * k,
            ice_k_per_w=m.ice_k_per_w / k,
            gas_leak_w=m.gas_leak_w * k,
        )
    plate, length = _one_freeze(m, sink_c, water_c)
    return m._replace(freeze_end_c=float(plate[max(0, len(plate) - 1 - int(m.freeze_after_s))]))


def _one_freeze(m: Machine, sink_c: float, water_c: float) -> tuple[np.ndarray, float]:
    """(plate temperature a second, length [s]) of the second freeze to full ice at these temperatures."""
    level = m._replace(freeze_end=0)
    minutes = int(4 * m.freeze_s + 2 * m.harvest_limit_s) // 60 + 60
    drive = np.ones((len(DRIVES), minutes))
    for name, value in {"sink_c": sink_c, "water_c": water_c, "starved": 0.0, "service": 0.0}.items():
        drive[DRIVES.index(name)] = value
    ones, none = np.ones(8), np.zeros(8)
    plan = CyclePlan(
        freeze=ones,
        melt=np.ones((8, 2)),
        flap_s=5 * ones,
        rest_s=none,
        rest_at=none,
        stalled=none > 0,
        repeated_s=none,
    )
    traces, at, what, *_ = run(level, plan, drive, 60 * minutes)
    begins = [i for i in range(1, len(what) - 1) if what[i] == FREEZE]
    a, b = at[begins[0]], at[begins[0] + 1]
    return traces[TRACES.index("plate"), a:b], float(b - a)


def _longer(gas: int, s: Structure) -> float:
    """How much longer the way to 0 °C is than with the whole gas at once."""
    return 1.5 if gas == 2 else 1.8 if s.hot_gas == "half open" else 1.0
