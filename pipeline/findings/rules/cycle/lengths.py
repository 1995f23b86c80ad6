"""Freezes of abnormal length: against the unit's own centre and spread, and against what its kind should show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import NS_PER_DAY, Case
from pipeline.findings.evidence.courses import not_the_time_of_day
from pipeline.findings.evidence.standards import freeze_standard
from pipeline.findings.evidence.stops import hours_of_day, moment
from pipeline.findings.evidence.visits import worked_on
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.masks import doubtful
from pipeline.findings.masks.columns import following, of_the_next, usual_beside
from pipeline.findings.masks.stalls import lengths_tell
from pipeline.findings.methods import statistics
from pipeline.findings.methods.change import Change, comes_and_goes, lasting_change, period
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import READABLE, CannotTell, Rule, Seen, cycles_needed

_LONG_SOME = phrase(
    "finding.freeze-long.some", "{count} of {of} freezes are too long, by {excess_pct} on the whole"
)
_LONG_ONE = phrase(
    "finding.freeze-long.one",
    "One freeze of {of} took {found_min}, {excess_pct} too long: {when}",
)
_SHORT_ONE = phrase(
    "finding.freeze-short.one",
    "One freeze of {of} took {found_min}, {excess_pct} too short: {when}",
)
_SHORT_HOURS = phrase(
    "finding.freeze-short.hours",
    "{count} of {of} freezes are too short, by {excess_pct} on the whole, mostly at {hours}",
)
_LONG_HOURS = phrase(
    "finding.freeze-long.hours",
    "{count} of {of} freezes are too long, by {excess_pct} on the whole, mostly at {hours}",
)
_LONG_SINCE = phrase(
    "finding.freeze-long.since", "Freezes have grown {excess_pct} longer, to {found_min} from {usual_min}"
)
_LONG_ALL = phrase(
    "finding.freeze-long.all", "All freezes are long: {found_min}, where {expected_min} is the most to expect"
)
_SHORT_SOME = phrase(
    "finding.freeze-short.some", "{count} of {of} freezes are too short, by {excess_pct} on the whole"
)
_SHORT_SINCE = phrase(
    "finding.freeze-short.since", "Freezes have become {excess_pct} shorter: {found_min} after {usual_min}"
)
_SHORT_ASKS = phrase(
    "finding.freeze-short.since-a-stop",
    "Since a stop at {when} freezes are {excess_pct} shorter: {found_min} after {usual_min}. Was the machine worked on then?",
)
_SHORT_ALL = phrase(
    "finding.freeze-short.all",
    "All freezes are short: {found_min}, where {expected_min} is the least to expect",
)


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """What is usual for the unit in this log. Lengths as natural logs of minutes, set to the usual air and water."""

    usual: np.ndarray  # bool (n,): the freezes that make it
    centre: float
    below: float  # sigma under the centre
    above: float  # sigma over it
    since: int | None  # index of the first cycle of another level, where the log has two


def baseline(case: Case) -> Baseline:
    """The unit's own centre and spread, from the steady freezes; from those before a lasting change, where there is one.

    A fault that starts in mid-log and stays must not become the standard: of two levels, the one that the kind's band
    speaks for is the usual one, else the earlier one.
    """
    t, y = case.thresholds, case.adjusted.log_length
    usual, since = np.isfinite(y), None
    moved = length_change(case)
    if moved is not None:
        since, late = moved.first, moved.late
        early = usual & ~late
        if early.sum() < t["level_cycles"]:  # a drift from the start: no better standard than its first part
            at = np.flatnonzero(usual)
            first = max(int(t["level_cycles"]), int(t["drift_first_pct"] / 100 * len(at)))
            early = np.isin(np.arange(case.n), at[:first])
        usual = early if moved.kind == "ramp" or _earlier_is_usual(case, moved) else late
    elif (minor := _minor_level(case, y)) is not None:
        usual = usual & ~minor
    values, floor = y[usual], _floor(case)
    calm = values[np.abs(statistics.modified_z(values, floor=floor)) <= t["outlier_z"]]
    if len(calm) > 1:  # no spread is narrower than what one freeze differs from the next by
        floor = max(floor, statistics.individuals(calm).sigma)
    chart = statistics.robust_individuals(values, floor=floor)
    return Baseline(
        usual=usual,
        centre=chart.centre,
        below=(chart.centre - chart.lower) / 3,
        above=(chart.upper - chart.centre) / 3,
        since=since,
    )


def _minor_level(case: Case, y: np.ndarray) -> np.ndarray | None:
    """The smaller group of freezes where lengths lie at two levels that come and go, bool (n,); None where they lie at one, or nobody can
    tell which is the usual one."""
    t = case.thresholds
    least = _log_share(t["freeze_out_pct"], 1)
    found = comes_and_goes(case.start_ns, y, least=least, thresholds=t, stays=False)
    if found is None or 100 * found.chosen.sum() > t["levels_most_pct"] * found.judged.sum():
        return None
    return found.chosen


def length_change(case: Case) -> Change | None:
    """The lasting change of the freezes' length, as natural logs, where there is one that matters; a smaller one, which a
    run shows, where it is a step too sharp for the weather."""
    t, y = case.thresholds, case.adjusted.log_length
    least, small = (math.log1p(t[name] / 100) for name in ("freeze_out_pct", "run_out_pct"))
    found = lasting_change(case.start_ns, y, least=least, thresholds=t)
    if found is None:
        step = lasting_change(case.start_ns, y, least=small, thresholds=t)
        sharp = step is not None and step.kind == "step" and 100 * step.explained > t["change_sharp_pct"]
        found = step if sharp else None
    return found if case.adjusted.corrected_for else not_the_time_of_day(case, found, least=least)


def _earlier_is_usual(case: Case, moved: Change) -> bool:
    low, high = expected_band(case)
    before, after = math.exp(moved.before), math.exp(moved.after)
    return not (low <= after <= high and not low <= before <= high)


def _floor(case: Case) -> float:
    """The least relative spread that counts: machine and sampling together."""
    lengths = case.freeze_min[case.steady]
    usual = float(np.median(lengths)) if len(lengths) else 1.0
    return math.hypot(case.thresholds["spread_floor_pct"] / 100, case.sigma_min / usual)


def expected_band(case: Case) -> tuple[float, float]:
    """The band of a healthy freeze [min] at the log's usual air and water, by the best standard there is."""
    standard = freeze_standard(case)
    return standard.low, standard.high


