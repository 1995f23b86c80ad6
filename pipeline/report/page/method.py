"""How a result was come by: channels and their trust, doubts, files, thresholds, as the page's last part shows them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.clock import Offsets
from pipeline.report.numbers.columns import columns_of
from pipeline.report.payload.rendering import fragment
from pipeline.report.wording import Reader, certainty
from pipeline.unit import Unit

MOST_FILES = 200
"""So many of the files that were read are listed, those with something to say first: a logger that begins a file every hour leaves
thousands."""


def method_of(
    *,
    unit: Unit,
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    offsets: Offsets,
    reader: Reader,
) -> dict[str, Any]:
    """Everything that the template's method part needs."""
    uncertain = columns_of(record)["uncertainty_min"]
    uncertain = uncertain[np.isfinite(uncertain)]
    return {
        "timing": reader.t_html(
            "method.timing",
            uncertainty_min=float(np.median(uncertain)),
            interval=reader.seconds(record.interval_s),
        )
        if len(uncertain)
        else None,
        "bands": reader.t_html(
            "method.bands",
            freeze_low_min=unit.expected_freeze_min[0],
            freeze_high_min=unit.expected_freeze_min[1],
            harvest_low_min=unit.expected_harvest_min[0],
            harvest_high_min=unit.expected_harvest_min[1],
        ),
        "channels": [_channel(c, reader) for c in timeline.channels],
        "doubts": [
            {
                "what": reader.say_html(d.what),
                "label": d.label,
                "span": reader.span(d.start_ns, d.end_ns, offsets),
            }
            for d in timeline.doubts
        ],
        "sources": [
            {
                "name": s.name,
                "rows": s.rows,
                "interval": reader.seconds(s.interval_s),
                "from": reader.moment(s.start_ns, offsets),
                "to": reader.moment(s.end_ns, offsets),
                "notes": [reader.say_html(n) for n in s.notes],
            }
            for s in sorted(timeline.sources, key=lambda s: not s.notes)[:MOST_FILES]
        ],
        "more_sources": max(len(timeline.sources) - MOST_FILES, 0),
        "thresholds": thresholds_table(judgement.thresholds, reader) if judgement.thresholds else None,
    }


@lru_cache(maxsize=8)
def thresholds_table(rows: tuple[tuple[str, float, str, str], ...], reader: Reader) -> Markup:
    """The table of the thresholds in force, `rows` of name, value, unit and source; made once for all units that share it."""
    from pipeline.findings.threshold_table import PRACTICE

    shown = [
        {
            "name": name,
            "value": reader.number(value),
            "unit": sign,
            "source": "" if source == PRACTICE else source,
            "practice": source == PRACTICE,
            "what": _decides(name, reader),
        }
        for name, value, sign, source in rows
    ]
    return fragment("thresholds.html", reader=reader, rows=shown)


def _channel(channel: Channel, reader: Reader) -> dict[str, Any]:
    seen = np.isfinite(channel.values)
    meant = np.logical_or.reduce([seen, *channel.masks.values()])  # an error word is a reading too
    trusted = 100 * float((channel.trusted & seen).sum()) / max(int(meant.sum()), 1)
    by = channel.role_by.replace(".", "_").replace(" ", "_")
    return {
        "label": channel.label,
        "role": reader.words.get(f"role.{channel.role}", channel.role),
        "chosen": channel.chosen,
        "by": reader.words.get(f"method.by_{by}", channel.role_by),
        "sure": reader.words[f"method.sure_{certainty(channel.role_confidence)}"],
        "file": _named_briefly(channel.file),
        "unit": channel.unit_read,
        "interval": reader.seconds(channel.interval_s),
        "trusted": reader.show("trusted_pct", trusted),
        "objections": [f"{name}: {int(mask.sum())}" for name, mask in channel.masks.items() if mask.any()],
    }


def _named_briefly(files: str) -> str:
    """The names of the files of one logger, "a.csv + b.csv"; of many the first and the last."""
    names = files.split(" + ")
    return files if len(names) <= 4 else f"{names[0]} + … ({len(names) - 2}) … + {names[-1]}"


def _decides(name: str, reader: Reader) -> str:
    """What a threshold decides, as a sentence: translated, else as its table has it, the findings' or that of a room before."""
    from pipeline.findings.thresholds import BEFORE, TABLE

    what = reader.words.get(f"threshold.{name}")
    if not what:
        what = BEFORE[name].what if name in BEFORE else next((t.what for t in TABLE if t.name == name), "")
    return what and f"{what[0].upper()}{what[1:]}."
