"""What a lagging line's template says of the moments of both acts: the likelihood of every moment, over every lag that may be true.

Each window's template is compared with the answers of a clip to a change (`turns`). Lag and shape are chosen by the likelihood of
neighbouring windows and both acts together, so that a lag which one act leaves open is told by the other.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import turns
from pipeline.cycles.likelihoods import ALIKE, mixture, pooled_evidence
from pipeline.cycles.runs import Habits
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.superpose import Template

E = lambda k, d: float(os.environ.get(k, d))
UNLIKE = E("UNLIKE", 0.01)
BEFORE_S, HARVEST_BEFORE_S = 150.0, 45.0
MOST_BEND = 0.04
AFTER_S, MOST_AFTER_S, SHOWN = 30.0, 80.0, 0.25
SHOWN_SPREAD = 0.7
MOST_SAID = 1.5
LEAST_SHARE = 0.1
NEAR = int(E("NEAR", 2))  # windows on either side that choose the lag together


@dataclass(frozen=True, kw_only=True)
class Act:
    """Templates of one line about one kind of act."""

    template: Template
    ending: bool
    before_s: float  # the phase before lasts so long, mostly
    after_s: float


def likelihoods(acts: Sequence[Act], habits: Habits, interval_s: float, cell_s: float) -> list[np.ndarray | None]:
    """Log likelihood (windows, l) of each act over its template's offsets; None where the line does not tell."""
    if not np.isfinite(habits.swing):
        return [None] * len(acts)
    ready = [_ready(act, habits, interval_s, cell_s) for act in acts]
    if all(r is None for r in ready):
        return [None] * len(acts)
    most = max(r["scores"].shape[-1] for r in ready if r is not None)
    total = np.zeros((len(turns.LAGS_S), most))
    for r in ready:
        if r is None:
            continue
        best = r["scores"].max(axis=1)  # (lags, windows)
        w = best.shape[1]
        kernel = np.abs(np.arange(w)[:, None] - np.arange(w)) <= NEAR
        pooled = best @ kernel / kernel.sum(axis=0) ** ALIKE
        pooled = np.maximum(pooled, pooled.max(axis=0) - MOST_SAID * E("SAY", 1.0))
        # The windows of the two kinds of act go along with each other.
        total += pooled[:, np.round(np.linspace(0, w - 1, most)).astype(int)]
    share = np.exp(total - total.max(axis=0))
    share /= share.sum(axis=0)
    out = []
    for r in ready:
        if r is None:
            out.append(None)
            continue
        w = r["scores"].shape[-1]
        mine = share[:, np.round(np.linspace(0, most - 1, w)).astype(int)]
        line = r["scores"].argmax(axis=1)  # (lags, windows)
        kernel = np.abs(np.arange(w)[:, None] - np.arange(w)) <= NEAR
        line = np.einsum("lnw,wv->lnv", r["scores"], kernel).argmax(axis=1)
        says = np.full((w, r["template"].values.shape[1]), -60.0)
        for v in range(w):
            heard = np.flatnonzero(mine[:, v] > min(LEAST_SHARE, 0.5 * mine[:, v].max()))
            ways = heard * len(turns.LINES) + line[heard, v]
            says[v, r["t0"]] = mixture(r["likely"][ways, v][:, None], r["shown"][ways], mine[heard, v])[0]
        out.append(says)
    return out


def _ready(act: Act, habits: Habits, interval_s: float, cell_s: float):
    offsets = act.template.offsets_s
    values = act.template.values
    step = offsets[1] - offsets[0]
    zero = int(np.argmin(np.abs(offsets)))
    mid = np.nanmedian(values, axis=0)
    if not np.isfinite(mid[zero:]).any():
        return None
    gone = np.abs(mid[zero:] - mid[zero])
    shown = np.flatnonzero(gone >= SHOWN * habits.swing)
    after = float(np.clip(offsets[zero + shown[0]], AFTER_S, MOST_AFTER_S)) if len(shown) else MOST_AFTER_S
    after = float(np.clip(0.8 * act.after_s, 2 * interval_s, max(after, 3.5 * interval_s)))
    whole = 0.8 * act.before_s
    before = min(max(whole, 3 * interval_s), max(HARVEST_BEFORE_S if act.ending else BEFORE_S, min(3 * interval_s, whole)))
    keep = (offsets >= -before - step / 2) & (offsets <= after + step / 2)
    part = values[:, keep]
    if part.shape[1] < 5:
        return None
    known = np.isfinite(part).all(axis=1)
    if not known.any():
        return None
    part = np.where(known[:, None], part, part[known][0])
    s = offsets[keep]
    view = turns.View(anchor_ns=np.zeros(len(part), np.int64), offsets_s=s, readings=part - part.mean(axis=1, keepdims=True), step_s=step, noise=max(float(np.median(act.template.noise)), 1e-3))
    bending = habits.bending[HARVEST if act.ending else FREEZE]
    baseline = turns.Baseline(level=10 * habits.swing, slope=habits.slope, bending=min(float(bending), 3.0 * (MOST_BEND * habits.swing) ** 2 / 20.0**3), tail=0.3 * habits.swing, unlike=UNLIKE * habits.swing)
    weight = turns.weights(view, baseline)
    reach = 2.5 * cell_s + 5.0
    t0 = np.flatnonzero((offsets >= -reach - turns.LAGS_S[-1]) & (offsets <= reach))
    grid = offsets[t0]
    box = interval_s if E("BOX", 0) else 0.0
    answers = turns.answers(s, grid, turns.WAYS)
    fit = turns.misfits(view, weight, answers, sign=-1 if act.ending else 1, height=2 * habits.swing)
    scale = max(1.0, float(fit.per_reading.min()))
    likely = -0.5 * fit.chi2 / scale
    late = np.array([turns.shown_after_s(lag, line, cell_s) for lag, line, _ in turns.WAYS])[:, None]
    lags = np.array([lag for lag, *_ in turns.WAYS])[:, None]
    spread = 0.5 * cell_s + SHOWN_SPREAD * (late + 0.2 * lags)
    prior = -0.5 * ((grid + late) / spread) ** 2 * E("SHOWNW", 1.0)
    scores = pooled_evidence(likely, prior, np.zeros((len(part), len(grid))))
    scores = scores.reshape(len(turns.LAGS_S), len(turns.LINES), -1) + turns.PRIOR[..., None] / (1 if E("PRIORONCE", 0) else 1)
    return dict(scores=scores, likely=likely, shown=prior, t0=t0, template=act.template)
