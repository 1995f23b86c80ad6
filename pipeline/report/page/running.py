"""Figures of how the machine runs that not every log can give: energy beside its limit, the refrigerant side."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from pipeline.findings.finding import Output, RefrigerantSide
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
