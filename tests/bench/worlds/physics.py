"""What a machine does, second by second: plates, water and ice as lumped heat capacities, the compressor as a map, the control as a state.

The evaporating temperature is where the compressor's capacity meets what the plates give: Q = q0 (1 + a (Te + 10)) (1 − b (Tc − 40)), linear in
both temperatures, and Q = UA (T_plate − Te). Ice grows by what its own resistance lets through, less what the water brings:
L dm/dt = (0 − T_plate) / R(m) − h T_water. Hot gas is a conductance to a condensing temperature. The plate is stepped implicitly.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from tests.bench.worlds.machine import CyclePlan, Machine

LATENT_J_PER_KG = 333_500.0  # NASA TP 1906 as tabled in Mechanical Engineers' Handbook vol. 4, table 17
WATER_J_PER_KG_K = 4_195.0  # at 10 °C, 1 atm: IAPWS-95
ICE_J_PER_KG_K = 2_116.0  # at 0 °C: the same table 17
CAPACITY_PER_K = 0.035  # a: of a reciprocating compressor about −10 °C; common practice, no source
CAPACITY_PER_K_CONDENSING = 0.008  # b: the same about 40 °C

NEVER_KG = 1e9  # to be melted before a stalled slab lets go
LEAST_FREEZE_S = 180  # no control harvests sooner; common practice, no source

IDLE, FREEZE, HARVEST = 0, 1, 2
DRIVES = ("sink_c", "water_c", "capacity", "starved", "fouling", "ice", "melt", "current", "service")
"""Rows of the drive table, a column a minute: °C, °C, then factors of 1; `starved` 0…1 and `service` 0 or 1."""

TRACES = ("inlet", "outlet", "plate", "suction", "discharge", "condensing", "compressor_a", "unit_a", "water")
"""Rows of the trace table, a column a second: °C, the two currents in A."""


@njit(cache=True)
def freeze_over(
    m: Machine, ran: int, ice_kg: float, cold_s: int, factor: float, longer: float, short: float
) -> bool:
    """Whether the control ends a freeze that `ran` so long [s]. cold_s: since its temperature was reached [s], or -1; factor: chance's;
    longer: the change's; short: the length of a freeze between two harvests of one slab [s], else 0."""
    limit = ran >= 2.2 * m.freeze_s * max(1.0, longer)
    if short > 0:
        return ran >= short or limit
    if ran < LEAST_FREEZE_S:
        return limit
    if m.freeze_end == 0:
        return ice_kg >= m.ice_kg * longer * factor or limit
    if m.freeze_end == 1:
        return (cold_s >= 0 and cold_s >= m.freeze_after_s * factor * longer) or limit
    return ran >= m.freeze_s * longer or limit


@njit(cache=True)
def harvest_over(m: Machine, ran: int, plate_c: float, fallen_s: int, longer: float, flap_s: float) -> bool:
    """Whether the control ends a harvest that `ran` so long [s]. fallen_s: since all ice fell [s], or -1."""
    if ran >= m.harvest_limit_s:
        return True
    if m.harvest_end == 1:
        return ran >= m.harvest_s * longer
    if ran < m.harvest_least_s or fallen_s < 0:
        return False
    return plate_c >= m.harvest_end_c if m.harvest_end == 0 else fallen_s >= flap_s


@njit(cache=True)
def fan_state(
    m: Machine, phase: int, ran: int, condensing: float, fan_on: bool, full_speed: bool
) -> tuple[bool, bool]:
    """(the fan runs, at full speed) from now on."""
    wants = condensing > m.fan_high_c
    rests = condensing < m.fan_low_c
    if m.fan == 1:
        return wants or (fan_on and not rests), full_speed
    if m.fan == 2:
        return phase == FREEZE and ran >= m.fan_back_s, full_speed
    if m.fan == 3:
        return fan_on, wants or (full_speed and not rests)
    return fan_on, full_speed


@njit(cache=True)
def evaporating(
    m: Machine, metal: np.ndarray, plates: int, strength: float, starved: float
) -> tuple[float, float]:
    """(evaporating temperature [°C], heat taken [W]) where capacity meets what the plates give."""
    ua_sum, ua_heat = 0.0, 0.0
    for e in range(plates):
        ua = m.ua * m.share[e] * (1 - 0.5 * starved)
        ua_sum += ua
        ua_heat += ua * metal[e]
    te = (ua_heat - strength * (1 + 10 * CAPACITY_PER_K)) / (ua_sum + strength * CAPACITY_PER_K)
    return te, max(0.0, strength * (1 + CAPACITY_PER_K * (te + 10)))


