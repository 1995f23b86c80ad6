"""The tables of a unit → its `Timeline`: join, convert, name, distrust, align."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import UnitError
from pipeline.logs.join import LoggerLog, join_loggers
from pipeline.logs.roles import RoleGuess, role_by_header, rule_for
from pipeline.logs.stamps import SECOND_NS
from pipeline.logs.table import FileTable
from pipeline.logs.timeline import Channel, Timeline
from pipeline.logs.units import UNITS, to_house
from pipeline.unit import Unit


def assemble(tables: Sequence[FileTable], unit: Unit) -> Timeline:
    """All that was logged of `unit`, on one clock. Raises UnitError where no reading can be used."""
    if not tables:
        raise UnitError("no file could be read", file=unit.name, remedy="see the messages about its files")
    logs = join_loggers(tables)
    channels: list[Channel] = []
    for log in logs:
        for i, column in enumerate(log.columns):
            logged = column.unit if column.unit is not None else ""
            values, house = to_house(column.values, logged)
            rule = rule_for(unit, column.label, log.name)
            guess = (
                RoleGuess(role=rule.role, by="unit.toml", confidence=1.0)
                if rule and rule.role
                else role_by_header(column.label, house if column.unit is not None else None)
            )
            channels.append(
                Channel(
                    role=guess.role,
                    label=column.label,
                    file=log.name,
                    unit=house,
                    unit_read=logged,
                    time_ns=log.time_ns,
                    values=values,
                    trusted=~np.isnan(values),
                    interval_s=log.sources[0].interval_s,
                    resolution=0.0,
                    chosen=not any(c.role == guess.role for c in channels) and guess.role != "other",
                    role_by=guess.by,
                    role_confidence=guess.confidence,
                )
            )
    return Timeline(
        unit_name=unit.name,
        time_zone=unit.time_zone,
        start_ns=min(int(c.time_ns[0]) for c in channels),
        end_ns=max(int(c.time_ns[-1]) for c in channels),
        channels=tuple(channels),
        sources=tuple(s for log in logs for s in log.sources),
    )
