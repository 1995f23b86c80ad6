"""Mains outside what the nameplate allows: `supply-voltage`."""

from __future__ import annotations

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import CannotTell, Need, Rule, Seen

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

_CELL_S = 60.0  # a sag while a compressor starts lasts a second


def _supply(case: Case):
    plate, t = case.unit.nameplate.voltage_v, case.thresholds
    if plate is None:
        return CannotTell(needs=_PLATE())
    channel = case.timeline.get("voltage")
    width = max(round(_CELL_S / channel.interval_s), 1)
    values, time_ns = channel.values[channel.trusted], channel.time_ns[channel.trusted]
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


RULES = (
    Rule(
        code="supply-voltage",
        test=_supply,
        needs=(Need(met=lambda case: case.timeline.get("voltage") is not None, text=_VOLTAGE()),),
        thresholds=(
            "voltage_out_pct",
            "voltage_act_pct",
            "voltage_share_pct",
            "voltage_live_pct",
            "band_cycles",
        ),
        causes=("voltage-low", "voltage-high"),
        shows=Shows(roles=("voltage",)),
        of_the_log=True,
    ),
)
