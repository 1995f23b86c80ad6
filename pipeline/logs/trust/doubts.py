"""What was objected to, said in sentences that carry the time and the numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.clock.stamp_parser import SECOND_NS
from pipeline.logs.clock.time_order import UNEVEN, longest_silence
from pipeline.logs.coarse_grid import Overview
from pipeline.logs.timeline import Doubt, holes
from pipeline.logs.trust.detached import Stretch
from pipeline.logs.trust.sample_checks import CheckedChannel, spans_of

JOIN_S = 2 * 3600.0
MOST_SPANS = 12
LEAST_SHARE = {"spike": 0.01}
"""Bad samples under this share of a channel (else 0.4 %) are dropped without a word. Common practice, no source."""

_WHY: Mapping[str, Text] = {
    "no reading": Text(
        key="logs.doubt.no_reading",
        english='"{label}" has no readings while the logger goes on: the probe or its lead is open',
    ),
    "error word": Text(
        key="logs.doubt.error_word", english='"{label}" shows an error word instead of a reading ({words})'
    ),
    "out of range": Text(
        key="logs.doubt.out_of_range",
        english='"{label}" reads what no such channel can read: the probe or its lead is open or shorted',
    ),
    "open or shorted": Text(
        key="logs.doubt.rail",
        english='"{label}" jumps to the end of its scale and stands there: the probe or its lead is open or shorted',
    ),
    "spike": Text(
        key="logs.doubt.spike", english='"{label}" has spikes of a few samples: a loose plug or interference'
    ),
    "saturated": Text(
        key="logs.doubt.saturated", english='"{label}" is cut off at the end of the logger\'s range ({level})'
    ),
    "flat": Text(key="logs.doubt.flat", english='"{label}" stands on one value while the machine cycles'),
    "loose": Text(
        key="logs.doubt.loose",
        english='"{label}" stops following the cycles and drifts to the room: the probe has come off',
    ),
    "dead": Text(
        key="logs.doubt.dead",
        english='"{label}" reads nothing, or one value, while the temperatures show the machine cycling: the clamp is off, or round both conductors',
    ),
}


def doubts_on_samples(
    trace: CheckedChannel, masks: Mapping[str, np.ndarray], words: Mapping[str, int]
) -> list[Doubt]:
    """`masks`: check -> bool (n,). One doubt a stretch of readings that the sample checks object to; a few stray samples make none."""
    found: list[Doubt] = []
    n = len(trace.values)
    if (silent := _silences(trace)) is not None:
        masks = {**masks, "no reading": silent}
    for check, mask in masks.items():
        if check not in _WHY or (check == "saturated" and mask.mean() < 0.01):
            continue
        least = max(5, LEAST_SHARE.get(check, 0.004) * n)
        spans = spans_of(mask, trace.time_ns, join_s=JOIN_S)
        worth = [
            s for s in spans if s[2] >= least or (check != "spike" and (s[2] - 1) * trace.interval_s >= 300.0)
        ]
        if not worth and int(mask.sum()) >= least:
            worth = [(spans[0][0], spans[-1][1], int(mask.sum()))]
        if len(worth) > MOST_SPANS:
            worth = [(worth[0][0], worth[-1][1], sum(s[2] for s in worth))]
        for first, last, count in worth:
            share = count / (last - first + 1)
            evidence: dict[str, object] = {"samples": count, "share_pct": round(100 * share, 1)}
            values: dict[str, object] = {"label": trace.label}
            if check == "error word":
                values["words"] = ", ".join(sorted(words, key=words.get, reverse=True)[:3])
            if check == "saturated":
                values["level"] = f"{float(np.nanmax(trace.values[mask])):g} {trace.unit}"
            found.append(
                Doubt(
                    code="probe-fault",
                    start_ns=int(trace.time_ns[first]),
                    end_ns=int(trace.time_ns[last]),
                    role=trace.role,
                    label=trace.label,
                    file=trace.file,
                    what=Text(key=_WHY[check].key, english=_WHY[check].english, values=values),
                    evidence=evidence | {"check": check},
                    confidence=0.95 if check != "spike" else 0.7,
                )
            )
    return found


def _silences(trace: CheckedChannel) -> np.ndarray | None:
    """bool (n,): stretches without a reading, not even an error word, that are long beside how often this channel reads."""
    if trace.is_whole or trace.role == "other":
        return None
    missing = np.isnan(trace.values)
    if trace.error is not None:
        missing &= ~trace.error
    if not missing.any():
        return None
    read = np.flatnonzero(~missing)
    if not len(read):
        return missing
    edges = np.concatenate([[-1], read, [len(missing)]])
    lengths = np.diff(edges)
    usual = float(np.median(np.diff(read))) if len(read) > 1 else 1.0
    least = max(10.0 * usual, 600.0 / trace.interval_s if trace.interval_s > 0 else 10.0)
    long = np.flatnonzero(lengths > least)
    if not len(long):
        return None
    mask = np.zeros(len(missing), bool)
    for i in long:
        mask[edges[i] + 1 : edges[i + 1]] = True
    return mask


def doubts_on_stretches(
    stretches: Sequence[Stretch], traces: Mapping[int, CheckedChannel], overview: Overview
) -> list[Doubt]:
    """One doubt a stretch. traces: by the key of a stretch."""
    code = {"loose": "probe-loose", "flat": "probe-fault", "dead": "clamp-dead"}
    found = []
    for stretch in stretches:
        trace = traces[stretch.key]
        start, end = overview.span_ns(stretch.first, stretch.last)
        end = min(end, int(trace.time_ns[-1]))
        why = _WHY[stretch.kind]
        found.append(
            Doubt(
                code=code[stretch.kind],
                start_ns=start,
                end_ns=end,
                role=trace.role,
                label=trace.label,
                file=trace.file,
                what=Text(key=why.key, english=why.english, values={"label": trace.label}),
                evidence={k: round(v, 3) for k, v in stretch.evidence.items()},
                confidence=stretch.confidence,
            )
        )
    return found


def gaps(name: str, time_ns: np.ndarray, interval_s: float, limits: Mapping[str, float]) -> list[Doubt]:
    """Holes in one logger's log: its times `time_ns` (n,), written every `interval_s` [s]."""
    if len(time_ns) < 3 or not interval_s > 0:
        return []
    least_s = max(limits["gap_min"] * 60.0, limits["gap_intervals"] * interval_s)
    expected = (len(time_ns) - 1) * interval_s
    if (time_ns[-1] - time_ns[0]) / SECOND_NS - expected < 0.5 * least_s:
        return []
    steps = np.diff(time_ns)
    quick, slow = np.quantile(steps, (0.05, 0.8), overwrite_input=True)  # that puts them out of order
    if slow >= UNEVEN * quick:
        # It writes what changed, and now and then a sign of life: silence is no hole.
        least_s = max(least_s, limits["gap_silences"] * longest_silence(steps) / SECOND_NS)
    at = holes(time_ns, least_s * SECOND_NS)
    if not len(at):
        return []
    lost_ns = time_ns[at + 1] - time_ns[at]
    lost_s = float(lost_ns.sum()) / SECOND_NS
    if len(at) > MOST_SPANS:
        return [_gap(name, int(time_ns[at[0]]), int(time_ns[at[-1] + 1]), lost_s, len(at))]
    each = zip(at.tolist(), lost_ns.tolist(), strict=True)
    return [_gap(name, int(time_ns[i]), int(time_ns[i + 1]), lost / SECOND_NS, 1) for i, lost in each]


