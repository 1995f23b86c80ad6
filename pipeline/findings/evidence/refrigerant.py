"""The refrigerant side: saturation temperatures from logged pressures, and what follows from them.

Needs a refrigerant named in `unit.toml` and CoolProp (the `refrigerant` extra). Pressures are gauge, kPa.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType

import numpy as np

from pipeline.findings.finding import RefrigerantSide, Typical
from pipeline.logs.timeline import Channel, Timeline

ATMOSPHERE_KPA = 101.325  # standard atmosphere, exact (ISO 2533); at sea level
_TABLE_POINTS = 400
_LEAST_KPA = 20.0

# Safety groups by ASHRAE 34: A1 of R-134a read in public text, the others from memory, to be confirmed.
SAFETY_GROUP: Mapping[str, str] = MappingProxyType(
    {
        "R-22": "A1",
        "R-134a": "A1",
        "R-404A": "A1",
        "R-407A": "A1",
        "R-407C": "A1",
        "R-410A": "A1",
        "R-448A": "A1",
        "R-449A": "A1",
        "R-452A": "A1",
        "R-507A": "A1",
        "R-513A": "A1",
        "R-744": "A1",
        "R-32": "A2L",
        "R-454A": "A2L",
        "R-454B": "A2L",
        "R-454C": "A2L",
        "R-455A": "A2L",
        "R-1234yf": "A2L",
        "R-1234ze(E)": "A2L",
        "R-152a": "A2",
        "R-170": "A3",
        "R-290": "A3",
        "R-600": "A3",
        "R-600a": "A3",
        "R-1270": "A3",
        "R-717": "B2L",
    }
)
_FLAMMABLE = ("A2L", "A2", "A3", "B2L", "B2", "B3")


def name_of(written: str) -> str:
    """A refrigerant's number as it is usually written: "r290", "R 290" and "290" are "R-290"."""
    bare = written.strip().upper().removeprefix("R").lstrip("- ")
    return next((name for name in SAFETY_GROUP if name[2:].upper() == bare), f"R-{bare}")


def safety_group(written: str) -> str | None:
    """The ASHRAE 34 safety group of a refrigerant, None where it is not in the table."""
    return SAFETY_GROUP.get(name_of(written))


def is_flammable(written: str) -> bool:
    """Whether the refrigerant burns: any class but 1."""
    return safety_group(written) in _FLAMMABLE


@functools.lru_cache(maxsize=16)
def _saturation(refrigerant: str, quality: int) -> tuple[np.ndarray, np.ndarray] | None:
    """Log absolute pressure [kPa] and temperature [°C] along the saturation line, None where CoolProp has none."""
    try:
        import CoolProp.CoolProp as cp
    except ImportError:
        return None
    fluid = name_of(refrigerant).replace("-", "", 1)
    try:
        critical, triple = cp.PropsSI("Pcrit", fluid), cp.PropsSI("ptriple", fluid)
        log_pa = np.linspace(
            math.log(max(triple * 1.01, _LEAST_KPA * 1e3)), math.log(critical * 0.98), _TABLE_POINTS
        )
        kelvin = cp.PropsSI("T", "P", np.exp(log_pa), "Q", quality, fluid)
    except ValueError:
        return None
    return log_pa - math.log(1e3), np.asarray(kelvin) - 273.15


def saturation_c(refrigerant: str, gauge_kpa: np.ndarray, *, at: str) -> np.ndarray | None:
    """Saturation temperature [°C] at gauge pressures [kPa]; `at` is "bubble" (liquid) or "dew" (vapour).

    Interpolated over the logarithm of pressure between 400 points of CoolProp's saturation line, within 0.01 K of it. None
    where CoolProp is not installed or knows no such refrigerant; NaN outside the line.
    """
    line = _saturation(refrigerant, 0 if at == "bubble" else 1)
    if line is None:
        return None
    absolute = np.asarray(gauge_kpa, float) + ATMOSPHERE_KPA
    log_kpa = np.log(np.where(absolute > 0, absolute, np.nan))
    return np.interp(log_kpa, *line, left=np.nan, right=np.nan)


