"""How well found phases meet the true ones, and the published change-point metrics.

Phases are anything with `kind`, `start_ns` and `end_ns` (touching, in order). Four types of boundary are scored, each
matched one to one: "harvest start", "harvest end", "compressor stop" and "compressor start". Where a log shows nothing
(edges of the log, of a gap) no boundary is asked for within the tolerance, and none found there counts against.

An `unclear` that was found makes no claim: its edges are never false, but what it hides is missed. Inside a true
`unclear` (a compressor that keeps tripping) stops and starts are not scored; a harvest invented there is false.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

BOUNDARY_TYPES = ("harvest start", "harvest end", "compressor stop", "compressor start")
_RUNNING = ("freeze", "harvest")
_HALTED = ("idle", "unclear")


class PhaseLike(Protocol):
    """What is scored: a phase with its times in int64 nanoseconds."""

    kind: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True, kw_only=True)
class Boundary:
    """One change of state. claim: False where an edge of a found `unclear` says nothing of its own."""

    kind: str
    at_ns: int
    uncertainty_s: float = float("nan")
    claim: bool = True


def boundaries_of(phases: Sequence[PhaseLike], *, found: bool = False) -> list[Boundary]:
    """The scored boundaries of `phases`; `found`: edges of `unclear` are no claim."""
    out = []
    for before, after in itertools.pairwise(phases):
        a, b = str(before.kind), str(after.kind)
        if "gap" in (a, b) or a == b:
            continue
        if b == "harvest":
            kind = "harvest start"
        elif a == "harvest":
            kind = "harvest end"
        elif a in _RUNNING and b in _HALTED:
            kind = "compressor stop"
        elif a in _HALTED and b in _RUNNING:
            kind = "compressor start"
        else:
            continue
        claim = not (found and "unclear" in (a, b))
        out.append(
            Boundary(
                kind=kind,
                at_ns=int(after.start_ns),
                uncertainty_s=float(getattr(after, "start_uncertainty_s", np.nan)),
                claim=claim,
            )
        )
    return out


def match(true_ns: Sequence[int], found_ns: Sequence[int], tolerance_s: float) -> list[tuple[int, int]]:
    """Most pairs (index into true, index into found) within `tolerance_s`, each used once; both sorted ascending.

    On a line with one tolerance, giving each true boundary the earliest free found one within reach is optimal.
    """
    reach = round(tolerance_s * 1e9)
    pairs, j = [], 0
    for i, t in enumerate(true_ns):
        while j < len(found_ns) and found_ns[j] < t - reach:
            j += 1
        if j < len(found_ns) and found_ns[j] <= t + reach:
            pairs.append((i, j))
            j += 1
    return pairs


@dataclass(frozen=True, kw_only=True)
class Score:
    """How one log's phases met the truth. Counts are of boundaries unless named otherwise."""

    tolerance_s: float
    hits: int
    false: int
    missed: int
    errors_s: np.ndarray  # found minus true, of the hits [s]
    inside: int  # boundaries (matched within the wide tolerance) whose stated interval holds the true one
    stated: int  # boundaries matched within the wide tolerance that state an uncertainty
    cycles_true: int  # harvests seen whole
    cycles_found: int
    cycles_false: int  # harvest starts where there is none
    made_up: int  # harvests that no true one is near
    agree: float  # share of the time with the right label (gaps left out)
    wrong: float  # share with a wrong label; the rest was called unclear
    covering: float
    by_type: dict[str, tuple[int, int, int]] = field(default_factory=dict)  # type -> hits, false, missed
    wide_errors_s: dict[str, np.ndarray] = field(
        default_factory=dict
    )  # type -> errors within the wide tolerance [s]
    hours: dict[tuple[str, str], float] = field(default_factory=dict)  # (true label, found label) -> hours
    details: tuple[str, ...] = ()  # what went wrong, for a person

    @property
    def f1(self) -> float:
        return f1_of(self.hits, self.false, self.missed)


def f1_of(hits: int, false: int, missed: int) -> float:
    """Harmonic mean of precision and recall; 1.0 where nothing was there and nothing was found."""
    return 1.0 if hits + false + missed == 0 else 2.0 * hits / (2.0 * hits + false + missed)


def tolerance_of(interval_s: float) -> float:
    """max(20 s, 1.5 intervals) [s]."""
    return max(20.0, 1.5 * interval_s)