def _gap(name: str, start_ns: int, end_ns: int, lost_s: float, count: int) -> Doubt:
    one = Text(
        key="logs.doubt.gap",
        english="the log has a hole of {lost_min}: what the machine did then is not known",
        values={"lost_min": lost_s / 60},
    )
    many = Text(
        key="logs.doubt.gaps",
        english="the log has {count} holes, {lost_min} in all: what the machine did then is not known",
        values={"count": count, "lost_min": lost_s / 60},
    )
    return Doubt(
        code="log-gap",
        start_ns=start_ns,
        end_ns=end_ns,
        file=name,
        what=one if count == 1 else many,
        evidence={"lost_min": round(lost_s / 60, 2), "holes": count},
    )


def coarse(
    traces: Sequence[CheckedChannel], resolutions: Mapping[int, float], limits: Mapping[str, float]
) -> list[Doubt]:
    """The interval can't time a harvest, or the steps of a temperature hide what it does."""
    showing = [
        t for t in traces if t.role in ("evaporator", "suction", "current", "current_compressor", "power")
    ]
    found = []
    if showing:
        finest = min(showing, key=lambda t: t.interval_s if t.interval_s == t.interval_s else np.inf)
        if finest.interval_s > limits["coarse_interval_s"]:
            found.append(
                Doubt(
                    code="log-coarse",
                    start_ns=int(finest.time_ns[0]),
                    end_ns=int(finest.time_ns[-1]),
                    what=Text(
                        key="logs.doubt.coarse_interval",
                        english="one reading every {interval_s} is too coarse to time harvests, which take a few minutes; log every 10 s or faster",
                        values={"interval_s": finest.interval_s},
                    ),
                    evidence={"interval_s": finest.interval_s},
                )
            )
    for trace in traces:
        step = resolutions.get(trace.key, 0.0)
        if trace.role in ("evaporator", "suction") and step >= limits["coarse_step_k"]:
            found.append(
                Doubt(
                    code="log-coarse",
                    start_ns=int(trace.time_ns[0]),
                    end_ns=int(trace.time_ns[-1]),
                    role=trace.role,
                    label=trace.label,
                    file=trace.file,
                    what=Text(
                        key="logs.doubt.coarse_step",
                        english='"{label}" moves in steps of {step_k}: too coarse to see how a freeze ends',
                        values={"label": trace.label, "step_k": step},
                    ),
                    evidence={"step_k": step},
                )
            )
    return found
