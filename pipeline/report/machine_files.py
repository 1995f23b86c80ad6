"""The files for scripts and spreadsheets: phases, cycles, findings, the aligned channels.

House units only (°C, A, kg, min); times ISO 8601 with milliseconds and the offset of the unit's zone, so that a moment reads
the same in each of them.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement, NextClip, Odds, RefrigerantSide, Slabs, Step
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.clock import Offsets, iso_times
from pipeline.report.numbers.columns import KINDS, columns_of, phases_of
from pipeline.report.numbers.flags import cycle_flags
from pipeline.report.wording import Reader

if TYPE_CHECKING:
    from pathlib import Path

_FIRST = (
    "cycle",
    "freeze_start",
    "harvest_start",
    "harvest_end",
    "freeze_min",
    "harvest_min",
    "uncertainty_min",
    "complete",
    "flags",
)

_DECIMALS = {
    "_k_per_min": 3,
    "_min": 3,
    "_c": 2,
    "_k": 2,
    "_a": 3,
    "_ah": 4,
    "_kwh": 4,
    "_s": 2,
    "_kg": 3,
    "_share": 3,
}
"""Of columns whose name ends so, the first that fits; of others 4."""


def phases_csv(record: CycleRecord, offsets: Offsets) -> str:
    """`start,end,phase`: rows touch, each end is the next start."""
    edges, kinds = phases_of(record)
    times = iso_times(edges, offsets, always_ms=True)
    names = np.array([kind.value for kind in KINDS])[kinds]
    return _own_csv({"start": times[: len(kinds)], "end": times[1:], "phase": names})


def cycles_csv(record: CycleRecord, judgement: Judgement, offsets: Offsets) -> str:
    """One row a cycle: first the columns of the contract, then every measure."""
    table = columns_of(record)
    flags = cycle_flags(judgement.findings)
    columns: dict[str, Sequence] = {
        "cycle": table["cycle"],
        "flags": [" ".join(flags.get(n, ())) for n in table["cycle"].tolist()],
    }
    for name, values in table.items():
        if name.endswith("_ns"):
            columns[name.removesuffix("_ns")] = iso_times(values, offsets, always_ms=True)
        elif name != "cycle":
            columns[name] = values if values.dtype == bool else _rounded(name, values)
    if (slabs := judgement.slabs) is not None:
        for name, shares in (("slab", slabs.share), ("slab_low", slabs.low), ("slab_high", slabs.high)):
            columns[f"{name}_share"] = _rounded(f"{name}_share", shares)
            if slabs.kg is not None:
                columns[f"{name}_kg"] = _rounded(f"{name}_kg", slabs.kg * shares)
    return _own_csv({name: columns[name] for name in (*_FIRST, *(n for n in columns if n not in _FIRST))})


def findings_json(timeline: Timeline, judgement: Judgement, offsets: Offsets, reader: Reader) -> str:
    """The findings with their numbers. Sentences are in the reader's language, values always in SI units."""
    reader = dataclasses.replace(reader, units="si")
    ends_ns = [timeline.start_ns, timeline.end_ns]
    ends_ns += [t for f in judgement.findings for t in (f.start_ns, f.end_ns)]
    start, end, *spans = iso_times(np.array(ends_ns, np.int64), offsets, always_ms=True)
    output = judgement.output
    whole = {
        "unit": timeline.unit_name,
        "log_start": str(start),
        "log_end": str(end),
        "verdict": reader.say(judgement.verdict.client),
        "findings": [
            {
                "code": f.code,
                "severity": f.severity.value,
                "title": reader.say(f.title),
                "start": str(spans[2 * i]),
                "end": str(spans[2 * i + 1]),
                "cycles": [int(c) for c in f.cycles],
                "evidence": plain(f.evidence),
                "signals": plain(f.signals),
                "likely_causes": [reader.say(c) for c in f.likely_causes],
                "next_checks": [reader.say(c) for c in f.next_checks],
                "causes": [odds_table(o, reader) for o in f.causes],
                "steps": [step_table(step, reader) for step in f.steps],
                "confidence": round(float(f.confidence), 3),
            }
            for i, f in enumerate(judgement.findings)
        ],
        "next_clip": clip_table(judgement.next_clip, reader),
        "level": judgement.verdict.level,
        "verdict_for_technician": reader.technician(judgement.verdict),
        "not_judged": [{"code": n.code, "needs": reader.say(n.needs)} for n in judgement.not_judged],
        "output": {
            "cycles_per_day": plain(output.cycles_per_day),
            "ice_kg_per_day": plain(output.ice_kg_per_day),
            "ice_kg_per_day_low": plain(output.ice_kg_per_day_low),
            "ice_kg_per_day_high": plain(output.ice_kg_per_day_high),
            "running_cycles_per_day": plain(output.cycles_per_day),
            "running_ice_kg_per_day": plain(output.ice_kg_per_day),
            "running_ice_kg_per_day_low": plain(output.ice_kg_per_day_low),
            "running_ice_kg_per_day_high": plain(output.ice_kg_per_day_high),
            "made_cycles_per_day": plain(output.made_cycles_per_day),
            "made_ice_kg_per_day": plain(output.made_ice_kg_per_day),
            "made_ice_kg_per_day_low": plain(output.made_ice_kg_per_day_low),
            "made_ice_kg_per_day_high": plain(output.made_ice_kg_per_day_high),
            "demand": reader.say(output.demand) if output.demand else None,
            "expected_kg_per_day": plain(output.expected_kg_per_day),
            "expected_basis": reader.say(output.expected_basis) if output.expected_basis else None,
            "energy_kwh_per_kg": plain(output.energy_kwh_per_kg),
            "energy_basis": reader.say(output.energy_basis) if output.energy_basis else None,
            "limit_kwh_per_kg": plain(output.limit_kwh_per_kg),
            "limit_basis": reader.say(output.limit_basis) if output.limit_basis else None,
            "basis": reader.say(output.basis) if output.basis else None,
        },
        "slabs": slabs_table(judgement.slabs, reader),
        "refrigerant_side": side_table(judgement.refrigerant_side),
        "thresholds": [
            {"name": name, "value": plain(value), "unit": unit, "source": source}
            for name, value, unit, source in judgement.thresholds
        ],
        "time_zone": timeline.time_zone,
        "language": reader.language,
    }
    return json.dumps(whole, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def slabs_table(slabs: Slabs | None, reader: Reader) -> dict[str, Any] | None:
    """The slabs of a log as a whole; those of single cycles stand in `cycles.csv`."""
    if slabs is None:
        return None
    names = ("change_pct", "low_pct", "high_pct")
    trend = dict(zip(names, map(plain, slabs.trend_pct), strict=True)) if slabs.trend_pct else None
    return {
        "thin": list(slabs.thin),
        "thick": list(slabs.thick),
        "last_third_against_first": trend,
        "usual_kg": slabs.kg,
        "basis": reader.say(slabs.basis),
    }


def odds_table(odds: Odds, reader: Reader) -> dict[str, Any]:
    """One cause of a finding: `cause` is its key, `name` what it is called in the reader's language."""
    return {
        "cause": odds.cause,
        "probability": plain(odds.probability),
        "because": [reader.say(t) for t in odds.because],
        "against": [reader.say(t) for t in odds.against],
        "name": reader.say(odds.text),
    }


def step_table(step: Step, reader: Reader) -> dict[str, Any]:
    """One check as a step."""
    said = {
        k: reader.say(getattr(step, k)) for k in ("text", "instrument", "expect", "basis", "if_so", "if_not")
    }
    cautions = [reader.say(t) for t in step.cautions]
    rest = {"cautions": cautions, "minutes": step.minutes, "licensed": step.licensed, "live_panel": step.live}
    return {"check": step.check, **said, **rest}


def clip_table(clip: NextClip | None, reader: Reader) -> dict[str, Any] | None:
    """The further channel that would part the causes best, null where there is none."""
    if clip is None:
        return None
    return {
        "channel": clip.channel,
        "text": reader.say(clip.text),
        "caution": reader.say(clip.caution) if clip.caution else None,
        "information_bits": plain(clip.bits),
        "first_cause_probability": plain(clip.first_right),
        "first_cause_probability_then": plain(clip.first_right_then),
        "speaks_for": [
            {
                "cause": s.cause,
                "name": reader.say(s.text),
                "reading": reader.say(s.reading),
                "low": plain(s.low),
                "high": plain(s.high),
            }
            for s in clip.speaks
        ],
    }


def side_table(side: RefrigerantSide | None) -> dict[str, Any] | None:
    """The refrigerant side as JSON holds it: name -> middle, low, high and cycles, null where it was not logged."""
    return None if side is None else plain(dataclasses.asdict(side))


def write_timeline(path: Path, timeline: Timeline) -> None:
    """The chosen channels on one clock as Parquet: `time` in the unit's zone and a float column a role.

    A reading that is missing or not trusted is null. The header as logged, its file and unit stand in the metadata of
    each column.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    chosen = [c for c in timeline.channels if c.chosen]
    time_ns, stamp = _union([c.time_ns for c in chosen]), pa.timestamp("ns", tz=timeline.time_zone)
    fields = [pa.field("time", stamp, nullable=False)]
    for name, channel in zip(column_names(chosen), chosen, strict=True):
        about = {
            "unit": channel.unit,
            "label": channel.label,
            "file": channel.file,
            "unit_as_logged": channel.unit_read,
        }
        fields.append(pa.field(name, pa.float64(), metadata=about))
    schema = pa.schema(fields, metadata={"unit_name": timeline.unit_name, "time_zone": timeline.time_zone})
    writer = pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        use_dictionary=[name for name in schema.names if name != "time"],
        column_encoding={"time": "DELTA_BINARY_PACKED"},
        write_statistics=["time"],
    )
    with writer:
        for k in range(0, max(len(time_ns), 1), ROWS_A_GROUP):
            some_ns = time_ns[k : k + ROWS_A_GROUP]
            arrays = [pa.array(some_ns.view("M8[ns]"), type=stamp)]
            for values, gone in (_on(some_ns, channel) for channel in chosen):
                arrays.append(pa.array(values, mask=gone, from_pandas=True))
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema), ROWS_A_GROUP)


ROWS_A_GROUP = 1 << 20
"""Of a Parquet file: what Arrow writes by default. No more of a log is copied at once."""


def _on(time_ns: np.ndarray, channel: Channel) -> tuple[np.ndarray, np.ndarray | None]:
    """(the readings of `channel` at `time_ns` (n,), a part of the common clock; which of them are not to be used, None: they are NaN)."""
    first, stop = np.searchsorted(channel.time_ns, (time_ns[0], time_ns[-1] + 1))
    values, gone = channel.values[first:stop], ~channel.trusted[first:stop]
    if stop - first == len(time_ns):
        return values, gone
    spread = np.full(len(time_ns), np.nan)
    spread[np.searchsorted(time_ns, channel.time_ns[first:stop])] = np.where(gone, np.nan, values)
    return spread, None


def column_names(channels: list[Channel]) -> list[str]:
    """One column name a channel: its role, numbered from the second of the same role on."""
    seen: dict[str, int] = {}
    names = []
    for channel in channels:
        seen[channel.role] = seen.get(channel.role, 0) + 1
        names.append(channel.role if seen[channel.role] == 1 else f"{channel.role}_{seen[channel.role]}")
    return names


def plain(value: Any) -> Any:
    """`value` as JSON can hold it: NumPy scalars and arrays unwrapped, no-number as null."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)


def spreadsheet_safe(text: str) -> str:
    """`text` so that no spreadsheet takes it for a formula: an apostrophe before a leading = + - @, tab or return.

    Common practice, no standard found. Only text that came from a log or a file name goes through here; our own
    numbers keep their minus sign.
    """
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def to_csv(header, rows) -> str:
    """RFC 4180 quoting, lines ended by LF."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def _rounded(name: str, values: np.ndarray) -> np.ndarray:
    """`values` to as many decimals as the suffix of `name` has; NaN, which becomes an empty cell, where there is no number."""
    decimals = next((d for suffix, d in _DECIMALS.items() if name.endswith(suffix)), 4)
    rounded = np.round(values.astype(float), decimals) + 0.0
    rounded[~np.isfinite(rounded)] = np.nan
    return rounded


def _own_csv(columns: Mapping[str, Sequence]) -> str:
    """Columns of numbers, flags, times and words of our own, none of which can need a quotation mark (Arrow refuses one that does)."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    arrays = [pa.array(values, from_pandas=True) for values in columns.values()]
    out = io.BytesIO()
    plain = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
    arrow_csv.write_csv(pa.Table.from_arrays(arrays, names=list(columns)), out, plain)
    return ",".join(columns) + "\n" + out.getvalue().decode()


def _union(times: list[np.ndarray]) -> np.ndarray:
    if not times:
        return np.empty(0, np.int64)
    first = times[0]
    if all(t is first or (len(t) == len(first) and np.array_equal(t, first)) for t in times[1:]):
        return first
    return np.unique(np.concatenate(times))