def score(truth: Sequence[PhaseLike], found: Sequence[PhaseLike], *, interval_s: float) -> Score:
    """`found` phases against `truth` (both over the same log)."""
    tolerance_s = tolerance_of(interval_s)
    true_all, found_all = boundaries_of(truth), boundaries_of(found, found=True)
    blind = _blind_spots(truth, tolerance_s)
    unclear = [(p.start_ns, p.end_ns) for p in truth if str(p.kind) == "unclear"]
    hits = false = missed = inside = stated = cycles_false = 0
    errors: list[float] = []
    by_type, wide_errors, details = {}, {}, []
    for kind in BOUNDARY_TYPES:
        true = [b for b in true_all if b.kind == kind]
        seen = [b for b in found_all if b.kind == kind]
        true_ns, seen_ns = [b.at_ns for b in true], [b.at_ns for b in seen]
        pairs = match(true_ns, seen_ns, tolerance_s)
        errors += [(seen_ns[j] - true_ns[i]) / 1e9 for i, j in pairs]
        lost = [
            i for i in range(len(true)) if i not in {i for i, _ in pairs} and not _within(true_ns[i], blind)
        ]
        extra = [
            j
            for j in range(len(seen))
            if j not in {j for _, j in pairs} and seen[j].claim and not _within(seen_ns[j], blind)
        ]
        if kind.startswith("compressor"):
            extra = [j for j in extra if not _within(seen_ns[j], unclear)]
        if kind == "harvest start":
            cycles_false = len(extra)
        by_type[kind] = (len(pairs), len(extra), len(lost))
        hits, false, missed = hits + len(pairs), false + len(extra), missed + len(lost)
        details += [
            f"missed {kind} at {_clock(true_ns[i], truth)}{_nearest(true_ns[i], seen_ns)}" for i in lost
        ]
        details += [f"false {kind} at {_clock(seen_ns[j], truth)}" for j in extra]
        wide = match(true_ns, seen_ns, 6.0 * tolerance_s)
        wide_errors[kind] = np.array([(seen_ns[j] - true_ns[i]) / 1e9 for i, j in wide])
        for i, j in wide:
            if np.isfinite(seen[j].uncertainty_s):
                stated += 1
                inside += abs(seen_ns[j] - true_ns[i]) / 1e9 <= seen[j].uncertainty_s
    agree, wrong = label_shares(truth, found)
    return Score(
        tolerance_s=tolerance_s,
        hits=hits,
        false=false,
        missed=missed,
        errors_s=np.array(errors),
        inside=inside,
        stated=stated,
        cycles_true=_whole_harvests(truth),
        cycles_found=_whole_harvests(found),
        cycles_false=cycles_false,
        made_up=_made_up(truth, found, round(tolerance_s * 1e9)),
        agree=agree,
        wrong=wrong,
        covering=covering_of_phases(truth, found),
        by_type=by_type,
        wide_errors_s=wide_errors,
        hours=label_hours(truth, found),
        details=tuple(details),
    )


def untyped_f1(
    truth: Sequence[PhaseLike], found_ns: Sequence[int], *, interval_s: float, until_ns: int | None = None
) -> tuple[int, int, int]:
    """(hits, false, missed) of bare change points against boundaries of any type, up to `until_ns`."""
    tolerance_s = tolerance_of(interval_s)
    blind = _blind_spots(truth, tolerance_s)
    unclear = [(p.start_ns, p.end_ns) for p in truth if str(p.kind) == "unclear"]
    end = until_ns if until_ns is not None else truth[-1].end_ns
    true_ns = sorted(b.at_ns for b in boundaries_of(truth) if b.at_ns <= end)
    seen = sorted(int(t) for t in found_ns if t <= end)
    pairs = match(true_ns, seen, tolerance_s)
    used_true, used_seen = {i for i, _ in pairs}, {j for _, j in pairs}
    missed = sum(i not in used_true and not _within(t, blind) for i, t in enumerate(true_ns))
    false = sum(
        j not in used_seen and not _within(t, blind) and not _within(t, unclear) for j, t in enumerate(seen)
    )
    return len(pairs), false, missed


def label_shares(truth: Sequence[PhaseLike], found: Sequence[PhaseLike]) -> tuple[float, float]:
    """Shares of the log's time (true gaps left out) with the right label and with a wrong one.

    Time called `unclear` that is not is neither; time called `gap` that is not, or a label on a true `unclear`, is wrong.
    """
    hours = label_hours(truth, found)
    total = sum(h for (true, _), h in hours.items() if true != "gap") or 1.0
    agree = sum(h for (true, seen), h in hours.items() if true == seen != "gap") / total
    doubt = (
        sum(h for (true, seen), h in hours.items() if true not in ("gap", "unclear") and seen == "unclear")
        / total
    )
    return agree, max(0.0, 1.0 - agree - doubt)


def label_hours(truth: Sequence[PhaseLike], found: Sequence[PhaseLike]) -> dict[tuple[str, str], float]:
    """(true label, found label) -> hours."""
    edges = np.unique([t for p in (*truth, *found) for t in (p.start_ns, p.end_ns)]).astype(np.int64)
    length_h = np.diff(edges) / 3.6e12
    hours: dict[tuple[str, str], float] = {}
    for true, seen, h in zip(
        _labels_at(truth, edges[:-1]), _labels_at(found, edges[:-1]), length_h, strict=True
    ):
        if true:
            hours[true, seen] = hours.get((true, seen), 0.0) + float(h)
    return hours