@njit(cache=True)
def freezing(
    m: Machine,
    s: float,
    ua: float,
    h: float,
    te: float,
    water: float,
    plate_c: float,
    ice_kg: float,
    first_ice: bool,
) -> tuple[float, float, float, float, float]:
    """Of a plate with share `s` in a freeze: (conductance [W/K], the same times its temperatures [W], heat that leaks in [W], ice grown
    in this second [kg], heat to the water [W])."""
    g, gt = ua, ua * te
    if first_ice:
        return g + h, gt + h * water, m.gas_leak_w * s, 0.0, h * (plate_c - water)
    film = 1.0 / (4 * m.h * s)
    r = m.ice_k_per_w / s * (max(ice_kg, 0.0) / (m.ice_kg * s)) ** m.ice_power + film
    grown = max(-ice_kg, (-plate_c / r - h * water) / LATENT_J_PER_KG)
    return g + 1.0 / r, gt, m.gas_leak_w * s, grown, -h * water


@njit(cache=True)
def contact(m: Machine, s: float, melted_kg: float, due_kg: float) -> float:
    """Conductance from the plate to ice that melts on it [W/K]: less and less where pieces fall one by one."""
    if m.piecemeal and due_kg < NEVER_KG:
        return m.contact_g * s * max(0.05, 1 - melted_kg / due_kg)
    return m.contact_g * s


@njit(cache=True)
def pipes(m: Machine, liquid: float, plate_c: float, starved: float) -> tuple[float, float]:
    """(inlet, outlet) in a freeze [°C]; a starved evaporator superheats."""
    superheated = m.rise_to_outlet + (1 - m.rise_to_outlet) * starved
    return liquid + m.gas_leak_w / m.ua, liquid + superheated * (plate_c - liquid) + 6 * starved


@njit(cache=True)
def other_loads(
    m: Machine, compressor: bool, fan_on: bool, full_speed: bool, pump: bool, filling: bool, heater: bool
) -> float:
    """What the unit draws beside its compressor [A]."""
    amps = m.board_a
    if compressor and m.fan != 4 and (fan_on or m.fan == 3):
        amps += m.fan_a * (0.55 if m.fan == 3 and not full_speed else 1.0)
    if pump:
        amps += m.pump_a
    if filling:
        amps += m.valve_a
    if heater:
        amps += m.heater_a
    return amps


