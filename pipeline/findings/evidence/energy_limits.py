"""The published federal limits on energy use (USA), for comparison only: a field log is not a certified test.

Limits are stated in kWh per 100 lb of ice over the harvest rate H in lb per 24 h; they hold for a new machine at the
rating point (90 °F air, 70 °F water) with stabilised cycles in a laboratory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from pipeline.unit import Unit

LB_PER_KG = 1 / 0.45359237  # NIST SP 811, appendix B.8: 1 lb = 0.45359237 kg, exact
_KWH_PER_KG = LB_PER_KG / 100  # of 1 kWh/100 lb

# (equipment, cooling) -> rows (H up to, a, b): limit = a + b H. The last row goes to the top of the scope.
_Rows = tuple[tuple[float, float, float], ...]
_TOP = math.inf

# 10 CFR 431.136(b): cube machines made from 1 Jan 2010 to 27 Jan 2018, 50 to 2,500 lb/24 h.
PARAGRAPH_B: dict[tuple[str, str], _Rows] = {
    ("head", "water"): ((500, 7.8, -0.0055), (1436, 5.58, -0.0011), (_TOP, 4.0, 0.0)),
    ("head", "air"): ((450, 10.26, -0.0086), (_TOP, 6.89, -0.0011)),
    ("remote-head", "air"): ((1000, 8.85, -0.0038), (_TOP, 5.1, 0.0)),
    ("remote-compressor", "air"): ((934, 8.85, -0.0038), (_TOP, 5.3, 0.0)),
    ("self-contained", "water"): ((200, 11.40, -0.019), (_TOP, 7.6, 0.0)),
    ("self-contained", "air"): ((175, 18.0, -0.0469), (_TOP, 9.8, 0.0)),
}
# 10 CFR 431.136(c): batch machines made on or after 28 Jan 2018, 50 to 4,000 lb/24 h (from memory, to be confirmed).
PARAGRAPH_C: dict[tuple[str, str], _Rows] = {
    ("head", "water"): (
        (300, 6.88, -0.0055),
        (850, 5.80, -0.00191),
        (1500, 4.42, -0.00028),
        (_TOP, 4.0, 0.0),
    ),
    ("head", "air"): ((300, 10.0, -0.01233), (800, 7.05, -0.0025), (1500, 5.55, -0.00063), (_TOP, 4.61, 0.0)),
    ("remote-head", "air"): ((988, 7.97, -0.00342), (_TOP, 4.59, 0.0)),
    ("remote-compressor", "air"): ((930, 7.97, -0.00342), (_TOP, 4.79, 0.0)),
    ("self-contained", "water"): ((200, 9.5, -0.019), (_TOP, 5.7, 0.0)),
    ("self-contained", "air"): ((110, 14.79, -0.0469), (200, 12.42, -0.02533), (_TOP, 7.35, 0.0)),
}
FIRST_OF_B, FIRST_OF_C = date(2010, 1, 1), date(2018, 1, 28)
_SCOPE_LB = {"b": (50.0, 2500.0), "c": (50.0, 4000.0)}


@dataclass(frozen=True, kw_only=True)
class EnergyLimit:
    """A limit and where it stands."""

    kwh_per_100_lb: float
    paragraph: str  # "b" or "c"
    equipment: str
    cooling: str

    @property
    def kwh_per_kg(self) -> float:
        """The limit per mass of ice [kWh/kg]."""
        return self.kwh_per_100_lb * _KWH_PER_KG


def limit(equipment: str, cooling: str, harvest_lb_per_day: float, *, paragraph: str) -> EnergyLimit | None:
    """The limit of 10 CFR 431.136 for a class at a harvest rate [lb/24 h]; None outside class or scope."""
    table = PARAGRAPH_B if paragraph == "b" else PARAGRAPH_C
    rows = table.get((equipment, cooling))
    low, high = _SCOPE_LB[paragraph]
    if rows is None or not low <= harvest_lb_per_day <= high:
        return None
    _, a, b = next(row for row in rows if harvest_lb_per_day < row[0])
    return EnergyLimit(
        kwh_per_100_lb=a + b * harvest_lb_per_day,
        paragraph=paragraph,
        equipment=equipment,
        cooling=cooling,
    )


def limit_of(unit: Unit) -> EnergyLimit | None:
    """The limit for a unit by its nameplate; None where class or capacity is not known, or it is older than the limits."""
    plate = unit.nameplate
    if plate.equipment is None or plate.ice_kg_per_day is None:
        return None
    if plate.made is not None and plate.made < FIRST_OF_B:
        return None
    paragraph = "b" if plate.made is not None and plate.made < FIRST_OF_C else "c"
    if paragraph == "b" and unit.kind == "slab":
        return None  # paragraph (b) speaks of cube machines alone
    return limit(plate.equipment, unit.cooling, plate.ice_kg_per_day * LB_PER_KG, paragraph=paragraph)
