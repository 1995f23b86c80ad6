"""What a page says of a log that could not be judged: what was read, why that was not enough, what to do next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Judgement
from pipeline.language.catalogue import own_text
from pipeline.language.text import Text
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.clock import S
from pipeline.report.numbers.columns import columns_of, spans_of
from pipeline.report.numbers.levels import trusted_readings
from pipeline.report.numbers.usual_range import in_force
from pipeline.report.wording import Reader

H = 3600 * S

TELLS_CYCLES = ("evaporator", "suction", "current_compressor", "current", "power")
"""Any one of these shows freezes and harvests."""

# Common practice, no source: the README tells technicians the same.
SHORT_H = 3.0  # a log that may hold no whole cycle
OFF_SHARE = 0.9
FLAT = {"°C": 2.0, "A": 0.3}  # a channel that moves less shows no cycle
UNTRUSTED_SHARE = 0.5


@dataclass(frozen=True, kw_only=True)
class Unjudged:
    """why: what the log lacks, worst first; steps: what to do about it, in order."""

    why: tuple[Text, ...]
    steps: tuple[Text, ...]


def unjudged(timeline: Timeline, record: CycleRecord, judgement: Judgement) -> Unjudged | None:
    """Why nothing could be said of the machine; None where something could."""
    if judgement.verdict.level != "cannot-tell":
        return None
    reasons = list(_reasons(timeline, record, in_force(judgement.thresholds))) or [
        (_text("why_pattern"), ("clip", "clamp"))
    ]
    asked = dict.fromkeys(step for _, steps in reasons for step in steps)
    steps = (_text(f"do_{step}") for step in (*asked, "again"))
    return Unjudged(why=tuple(why for why, _ in reasons), steps=tuple(steps))


def _reasons(
    timeline: Timeline, record: CycleRecord, thresholds: Mapping[str, float]
) -> Iterable[tuple[Text, tuple[str, ...]]]:
    """Each reason with the steps that mend it."""
    chosen = [c for c in timeline.channels if c.chosen and c.role != "other"]
    telling = [c for c in chosen if c.role in TELLS_CYCLES]
    span_h = 24 * round((timeline.end_ns - timeline.start_ns) / (24 * H), 4)  # as the page says it elsewhere
    off = _share(record, PhaseKind.IDLE)
    if not chosen:
        labels = ", ".join(f"“{c.label}”" for c in timeline.channels[:6])
        yield _text("why_unknown", labels=labels), ("name", "clip", "clamp")
    elif not telling:
        guessed = any(channel.role_by == "behaviour" for channel in chosen)
        yield _text("why_no_line"), (*(("name",) if guessed else ()), "clip", "clamp")
    elif off >= OFF_SHARE:
        yield _text("why_off", off_pct=100 * off), ("running",)
    else:
        for channel in telling:
            _, values = trusted_readings(channel)
            trusted = len(values) / max(int(np.isfinite(channel.values).sum()), 1)
            if trusted < UNTRUSTED_SHARE:
                yield _text("why_untrusted", channel_role=channel.role, trusted_pct=100 * trusted), ("probe",)
            elif span_h >= SHORT_H and _swing(values) < FLAT.get(channel.unit, 0.0):
                yield _flat(channel, values), ("probe",)
    if span_h < SHORT_H:
        yield _text("why_short", span_min=60 * span_h), ()
    if telling and record.interval_s > thresholds["coarse_interval_s"]:
        yield _text("why_coarse", interval_min=record.interval_s / 60), ("faster",)
    elif len(columns_of(record)["cycle"]):
        yield _text("why_few", count=len(columns_of(record)["cycle"])), ()


def _swing(values: np.ndarray) -> float:
    return float(np.ptp(np.percentile(values, [2, 98]))) if len(values) else 0.0


def _flat(channel: Channel, values: np.ndarray) -> Text:
    name = {"°C": "level_c", "A": "level_a"}.get(channel.unit, "level")
    level = float(np.median(values)) if len(values) else float("nan")
    return _text(f"why_flat_{name}", channel_role=channel.role, **{name: level})


def _share(record: CycleRecord, kind: PhaseKind) -> float:
    spans = spans_of(record)
    return spans[kind] / max(sum(ns for each, ns in spans.items() if each is not PhaseKind.GAP), 1)


def read_in_words(timeline: Timeline, reader: Reader) -> Markup:
    """How much was read, and of which channels."""
    channels = (
        reader.t_html(
            "unjudged.read_channel", channel_role=channel.role, interval=reader.seconds(channel.interval_s)
        )
        for channel in timeline.channels
        if channel.chosen
    )
    return reader.t_html(
        "unjudged.read",
        rows=sum(source.rows for source in timeline.sources),
        files=len(timeline.sources),
        channels=Markup(", ").join(channels) or reader.t_html("unjudged.read_none"),
    )


def _text(name: str, **values) -> Text:
    key = f"unjudged.{name}"
    return Text(key=key, english=own_text("en")[key], values=values)
