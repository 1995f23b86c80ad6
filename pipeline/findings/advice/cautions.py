"""What can hurt whoever acts on a report, said on the report itself."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.findings.evidence.refrigerant import is_flammable, name_of, safety_group
from pipeline.findings.finding import Finding
from pipeline.findings.phrase import phrase
from pipeline.language.text import Text
from pipeline.unit import Unit

_PANEL = phrase(
    "caution.panel",
    "Live panel: a qualified person isolates and locks the supply before any cover comes off, and proves it dead each time; capacitors stay charged after that",
)
_PARTS = phrase(
    "caution.parts",
    "Hot, sharp and moving parts: discharge and hot-gas lines burn, fins cut; fans, pumps and harvest gear start by themselves",
)
_REFRIGERANT = phrase(
    "caution.refrigerant",
    "Refrigerant under pressure: only a licensed person may open the circuit (in the United States one certified under section 608, in the European Union one with an F-gas certificate), and none may be let into the air",
)
_FLAMMABLE = phrase(
    "caution.flammable",
    "This unit holds {refrigerant}, safety group {group}: it burns. No flame, spark or hot work; air the room, use tools and a leak detector made for it, and mind the charge limits",
)
_UNKNOWN = phrase(
    "caution.refrigerant-unknown",
    "The refrigerant is not named here: read the nameplate first. Some ice machines hold a flammable one",
)
_CHEMICALS = phrase(
    "caution.chemicals",
    "Cleaners and sanitisers: gloves and goggles; never together, acid and chlorine give off chlorine gas: rinse between the two and air the room. A cleaner safe for the evaporator's plating; rinse, and throw away the first ice",
)
_FOOD = phrase(
    "caution.food", "Ice is food: clean hands or gloves and a clean vessel where it is weighed or looked at"
)
_CODES = phrase(
    "caution.codes",
    "Local codes and licensed practice go before anything said here. This report is drawn from a log; it replaces no inspection",
)


def cautions(unit: Unit, findings: Sequence[Finding]) -> tuple[Text, ...]:
    """The cautions for a unit, the ones that its refrigerant and its next checks call for among them."""
    named = unit.nameplate.refrigerant
    said = [_PANEL(), _PARTS(), _REFRIGERANT()]
    if named is None or safety_group(named) is None:
        said.append(_UNKNOWN())
    elif is_flammable(named):
        said.insert(0, _FLAMMABLE(refrigerant=name_of(named), group=safety_group(named)))
    keys = {check.key for f in findings for check in f.next_checks}
    if any(key.startswith("check.clean") for key in keys):
        said.append(_CHEMICALS())
    if keys & {"check.weigh-slab", "check.look-at-slab"}:
        said.append(_FOOD())
    return (*said, _CODES())