@dataclass(frozen=True, kw_only=True)
class Refrigeration:
    """One value a cycle, over the last third of its freeze; NaN where it cannot be said."""

    evaporating_c: np.ndarray
    condensing_c: np.ndarray
    superheat_k: np.ndarray
    subcooling_k: np.ndarray
    condensing_over_air_k: np.ndarray


def refrigeration(
    timeline: Timeline,
    refrigerant: str | None,
    *,
    start_ns: np.ndarray,
    harvest_ns: np.ndarray,
    air_c: np.ndarray,
) -> Refrigeration:
    """Superheat, subcooling and condensing temperature of every cycle (n,) that freezes from `start_ns` to `harvest_ns`."""

    def late(*roles: str) -> np.ndarray | None:
        channel = timeline.get(*roles)
        return None if channel is None else late_freeze(channel, start_ns, harvest_ns)

    nothing = np.full(len(start_ns), np.nan)
    if not refrigerant or timeline.get("suction_pressure", "discharge_pressure") is None:
        return Refrigeration(
            evaporating_c=nothing,
            condensing_c=nothing,
            superheat_k=nothing,
            subcooling_k=nothing,
            condensing_over_air_k=nothing,
        )
    evaporating = bubble = dew = nothing
    if (pressure := late("suction_pressure")) is not None:
        evaporating = _or(saturation_c(refrigerant, pressure, at="dew"), nothing)
    if (pressure := late("discharge_pressure")) is not None:
        bubble = _or(saturation_c(refrigerant, pressure, at="bubble"), nothing)
        dew = _or(saturation_c(refrigerant, pressure, at="dew"), nothing)
    condensing = (bubble + dew) / 2
    return Refrigeration(
        evaporating_c=evaporating,
        condensing_c=condensing,
        superheat_k=_or(late("suction"), nothing) - evaporating,
        subcooling_k=bubble - _or(late("liquid"), nothing),
        condensing_over_air_k=condensing - air_c,
    )


def side_of(refrigerant: str | None, side: Refrigeration, steady: np.ndarray) -> RefrigerantSide | None:
    """The typical values over the `steady` cycles (bool (n,)), None where the log says nothing of them."""
    measured = {
        field.name: _typical(getattr(side, field.name)[steady])
        for field in fields(RefrigerantSide)
        if field.name != "refrigerant"
    }
    if refrigerant is None or all(one is None for one in measured.values()):
        return None
    return RefrigerantSide(refrigerant=name_of(refrigerant), **measured)


def _typical(values: np.ndarray) -> Typical | None:
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    low, middle, high = (round(float(q), 2) for q in np.quantile(known, [0.05, 0.5, 0.95]))
    return Typical(middle=middle, low=low, high=high, cycles=len(known))


def _or(values: np.ndarray | None, otherwise: np.ndarray) -> np.ndarray:
    return otherwise if values is None else values


def late_freeze(channel: Channel, start_ns: np.ndarray, harvest_ns: np.ndarray) -> np.ndarray:
    """Mean trusted reading of a channel over the last third of every freeze, (n,); NaN where there is none."""
    started = np.where(harvest_ns > 0, harvest_ns - (harvest_ns - start_ns) // 3, 0)
    ended = np.maximum(harvest_ns, 0)
    good = channel.trusted & np.isfinite(channel.values)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, channel.values, 0.0))])
    count = np.concatenate([[0], np.cumsum(good)])
    first, last = np.searchsorted(channel.time_ns, started), np.searchsorted(channel.time_ns, ended)
    n = count[last] - count[first]
    return np.where(n > 0, (total[last] - total[first]) / np.maximum(n, 1), np.nan)
