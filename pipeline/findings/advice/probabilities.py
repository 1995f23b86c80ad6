"""How probable each cause is, by the whole pattern of a log.

A hypothesis is one cause, or two at once, or something else. Its likelihood is that of every measure and every event that the
log holds: the changes of a cause scale with one severity, summed over, and show in one of the three views of `pattern` (from
the first reading on, as a change within the log, or in single cycles), summed over too; in the other views nothing is due.
Measures scatter by Student's t with four degrees of freedom, so that no single odd one decides.
"""

from __future__ import annotations

import functools
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.findings.advice.causes import CAUSES, COURSES, MEASURES, SOMETHING_ELSE, TABLE, End
from pipeline.findings.advice.pattern import Pattern, Values

SEVERITIES = np.array([0.25, 0.5, 0.8, 1.2, 1.8])
_WEIGHTS = np.array([0.15, 0.25, 0.3, 0.2, 0.1])
_TWO = 0.02  # odds of a second cause, beside a first
_OWN = 0.7  # part of a row's sd that each measure has for itself, beside the severity that all share; learned on logs to tune on
_PAIRED = 8  # likeliest causes that are tried two by two
_FOUND, _FOUND_ANYWAY, _FOUND_ELSE = 0.5, 0.1, 0.15
"""Chance of a finding: its cause is there, is not, is unknown."""
_DEGREES = 4.0


_ENDS: Mapping[End, float] = {"level": 0.5, "temperature": 0.3, "delay": 0.15, "timer": 0.05}
"""What ends the freeze -> share of machines: common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """Hypotheses with their probabilities, adding up to 1, and what spoke for and against each single cause."""

    hypotheses: Mapping[tuple[str, ...], float]  # () is something else
    votes: Mapping[
        str, Mapping[str, float]
    ]  # cause -> measure or event -> nats against the mean of the others

    @functools.cached_property
    def marginal(self) -> dict[str, float]:
        """Cause -> probability that it is there, alone or with another; something-else -> that none of the table is."""
        out: dict[str, float] = {SOMETHING_ELSE: self.hypotheses.get((), 0.0)}
        for keys, p in self.hypotheses.items():
            for key in keys:
                out[key] = out.get(key, 0.0) + p
        return out

    def of_finding(self, code: str, named: tuple[str, ...] = ()) -> dict[str, float]:
        """Cause -> probability that it made this finding, adding up to 1, likeliest first, something-else last.

        `named`: causes that the rule names for it, for a code that no row of the table has.
        """
        able = {k for k in TABLE.machine if code in CAUSES[k].codes or k in named}
        out: dict[str, float] = {}
        rest = 0.0
        for keys, p in self.hypotheses.items():
            makers = [k for k in keys if k in able]
            for key in makers:
                out[key] = out.get(key, 0.0) + p / len(makers)
            if not makers:
                rest += p if not keys else _FOUND_ANYWAY / _FOUND * p
        total = sum(out.values()) + rest
        likely = sorted(out, key=lambda k: -out[k])
        return {k: out[k] / total for k in likely} | {SOMETHING_ELSE: rest / total}


def log_t(x: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Log density [nats] of Student's t at `x` (...,), scaled by `sd`, of a shape that goes with it."""
    constant = (
        math.lgamma((_DEGREES + 1) / 2) - math.lgamma(_DEGREES / 2) - 0.5 * math.log(_DEGREES * math.pi)
    )
    return constant - np.log(sd) - (_DEGREES + 1) / 2 * np.log1p((x / sd) ** 2 / _DEGREES)


