"""Columns as logged → channels in house units with a role: what unit.toml says, then the header, then physics."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.channels.draft import Draft
from pipeline.logs.channels.header_doubts import with_doubted_headers
from pipeline.logs.channels.inference import (
    Nameless,
    looks_like_current,
    possible_c,
    roles_by_behaviour,
    temperature_unit,
)
from pipeline.logs.channels.notes import UNIT_IN_TOML, Notes, note
from pipeline.logs.channels.resistance import celsius_of
from pipeline.logs.channels.same_logger import LoggerLog
from pipeline.logs.table import LoggedColumn
from pipeline.logs.vocabulary.quantities import HOUSE_UNITS, names_a_loop, quantity_of_header, says_nothing
from pipeline.logs.vocabulary.roles import TEMPERATURE_ROLES, role_by_file_name, role_by_header, rule_for
from pipeline.logs.vocabulary.units import UNITS, to_house
from pipeline.unit import ROLES, ChannelRule, Unit

_BATTERY = re.compile(r"\b(v?batt?\w*|bater[ií]a|akku\w*|pile)\b", re.IGNORECASE)
_EXTREME = re.compile(
    r"(?<![^\W\d_])(min|max|minimum|maximum|std|sd|stdev|lowest|highest|m[ií]n|m[aá]x)(?![^\W\d_])",
    re.IGNORECASE,
)
_MEAN = re.compile(r"(?<![^\W\d_])(mean|avg|average|mittel\w*|media|moy\w*)(?![^\W\d_])", re.IGNORECASE)
_TWIN_K = 0.6
"""Further than this two columns of one reading in °C and in °F do not lie apart, rounded to whole degrees."""
_FROM_ZERO, _REVERSED = 0.2, 0.95
"""A clamp whose readings beyond so much of the largest are below zero in so many cases is the wrong way round."""
_COUNTING = 0.95
"""A column that goes up by one in so many rows counts them. Common practice, no source."""
_CLEAR = 0.75
"""From this confidence on a column's own readings decide its unit."""


@dataclass(frozen=True, kw_only=True)
class _Open:
    """A column whose unit the file does not say."""

    draft: Draft
    column: LoggedColumn
    rule: ChannelRule | None


def drafts_of(logs: Sequence[LoggerLog], unit: Unit) -> tuple[list[Draft], Notes]:
    """(one draft a column, file name -> what was assumed)."""
    notes: Notes = {}
    ready: list[Draft] = []
    unscaled: list[tuple[LoggerLog, list[_Open]]] = []
    keys = 0
    for number, log in enumerate(logs):
        open_ones: list[_Open] = []
        for column in log.columns:
            rule = rule_for(unit, column.label, log.name)
            said = rule.unit if rule and rule.unit is not None else column.unit
            house = UNITS[said].house if said is not None else None
            role, by, confidence = _named(rule, column.label, house, log)
            draft = Draft(
                key=keys,
                logger=number,
                label=column.label,
                role=role,
                role_by=by,
                role_confidence=confidence,
                unit=house or "",
                unit_read=said or "",
                values=column.values,
                error=column.error,
                error_words=column.error_words,
            )
            keys += 1
            if rule is None and names_a_loop(column.label):
                note(
                    notes,
                    log.files[0],
                    "logs.note.loop",
                    '"{label}" is a transmitter\'s signal, and what it stands for is not known: it is used for nothing; let the logger write °C or A',
                    label=column.label,
                )
            if said is None:
                open_ones.append(_Open(draft=draft, column=column, rule=rule))
            else:
                ready.append(_converted(draft, said, rule, log, notes))
        done, temperatures = _opened(open_ones, log, notes)
        ready += done
        if temperatures:
            unscaled.append((log, temperatures))
    for log, temperatures in unscaled:
        known = [d for d in ready if d.logger == temperatures[0].draft.logger]
        alike = [o for other, opened in unscaled for o in opened if other is log or _same_labels(other, log)]
        ready += _temperatures(temperatures, known, alike, logs, notes)
    ready.sort(key=lambda d: d.key)
    ready = with_doubted_headers(_by_behaviour(ready, logs), logs, notes)
    _note_unknown_keys(unit, logs, notes)
    return ready, notes


