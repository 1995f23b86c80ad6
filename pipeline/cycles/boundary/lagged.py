"""What a lagging line says of the moments of both acts: the likelihood of every moment, over every lag that may be true.

Each window's template is compared with the answers of a clip to a change (`turns`). Lag and shape are chosen by neighbouring windows
and both acts together, so that a lag which one act leaves open is told by the other; where nothing tells it, every lag has its say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.boundary import turns
from pipeline.cycles.boundary.likelihoods import ALIKE, mixture, pooled_evidence
from pipeline.cycles.segment.runs import Habits
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.template.superpose import Template, medians

# Common practice, no source, all of them.
UNLIKE = 0.01  # what no model of a turn has right, in parts of the line's swing
BEFORE_S, HARVEST_BEFORE_S = 150.0, 45.0  # course before a turn that is looked at; a harvest bends more
PART = 0.8  # of the phases on either side, at most
LEAST_READINGS = 3.0  # intervals that are looked at, where the phase before is so long
MOST_BEND = 0.04  # a course bends in 20 s by no more than this part of its swing
AFTER_S = (30.0, 80.0)  # a turn is read off its first part; later the machine does other things …
SHOWN = 0.25  # … which is when the line has gone this part of its swing
SHOWN_SPREAD = 0.7  # how far the time after which a turn shows varies, in parts of it
MOST_SAID = (
    1.5  # nats by which one act speaks against a lag, however badly its turns fit a model that is not theirs
)
LEAST_SHARE = 0.1  # a lag less likely than this has no say
NEAR = 2  # windows on either side that choose lag and shape together
LEAST_POINTS = 5
NEVER = -60.0  # nats of a moment out of reach


@dataclass(frozen=True, kw_only=True)
class Act:
    """Templates of one line about one kind of act."""

    template: Template
    ending: bool  # gas is shut; else it comes
    before_s: float  # how long the phase before usually lasts
    after_s: float


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """How well every way of answering fits every window of an act."""

    scores: np.ndarray  # (lags, lines, windows): log evidence
    likely: np.ndarray  # (ways, windows, t0): log likelihood of every moment
    shown: np.ndarray  # (ways, t0): log prior, by when a turn becomes visible
    t0: np.ndarray  # int (t0,): which of the template's offsets the moments are


def likelihoods(
    acts: Sequence[Act], habits: Habits, interval_s: float, cell_s: float
) -> list[np.ndarray | None]:
    """Log likelihood (windows, l) of each of `acts` over its template's offsets; None where the line does not tell.

    habits: how the line usually moves; interval_s: of its logger; cell_s: by how much the named moments may be off."""
    compared = [_compare(act, habits, interval_s, cell_s) for act in acts]
    windows = max((c.scores.shape[-1] for c in compared if c is not None), default=0)
    # The windows of the two kinds of act go along with each other.
    total = np.zeros((len(turns.LAGS_S), windows))
    for c in compared:
        if c is not None:
            near = _neighbours(c.scores.shape[-1])
            said = c.scores.max(axis=1) @ near / near.sum(axis=0) ** ALIKE
            total += _stretched(np.maximum(said, said.max(axis=0) - MOST_SAID), windows)
    share = np.exp(total - total.max(axis=0, initial=-np.inf))
    share /= share.sum(axis=0)
    return [
        None if c is None else _said(c, share, len(act.template.offsets_s))
        for c, act in zip(compared, acts, strict=True)
    ]


def _said(c: _Compared, share: np.ndarray, length: int) -> np.ndarray:
    """Log likelihood (windows, length), every lag by its `share` (lags, windows)."""
    windows = c.scores.shape[-1]
    share = _stretched(share, windows)
    line = (c.scores @ _neighbours(windows)).argmax(axis=1)  # (lags, windows)
    out = np.full((windows, length), NEVER)
    for w in range(windows):
        some = np.flatnonzero(share[:, w] > min(LEAST_SHARE, 0.5 * share[:, w].max()))
        ways = some * len(turns.LINES) + line[some, w]
        out[w, c.t0] = mixture(c.likely[ways, w][:, None], c.shown[ways], share[some, w])[0]
    return out


def _neighbours(windows: int) -> np.ndarray:
    """Which windows are asked together, (windows, windows) of 0 and 1."""
    each = np.arange(windows)
    return (np.abs(each[:, None] - each) <= NEAR).astype(np.float64)


def _stretched(values: np.ndarray, windows: int) -> np.ndarray:
    """`values` (n, v) along the log, for as many windows, (n, windows)."""
    return values[:, np.linspace(0, values.shape[1] - 1, windows).round().astype(int)]


def _compare(act: Act, habits: Habits, interval_s: float, cell_s: float) -> _Compared | None:
    if not np.isfinite(habits.swing):
        return None
    offsets, values = act.template.offsets_s, act.template.values
    inside = _looked_at(act, habits, interval_s)
    part = values[:, inside]
    known = np.isfinite(part).all(axis=1)
    if part.shape[1] < LEAST_POINTS or not known.any():
        return None
    part = np.where(known[:, None], part, part[known][0])
    part = part - part.mean(axis=1, keepdims=True)
    view = turns.View(
        anchor_ns=np.zeros(len(part), np.int64),
        offsets_s=offsets[inside],
        readings=part,
        step_s=float(offsets[1] - offsets[0]),
        noise=max(float(np.median(act.template.noise)), 1e-3),
    )
    bending = float(habits.bending[HARVEST if act.ending else FREEZE])
    baseline = turns.Baseline(
        level=10 * habits.swing,
        slope=habits.slope,
        bending=min(bending, 3.0 * (MOST_BEND * habits.swing) ** 2 / 20.0**3),
        tail=0.3 * habits.swing,
        unlike=UNLIKE * habits.swing,
    )
    reach_s = 2.5 * cell_s + 5.0
    t0 = np.flatnonzero((offsets >= -reach_s - turns.LAGS_S[-1]) & (offsets <= reach_s))
    answers = turns.answers(view.offsets_s, offsets[t0], turns.WAYS)
    sign = -1 if act.ending else 1
    fit = turns.misfits(view, turns.weights(view, baseline), answers, sign=sign, height=2 * habits.swing)
    likely = -0.5 * fit.chi2 / max(1.0, float(fit.per_reading.min()))
    shown = _shown_priors(offsets[t0], cell_s)
    scores = pooled_evidence(likely, shown, np.zeros((len(part), len(t0))))
    scores = scores.reshape(len(turns.LAGS_S), len(turns.LINES), -1) + turns.PRIOR[..., None]
    return _Compared(scores=scores, likely=likely, shown=shown, t0=t0)


def _looked_at(act: Act, habits: Habits, interval_s: float) -> np.ndarray:
    """The stretch of a template that is compared, (l,) of bool."""
    offsets = act.template.offsets_s
    course = medians(act.template.values, 0)
    ahead = offsets >= 0
    gone = np.abs(course - course[np.argmax(ahead)]) >= SHOWN * habits.swing
    shows = np.flatnonzero(ahead & gone)
    longest_s = float(np.clip(offsets[shows[0]], *AFTER_S)) if len(shows) else AFTER_S[1]
    after_s = np.clip(PART * act.after_s, 2 * interval_s, max(longest_s, 3.5 * interval_s))
    whole_s, least_s = PART * act.before_s, LEAST_READINGS * interval_s
    most_s = HARVEST_BEFORE_S if act.ending else BEFORE_S
    before_s = min(max(whole_s, least_s), max(most_s, min(least_s, whole_s)))
    half = 0.5 * (offsets[1] - offsets[0])
    return (offsets >= -before_s - half) & (offsets <= after_s + half)


def _shown_priors(grid: np.ndarray, cell_s: float) -> np.ndarray:
    """Log prior (ways, t0) on `grid` (t0,) [s]: the named moment is where the lagging line visibly turned, the change came before."""
    late_s = np.array([turns.shown_after_s(lag, line, cell_s) for lag, line, _ in turns.WAYS])[:, None]
    lag_s = np.array([lag for lag, *_ in turns.WAYS])[:, None]
    spread = 0.5 * cell_s + SHOWN_SPREAD * (late_s + 0.2 * lag_s)
    return -0.5 * ((grid + late_s) / spread) ** 2