@njit(cache=True)
def run(m: Machine, plan: CyclePlan, drive: np.ndarray, seconds: int):
    """(traces (9, seconds), switch times [s], phases from then on, ice made a cycle [kg], heat taken from the plates [J], heat that the
    freezing and cooling of the water gave [J]). The last two are sums over the freezes."""
    out = np.empty((9, seconds), np.float32)
    at, what, made = [0], [FREEZE], [0.0]
    taken, given = 0.0, 0.0
    plates = 2 if m.share[1] > 0 else 1
    metal = np.zeros(2)
    ice = np.zeros(2)
    melted = np.zeros(2)
    off = np.zeros(2, np.bool_)
    metal[:] = 8.0
    phase, since, cycle, number = FREEZE, 0, 0, len(plan.freeze)
    water = m.water_left_c + 0.6 * (drive[1, 0] - m.water_left_c)
    condensing = drive[0, 0] + m.lift_k
    inlet, outlet = 8.0, 8.0
    pump_off_at, cold_at, flap_at, short = -1, -1, -1, 0.0
    rested, fan_on, full_speed, gas_near, effect, spike = False, True, True, 0.0, 0.0, 0.0
    reference_a, reference_c, freeze_a, harvest_a, start_te = (
        m.compressor_a,
        0.0,
        m.compressor_a,
        m.compressor_a,
        -50.0,
    )
    rest_until, service_before = -1, False
    first_ice = True
    for i in range(seconds):
        k = min(i // 60, drive.shape[1] - 1)
        sink, supply, capacity, starved = drive[0, k], drive[1, k], drive[2, k], drive[3, k]
        service = drive[8, k] > 0.5
        c = cycle % number
        # --- the control ---
        turned = -1
        if service:
            if phase != IDLE:
                turned = IDLE
        elif phase == IDLE:
            if service_before or i >= rest_until:
                turned = FREEZE
        elif phase == FREEZE:
            ran = i - since
            if pump_off_at >= 0:
                if i - pump_off_at >= m.pump_stop_s:
                    turned = HARVEST
            else:
                cold = metal[0] <= m.freeze_end_c and not first_ice and ran > 90
                if short == 0.0 and m.freeze_end == 1 and cold_at < 0 and cold:
                    cold_at = i
                cold_s = i - cold_at if cold_at >= 0 else -1
                done = freeze_over(m, ran, ice.sum(), cold_s, plan.freeze[c], drive[5, k], short)
                if (
                    m.rest_in_freeze
                    and not rested
                    and plan.rest_s[c] > 0
                    and ran >= plan.rest_at[c] * m.freeze_s
                ):
                    rested = True
                    rest_until = i + int(plan.rest_s[c])
                    turned = IDLE
                elif done:
                    if m.pump_stop == 1:
                        pump_off_at = i
                    else:
                        turned = HARVEST
        else:
            ran = i - since
            gone = off[0] and (plates == 1 or off[1])
            if gone and flap_at < 0:
                flap_at = i
            fallen_s = i - flap_at if flap_at >= 0 else -1
            if harvest_over(m, ran, metal[0], fallen_s, drive[6, k], plan.flap_s[c]):
                if (
                    m.rest_in_freeze == 0
                    and plan.rest_s[c] > 0
                    and short == 0.0
                    and plan.repeated_s[c] == 0.0
                ):
                    turned = IDLE
                    rest_until = i + int(plan.rest_s[c])
                else:
                    turned = FREEZE
        service_before = service
        if turned >= 0:
            if phase == HARVEST:
                stalled = not (off[0] and (plates == 1 or off[1]))
                again = plan.repeated_s[c] > 0 and short == 0.0 and turned == FREEZE
                if again:
                    short = plan.repeated_s[c]
                else:
                    short = 0.0
                    cycle += 1
                    rested = False
                if not stalled:
                    ice[:] = 0.0
                first_ice = ice.sum() == 0.0
                fresh = m.fresh_share[cycle % 2]
                water = m.water_left_c * (1 - fresh) + supply * fresh
            if service:
                ice[:] = 0.0
                first_ice = True
                rested = False
                short = 0.0
                water = supply
            if turned == HARVEST:
                melted[:] = 0.0
                off[:] = False
                flap_at = -1
                made.append(ice.sum())
                reference_a, reference_c = freeze_a, metal[0]
                spike = m.gas_spike
            if phase == IDLE and turned == FREEZE:
                start_te = outlet
            pump_off_at, cold_at = -1, -1
            phase, since = turned, i
            at.append(i)
            what.append(turned)
        ran = i - since
        compressor = phase == FREEZE or (phase == HARVEST and m.gas > 0)
        gas = 0.0
        if phase == HARVEST and m.gas > 0:
            gas = 0.5 if m.gas == 2 and ran < m.second_valve_s else 1.0
        pump = phase == FREEZE and ran >= m.pump_start_s and pump_off_at < 0
        if phase == HARVEST:
            pump = m.pump_stop == 3 or (m.pump_stop == 2 and ran < m.pump_stop_s)
        filling = (phase == HARVEST and m.refill == 0 and ran < m.refill_s) or (
            phase == FREEZE and m.refill == 1 and ran < m.refill_s and short == 0.0
        )
        # --- condenser and fan ---
        fan_on, full_speed = fan_state(m, phase, ran, condensing, fan_on, full_speed)
        # --- refrigerant ---
        squeeze = max(0.3, 1 - CAPACITY_PER_K_CONDENSING * (condensing - 40.0))
        strength = m.q0_w * capacity * squeeze
        if phase == FREEZE:
            strength *= 1 - np.exp(-(ran + 1.0) / m.gas_fade_s)
        te, heat = evaporating(m, metal, plates, strength, starved)
        if (
            phase == FREEZE and start_te > te + 1.0 and ran < 120
        ):  # a warm circuit is drawn down, not emptied at once
            start_te += (te - start_te) / 15.0
        target = sink
        if compressor:
            share = heat / m.q0_w if phase == FREEZE else 0.35
            strain = 1.0 if fan_on else 1.9
            if m.fan == 3 and not full_speed:
                strain = 1.5
            target = sink + m.lift_k * drive[4, k] * strain * min(1.4, max(0.3, share))
        condensing += (target - condensing) / m.condenser_s
        # --- plates, ice and water ---
        to_water = 0.0
        nucleates = phase == FREEZE and first_ice and water <= m.nucleation_c and metal[0] < -0.5
        if nucleates:
            first_ice = False
            if water < 0:
                for e in range(plates):
                    ice[e] += -water * m.water_kg * WATER_J_PER_KG_K / LATENT_J_PER_KG * m.share[e]
                water = 0.0
        gave = 0.0
        for e in range(plates):
            s = m.share[e]
            thermal = m.metal_j_per_k * s + 0.5 * ICE_J_PER_KG_K * ice[e]
            if phase == FREEZE:
                ua = m.ua * s * (1 - 0.5 * starved)
                h = m.h * s * (1.0 if pump else 0.04)
                g, gt, flow, grown, warms = freezing(m, s, ua, h, te, water, metal[e], ice[e], first_ice)
                ice[e] += grown
                gave += grown * LATENT_J_PER_KG
                to_water += warms
                if m.refill == 2 and grown > 0:
                    to_water += grown * WATER_J_PER_KG_K * (supply - water)
            else:
                flow = 0.0
                if phase == IDLE:
                    g, to_c = 0.004 * m.ua * s, sink
                elif m.gas > 0:
                    g, to_c = m.gas_g * gas * s, m.gas_c
                else:
                    g, to_c = m.off_g * s, max(supply, m.off_c_least)
                gt = g * to_c
                if ice[e] > 0:
                    due = m.melt_kg * s * drive[6, k] * plan.melt[c, e]
                    if plan.stalled[c] and short == 0.0:
                        due = NEVER_KG
                    hold = contact(m, s, melted[e], due)
                    g += hold
                    lost = min(ice[e], hold * max(0.0, metal[e]) / LATENT_J_PER_KG)
                    ice[e] -= lost
                    melted[e] += lost
                    if phase == HARVEST and (melted[e] >= due or ice[e] <= 0.02 * m.ice_kg * s):
                        off[e] = True
                        ice[e] = 0.0
                elif phase == HARVEST:
                    off[e] = True
            if filling and m.refill_g > 0:
                g += m.refill_g * s
                gt += m.refill_g * s * supply
            if phase == HARVEST and pump:
                g += m.wash_g * s
                gt += m.wash_g * s * max(water, 0.5)
            metal[e] = (thermal * metal[e] + gt + flow) / (thermal + g)
            if phase == FREEZE:
                taken += ua * (metal[e] - te)
        if phase == FREEZE:
            before = water
            water += to_water / (m.water_kg * WATER_J_PER_KG_K)
            given += gave + (before - water) * m.water_kg * WATER_J_PER_KG_K
        # --- pipes ---
        fade = m.gas_fade_s * (1 + 6 * starved)
        gas_near += (gas - gas_near) / (4.0 if gas > gas_near else fade)
        mean = metal[0] * m.share[0] + metal[1] * m.share[1] if plates == 2 else metal[0]
        to_inlet, to_outlet = metal[0], mean
        if phase == FREEZE:
            liquid = max(te, start_te) if ran < 120 else te
            to_inlet, to_outlet = pipes(m, liquid, mean, starved)
        to_inlet += m.gas_pipe[0] * gas_near * (m.gas_c - to_inlet)
        to_outlet += m.gas_pipe[1] * gas_near * (m.gas_c - to_outlet)
        inlet += (to_inlet - inlet) / m.pipe_s
        outlet += (to_outlet - outlet) / m.pipe_s
        # --- currents ---
        amps = 0.0
        if compressor:
            te_now = max(-35.0, min(te, 4.0)) if phase == FREEZE else -10.0
            cold_a = m.compressor_a * (
                1 + m.current_per_k * (te_now + 10) + m.current_per_k_condensing * (condensing - 40)
            )
            effect += ((1.0 if phase == HARVEST else 0.0) - effect) / m.gas_effect_s
            if phase == HARVEST:
                creep = 1 + 0.25 * m.current_per_k * (mean - reference_c)
                spike *= np.exp(-1.0 / m.gas_spike_s)
                harvest_now = reference_a * (1 + m.gas_effect) * creep
                amps = reference_a + effect * (harvest_now - reference_a) + reference_a * spike
                harvest_a = amps
            else:
                amps = cold_a + effect * (harvest_a - cold_a)
                freeze_a = cold_a
            amps *= drive[7, k]
            started = ran == 0 and phase == FREEZE and len(what) > 1
            if started and (what[-2] == IDLE or m.gas == 0):
                amps *= m.inrush
        else:
            effect = 0.0
        heater = phase == HARVEST and m.gas == 0
        unit = amps + other_loads(m, compressor, fan_on, full_speed, pump, filling, heater)
        out[0, i] = inlet
        out[1, i] = outlet
        out[2, i] = metal[0]
        out[3, i] = outlet + m.suction_gain * (sink - outlet)
        out[4, i] = condensing + 22.0 if compressor else condensing
        out[5, i] = condensing
        out[6, i] = amps
        out[7, i] = unit
        out[8, i] = water
    return out, np.array(at), np.array(what), np.array(made), taken, given