def _same_labels(one: LoggerLog, other: LoggerLog) -> bool:
    """Loggers of one make, set up alike: their temperatures are on one scale."""
    return [c.label for c in one.columns] == [c.label for c in other.columns]


def _named(rule: ChannelRule | None, label: str, house: str | None, log: LoggerLog) -> tuple[str, str, float]:
    if rule is not None and rule.role is not None:
        return rule.role, "unit.toml", 1.0
    quantity = quantity_of_header(label)
    if _is_no_probe(label, log):
        return "other", "", 0.0
    if house is None and quantity is not None:
        house = HOUSE_UNITS[quantity]
    guess = role_by_header(label, house)
    if guess.role == "other" and len(log.columns) == 1 and says_nothing(label):
        guess = role_by_file_name(log.files[0], house)
    return guess.role, guess.by, guess.confidence


def _is_no_probe(label: str, log: LoggerLog) -> bool:
    """Whether a column holds another quantity, the battery's voltage (it is not the machine's), or the lowest, highest or scatter of an
    interval whose mean stands beside it."""
    if _BATTERY.search(label) or quantity_of_header(label) == "other":
        return True
    stem = _stem(_EXTREME.sub("", label))
    others = (c.label for c in log.columns if c.label != label and not _EXTREME.search(c.label))
    return _EXTREME.search(label) is not None and any(stem == _stem(_MEAN.sub("", o)) for o in others)


def _stem(label: str) -> str:
    return re.sub(r"[\W_]+", " ", label).casefold().strip()


def _converted(draft: Draft, logged: str, rule: ChannelRule | None, log: LoggerLog, notes: Notes) -> Draft:
    values, house = to_house(draft.values, logged)
    role, by, confidence = draft.role, draft.role_by, draft.role_confidence
    if house == "ohm":
        celsius = celsius_of(values, rule, draft.label, log.files[0], notes)
        if celsius is None:
            return replace(draft, role="other", role_by="", role_confidence=0.0, unit="", unit_read=logged)
        values, house = celsius, "°C"
    elif house == "V" and quantity_of_header(draft.label) == "current":
        if rule is None or rule.a_per_v is None:
            note(
                notes,
                log.files[0],
                "logs.note.clamp_ratio",
                '"{label}" is a clamp\'s voltage, and its ratio is not known: it is used for nothing; set a_per_v (amperes per volt) for "{label}" under [channels] in unit.toml',
                label=draft.label,
            )
            return replace(
                draft,
                role="other",
                role_by="",
                role_confidence=0.0,
                unit="V",
                unit_read=logged,
                values=values,
            )
        values, house = values * rule.a_per_v, "A"
        role, by, confidence = (
            ("current", "header", 0.9) if role in ("other", "voltage") else (role, by, confidence)
        )
    if role != "other" and ROLES[role] != house and ROLES[role] != "":
        note(
            notes,
            log.files[0],
            "logs.note.role_and_unit",
            '"{label}" is in {unit}, which a channel of role {role} cannot be: it is kept, but used for nothing',
            label=draft.label,
            unit=logged or "no unit",
            role=role,
        )
        role, by, confidence = "other", "", 0.0
    if rule and rule.add:
        values = values + rule.add
    elif house in ("A", "W") and _reversed(values):
        values = -values
        note(
            notes,
            log.files[0],
            "logs.note.clamp_reversed",
            '"{label}" reads below zero: the clamp sits the other way round; the sign of its readings was turned',
            label=draft.label,
        )
    return replace(
        draft, values=values, unit=house, unit_read=logged, role=role, role_by=by, role_confidence=confidence
    )


