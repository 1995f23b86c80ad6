"""Headers that the readings speak against: a room that freezes and thaws while the suction line rests at room temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.logs.channels.draft import Draft
from pipeline.logs.channels.inference import freezes_and_thaws, possible_c
from pipeline.logs.channels.notes import Notes, note
from pipeline.logs.channels.same_logger import LoggerLog
from pipeline.logs.coarse_grid import swing

_COLD = ("evaporator", "suction")
_NEVER_COLD = ("ambient", "condenser_in", "condenser_out", "discharge", "liquid", "water_in")
_DOUBTED = 0.3
_AT_REST_K = 6.0
_NOT_COLD_C = 8.0
"""A cold line that swings less than that and is never colder does not freeze. Common practice, no source."""


def with_doubted_headers(drafts: Sequence[Draft], logs: Sequence[LoggerLog], notes: Notes) -> list[Draft]:
    """The drafts; where a trace that must stay warm freezes and thaws, its header and that of a cold line at rest are doubted, and said."""
    cycling, resting = [], []
    for draft in drafts:
        if draft.role_by != "header" or draft.unit != "°C" or draft.role not in (*_COLD, *_NEVER_COLD):
            continue
        grid = possible_c(logs[draft.logger].coarse(draft.values))
        low, high = swing(grid)
        if draft.role in _NEVER_COLD and freezes_and_thaws(grid, low, high) >= 0.4:
            cycling.append((draft, low, high))
        elif draft.role in _COLD and high - low < _AT_REST_K and low > _NOT_COLD_C:
            resting.append((draft, low, high))
    if not cycling:
        return list(drafts)
    for draft, low, high in (*cycling, *resting):
        note(
            notes,
            logs[draft.logger].files[0],
            "logs.note.header_doubted",
            'by its header "{label}" is the channel {role}, yet it reads {low} to {high} °C: were probes swapped? Set its role under [channels] in unit.toml',
            label=draft.label,
            role=draft.role,
            low=f"{low:.0f}",
            high=f"{high:.0f}",
        )
    doubted = {d.key for d, _low, _high in (*cycling, *resting)}
    return [replace(d, role_confidence=_DOUBTED) if d.key in doubted else d for d in drafts]