def out_of_own(case: Case, base: Baseline, side: int) -> np.ndarray:
    """Freezes too long (`side` 1) or too short (−1) for the unit itself, bool (n,).

    Out by the individuals chart and by so much that it matters; or in a run that the run rules flag, by a smaller
    amount that matters since it lasts.
    """
    t = case.thresholds
    y = case.adjusted.log_length
    at = np.flatnonzero(np.isfinite(y))
    away = side * (y[at] - base.centre)
    z = away / (base.above if side > 0 else base.below)
    limit = statistics.outlier_limit(len(at), t["outlier_z"])
    out = (z > limit) & (away > _log_share(t["freeze_out_pct"], side))
    rules = statistics.run_rules(z)
    run = (rules["4-of-5"] | rules["8-in-a-row"]) & (away > _log_share(t["run_out_pct"], side))
    for first, last in statistics.episodes(run, bridge=1):
        if last - first + 1 >= t["run_cycles"] and _lasts_or_stands_out(
            case, at[first], at[last], z[first : last + 1]
        ):
            out[first : last + 1] |= run[first : last + 1]
    marked = np.zeros(case.n, bool)
    marked[at] = out
    return marked


def _lasts_or_stands_out(case: Case, first: int, last: int, z: np.ndarray) -> bool:
    """A warm afternoon also makes a run: without the air logged, a run must last over a day, or be far out."""
    lasts = "air" in case.adjusted.corrected_for or case.start_ns[last] - case.start_ns[first] > NS_PER_DAY
    return lasts and float(np.median(z)) > case.thresholds["run_z"]


def _log_share(pct: float, side: int) -> float:
    return math.log1p(pct / 100) if side > 0 else -math.log1p(-pct / 100)


def _freeze_long(case: Case):
    return _judge(case, 1)


def _freeze_short(case: Case):
    return _judge(case, -1)


def _judge(case: Case, side: int):
    short_of = cycles_needed("band_cycles")(case)
    if short_of:
        return short_of
    own = cycles_needed("own_cycles")(case)
    base = None if own else baseline(case)
    usual = case.steady if base is None else base.usual
    usual_length = float(np.median(case.freeze_min[usual]))
    edge = expected_band(case)[1 if side > 0 else 0]
    if side * (usual_length - edge) > 0:
        return _against_band(case, side, usual_length, edge)
    if base is None:
        return own
    if case.timeline.get("evaporator", "suction") is None and not lengths_tell(case, case.stalls.usual_min):
        return CannotTell(needs=READABLE())
    out = out_of_own(case, base, side)
    if side > 0:
        out |= _long_pull_downs(case, math.exp(base.centre))
    else:
        out &= ~_not_ended_early(case, math.exp(base.centre))
    return _against_itself(case, side, base, out) if out.any() else None