def _reversed(values: np.ndarray) -> bool:
    """Whether a clamp's readings (n,) lie below zero wherever it reads anything."""
    if np.count_nonzero(values < 0) < 0.04 * np.count_nonzero(np.isfinite(values)):
        return False  # at least a twentieth of them are as large as the quantile below
    seen = values[np.isfinite(values)]
    if len(seen) == 0:
        return False
    far = np.abs(seen) > _FROM_ZERO * float(np.quantile(np.abs(seen), 0.95))
    return bool(far.any()) and float((seen[far] < 0).mean()) > _REVERSED


def _opened(opened: Sequence[_Open], log: LoggerLog, notes: Notes) -> tuple[list[Draft], list[_Open]]:
    """(what is clear, the temperatures) of one logger's columns that don't say their unit."""
    done: list[Draft] = []
    temperatures: list[_Open] = []
    for one in opened:
        draft = one.draft
        grid = log.coarse(draft.values)
        quantity = quantity_of_header(draft.label)
        unused = draft.role == "other" and draft.role_by != "unit.toml"
        if unused and (
            _is_no_signal(_stretch(draft.values)) if quantity is None else quantity != "temperature"
        ):
            done.append(draft)
        elif draft.role in TEMPERATURE_ROLES or (draft.role == "other" and quantity == "temperature"):
            temperatures.append(one)
        elif draft.role in _BY_MAGNITUDE:
            done.append(_by_magnitude(one, grid, log, notes))
        elif draft.role != "other":
            done.append(
                replace(draft, unit=ROLES[draft.role])
                if draft.role == "power_factor"
                else replace(draft, role="other", role_by="", role_confidence=0.0)
            )
        elif draft.role_by == "unit.toml":
            done.append(draft)
        elif (surety := looks_like_current(_stretch(draft.values), log.sources[0].interval_s)) >= 0.5:
            named = replace(draft, role="current", role_by="behaviour", role_confidence=round(surety, 2))
            done.append(_by_magnitude(replace(one, draft=named), grid, log, notes))
        else:
            temperatures.append(one)
    return done, temperatures


def _is_no_signal(values: np.ndarray) -> bool:
    """Whether the readings (n,) are one and the same throughout, or number the rows."""
    steps = np.diff(values[np.isfinite(values)])
    return not steps.any() or float((steps == 1.0).mean()) > _COUNTING


_BY_MAGNITUDE: Mapping[str, tuple[tuple[float, str], ...]] = {
    # (readings up to here, unit): the 90th percentile of a working machine. Common practice, no source.
    "current": ((120.0, "A"), (float("inf"), "mA")),
    "current_compressor": ((120.0, "A"), (float("inf"), "mA")),
    "power": ((15.0, "kW"), (float("inf"), "W")),
    "voltage": ((float("inf"), "V"),),
    "energy": ((float("inf"), "kWh"),),
}


def _by_magnitude(one: _Open, grid: np.ndarray, log: LoggerLog, notes: Notes) -> Draft:
    seen = grid[~np.isnan(grid)]
    top = float(np.percentile(np.abs(seen), 90)) if len(seen) else 0.0
    unit = next(u for limit, u in _BY_MAGNITUDE[one.draft.role] if top <= limit)
    if len(seen):
        note(
            notes,
            log.files[0],
            "logs.note.unit_by_size",
            '"{label}" does not say its unit: its readings are the size of {unit}; ' + UNIT_IN_TOML,
            label=one.draft.label,
            unit=unit,
        )
    return _converted(one.draft, unit, one.rule, log, notes)


