"""A lasting change of any measure over the log: dirt, scale or a slow leak, before it becomes a fault of its own."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.courses import MEASURES, Course, Measure, log_days, of_the_room
from pipeline.findings.evidence.stops import moment
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.rule import CannotTell, Rule, Seen, cycles_needed

_LONG_LOG = phrase("needs.long-log", "a log of at least {least_days}: a shorter one shows the time of day")

# column -> (key, what it does as it grows, as it falls, and as it goes to and fro)
_NAMES = {
    "freeze_min": ("freeze", "Freezes grow longer", "Freezes grow shorter", "Freezes change"),
    "harvest_min": ("harvest", "Harvests grow longer", "Harvests grow shorter", "Harvests change"),
    "freeze_end_c": ("freeze-end", "Freezes end warmer", "Freezes end colder", "The end-of-freeze temperature changes"),
    "harvest_peak_c": ("harvest-peak", "Harvests end warmer", "Harvests end colder", "The evaporator's warmest in harvest changes"),
    "condenser_split_k": ("split", "The condenser air rise grows", "The condenser air rise shrinks", "The condenser air rise changes"),
    "discharge_peak_c": ("discharge", "The discharge line gets hotter", "The discharge line gets cooler", "The discharge line changes"),
    "freeze_current_a": ("current", "The current rises", "The current falls", "The current changes"),
    "harvest_current_a": ("harvest-current", "The current in harvest rises", "The current in harvest falls", "The current in harvest changes"),
    "harvest_rise_k_per_min": ("harvest-rise", "Harvests warm faster", "Harvests warm more slowly", "The rate at which harvests warm changes"),
    "line_swing_k": ("swing", "The line swings more from freeze to harvest", "The line swings less from freeze to harvest", "The line's swing from freeze to harvest changes"),
    "pull_down_k_per_min": ("pull-down", "Freezes cool faster", "Freezes cool more slowly", "The rate at which freezes cool changes"),
    "line_waves_k": ("waves", "The line swings more within a freeze", "The line swings less within a freeze", "The line's swinging to and fro in freeze changes"),
    "supply_v": ("supply", "The supply's voltage rises", "The supply's voltage falls", "The supply's voltage changes"),
    "rest_min": ("rest", "Rests before a freeze grow longer", "Rests before a freeze grow shorter", "The rest before a freeze changes"),
    "starts_per_day": ("starts", "The compressor starts more often", "The compressor starts less often", "The number of compressor starts changes"),
}  # fmt: skip
_UNITS = {
    "rest_min": "min",
    "starts_per_day": "per_day",
}  # of those that are neither relative nor a temperature


def _unit(measure: Measure) -> str:
    return "pct" if measure.relative else _UNITS.get(measure.column, "k")


def _titles(
    key: str, more: str, less: str, either: str, relative: bool, unit: str
) -> dict[tuple[str, bool], Phrase]:
    """(kind of change, whether it grows) -> its title."""
    size, moved = f"{{change_{unit}}}", f"{{moved_{unit}}}"
    per_day = ", {moved_per_day_pct} a day" if relative else ""
    fro = phrase(
        f"finding.drift.{key}.to-and-fro",
        f"{either} to and fro between two levels: by {size}, {{count}} times",
    )
    titles = {("comes-and-goes", grows): fro for grows in (True, False)}
    for way, subject in (("more", more), ("less", less)):
        titles["ramp", way == "more"] = phrase(
            f"finding.drift.{key}.{way}", f"{subject}, little by little: {moved} in {{over_days}}{per_day}"
        )
        titles["step", way == "more"] = phrase(
            f"finding.drift.{key}.step.{way}", f"{subject} from {{when}} on: {moved}"
        )
    return titles


_TITLES = {m.column: _titles(*_NAMES[m.column], m.relative, _unit(m)) for m in MEASURES}
_OF_THE_LINE = (
    "freeze_end_c",
    "harvest_peak_c",
    "harvest_rise_k_per_min",
    "line_swing_k",
    "pull_down_k_per_min",
    "line_waves_k",
)


def _drift(case: Case):
    t = case.thresholds
    short = cycles_needed("drift_cycles")(case)
    if short:
        return short
    found = [c for c in case.courses.values() if _judged_here(c, t, "air" in case.adjusted.corrected_for)]
    if case.slipping is not None:  # the line's temperatures tell of the clip
        found = [c for c in found if c.measure.column not in _OF_THE_LINE]
    if not found:
        return (
            CannotTell(needs=_LONG_LOG(least_days=t["drift_days"]))
            if log_days(case) < t["drift_days"]
            else None
        )
    # What became worse is said first, and what tells least last; the order of the measures otherwise.
    found.sort(key=lambda c: (c.measure.aside, not c.worse))
    course = found[0]
    moved = course.change
    at = np.flatnonzero(moved.late)
    days = (case.start_ns[at[-1]] - case.start_ns[at[0]]) / 8.64e13
    early, late = moved.ends
    size = abs(course.total) / t[course.measure.threshold]
    return Seen(
        severity=_severity(case, found, late, early),
        title=_title(case, course, days),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=late,
        usual=early,
        evidence={
            "over_days": round(float(days), 2),
            "how": moved.kind,
            "measure": course.measure.column,
            "cycles_judged": int(moved.judged.sum()),
            "corrected_for": "air" if np.isfinite(case.air_c).any() else None,
            **_evidence(found, days),
        },
        confidence=min(statistics.phi(size + 0.5), moved.sure),
        flag_cycles=False,
        causes=_causes(course),
    )


def _severity(case: Case, found: list[Course], late: np.ndarray, early: np.ndarray) -> Severity:
    """What creeps does not mend itself, whichever way it goes; a step for the better is somebody's work, and a rate, rests or starts that
    nothing else follows cost nothing."""
    course = found[0]
    mended = course.change.kind == "step" and not course.worse
    alone = all(c.measure.aside for c in found)
    slower = case.courses.get("freeze_min")
    far = (
        slower is not None
        and slower.change.kind == "ramp"
        and abs(slower.total) > case.thresholds["freeze_out_pct"]
    )
    room = not far and of_the_room(case, late, early)
    return Severity.NOTE if mended or alone or room else Severity.WATCH


def _judged_here(course: Course, t: Mapping[str, float], air_known: bool) -> bool:
    """Whether the change is one that `drift` tells: a ramp, or a step that no rule of its own tells."""
    column, kind = course.measure.column, course.change.kind
    if column == "freeze_min" and kind != "ramp":  # another room does as much: it takes the air to tell
        return abs(course.total) < t["freeze_out_pct"] and air_known
    if column == "harvest_min" or (column == "freeze_end_c" and kind == "step"):
        return not course.worse  # `harvest-long` and `weak-freeze` tell it
    if column in ("condenser_split_k", "discharge_peak_c") and kind == "comes-and-goes":
        return not course.worse  # `condenser-hot` tells it
    return True


def _causes(course: Course) -> tuple[str, ...] | None:
    if course.measure.column == "freeze_min" and course.change.total < 0:
        return ("season", "end-of-freeze-early", "water-short")
    if course.measure.column == "line_waves_k":
        return ("metering-hunts",)
    if course.measure.column in ("harvest_min", "harvest_rise_k_per_min", "harvest_peak_c"):
        return ("slab-sticks", "hot-gas-weak", "season", "harvest-end-sensing")
    return None


def _title(case: Case, course: Course, days: float):
    total, pattern = (
        round(course.total, 1),
        _TITLES[course.measure.column][course.change.kind, course.total > 0],
    )
    unit = _unit(course.measure)
    if course.change.kind == "comes-and-goes":
        return pattern(count=course.change.episodes, **{f"change_{unit}": total})
    size = {f"moved_{unit}": total}
    if course.change.kind == "step":
        return pattern(when=moment(case, int(case.start_ns[course.change.first])), **size)
    size["over_days"] = round(float(days), 1)
    if course.measure.relative:
        size["moved_per_day_pct"] = round(course.total / float(days), 2)
    return pattern(**size)


def _evidence(found: list[Course], days: float) -> dict[str, float]:
    said: dict[str, float] = {}
    for course in found:
        moved, column = course.change, course.measure.column
        unit = _unit(course.measure)
        name = re.sub("_(k_per_min|per_day|[a-z]+)$", "", column)
        if course.measure.relative:
            said[f"{name}_change_pct"] = round(course.total, 1)
            said[f"{name}_change_low_pct"] = round(course.scaled(moved.low), 1)
            said[f"{name}_change_high_pct"] = round(course.scaled(moved.high), 1)
        else:
            said[f"{name}_change_{unit}"] = round(moved.total, 2)
            if moved.kind == "ramp" and unit == "k":
                said[f"{name}_change_k_per_day"] = round(moved.total / days, 3)
    return said


RULES = (
    Rule(
        code="drift",
        test=_drift,
        causes=("fouling", "slow-leak", "season", "water-leaks-in"),
        shows=Shows(about="freeze"),
    ),
)
