"""Units as loggers write them → house units; resistances of thermistors and resistance thermometers → °C."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

ZERO_C_IN_K = 273.15  # exact: NIST SP 811, appendix B.7


@dataclass(frozen=True, kw_only=True)
class LoggedUnit:
    """house value = scale × logged value + shift."""

    house: str  # a house unit, or "ohm"
    scale: float = 1.0
    shift: float = 0.0


UNITS: Mapping[str, LoggedUnit] = MappingProxyType(
    {
        "°C": LoggedUnit(house="°C"),
        "°F": LoggedUnit(
            house="°C", scale=1 / 1.8, shift=-32 / 1.8
        ),  # NIST SP 811, appendix B.8: t/°C = (t/°F − 32)/1.8
        "K": LoggedUnit(house="°C", shift=-ZERO_C_IN_K),
        "mK": LoggedUnit(house="°C", scale=1e-3, shift=-ZERO_C_IN_K),
        "m°C": LoggedUnit(house="°C", scale=1e-3),
        "A": LoggedUnit(house="A"),
        "mA": LoggedUnit(house="A", scale=1e-3),
        "µA": LoggedUnit(house="A", scale=1e-6),
        "W": LoggedUnit(house="W"),
        "mW": LoggedUnit(house="W", scale=1e-3),
        "µW": LoggedUnit(house="W", scale=1e-6),
        "kW": LoggedUnit(house="W", scale=1e3),
        "V": LoggedUnit(house="V"),
        "mV": LoggedUnit(house="V", scale=1e-3),
        "kV": LoggedUnit(house="V", scale=1e3),
        "kWh": LoggedUnit(house="kWh"),
        "Wh": LoggedUnit(house="kWh", scale=1e-3),
        "ohm": LoggedUnit(house="ohm"),
        "kohm": LoggedUnit(house="ohm", scale=1e3),
        "kPa": LoggedUnit(house="kPa"),
        "bar": LoggedUnit(house="kPa", scale=100.0),  # exact: NIST SP 811, appendix B.8
        "psi": LoggedUnit(house="kPa", scale=6.894757),  # NIST SP 811, appendix B.8
        "": LoggedUnit(house=""),
    }
)
"""Every unit that is read. The keys are those of `pipeline.unit.ChannelRule.unit`."""

_WORDS = {
    word: unit
    for unit, words in {
        "°C": "°c|ºc|˚c|℃|deg c|deg. c|degc|deg.c|c|cels|celsius|degree c|degrees c|degrees celsius|centigrade|grad c|grad celsius|grados c"
        "|grados celsius|degrés c|degrés celsius|°celsius|gr. c|°с|град. с",
        "°F": "°f|ºf|˚f|℉|deg f|deg. f|degf|deg.f|f|fahrenheit|degree f|degrees f|degrees fahrenheit|grados f|grad f|°fahrenheit",
        "K": "k|kelvin|deg k|°k",
        "mK": "mk|millikelvin",
        "m°C": "m°c|mc|mdegc|millicelsius|millidegree|millidegrees",
        "A": "a|а|amp|amps|ampere|amperes|amperios|ampère|ampères|a rms|arms|a ac|aac|a dc|adc|a~|ampere (rms)",
        "µA": "µa|μa|ua|microamp|microamps",
        "mA": "ma|milliamp|milliamps|milliampere|miliamperios|milliampères",
        "W": "w|вт|watt|watts|vatios",
        "mW": "mw|milliwatt|milliwatts",
        "µW": "µw|μw|uw|microwatt|microwatts",
        "kW": "kw|квт|kilowatt|kilowatts|kilovatios",
        "mV": "mv|millivolt|millivolts|mv ac|mvac|mv rms",
        "kV": "kv|kilovolt|kilovolts",
        "V": "v|в|volt|volts|voltios|v ac|vac|v dc|vdc|v rms|vrms",
        "kWh": "kwh|квт·ч|kw h|kw·h|kw-h|kilowatt-hours|kilowatt hours",
        "Wh": "wh|w h|w·h|watt-hours|watt hours",
        "ohm": "ω|ohm|ohms|ohmios",
        "kohm": "kω|kohm|kohms|k ohm|kiloohm|kilohm|kilohms",
        "kPa": "kpa|kpa(g)|kpag",
        "bar": "bar|barg|bar(g)",
        "psi": "psi|psig|psi(g)|lb/in²",
        "": "pf|cos φ|cosφ|cos phi|cosphi|-|–|lx|lux|w/m2|w/m²|wm-2|w m-2|ppm|ppb|hpa|mbar|db|dba|db(a)|l/min|l/s|l/h|m3/h|m³/h"
        "|m/s|km/h|rpm|hz|khz|mm|cm|m|kg|g|va|kva|var|kvar|ph|µs/cm|count|counts|uvi|index",
    }.items()
    for word in words.split("|")
}
_BRACKETED = re.compile(r"[\[(]\s*([^\[\]()]{1,22}?(?:\(g\))?)\s*[\])]")


def unit_of_word(word: str) -> str | None:
    """The unit that a unit word stands for ("deg F" -> "°F"), or None."""
    plain = re.sub(r"\s+", " ", word.strip().strip("[]()").strip())
    if plain in ("MW", "MV", "MA"):  # mega, not milli
        return None
    return "" if plain.startswith("%") else _WORDS.get(re.sub(r"(?<=[°º˚]) ", "", plain.lower()))


_SCALED = re.compile(
    r"(?:[\[(]\s*|(?:^|\s)(?=\S+\s?[^\s\d]*\s?[A-Za-zΩ%]+$))(?:[x×*]\s*)?(0[.,]0{0,3}1|1/10{1,4})\s*[x×*·]?\s*(?=[^\W\d]|[°º˚])"
)
"""In brackets, or at the end with one word behind it."""

_STORED = re.compile(r"[\s_]+[x×*]\s?1(0{1,3})$")
"""A register that holds so many times the reading, as it holds whole numbers. Common practice, no source."""


def unit_of_cell(cell: str) -> str | None:
    """The unit that a cell under the labels says, a scale before it left aside ("0.1 °C" -> "°C"); None where it says none."""
    return unit_of_word(_SCALED.sub("", cell))


def scale_of_header(header: str) -> float:
    """What a column of whole numbers counts in: 0.1 of "Evap [0.1 °C]", "evap 0.1 °C" and "evap_x10"; 1.0 where the header says nothing of
    the sort."""
    match = _SCALED.search(header) or _STORED.search(header)
    return 1.0 if match is None else 1.0 / float("1" + "0" * match[1].count("0"))


def unit_of_header(header: str, beside: Sequence[str] = ()) -> str | None:
    """The unit that a header carries, in brackets or at its end, or None.

    "Suction (°F)", "suction [degF]", "Suction °F", "suction, F", "suction_f" are all °F. beside: the headers of the other
    columns; where one of them ends in a letter that is no unit ("Evap line B"), the same words with another one carry none.
    """
    header = _STORED.sub("", _SCALED.sub(lambda m: "(" if m[0][0] in "[(" else " ", header))
    for inside in reversed(_BRACKETED.findall(header)):
        unit = unit_of_word(inside)
        if unit is None and "," in inside:
            unit = next((u for u in map(unit_of_word, inside.split(",")) if u is not None), None)
        if unit is not None:
            return unit
    bare = _BRACKETED.sub(" ", header).strip()
    for sign, unit in (("℃", "°C"), ("℉", "°F")):
        if sign in bare:
            return unit
    match = re.search(r"[°º˚]\s?([CСFK])(?![^\W\d_])", bare, re.IGNORECASE)
    if match:
        return _WORDS["°" + match[1].lower()]
    if bare in ("C", "F", "K"):
        return unit_of_word(bare)
    if bare in ("A", "V", "W") and any(len(other) > 1 and unit_of_word(other) for other in beside):
        return unit_of_word(bare)  # the labels are nothing but units
    if bare.endswith("%"):
        return ""
    parts = [p for p in re.split(r"[\s_,;:/]+", bare) if p]
    if len(parts) >= 2 or (len(parts) == 1 and len(parts[0]) > 1):
        last_two = " ".join(parts[-2:])
        for word in (last_two, parts[-1]) if len(parts) > 1 else (parts[-1],):
            unit = unit_of_word(word)
            if unit not in (None, "") and not (
                len(word) == 1 and (_single_letter_label(bare) or _lettered(bare, beside))
            ):
                return unit
    return None


_PIPES = re.compile(
    r"\b(evap\w*|verdampfer|suct(ion)?|return|discharge|disch|hot ?gas|liquid|cond(enser)?|water|drain|inlet|outlet) line [cfk]$",
    re.IGNORECASE,
)
"""Lines that hold refrigerant or water: a lone letter after them is a scale. After a line of the mains it numbers the line."""


def _lettered(label: str, beside: Sequence[str]) -> bool:
    """Whether the last letter of a label tells it from its likes: "Suction A" beside "Suction B"."""
    stem = label[:-1].casefold()
    return any(
        other[:-1].casefold() == stem and other[-1:].isalpha() and unit_of_word(other[-1:]) is None
        for other in map(str.strip, beside)
    )


def _single_letter_label(label: str) -> bool:
    """ "Probe A", "Channel C" and "Line C" number the probe or the phase; "temp_c", "suction F" and "Evap line C" name a unit."""
    if _PIPES.search(label):
        return False
    return bool(
        re.search(
            r"\b(probe|channel|ch|sensor|sonde|sonda|fühler|canal|kanal|voie|input|port|phase|leg|line|logger) \w$",
            label,
            re.I,
        )
    )


def to_house(values: np.ndarray, unit: str) -> tuple[np.ndarray, str]:
    """(values (n,) in the house unit, that unit). Resistances come back as "ohm". The input is not written to."""
    logged = UNITS[unit]
    if logged.scale == 1.0 and logged.shift == 0.0:
        return values, logged.house
    result = values * logged.scale
    if logged.shift:
        result += logged.shift
    return result, logged.house


def celsius_from_beta(ohm: np.ndarray, *, r25_ohm: float, beta_k: float) -> np.ndarray:
    """Temperature (n,) [°C] at `ohm` (n,) of an NTC thermistor by the beta model, 1/T = 1/298.15 K + ln(R/R25)/beta. NaN where R ≤ 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(ohm > 0, ohm, np.nan) / r25_ohm
        return 1.0 / (1.0 / (ZERO_C_IN_K + 25.0) + np.log(ratio) / beta_k) - ZERO_C_IN_K