def _temperatures(
    opened: Sequence[_Open],
    known: Sequence[Draft],
    alike: Sequence[_Open],
    logs: Sequence[LoggerLog],
    notes: Notes,
) -> list[Draft]:
    """Each by its own readings; what they leave open by those of its logger that are clear, and else not at all.

    alike: these, and the temperatures of other loggers with the same labels.
    """
    said = {d.unit_read for d in known if d.unit == "°C"} & {"°C", "°F"}
    clear = {
        guess.unit
        for o in alike
        if (guess := temperature_unit(o.draft.role, logs[o.draft.logger].coarse(o.draft.values))).confidence
        >= _CLEAR
    }
    others = said or clear
    log = logs[opened[0].draft.logger]
    done = []
    for one in opened:
        guess = temperature_unit(one.draft.role, log.coarse(one.draft.values))
        if guess.confidence >= _CLEAR and len(said) != 1:
            unit = guess.unit
            pattern = '"{label}" does not say its unit: read as {unit}, as water freezes at 0 °C and 32 °F and rooms are not hotter than that; '
            key = "logs.note.unit_by_physics"
        elif len(others) == 1:
            unit = next(iter(others))
            pattern = '"{label}" does not say its unit: read as {unit}, like the other temperatures of this logger; '
            key = "logs.note.unit_like_others"
        else:
            note(
                notes,
                log.files[0],
                "logs.note.unit_unknown",
                '"{label}" may be °C or °F, and nothing in it tells: it is used for nothing; set unit for "{label}" under [channels] in unit.toml',
                label=one.draft.label,
            )
            done.append(replace(one.draft, role="other", role_by="", role_confidence=0.0))
            continue
        note(notes, log.files[0], key, pattern + UNIT_IN_TOML, label=one.draft.label, unit=unit)
        done.append(_converted(one.draft, unit, one.rule, log, notes))
    return done


def _stretch(values: np.ndarray) -> np.ndarray:
    """Some thousand samples in a row from each of three places."""
    if len(values) <= 100_000:
        return values
    at = (len(values) // 8, len(values) // 2, len(values) - len(values) // 8 - 3000)
    return np.concatenate([values[a : a + 3000] for a in at])


def _by_behaviour(drafts: Sequence[Draft], logs: Sequence[LoggerLog]) -> list[Draft]:
    taken = frozenset(d.role for d in drafts if d.role != "other")
    nameless = [
        Nameless(key=d.key, grid_ns=logs[d.logger].overview.grid_ns, values=grid)
        for d in drafts
        if d.role == "other" and d.unit == "°C" and d.role_by != "unit.toml"
        if not _is_no_probe(d.label, logs[d.logger])
        if not np.isnan(grid := possible_c(logs[d.logger].coarse(d.values))).all()
    ]
    nameless = _without_twins(nameless, drafts)
    roles = roles_by_behaviour(nameless, taken) if nameless else {}
    named = [
        replace(d, role=roles[d.key][0], role_by="behaviour", role_confidence=roles[d.key][1])
        if d.key in roles
        else d
        for d in drafts
    ]
    return _two_currents(named)


def _without_twins(nameless: list[Nameless], drafts: Sequence[Draft]) -> list[Nameless]:
    """Of one temperature in two units the first is kept: a twin would be taken for a second probe."""
    by_key = {d.key: d for d in drafts}
    kept: list[Nameless] = []
    for one in nameless:
        logger = by_key[one.key].logger
        twins = (
            k
            for k in kept
            if by_key[k.key].logger == logger and by_key[k.key].unit_read != by_key[one.key].unit_read
        )
        if not any(float(np.nanmax(np.abs(k.values - one.values), initial=0.0)) < _TWIN_K for k in twins):
            kept.append(one)
    return kept


def _two_currents(drafts: list[Draft]) -> list[Draft]:
    """Of two nameless clamps the one that reads more is round the whole unit."""
    clamps = [d for d in drafts if d.role == "current" and d.role_by == "behaviour"]
    if len(clamps) < 2 or any(d.role == "current_compressor" for d in drafts):
        return drafts
    least = min(clamps, key=lambda d: float(np.nanmean(d.values)))
    return [replace(d, role="current_compressor") if d is least else d for d in drafts]


def _note_unknown_keys(unit: Unit, logs: Sequence[LoggerLog], notes: Notes) -> None:
    labels = {c.label for log in logs for c in log.columns}
    for key in unit.channels:
        header = key.rpartition("/")[2]
        if not any(
            known.casefold().strip() in (key.casefold().strip(), header.casefold().strip())
            for known in labels
        ):
            note(
                notes,
                logs[0].files[0],
                "logs.note.no_such_channel",
                'unit.toml names the channel "{key}", which no file has (the columns are {labels})',
                key=key,
                labels=", ".join(sorted(labels)),
            )