def covering_of_phases(truth: Sequence[PhaseLike], found: Sequence[PhaseLike]) -> float:
    """The covering metric over time instead of samples: length-weighted best overlap of each true phase."""
    start = np.array([p.start_ns for p in found], dtype=np.int64)
    end = np.array([p.end_ns for p in found], dtype=np.int64)
    total = covered = 0.0
    for p in truth:
        shared = np.minimum(end, p.end_ns) - np.maximum(start, p.start_ns)
        union = np.maximum(end, p.end_ns) - np.minimum(start, p.start_ns)
        best = float(np.max(np.where(shared > 0, shared / union, 0.0))) if len(start) else 0.0
        total += p.end_ns - p.start_ns
        covered += (p.end_ns - p.start_ns) * best
    return covered / total if total else 1.0


def _labels_at(phases: Sequence[PhaseLike], at_ns: np.ndarray) -> np.ndarray:
    starts = np.array([p.start_ns for p in phases], dtype=np.int64)
    kinds = np.array([str(p.kind) for p in phases], dtype=object)
    i = np.searchsorted(starts, at_ns, side="right") - 1
    inside = (i >= 0) & (at_ns < phases[-1].end_ns)
    return np.where(inside, kinds[np.maximum(i, 0)], "")


def _whole_harvests(phases: Sequence[PhaseLike]) -> int:
    kinds = ["gap", *(str(p.kind) for p in phases), "gap"]
    return sum(
        k == "harvest" and "gap" not in (a, b) for a, k, b in zip(kinds, kinds[1:], kinds[2:], strict=False)
    )


def _made_up(truth: Sequence[PhaseLike], found: Sequence[PhaseLike], reach_ns: int) -> int:
    true = [(p.start_ns - reach_ns, p.end_ns + reach_ns) for p in truth if str(p.kind) == "harvest"]
    seen = [(p.start_ns, p.end_ns) for p in found if str(p.kind) == "harvest"]
    return sum(not any(a < d and c < b for a, b in true) for c, d in seen)


def _blind_spots(truth: Sequence[PhaseLike], tolerance_s: float) -> list[tuple[int, int]]:
    reach = round(tolerance_s * 1e9)
    edges = [(truth[0].start_ns, truth[0].start_ns), (truth[-1].end_ns, truth[-1].end_ns)]
    edges += [(p.start_ns, p.end_ns) for p in truth if str(p.kind) == "gap"]
    return [(a - reach, b + reach) for a, b in edges]


def _within(at_ns: int, spans: Iterable[tuple[int, int]]) -> bool:
    return any(a <= at_ns <= b for a, b in spans)


def _clock(at_ns: int, truth: Sequence[PhaseLike]) -> str:
    return f"{(at_ns - truth[0].start_ns) / 3.6e12:.3f} h"


def _nearest(at_ns: int, seen_ns: Sequence[int]) -> str:
    if not seen_ns:
        return " (none of that type found)"
    off = min(((s - at_ns) / 1e9 for s in seen_ns), key=abs)
    return f" (nearest found is {off:+.0f} s off)"


# Published metrics. A change point is the 0-based index of the first sample of a new segment; index 0 is always added.
# Definitions: van den Burg & Williams, "An Evaluation of Change Point Detection Algorithms", arXiv 2003.06222, section 4.


def true_positives(labels: Iterable[int], predicted: Iterable[int], *, margin: int = 5) -> set[int]:
    """Labels that have a prediction within `margin`, each prediction used once."""
    free = set(predicted)
    met = set()
    for label in sorted(set(labels)):
        near = [x for x in free if abs(x - label) <= margin]
        if near:
            free.remove(min(near, key=lambda x: (abs(x - label), x)))
            met.add(label)
    return met


def f1_with_margin(
    annotations: Sequence[Iterable[int]], predicted: Iterable[int], *, margin: int = 5
) -> float:
    """F1 against several annotators: precision on the union of their labels, recall as the mean over annotators."""
    found = {0, *predicted}
    sets = [{0, *labels} for labels in annotations]
    union = set().union(*sets)
    precision = len(true_positives(union, found, margin=margin)) / len(found)
    recall = float(np.mean([len(true_positives(s, found, margin=margin)) / len(s) for s in sets]))
    return 2.0 * precision * recall / (precision + recall)


def covering(annotations: Sequence[Iterable[int]], predicted: Iterable[int], n: int) -> float:
    """Mean over annotators of the length-weighted best Jaccard overlap of each of their segments."""
    found = _segments(predicted, n)
    return float(np.mean([_cover(_segments(labels, n), found, n) for labels in annotations]))


def _segments(change_points: Iterable[int], n: int) -> list[tuple[int, int]]:
    edges = sorted({0, *change_points, n})
    return list(itertools.pairwise(edges))


def _cover(true: list[tuple[int, int]], found: list[tuple[int, int]], n: int) -> float:
    total = 0.0
    for a, b in true:
        overlaps = [
            max(0, min(b, d) - max(a, c)) / (max(b, d) - min(a, c)) for c, d in found if min(b, d) > max(a, c)
        ]
        total += (b - a) * max(overlaps, default=0.0)
    return total / n
