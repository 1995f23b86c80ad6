"""What the machine is given or draws, outside of what it is made for: `supply-voltage`, `room-temperature`, `running-current`."""

from __future__ import annotations

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import CannotTell, Need, Rule, Seen, cycles_needed

_LOW = phrase(
    "finding.supply-voltage.low", "The supply is low: {typical_v} where the nameplate says {plate_v}"
)
_HIGH = phrase(
    "finding.supply-voltage.high", "The supply is high: {typical_v} where the nameplate says {plate_v}"
)
_VOLTAGE = phrase("needs.voltage", "the supply's voltage logged")
_PLATE = phrase(
    "needs.voltage-plate",
    "the nameplate's voltage in unit.toml: the log alone cannot tell 97 V on 100 from 97 V on 115",
)

_ROOM_HOT = phrase(
    "finding.room-temperature.hot",
    "The machine stands in air of {air_c}: such machines are made for {limit_c} at the most",
)
_ROOM_COLD = phrase(
    "finding.room-temperature.cold",
    "The machine stands in air of {air_c}: such machines are made for {limit_c} at the least",
)
_CURRENT = phrase(
    "finding.running-current.title",
    "It draws {found_a} in freezes where the service sheet says {expected_a}",
)
_AIR = phrase("needs.air", "a probe in the room's air, or in the air into the condenser")
_SHEET_CURRENT = phrase(
    "needs.sheet-current", "the running current of the service sheet ([expected] current_a)"
)
_CLAMP = phrase("needs.clamp", "a clamp on the compressor or on the whole unit")

_CELL_S = 60.0  # a sag while a compressor starts lasts a second


def _supply(case: Case):
    plate, t = case.unit.nameplate.voltage_v, case.thresholds
    if plate is None:
        return CannotTell(needs=_PLATE())
    channel = case.timeline.get("voltage")
    width = max(round(_CELL_S / channel.interval_s), 1)
    time_ns, values = channel.readings()
    n = len(values) // width
    if n == 0:
        return None
    cells = np.median(values[: n * width].reshape(n, width), axis=1)
    at_ns = time_ns[: n * width].reshape(n, width)[:, 0]
    live = cells > t["voltage_live_pct"] / 100 * plate
    off_pct = 100 * (cells / plate - 1)
    for side, title in ((-1, _LOW), (1, _HIGH)):
        out = live & (side * off_pct > t["voltage_out_pct"])
        if 100 * out.sum() < t["voltage_share_pct"] * max(live.sum(), 1) or out.sum() < t["band_cycles"]:
            continue
        at = np.flatnonzero(out)
        typical = float(np.median(cells[out]))
        far = side * (100 * (typical / plate - 1))
        return Seen(
            severity=Severity.ACT if far > t["voltage_act_pct"] else Severity.WATCH,
            title=title(typical_v=round(typical), plate_v=plate),
            start_ns=int(at_ns[at[0]]),
            end_ns=int(at_ns[at[-1]]),
            evidence={
                "typical_v": round(typical, 1),
                "plate_v": plate,
                "lowest_v": round(float(cells[live].min()), 1),
                "highest_v": round(float(cells[live].max()), 1),
                "outside_h": round(float(out.sum()) * width * channel.interval_s * 1e9 / NS_PER_H, 1),
                "outside_pct": round(100 * float(out.sum()) / float(live.sum()), 1),
            },
            confidence=statistics.phi(far / t["voltage_out_pct"] + 0.5),
            flag_cycles=False,
            causes=("voltage-low",) if side < 0 else ("voltage-high",),
        )
    return None


def _room_c(case: Case) -> np.ndarray:
    """Air that the machine stands in, every cycle (n,) [°C]: the room's, else what enters an air-cooled condenser."""
    room = case.column("ambient_c")
    inlet = case.column("condenser_in_c" if case.unit.cooling == "air" else "ambient_c")
    return np.where(np.isfinite(room), room, inlet)


def _room(case: Case):
    t, air = case.thresholds, _room_c(case)
    typical = middle(air)
    for side, limit, title, cause in (
        (1, t["room_high_c"], _ROOM_HOT, "room-hot"),
        (-1, t["room_low_c"], _ROOM_COLD, "room-cold"),
    ):
        out = side * (air - limit) > 0
        if side * (typical - limit) <= 0 or out.sum() < t["band_cycles"]:
            continue
        at = np.flatnonzero(out)
        return Seen(
            severity=Severity.WATCH,
            title=title(air_c=round(typical, 1), limit_c=limit),
            start_ns=int(case.start_ns[at[0]]),
            end_ns=int(case.end_ns[at[-1]]),
            evidence={
                "air_c": round(typical, 1),
                "limit_c": limit,
                "coldest_c": rounded(float(np.nanmin(air)), 1),
                "warmest_c": rounded(float(np.nanmax(air)), 1),
                "cycles_judged": int(np.isfinite(air).sum()),
            },
            confidence=statistics.phi(abs(typical - limit) / t["clip_sigma_k"] + 0.5),
            flag_cycles=False,
            causes=(cause,),
        )
    return None


def _running_current(case: Case):
    expected, t = case.unit.expected.current_a, case.thresholds
    if expected is None:
        return CannotTell(needs=_SHEET_CURRENT())
    short_of = cycles_needed("band_cycles")(case)
    if short_of:
        return short_of
    found = case.level("freeze_current_a", case.steady)
    off_pct = 100 * (found / expected - 1)
    if not abs(off_pct) > t["sheet_current_pct"]:
        return None
    at = np.flatnonzero(case.steady)
    return Seen(
        severity=Severity.WATCH,
        title=_CURRENT(found_a=round(found, 2), expected_a=expected),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=case.steady,
        evidence={
            "judged_against": "service sheet",
            "found_a": round(found, 2),
            "expected_a": expected,
            "sheet_off_pct": round(off_pct, 1),
            "cycles_judged": len(at),
        },
        confidence=statistics.phi(abs(off_pct) / t["sheet_current_pct"] - 0.2),
        flag_cycles=False,
    )


RULES = (
    Rule(
        code="room-temperature",
        test=_room,
        needs=(Need(met=lambda case: bool(np.isfinite(_room_c(case)).any()), text=_AIR()),),
        causes=("room-hot", "room-cold"),
        shows=Shows(roles=("ambient", "condenser_in")),
    ),
    Rule(
        code="running-current",
        test=_running_current,
        needs=(Need(met=lambda case: case.has("freeze_current_a"), text=_CLAMP()),),
        causes=("condenser-dirty", "charge-low", "compressor-worn", "voltage-low", "overcharge-or-air"),
        shows=Shows(roles=("current_compressor", "current")),
    ),
    Rule(
        code="supply-voltage",
        test=_supply,
        needs=(Need(met=lambda case: case.timeline.get("voltage") is not None, text=_VOLTAGE()),),
        causes=("voltage-low", "voltage-high"),
        shows=Shows(roles=("voltage",)),
        of_the_log=True,
        of_cycles=False,
    ),
)
