"""Figures of how the machine runs that not every log can give: energy beside its limit, the slabs, the refrigerant side."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.findings.finding import Output, RefrigerantSide, Slabs
from pipeline.report.wording import Reader

_SIDE = ("evaporating_c", "superheat_k", "condensing_c", "condensing_over_air_k", "subcooling_k")


def energy_facts(output: Output, reader: Reader) -> list[dict[str, Any]]:
    """Energy a kilogram (or 100 lb) and the published limit of the class, none where no energy was logged."""
    if output.energy_kwh_per_kg is None:
        return []
    notes = [reader.say_html(output.energy_basis)] if output.energy_basis else []
    if output.limit_kwh_per_kg is not None:
        notes.append(reader.t_html("page.energy_limit", limit_kwh_per_kg=output.limit_kwh_per_kg))
        notes += [reader.say_html(output.limit_basis)] if output.limit_basis else []
    value = reader.show_html("energy_kwh_per_kg", output.energy_kwh_per_kg)
    return [{"name": reader.t_html("page.energy"), "value": value, "note": Markup("; ").join(notes)}]


def slab_facts(slabs: Slabs | None, reader: Reader) -> list[dict[str, Any]]:
    """How thick the slabs were against the usual one; none where that could not be told."""
    if slabs is None:
        return []
    t = reader.t_html
    known = slabs.share[np.isfinite(slabs.share)]
    low, high = (100 * float(v) for v in np.percentile(known, [5, 95]))
    off = 50 * float(np.nanmedian(slabs.high - slabs.low))
    notes = [t("page.slabs_note", off_pct=off), reader.say_html(slabs.basis)]
    if slabs.kg is not None:
        notes.append(t("page.slabs_kg", low_kg=slabs.kg * low / 100, high_kg=slabs.kg * high / 100))
    if slabs.thin or slabs.thick:
        notes.append(t("page.slabs_odd", thin=len(slabs.thin), thick=len(slabs.thick)))
    if slabs.trend_pct is not None and slabs.trend_pct[1] * slabs.trend_pct[2] > 0:
        change, *interval = (abs(v) for v in slabs.trend_pct)
        way = "thicker" if slabs.trend_pct[0] > 0 else "thinner"
        values = {"change_pct": change, "low_pct": min(interval), "high_pct": max(interval)}
        notes.append(t(f"page.slabs_{way}", **values))
    value = t("page.slabs_value", low_pct=low, high_pct=high)
    return [{"name": t("page.slabs"), "value": value, "note": Markup("; ").join(notes)}]


def refrigerant_facts(side: RefrigerantSide | None, reader: Reader) -> list[dict[str, Any]]:
    """Saturation temperatures, superheat and subcooling with their spread; none where no pressure was logged."""
    if side is None:
        return []
    facts = []
    for name in _SIDE:
        if (typical := getattr(side, name)) is None:
            continue
        unit = name.rpartition("_")[2]
        note = reader.t_html(
            f"page.spread_{unit}", **{f"low_{unit}": typical.low, f"high_{unit}": typical.high}
        )
        if not facts:
            basis = reader.t_html("page.side_basis", refrigerant=side.refrigerant, count=typical.cycles)
            note = Markup("; ").join([basis, note])
        value = reader.show_html(name, typical.middle)
        facts.append({"name": reader.t_html(f"page.{name}"), "value": value, "note": note})
    return facts
