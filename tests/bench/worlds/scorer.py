"""How well found phases meet the true ones of a world.

Starts of freeze and of harvest that follow freeze, harvest or idle are scored, one to one, nearest pairs first, within
max(20 s, 1.5 intervals) of the logger of the evaporator or suction line. Starts beside the log's ends or in an unscored span count neither
way. `loose`: the same within max(90 s, three tolerances): found, though misplaced.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Span = tuple[float, float, str]  # start [s], end [s], phase
SCORED = ("freeze", "harvest")
_SHOWN = ("freeze", "harvest", "idle")
_NEAR_LENGTH_S = 400.0  # a found cycle's freeze or harvest is the true one that starts nearest, within this


def tolerance_s(interval_s: float) -> float:
    """Within what a start is right [s]."""
    return max(20.0, 1.5 * interval_s)


@dataclass(frozen=True, kw_only=True)
class Counts:
    """Starts: right, true, found."""

    hits: int = 0
    true: int = 0
    found: int = 0

    @property
    def f1(self) -> float:
        """F1; 1.0 where there was nothing to find and nothing was found."""
        both = self.true + self.found
        return 2 * self.hits / both if both else 1.0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            hits=self.hits + other.hits, true=self.true + other.true, found=self.found + other.found
        )


@dataclass(frozen=True, kw_only=True)
class Score:
    """One log's score."""

    strict: dict[str, Counts]  # "freeze" and "harvest"
    loose: Counts
    errors_s: dict[str, np.ndarray]  # found minus true, of the starts matched within 300 s
    made_up: int  # harvests found that overlap no true one
    lengths: int = 0  # freeze and harvest lengths of complete cycles that have a true one near
    held: int = 0  # of which the error is within the stated uncertainty

    @property
    def counts(self) -> Counts:
        return self.strict["freeze"] + self.strict["harvest"]

    @property
    def f1(self) -> float:
        return self.counts.f1


def merged(phases: Sequence[Span]) -> list[Span]:
    """`phases` in order of time, touching ones of one kind as one."""
    out: list[Span] = []
    for begin, end, kind in sorted(phases):
        if out and out[-1][2] == kind and abs(out[-1][1] - begin) < 1.5:
            out[-1] = (out[-1][0], end, kind)
        else:
            out.append((begin, end, kind))
    return out


def starts(phases: Sequence[Span], kind: str) -> np.ndarray:
    """Starts [s] of `kind` that follow another phase in which the machine's state is known. `phases`: merged."""
    pairs = itertools.pairwise(phases)
    return np.array([b[0] for a, b in pairs if b[2] == kind and a[2] in _SHOWN and a[2] != kind])


def matched(true: np.ndarray, found: np.ndarray, within_s: float) -> list[tuple[int, int]]:
    """Pairs (index into true, index into found), each used once, the nearest first."""
    pairs = []
    for i, t in enumerate(true):
        first, last = np.searchsorted(found, (t - within_s, t + within_s + 1e-9))
        pairs += [(abs(found[j] - t), i, j) for j in range(first, last)]
    used_true, used_found, out = set(), set(), []
    for _distance, i, j in sorted(pairs):
        if i not in used_true and j not in used_found:
            used_true.add(i)
            used_found.add(j)
            out.append((i, j))
    return out


def score(
    true: Sequence[Span],
    found: Sequence[Span],
    *,
    interval_s: float,
    length_s: float,
    unscored: Sequence[tuple[float, float]] = (),
    cycles: Sequence[tuple[float, float, float, float, float]] = (),
) -> Score:
    """`found` against `true`, both [s] on one clock from the log's beginning.

    cycles: of the complete ones found (freeze start, freeze length, harvest start, harvest length, stated uncertainty), all in s.
    """
    within = tolerance_s(interval_s)
    true, found = merged(true), merged(found)

    def counted(at: np.ndarray) -> np.ndarray:
        ok = (at > within) & (at < length_s - within)
        for begin, end in unscored:
            ok &= (at < begin - within) | (at > end + within)
        return at[ok]

    strict, errors, loose = {}, {}, Counts()
    for kind in SCORED:
        t, f = counted(starts(true, kind)), counted(starts(found, kind))
        strict[kind] = Counts(hits=len(matched(t, f, within)), true=len(t), found=len(f))
        loose += Counts(hits=len(matched(t, f, max(90.0, 3 * within))), true=len(t), found=len(f))
        errors[kind] = np.array([f[j] - t[i] for i, j in matched(t, f, 300.0)])
    harvests = [(a, b) for a, b, kind in true if kind == "harvest"]
    near = max(90.0, 3 * within)
    made_up = sum(
        kind == "harvest"
        and not any(a < end + near and b > begin - near for a, b in harvests)
        and len(counted(np.array([begin]))) > 0
        for begin, end, kind in found
    )
    lengths, held = _coverage(true, cycles)
    return Score(strict=strict, loose=loose, errors_s=errors, made_up=made_up, lengths=lengths, held=held)


def _coverage(true: Sequence[Span], cycles) -> tuple[int, int]:
    """(lengths compared, lengths whose error is within the stated uncertainty)."""
    lengths = held = 0
    for column, kind in enumerate(SCORED):
        spans = np.array([(a, b - a) for a, b, k in true[1:-1] if k == kind])  # the log's ends cut theirs
        if len(spans) < 3:
            continue
        for cycle in cycles:
            begin, length, stated = cycle[2 * column], cycle[2 * column + 1], cycle[4]
            nearest = int(np.argmin(np.abs(spans[:, 0] - begin)))
            if np.isfinite(length) and abs(spans[nearest, 0] - begin) <= _NEAR_LENGTH_S:
                lengths += 1
                held += int(abs(length - spans[nearest, 1]) <= stated)
    return lengths, held