def _not_ended_early(case: Case, usual_min: float) -> np.ndarray:
    """Freezes that lack no more than the phases beside them have too much, the harvest before, their own or the freeze after: a boundary in the
    wrong place, or a stop that cut the freeze off; and the first of all, whose beginning nobody saw for certain, bool (n,). usual_min: the usual
    freeze [min]."""
    long_min = np.fmax(case.harvest_min - case.stalls.usual_min, 0.0)
    beside_min = [following(long_min), long_min, of_the_next(case.freeze_min - usual_min)]
    lacks_less = usual_min - case.freeze_min < case.thresholds["left_excess_times"] * np.fmax.reduce(
        beside_min
    )
    return lacks_less | ~following(np.isfinite(case.freeze_min))


def _long_pull_downs(case: Case, usual_min: float) -> np.ndarray:
    """Freezes after a rest, longer by nature, that are far longer than the others after a rest, and than any is, bool (n,)."""
    t = case.thresholds
    pulled = case.flag("after_idle") & case.stalls_aside & case.flag("complete")
    others = case.freeze_min[pulled]
    if case.timeline.get("evaporator", "suction") is None or len(others) < t["band_cycles"]:
        return np.zeros(case.n, bool)
    return pulled & (
        case.freeze_min > (1 + t["pull_down_long_pct"] / 100) * max(float(np.median(others)), usual_min)
    )


def _against_band(case: Case, side: int, found: float, edge: float) -> Seen:
    beyond = abs(math.log(found / edge))
    lost_pct = 100 * (found / edge - 1)
    # A kind's band is common practice: leaving it is a reason to look, not by itself to send somebody.
    standard = freeze_standard(case)
    title = (_LONG_ALL if side > 0 else _SHORT_ALL)(found_min=round(found, 2), expected_min=round(edge, 2))
    at = np.flatnonzero(case.steady)
    return Seen(
        severity=Severity.ACT
        if standard.sharp and lost_pct > case.thresholds["lost_act_pct"]
        else Severity.WATCH,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=case.steady,
        evidence={
            "judged_against": standard.basis,
            "found_min": round(found, 2),
            "expected_low_min": round(standard.low, 2),
            "expected_high_min": round(standard.high, 2),
            "air_c": rounded(middle(case.air_c), 1),
            "water_c": rounded(middle(case.water_c), 1),
            "cycles_judged": len(at),
        },
        confidence=min(
            statistics.phi(beyond / (case.thresholds["band_sigma_pct"] / 100)),
            case.thresholds["band_sure_pct"] / 100,
        ),
    )