def celsius_from_steinhart_hart(ohm: np.ndarray, *, a: float, b: float, c: float) -> np.ndarray:
    """Temperature (n,) [°C] at `ohm` (n,) of an NTC thermistor, 1/T = a + b ln R + c (ln R)³ (Steinhart & Hart 1968). NaN where R ≤ 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.log(np.where(ohm > 0, ohm, np.nan))
        return 1.0 / (a + b * log + c * log**3) - ZERO_C_IN_K


def celsius_from_platinum(ohm: np.ndarray, *, r0_ohm: float = 100.0) -> np.ndarray:
    """Temperature (n,) [°C] at `ohm` (n,) of a platinum resistance thermometer of `r0_ohm` at 0 °C, by IEC 60751.

    Above 0 °C the quadratic R = R0 (1 + A t + B t²) is solved; below, three Newton steps on the equation with the C
    term bring the error under 1e-6 K down to −200 °C. Coefficients from memory, to be confirmed; they agree with the
    standard's printed table (100 °C: 138.51 Ω).
    """
    a, b, c = 3.9083e-3, -5.775e-7, -4.183e-12
    ratio = np.asarray(ohm, np.float64) / r0_ohm
    with np.errstate(invalid="ignore"):
        t = (-a + np.sqrt(a * a - 4 * b * (1 - ratio))) / (2 * b)
        cold = t < 0
        for _ in range(4):
            f = 1 + a * t + b * t**2 + np.where(cold, c * (t - 100) * t**3, 0.0) - ratio
            slope = a + 2 * b * t + np.where(cold, c * (4 * t**3 - 300 * t**2), 0.0)
            t = t - f / slope
    return t
