"""What the fleet page and the messages need of a unit: small, and kept beside its report.

A later run rebuilds the fleet page from these files without reading one log, and finds in them what the unit was like
the time before.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Judgement
from pipeline.language.text import Text
from pipeline.logs.timeline import Problem, Timeline
from pipeline.report.clock import DAY_NS, iso_times
from pipeline.report.machine_files import plain, side_table
from pipeline.report.numbers.columns import columns_of, spans_of
from pipeline.report.numbers.flags import abnormal_cycles
from pipeline.report.numbers.unjudged import Unjudged
from pipeline.report.numbers.waiting import waiting_of
from pipeline.report.numbers.whole import Numbers
from pipeline.report.wording import Reader
from pipeline.unit import Unit

FILE = "summary.json"
LEVELS = ("act", "watch", "cannot-tell", "note", "well")
"""Verdicts, worst first: what cannot be judged needs somebody sooner than what is well."""

LISTS = ("today", "next-visit", "leave")
"""Who needs somebody today, who on the next visit, who can be left."""
_DUE = {"act": LISTS[0], "watch": LISTS[1], "cannot-tell": LISTS[1], "note": LISTS[2], "well": LISTS[2]}


@dataclass(frozen=True, kw_only=True)
class UnitSummary:
    """One unit in brief. Survives JSON; fields that a newer version added are ignored by an older one."""

    unit: str  # name: the folder's
    title: str  # what pages call it
    place: str = ""
    client: str = ""  # whose it is
    model: str = ""  # a label of the user's own: units of one label are sister machines
    thresholds: Mapping[str, float] = field(default_factory=dict)  # those that unit.toml sets
    kind: str = ""
    time_zone: str = "UTC"
    log_start: str = ""  # ISO 8601 with offset
    log_end: str = ""
    level: str = "cannot-tell"  # one of LEVELS
    days: float = 0.0
    cycles: int = 0  # complete ones
    cycles_per_day: float | None = None
    ice_kg_per_day: float | None = None
    ice_kg_per_day_low: float | None = None
    ice_kg_per_day_high: float | None = None
    energy_kwh_per_kg: float | None = None
    limit_kwh_per_kg: float | None = None  # published limit of its class, for comparison only
    refrigerant_side: Mapping[str, Any] | None = None  # name -> middle, low, high, cycles
    freeze_min: float | None = None  # median of the complete cycles [min]
    harvest_min: float | None = None
    air_c: float | None = None  # what the condenser was given, median
    water_c: float | None = None  # supply water, median
    sisters_min: float | None = None  # usual freeze of the sister machines that it was held against [min]
    idle_share: float | None = None  # 0…1 of the time with data
    made_cycles_per_day: float | None = None  # in the time that the log covers, rests included
    made_ice_kg_per_day: float | None = None
    expected_kg_per_day: float | None = None
    hours: tuple[Mapping[str, Any], ...] = ()  # each day as a ribbon of 24 hours: see `numbers.hours`
    usual: Mapping[str, Any] = field(
        default_factory=dict
    )  # "freeze_min" -> low, middle, high of the usual range
    codes: tuple[str, ...] = ()  # of the findings, worst first, each once
    counts: Mapping[str, int] = field(default_factory=dict)  # severity -> findings
    abnormal_cycles: int = 0
    trace: tuple[
        float | None, ...
    ] = ()  # freeze lengths thinned to a small trace [min]; None: not making ice
    trace_flags: tuple[int, ...] = ()  # 1 where a freeze or harvest of that stretch is abnormal
    problems: tuple[str, ...] = ()  # of files that could not be read
    texts: Mapping[str, Any] = field(default_factory=dict)  # Texts as JSON, for any language and units
    visits: tuple[Mapping[str, Any], ...] = ()  # in the order of `given`: see `numbers.visits`
    waiting: Mapping[str, float] = field(default_factory=dict)  # what it costs to wait: see `numbers.waiting`
    previous: Mapping[str, Any] | None = None  # level, log_end, freeze_min, … of the report before this one

    @property
    def name(self) -> str:
        """The unit's, as that of every row of the fleet page."""
        return self.unit

    @property
    def rank(self) -> int:
        """0 for the worst level."""
        return LEVELS.index(self.level) if self.level in LEVELS else len(LEVELS)

    @property
    def due(self) -> str:
        """On which list it stands: one of LISTS."""
        return _DUE.get(self.level, LISTS[1])

    @property
    def order(self) -> tuple:
        """Sorts by list, then by client and place, the worst unit of each first."""
        counts = self.counts
        return (
            LISTS.index(self.due),
            self.client.casefold(),
            self.place.casefold(),
            self.rank,
            -counts.get("act", 0),
            -counts.get("watch", 0),
            -self.abnormal_cycles,
            self.title.casefold(),
            self.unit,
        )

    @property
    def stretches_with_ice(self) -> int:
        """How many stretches of `trace` hold a freeze."""
        return sum(v is not None for v in self.trace)

    @property
    def visits_within(self) -> list[Mapping[str, Any]]:
        """The visits that lie in the log."""
        return [place for place in self.visits if place["share"] is not None]

    def to_json(self) -> str:
        """What `from_json` reads."""
        return json.dumps(vars(self) | {}, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> UnitSummary:
        """Raises ValueError where `text` is not a summary."""
        table = json.loads(text)
        if not isinstance(table, dict) or not {"unit", "title"} <= table.keys():
            raise ValueError("not a unit summary")
        known = {f.name: f for f in dataclasses.fields(cls)}
        values = {k: tuple(v) if isinstance(v, list) else v for k, v in table.items() if k in known}
        return cls(**values)


LEAST_ICICLES = 3  # fewer freezes make no picture


def icicles_title(summary: UnitSummary, reader: Reader) -> str:
    """What the freezes of `summary.trace` show, for whoever cannot see them."""
    seen = [v for v in summary.trace if v is not None]
    return reader.t(
        "client.icicles_alt", low_min=min(seen), high_min=max(seen), abnormal=summary.abnormal_cycles
    )


def icicles_note(summary: UnitSummary, reader: Reader) -> str:
    """How to read them."""
    keys = ["client.icicles"]
    keys += (
        ["client.icicles_odd"]
        if any(f and v is not None for v, f in zip(summary.trace, summary.trace_flags, strict=True))
        else []
    )
    keys += ["client.icicles_longest"] if summary.cycles > summary.stretches_with_ice else []
    keys += ["client.visit_line"] if summary.visits_within else []
    return " ".join(map(reader.t, keys))


def read_summary(folder: Path) -> UnitSummary | None:
    """What the last report left in `folder`; None where there is none (or it is not ours)."""
    try:
        return UnitSummary.from_json((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError, TypeError):
        return None


def summarise(
    *,
    unit: Unit,
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    numbers: Numbers,
    problems: Sequence[Problem],
    previous: UnitSummary | None,
) -> UnitSummary:
    """One unit in brief."""
    offsets = numbers.offsets
    start, end = (str(t) for t in iso_times(np.array([timeline.start_ns, timeline.end_ns]), offsets))
    table, output = columns_of(record), judgement.output
    complete = _complete(table)
    flagged = abnormal_cycles(judgement.findings)
    trace, trace_flags = _trace(record, timeline, flagged)
    return UnitSummary(
        unit=unit.name,
        title=unit.shown_as,
        place=unit.place,
        client=unit.client.name,
        model=unit.model,
        thresholds=dict(unit.thresholds),
        kind=unit.kind,
        time_zone=timeline.time_zone,
        log_start=start,
        log_end=end,
        level=judgement.verdict.level,
        days=round((timeline.end_ns - timeline.start_ns) / DAY_NS, 4),
        cycles=int(complete.sum()),
        cycles_per_day=plain(output.cycles_per_day),
        ice_kg_per_day=plain(output.ice_kg_per_day),
        ice_kg_per_day_low=plain(output.ice_kg_per_day_low),
        ice_kg_per_day_high=plain(output.ice_kg_per_day_high),
        energy_kwh_per_kg=plain(output.energy_kwh_per_kg),
        limit_kwh_per_kg=plain(output.limit_kwh_per_kg),
        refrigerant_side=side_table(judgement.refrigerant_side),
        freeze_min=_median(table, "freeze_min", complete),
        harvest_min=_median(table, "harvest_min", complete) if record.harvests_timed else None,
        air_c=plain(judgement.air_c),
        water_c=plain(judgement.water_c),
        sisters_min=plain(judgement.sisters_min),
        idle_share=_idle_share(record),
        made_cycles_per_day=plain(output.made_cycles_per_day),
        made_ice_kg_per_day=plain(numbers.made_kg_per_day),
        expected_kg_per_day=plain(output.expected_kg_per_day),
        hours=tuple(vars(day) | {"runs": [list(run) for run in day.runs]} for day in numbers.hours),
        usual={
            name: [plain(v) for v in (lim.low, lim.centre, lim.high)] for name, lim in numbers.limits.items()
        },
        codes=tuple(dict.fromkeys(f.code for f in judgement.findings)),
        counts={
            s: n for s in ("act", "watch", "note") if (n := sum(f.severity == s for f in judgement.findings))
        },
        abnormal_cycles=len(flagged),
        trace=trace,
        trace_flags=trace_flags,
        problems=tuple(p.message for p in problems),
        texts=_texts(judgement, offsets) | _lacking(numbers.lacking),
        visits=tuple(vars(place) for place in numbers.visits),
        waiting=waiting_of(record, judgement),
        previous=_before(previous, end),
    )


def text_from(table: Mapping[str, Any]) -> Text:
    """A Text that was kept as JSON."""
    return Text(key=table["key"], english=table["english"], values=table.get("values", {}))


def text_table(text: Text) -> dict[str, Any]:
    """A Text as JSON can hold it."""
    return {"key": text.key, "english": text.english, "values": plain(text.values)}


def _next_clip(judgement: Judgement) -> dict[str, Any]:
    """What to clip next: the sentence, and the readings that speak for each cause; {} where there is nothing to part."""
    clip = judgement.next_clip
    if clip is None:
        return {}
    speaks = [[text_table(s.reading), text_table(s.text)] for s in clip.speaks]
    return {"next_clip": {"text": text_table(clip.text), "speaks": speaks}}


def _texts(judgement: Judgement, offsets) -> dict[str, Any]:
    spans = iso_times(
        np.array([t for f in judgement.findings for t in (f.start_ns, f.end_ns)], np.int64), offsets
    )
    return {
        "verdict_client": text_table(judgement.verdict.client),
        "verdict_technician": text_table(judgement.verdict.technician),
        "also": [text_table(text) for text in judgement.verdict.also],
        **_next_clip(judgement),
        **{
            f"verdict_{part}": text_table(text)
            for part in ("since", "likeliest", "first_check")
            if (text := getattr(judgement.verdict, part)) is not None
        },
        "cautions": [text_table(t) for t in judgement.cautions],
        "output_basis": text_table(judgement.output.basis) if judgement.output.basis else None,
        "findings": [
            {
                "code": f.code,
                "severity": f.severity.value,
                "phase": f.shows.about,
                "title": text_table(f.title),
                "likely_causes": [text_table(t) for t in f.likely_causes],
                "next_checks": [text_table(t) for t in f.next_checks],
                "start": str(spans[2 * i]),
                "end": str(spans[2 * i + 1]),
                "cycles": len(f.cycles),
            }
            for i, f in enumerate(judgement.findings)
        ],
    }


def _lacking(lacking: Unjudged | None) -> dict[str, Any]:
    if lacking is None:
        return {}
    return {"unjudged": [text_table(t) for t in lacking.why], "steps": [text_table(t) for t in lacking.steps]}


_KEPT = (
    "log_end",
    "level",
    "freeze_min",
    "harvest_min",
    "cycles_per_day",
    "ice_kg_per_day",
    "codes",
    "abnormal_cycles",
    "days",
)


def _before(previous: UnitSummary | None, end: str) -> Mapping[str, Any] | None:
    """What to compare with: the report before this log; a re-run over the same log keeps what it had."""
    if previous is None:
        return None
    if previous.log_end == end:
        return previous.previous
    return {name: plain(getattr(previous, name)) for name in _KEPT}


def _complete(table) -> np.ndarray:
    good = table["complete"]
    if "broken" in table:
        good = good & ~table["broken"]
    return good


def _median(table, column: str, rows: np.ndarray) -> float | None:
    values = table[column][rows]
    values = values[np.isfinite(values)]
    return round(float(np.median(values)), 3) if len(values) else None


def _idle_share(record: CycleRecord) -> float | None:
    spans = spans_of(record)
    seen = sum(span for kind, span in spans.items() if kind != PhaseKind.GAP)
    return round(spans[PhaseKind.IDLE] / seen, 4) if seen else None


TRACE_STRETCHES = 96


def _trace(record: CycleRecord, timeline: Timeline, flagged: set[int]) -> tuple[tuple, tuple]:
    """Longest freeze of each of 96 stretches of the log, and whether one of its cycles is abnormal."""
    table = columns_of(record)
    span = max(timeline.end_ns - timeline.start_ns, 1)
    longest = np.full(TRACE_STRETCHES, np.nan)
    marks = np.zeros(TRACE_STRETCHES, int)
    freeze = table["freeze_min"]
    starts = table["freeze_start_ns"]
    numbers = table["cycle"]
    at = np.clip((starts - timeline.start_ns) * TRACE_STRETCHES // span, 0, TRACE_STRETCHES - 1)
    seen = np.isfinite(freeze)
    np.fmax.at(longest, at[seen], freeze[seen])
    marks[at[np.isin(numbers, list(flagged))]] = 1
    return tuple(None if v != v else round(v, 2) for v in longest.tolist()), tuple(marks.tolist())
