"""What a lagging cold line says of each boundary: the likelihood of every moment, over every lag that may be true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import alike, turns
from pipeline.cycles.features import Course
from pipeline.cycles.likelihoods import ALIKE, mixture, moved, pooled_evidence, rows_of
from pipeline.cycles.peaks import line_peaks, peak_priors
from pipeline.cycles.runs import Group, Habits, Runs, habits_of
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
BEFORE_S, HARVEST_BEFORE_S = 150.0, 45.0  # course before a turn that is looked at; a harvest bends more
MOST_BEND = 0.04  # a course bends in 20 s by no more than this part of its swing
AFTER_S, MOST_AFTER_S = 30.0, 80.0  # a turn is read off its first part; later the machine does other things
SHOWN = 0.25  # … which is when the line has gone this part of its swing
UNLIKE = 0.01  # what no model of a turn has right, in parts of the channel's swing
MOST_SAID = 1.5  # nats by which one kind of boundary speaks against a lag, however badly its turns fit a model that is not theirs
LEAST_SHARE = 0.1  # a lag less likely than this is not heard
POOL = 24  # boundaries of one kind that choose lag and shape together
SHOWN_SPREAD = 0.7  # how far the time after which a turn shows varies, in parts of it
CLIMB_S, CLIMB_CELLS = 120.0, 3  # of the course before a harvest's end, in which it climbs …
LINGERS = 0.25  # … or, by less than this part of the usual climb, lingers: …
NOISES = 3.0  # … by more than so many times its noise …
LONG = 1.5  # … and only where it lasts so many times as long as most …
FALLEN = 0.02  # … has not begun to fall again by this part of a swing …
WARMER = 0.1  # … and is no warmer than others by that
LOOSE = 0.25  # of what is known of how late a turn shows so much holds where it lingered


def add_line(cold: Course, groups, runs: Runs, grid, cells: Cells, total, by_cold, late_ns: int) -> float:
    """Adds the likelihoods of a cold line to `total`, marks what it shows in `by_cold`, and returns its lag [s].

    late_ns: how long after its candidate a boundary shows in the line, beyond what `candidates` allowed for.
    """
    habits = habits_of(cold, runs, cells, apart=True)
    swing = habits.swing
    if not np.isfinite(swing):
        return float("nan")
    work = _turns(cold, groups, runs, cells, habits, late_ns)
    if not work:
        return float("nan")
    thin = max(1, round(3.0 / (grid[1] - grid[0])))
    shown = _shown_priors(grid, cells, late_ns)
    scores = np.full((len(turns.LAGS_S), len(work), len(turns.LINES)), -np.inf)
    scales = np.ones(len(work))
    for j, turn in enumerate(work):
        group, rows = turn.group, turn.rows
        few = slice(None, None, max(1, len(rows) // POOL))
        sample, near_ns = rows_of(turn.view, few), group.near_ns[rows[few]]
        few_moments = grid[::thin]
        # Which way is likeliest needs no more digits than this, and takes half as long.
        answers = turns.answers(sample.offsets_s, few_moments, turns.WAYS, np.float32)
        fit = turns.misfits(sample, turn.weight, answers, sign=group.sign, height=2 * swing)
        scales[j] = max(1.0, float(fit.per_reading.min()))
        likely = moved(fit.chi2, sample, near_ns, few_moments)
        likely *= -0.5 / scales[j]
        said = pooled_evidence(likely, shown[:, ::thin], total[turn.number][rows[few]][:, ::thin])
        said = said.sum(axis=-1) / len(near_ns) ** ALIKE
        scores[:, j] = said.reshape(len(turns.LAGS_S), -1) + turns.PRIOR
    said = scores.max(axis=2)
    standing = np.maximum(said, said.max(axis=0) - MOST_SAID)[:, [turn.usual for turn in work]].sum(axis=1)
    share = np.exp(standing - standing.max())
    share /= share.sum()
    # The lag is seldom known for certain: every lag that may be true has its say.
    heard = likely_lags(share)
    for j, turn in enumerate(work):
        group, rows, view = turn.group, turn.rows, turn.view
        ways = heard * len(turns.LINES) + np.argmax(scores[heard, j], axis=-1)
        response = turns.answers(view.offsets_s, grid, tuple(turns.WAYS[way] for way in ways))
        fit = turns.misfits(view, turn.weight, response, sign=group.sign, height=2 * swing)
        likely = moved(fit.chi2, view, group.near_ns[rows], grid)
        likely *= -0.5 / scales[j]
        # Before a harvest that opens a run the line is warm already, and turns sooner.
        at = group.at[rows]
        opening = (group.before == HARVEST) & (at > 1) & (runs.state[at - 2] == IDLE)
        opening &= ~runs.opens_span[at - 1]
        for some, usual in ((~opening, True), (opening, False)):
            if not some.any():
                continue
            before, at_ns = shown[ways], group.near_ns[rows[some]] + late_ns
            if not turn.usual:
                before = LOOSE * before
            elif usual and (group.before, group.after) == (HARVEST, FREEZE):
                lags_s = [turns.LAGS_S[lag] for lag in heard]
                peaks = line_peaks(cold.trace, at_ns, group.before_s, lags_s)
                if peaks is not None:
                    before = before + peak_priors(grid - late_ns * 1e-9, *peaks)
            said = mixture(likely[:, some], before, share[heard])
            if usual:
                said = alike.agreed(said, grid, cold.trace, at_ns, group.before_s, cells.step_s)
            total[turn.number][rows[some]] += said
        by_cold[group.at[rows]] = True
    return float(share @ np.array(turns.LAGS_S))


@dataclass(frozen=True, kw_only=True)
class _Turns:
    """Boundaries of one kind that turn alike."""

    number: int  # of the kind
    group: Group
    rows: np.ndarray  # int64 (k,): which of its boundaries
    usual: bool  # False: ends of harvests that lingered
    view: turns.View
    weight: turns.Weights


def _turns(
    cold: Course, groups: Sequence[Group], runs: Runs, cells: Cells, habits: Habits, late_ns: int
) -> list[_Turns]:
    """What is looked at of every kind of boundary, those apart that end harvests that lingered."""
    swing, interval_s = habits.swing, cold.trace.interval_s
    length_s = (runs.stop - runs.first) * cells.step_s
    out = []
    for number, group in enumerate(groups):
        longest = max(_time_to_show(cold, group.near_ns + late_ns, cells, swing), 3.5 * interval_s)
        after_s = float(np.clip(0.8 * group.after_s, 2 * interval_s, longest))
        lingered = _lingered(cold, group, runs, late_ns, swing, cells)
        for some, usual in ((~lingered, True), (lingered, False)):
            if not some.any():
                continue
            whole_s = group.before_s if usual else float(np.quantile(length_s[group.at[some] - 1], 0.2))
            bending = habits.bending[group.before]
            if not usual:  # it hardly moves, as in a freeze
                bending = min(bending, habits.bending[FREEZE])
            # Three readings, where the phase before is so long.
            whole_s, least_s = 0.8 * whole_s, 3.0 * interval_s
            most_s = HARVEST_BEFORE_S if usual and group.before == HARVEST else BEFORE_S
            most_s = max(most_s, least_s) if least_s <= whole_s else most_s
            before_s = float(min(max(whole_s, least_s), most_s))
            # Stops and starts that a clamp showed are known already; what the line makes of them only tells its lag.
            view = turns.look(cold.trace, group.near_ns[some] + late_ns, before_s, after_s)
            read = np.flatnonzero(np.isfinite(view.readings).all(axis=1))
            if len(read) == 0:
                continue
            baseline = turns.Baseline(
                level=10 * swing,
                slope=habits.slope,
                bending=min(float(bending), 3.0 * (MOST_BEND * swing) ** 2 / 20.0**3),
                tail=0.3 * swing,
                unlike=UNLIKE * swing,
            )
            view = rows_of(view, read)
            out.append(
                _Turns(
                    number=number,
                    group=group,
                    rows=np.flatnonzero(some)[read],
                    usual=usual,
                    view=view,
                    weight=turns.weights(view, baseline),
                )
            )
    return out


def _lingered(cold: Course, group: Group, runs: Runs, late_ns: int, swing: float, cells: Cells) -> np.ndarray:
    """Which boundaries of `group` end long harvests before whose end the line hardly climbs, where it usually does, (k,) of bool:
    the clip has caught up with it, and turns at once where it goes on climbing after others."""
    none = np.zeros(len(group.at), dtype=bool)
    over = round(min(CLIMB_S, group.before_s) / cells.step_s)
    if (group.before, group.after) != (HARVEST, FREEZE) or over < CLIMB_CELLS:
        return none
    cell = np.searchsorted(cells.start_ns, group.near_ns + late_ns, side="right") - 1
    course = cold.level[(cell[:, None] + np.arange(-over - 1, 2)).clip(0, len(cold.level) - 1)]
    reached = course[:, -3:].max(axis=1)
    climbed, fallen = reached - course[:, 0], course.max(axis=1) - reached
    lasted = cell - runs.first[group.at - 1]
    known = np.isfinite(climbed)
    usual = float(np.median(climbed[known])) if known.any() else 0.0
    noise = cold.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    if LINGERS * usual <= NOISES * noise:
        return none
    stays = (climbed < LINGERS * usual) & (fallen < max(FALLEN * swing, NOISES * noise))
    return (
        stays & (lasted > LONG * np.median(lasted)) & (reached < np.median(reached[known]) + WARMER * swing)
    )


def likely_lags(share: np.ndarray) -> np.ndarray:
    """Which lags are heard, by their shares; where no lag is likelier than the others, all that are about as likely."""
    return np.flatnonzero(share > min(LEAST_SHARE, 0.5 * share.max()))


def _time_to_show(cold: Course, near_ns: np.ndarray, cells: Cells, swing: float) -> float:
    """How long after a turn the line has usually gone SHOWN of its swing [s], between AFTER_S and MOST_AFTER_S."""
    start = np.searchsorted(cells.start_ns, near_ns, side="right") - 1
    ahead = np.arange(1, int(MOST_AFTER_S / cells.step_s) + 1)
    gone = np.abs(cold.level[np.minimum(start + ahead[:, None], len(cells) - 1)] - cold.level[start])
    gone = np.sort(np.column_stack([np.zeros(len(ahead)), gone]), axis=1)  # what is not known comes last
    known, row = np.isfinite(gone).sum(axis=1), np.arange(len(ahead))
    median = 0.5 * (gone[row, (known - 1) // 2] + gone[row, known // 2])
    shown = np.flatnonzero(median >= SHOWN * swing)
    return (
        float(np.clip(ahead[shown[0]] * cells.step_s, AFTER_S, MOST_AFTER_S)) if len(shown) else MOST_AFTER_S
    )


def _shown_priors(grid: np.ndarray, cells: Cells, late_ns: int) -> np.ndarray:
    """Log prior (lags × lines, t0) about a candidate: it lies where the lagging line visibly turned, the change came before
    it."""
    shown_s = np.array([turns.shown_after_s(lag, line, cells.step_s) for lag, line, _ in turns.WAYS])[:, None]
    lag_s = np.array([lag for lag, *_ in turns.WAYS])[:, None]
    spread = 0.5 * cells.step_s + SHOWN_SPREAD * (shown_s + 0.2 * lag_s)
    return -0.5 * ((grid - late_ns * 1e-9 + shown_s) / spread) ** 2