def _against_itself(case: Case, side: int, base: Baseline, out: np.ndarray) -> Seen:
    t = case.thresholds
    lengths = case.freeze_min
    usual_min = (
        float(np.median(lengths[base.usual & ~out])) if (base.usual & ~out).any() else math.exp(base.centre)
    )
    found_min = float(np.median(lengths[out]))
    excess_pct = 100 * abs(found_min / usual_min - 1)
    lost_min = float((lengths[out] - usual_min).sum())
    lost_pct = 100 * max(lost_min, 0.0) / max(float(np.nansum(lengths)), 1e-9)
    at = np.flatnonzero(out)
    judged = np.isfinite(case.adjusted.log_length)
    lasting = base.since is not None and out[base.since :].sum() > 0.5 * judged[base.since :].sum()
    values = {"count": int(out.sum()), "of": int(judged.sum()), "excess_pct": round(excess_pct, 1)}
    hours = None if lasting else hours_of_day(case, case.start_ns[out])
    stop = None if not lasting else worked_on(case, case.steady, int(at[0]))
    asks = stop is not None and side < 0
    if asks:
        title = _SHORT_ASKS(
            excess_pct=round(excess_pct, 1), found_min=round(found_min, 2), usual_min=round(usual_min, 2), when=moment(case, stop[0])
        )  # fmt: skip
    elif lasting:
        title = (_LONG_SINCE if side > 0 else _SHORT_SINCE)(
            excess_pct=round(excess_pct, 1), found_min=round(found_min, 2), usual_min=round(usual_min, 2)
        )
    elif len(at) == 1:
        begun = int(case.start_ns[at[0]])
        title = (_LONG_ONE if side > 0 else _SHORT_ONE)(
            of=values["of"], excess_pct=values["excess_pct"], found_min=round(found_min, 2), when=moment(case, begun),
        )  # fmt: skip
    elif hours is not None:
        title = (_LONG_HOURS if side > 0 else _SHORT_HOURS)(hours=hours, **values)
    else:
        title = (_LONG_SOME if side > 0 else _SHORT_SOME)(**values)
    sigma = base.above if side > 0 else base.below
    y = np.where(np.isfinite(case.adjusted.log_length), case.adjusted.log_length, np.log(lengths))
    margin = float(np.median(np.abs(y[out] - base.centre))) - _log_share(t["run_out_pct"], side)
    bad = lost_pct >= t["lost_act_pct"] if side > 0 else 100 * out.sum() >= t["short_act_pct"] * judged.sum()
    sewn = side > 0 and _sewn_together(case, out)
    # What began with a stop may be a repair; what is over by the log's end sends nobody.
    over = base.since is not None and at[-1] < (1 - t["over_pct"] / 100) * (case.n - 1)
    weather = lasting and not np.isfinite(case.air_c[out]).any() and excess_pct < t["weather_most_pct"]
    bad = bad and not asks and not over
    confidence = statistics.phi(margin / (sigma / math.sqrt(min(int(out.sum()), 4))))
    confidence *= 0.5 if sewn else 1.0
    return Seen(
        # What may be the weather's, or the record's, sends nobody.
        severity=Severity.NOTE if weather or sewn else _severity(case, base, out, side, confidence, bad=bad),
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=out,
        usual=judged & ~out,
        evidence={
            "judged_against": "this unit's own freezes",
            "count": int(out.sum()),
            "cycles_judged": int(judged.sum()),
            "found_min": round(found_min, 2),
            "usual_min": round(usual_min, 2),
            "usual_low_min": round(math.exp(base.centre - 3 * base.below), 2),
            "usual_high_min": round(math.exp(base.centre + 3 * base.above), 2),
            "worst_min": round(float((np.max if side > 0 else np.min)(lengths[out])), 2),
            "lost_min": round(lost_min, 1) if lost_min > 0 else None,
            "uncertainty_min": round(1.645 * case.sigma_min, 2),
            "may_be_missed_harvests": "yes" if sewn else None,
            "corrected_for": ", ".join(case.adjusted.corrected_for),
            "hours": hours,
            "every_cycles": every if (every := period(out, least=t["levels_least"])) > 1 else None,
            "after_a_stop_at": moment(case, stop[0]) if stop is not None else None,
            "when": moment(case, int(case.start_ns[at[0]])) if len(at) == 1 else None,
        },
        confidence=confidence,
    )


def _severity(
    case: Case, base: Baseline, out: np.ndarray, side: int, confidence: float, *, bad: bool
) -> Severity:
    """Few odd freezes of many are a note; but one far out of a tight spread is what an intermittent fault looks like."""
    t = case.thresholds
    if not case.rare(out, confidence):
        return Severity.ACT if bad else Severity.WATCH
    # Beside its neighbours: air and water move the others more over a day than they scatter from one to the next.
    beside = np.log(case.freeze_min / usual_beside(case, case.freeze_min, math.exp(base.centre)))
    near = beside[base.usual & ~out & np.isfinite(beside)]
    scatter = statistics.spread(np.abs(near - np.median(near)), _floor(case)) if len(near) else math.inf
    far = side * beside[out] > max(_log_share(t["single_far_pct"], side), t["single_far_z"] * scatter)
    # By a clamp alone, a harvest that it seemed to show cuts a freeze in two.
    cut = side < 0 and case.timeline.get("evaporator", "suction") is None
    # By a line alone, a rest too short to show in it makes a freeze long, in a unit in whose freezes it shows longer ones.
    rested = side > 0 and not case.clamped and bool(case.stalls.missed.any())
    return Severity.WATCH if far.any() and not cut and not rested else Severity.NOTE


def _sewn_together(case: Case, out: np.ndarray) -> bool:
    """Whether most of the long freezes are whole multiples of a cycle, and no cold trace can tell whether harvests were
    missed in them."""
    if case.timeline.get("evaporator", "suction") is not None:
        return False
    usual_min = usual_beside(case, case.freeze_min, case.usual_freeze_min)
    whole = doubtful.multiples(case, usual_min, case.stalls.usual_min)
    return bool((whole & out).sum() > 0.5 * out.sum())


RULES = (
    Rule(
        code="freeze-long",
        test=_freeze_long,
        shows=Shows(about="freeze"),
        causes=("condenser-dirty", "charge-low", "water-leaks-in", "end-of-freeze-sensing", "water-warm", "metering",
                "room-hot", "hot-gas-leaks", "condenser-fan", "compressor-worn", "water-spread"),
    ),
    Rule(
        code="freeze-short",
        test=_freeze_short,
        shows=Shows(about="freeze", telling="shortest"),
        causes=("end-of-freeze-early", "water-short", "ice-left"),
        quiet_when=("freeze-at-timeout",),
    ),
)  # fmt: skip