@functools.cache
def _sizes(keys: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """(effects, their variances), each (severities, ends, measures), of all `keys` together."""
    mean = np.zeros((len(SEVERITIES), len(_ENDS), len(MEASURES)))
    var = np.zeros_like(mean)
    for key in keys:
        for e, end in enumerate(_ENDS):
            for m, (size, sd) in CAUSES[key].sizes(end).items():
                i = MEASURES.index(m)
                mean[:, e, i] += size * SEVERITIES
                var[:, e, i] += (_OWN * sd * np.maximum(SEVERITIES, 0.5)) ** 2
    return mean, var


def _arrays(values: Values) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at = np.array([MEASURES.index(m) for m in values], int)
    return at, np.array([v[0] for v in values.values()]), np.array([v[1] for v in values.values()])


def _view(values: Values, keys: tuple[str, ...] | None, pattern: Pattern) -> np.ndarray:
    """Log likelihood of one view's measures, each (severities, ends, measures in it). None: something else; (): nothing is due."""
    at, x, sd = _arrays(values)
    mean = np.zeros((len(SEVERITIES), len(_ENDS), len(at)))
    var = np.zeros_like(mean)
    if keys is None:
        var = var + (0.8 * TABLE.broad[at] * SEVERITIES[:, None, None]) ** 2
    elif keys:
        mean, var = (a[:, :, at] for a in _sizes(keys))
    air = values.get("air_k")
    if air is not None:  # what air of another temperature does, it does whatever the cause
        by_air = np.array([pattern.slopes.get(MEASURES[i], 0.0) for i in at]) * air[0]
        room = bool(keys) and any(k in ("room-hot", "room-cold") for k in keys)
        fixed = np.array([MEASURES[i] in pattern.slopes for i in at])
        if room and len(keys) == 1:
            mean = np.where(fixed, by_air, mean)
            var = np.where(fixed, 0.0, var)
        else:
            mean = mean + by_air
        var = var + (0.5 * by_air) ** 2
    return log_t(x - mean, np.sqrt(sd**2 + var))


def _events(keys: tuple[str, ...] | None, pattern: Pattern) -> dict[str, float]:
    """Log likelihood of each event that is there, or could be and is not, and of each finding ("finding:code": some events are called
    as their finding is)."""
    out = {}
    for event, anyway in TABLE.chance.items():
        there = event in pattern.events
        if not there and event not in pattern.observable:
            continue
        p = 0.12 if keys is None else anyway
        for key in keys or ():
            p = 1 - (1 - p) * (1 - CAUSES[key].events.get(event, 0.0))
        out[event] = math.log(p) if there else math.log(1 - p)
    for code in pattern.codes:
        able = keys is not None and any(
            code in CAUSES[k].codes and not (CAUSES[k].few and code in pattern.many) for k in keys
        )
        out[f"finding:{code}"] = math.log(_FOUND_ELSE if keys is None else _FOUND if able else _FOUND_ANYWAY)
    return out


_Views = Mapping[str, np.ndarray]
"""View -> log likelihood of its measures, each (severities, ends, measures in it)."""


def _views(keys: tuple[str, ...] | None, pattern: Pattern) -> _Views:
    return {v: _view(values, keys, pattern) for v, values in _values_of(pattern).items()}


def _values_of(pattern: Pattern) -> dict[str, Values]:
    return {"later": pattern.later, "odd": pattern.odd, "level": pattern.level}


def _log_likelihood(
    keys: tuple[str, ...] | None, pattern: Pattern, none: _Views
) -> tuple[float, dict[str, float]]:
    """(log likelihood of the log under `keys`, its part by measure in the view that says most). none: the views if nothing is due."""
    ends = np.log(np.array(list(_ENDS.values())))[None, :]
    severities = np.log(_WEIGHTS)[:, None]
    views, due = _values_of(pattern), _views(keys, pattern)
    course = _course(keys, pattern)
    total, best, parts = -math.inf, -math.inf, {}
    for view, log_share in course.items():
        grid = due[view].sum(axis=2) + severities + ends
        rest = sum(float(none[v].sum(axis=2)[0, 0]) for v in views if v != view)
        value = log_share + rest + float(np.logaddexp.reduce(grid.ravel()))
        total = float(np.logaddexp(total, value))
        if value > best:
            best = value
            s, e = np.unravel_index(int(np.argmax(grid)), grid.shape)
            parts = {f"{view}:{m}": float(due[view][s, e, i]) for i, m in enumerate(views[view])}
            for v in views:
                if v != view:
                    parts |= {f"{v}:{m}": float(none[v][0, 0, i]) for i, m in enumerate(views[v])}
    events = _events(keys, pattern)
    return total + sum(events.values()), parts | events


def _course(keys: tuple[str, ...] | None, pattern: Pattern) -> dict[str, float]:
    """Log share of each view in which the cause may show."""
    flat = dict.fromkeys(COURSES, 0.25)
    rows: list[Mapping[str, float]] = [CAUSES[k].course for k in keys] if keys else [flat]
    mean = {c: sum(r.get(c, 0.0) for r in rows) / len(rows) for c in COURSES}
    step = 1 / (1 + math.exp(-pattern.sudden))
    later = 2 * (mean["step"] * step + mean["ramp"] * (1 - step))
    out = {"later": later, "odd": mean["now-and-then"], "level": mean["always"]}
    return {v: math.log(max(p, 0.01)) for v, p in out.items()}


def posterior_of(pattern: Pattern, *, cooling: str = "air") -> Posterior:
    """The probabilities of all hypotheses under one log's pattern. `cooling`: "air" or "water"."""
    able = [k for k in TABLE.machine if CAUSES[k].cooling in ("", cooling)]
    whole = sum(CAUSES[k].prior for k in able) + CAUSES[SOMETHING_ELSE].prior
    logs: dict[tuple[str, ...], float] = {}
    parts: dict[str, dict[str, float]] = {}
    none = _views((), pattern)
    for key in able:
        value, parts[key] = _log_likelihood((key,), pattern, none)
        logs[(key,)] = math.log(CAUSES[key].prior / whole) + value
    value, parts[SOMETHING_ELSE] = _log_likelihood(None, pattern, none)
    logs[()] = math.log(CAUSES[SOMETHING_ELSE].prior / whole) + value
    likeliest = sorted(able, key=lambda k: -logs[(k,)])[:_PAIRED]
    for i, a in enumerate(likeliest):
        for b in likeliest[i + 1 :]:
            if one_thing(a, b):
                continue
            value, _ = _log_likelihood((a, b), pattern, none)
            prior = CAUSES[a].prior * CAUSES[b].prior / whole**2
            logs[(a, b)] = math.log(_TWO * 2 * prior * len(able) / 2) + value
    top = max(logs.values())
    odds = {h: math.exp(v - top) for h, v in logs.items()}
    total = sum(odds.values())
    posterior = {h: o / total for h, o in odds.items()}
    return Posterior(hypotheses=posterior, votes=_votes(parts, posterior))


_SAME = (
    {"charge-low", "slow-leak"},
    {"end-of-freeze-sensing", "end-of-freeze-early"},
    {"room-hot", "room-cold"},
    {"condenser-dirty", "condenser-fan"},
    {"metering", "metering-floods", "metering-hunts"},
    {"hot-gas-weak", "hot-gas-shut", "hot-gas-late", "hot-gas-stuck-open"},
    {"water-spread", "grid-dead"},
    {"voltage-low", "voltage-high"},
    {"water-short", "no-water"},
)  # causes of which one rules the other out, or is the other by degrees


def one_thing(a: str, b: str) -> bool:
    """Whether of two causes one rules the other out, or is the other by degrees."""
    return any({a, b} <= group for group in _SAME)


def _votes(
    parts: Mapping[str, Mapping[str, float]], posterior: Mapping[tuple[str, ...], float]
) -> dict[str, dict[str, float]]:
    """What each measure and event says for a cause against the mean of all the others that are likely at all."""
    weight = {k: posterior.get((k,) if k != SOMETHING_ELSE else (), 0.0) + 0.01 for k in parts}
    total = sum(weight.values())
    said: dict[str, float] = defaultdict(float)
    for key, own in parts.items():
        for measure, value in own.items():
            said[measure] += weight[key] * value
    return {
        key: {m: v - (said[m] - weight[key] * v) / (total - weight[key]) for m, v in own.items()}
        for key, own in parts.items()
    }
