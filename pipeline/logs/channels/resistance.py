"""Resistances → °C: by what unit.toml says of the thermometer, else by what its header and its readings allow."""

from __future__ import annotations

import re

import numpy as np

from pipeline.logs.channels.notes import UNIT_IN_TOML, Notes, note
from pipeline.logs.coarse_grid import swing
from pipeline.logs.limits import USUAL
from pipeline.logs.vocabulary.units import (
    celsius_from_beta,
    celsius_from_platinum,
    celsius_from_steinhart_hart,
)
from pipeline.unit import ChannelRule, Thermistor

_METAL = re.compile(r"(?<![^\W\d_])(rtd|pt ?\d*|platin\w*|ni ?\d*)(?![^\W\d_])", re.IGNORECASE)
ASSUMED_NTC = Thermistor(r25_ohm=10_000.0, beta_k=3950.0)
"""Taken where a resistance comes without its thermistor's constants. Common practice, no source."""


def celsius_of(
    ohm: np.ndarray, rule: ChannelRule | None, label: str, file: str, notes: Notes
) -> np.ndarray | None:
    """Temperature (n,) [°C] of a resistance `ohm` (n,), or None where nothing tells which thermometer it is."""
    thermistor = rule.thermistor if rule else None
    if thermistor is not None:
        if thermistor.beta_k is not None:
            return celsius_from_beta(ohm, r25_ohm=thermistor.r25_ohm, beta_k=thermistor.beta_k)
        return celsius_from_steinhart_hart(ohm, a=thermistor.a, b=thermistor.b, c=thermistor.c)
    if rule and rule.r0_ohm:
        return celsius_from_platinum(ohm, r0_ohm=rule.r0_ohm)
    low, high = swing(ohm)
    metal = _METAL.search(label) is not None
    for r0 in (100.0, 1000.0):
        if 0.75 * r0 <= low and high <= 1.7 * r0:  # −63 to 183 °C
            note(
                notes,
                file,
                "logs.note.platinum",
                '"{label}" was read as a platinum thermometer of {r0} Ω at 0 °C (IEC 60751); ' + UNIT_IN_TOML,
                label=label,
                r0=f"{r0:g}",
            )
            return celsius_from_platinum(ohm, r0_ohm=r0)
    assumed = celsius_from_beta(ohm, r25_ohm=ASSUMED_NTC.r25_ohm, beta_k=ASSUMED_NTC.beta_k)
    coldest, hottest = swing(assumed)
    if metal or not (USUAL["probe_coldest_c"] < coldest and hottest < USUAL["probe_hottest_c"]):
        note(
            notes,
            file,
            "logs.note.which_thermometer",
            '"{label}" is a resistance of {low} to {high} Ω, and nothing tells of which thermometer: it is used for nothing; set thermistor, or r0_ohm of a resistance thermometer, for it under [channels] in unit.toml',
            label=label,
            low=f"{low:.4g}",
            high=f"{high:.4g}",
        )
        return None
    note(
        notes,
        file,
        "logs.note.thermistor",
        '"{label}" is a resistance without its thermistor: 10 kΩ at 25 °C with beta 3950 K was assumed, and may be off by '
        "some degrees; set thermistor for it under [channels] in unit.toml",
        label=label,
    )
    return assumed
