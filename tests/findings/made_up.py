"""Records made up cycle by cycle, so that a test of a rule shows the numbers that the rule is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.cycles.record import CYCLE_COLUMNS, START_COLUMNS, CycleRecord, Phase, PhaseKind
from pipeline.findings.engine import judge
from pipeline.findings.finding import Finding, Judgement
from pipeline.language.text import Text
from pipeline.logs.timeline import Channel, Doubt, Timeline
from pipeline.unit import ROLES, Unit

BEGIN_NS = 1_772_430_000 * 1_000_000_000  # some second of March 2026
MIN_NS = 60_000_000_000

Numbers = float | Sequence[float] | np.ndarray


def channel(
    role: str, start_ns: int, end_ns: int, *, values: np.ndarray | None = None, interval_s: float = 10.0
) -> Channel:
    """A channel from `start_ns` to `end_ns`: two readings, or `values` evenly spread."""
    values = np.array([0.0, 0.0]) if values is None else np.asarray(values, float)
    return Channel(
        role=role, label=role, file="made-up.csv", unit=ROLES[role], unit_read=ROLES[role],
        time_ns=np.linspace(start_ns, end_ns, len(values)).astype(np.int64), values=values,
        trusted=np.isfinite(values), interval_s=interval_s, resolution=0.1, chosen=True, role_by="header",
        role_confidence=1.0,
    )  # fmt: skip


def made_up(
    freeze_min: Numbers, harvest_min: Numbers = 2.0, *, cycles: int | None = None, roles: Sequence[str] = ("evaporator",),
    idle_after: Mapping[int, float] | None = None, broken: Sequence[int] = (), interval_s: float = 10.0,
    uncertainty_min: float = 0.1, starts: Sequence[Mapping[str, float]] = (), extra_phases: Sequence[Phase] = (),
    doubts: Sequence[Doubt] = (), pattern: bool = True, harvests_timed: bool = True, channels: Sequence[Channel] = (),
    **measures: Numbers,
) -> tuple[Timeline, CycleRecord]:  # fmt: skip
    """A log of whole cycles. Lengths and `measures` (columns of a record) have one value a cycle, or one for all.

    idle_after: number of a cycle -> length of the idle after it [min]. starts: rows of the table of starts, times as
    `at_min` after the log's start.
    """
    n = cycles or next((len(v) for v in (freeze_min, harvest_min, *measures.values()) if np.ndim(v)), 0)
    freeze, harvest = (
        np.broadcast_to(freeze_min, n).astype(float),
        np.broadcast_to(harvest_min, n).astype(float),
    )
    idle_after = idle_after or {}
    rows, phases, now, after_idle = [], [], BEGIN_NS, False
    for i in range(n):
        begins, lets_in = now, now + round(freeze[i] * MIN_NS)
        now = lets_in + round(harvest[i] * MIN_NS)
        phases += [_phase(PhaseKind.FREEZE, begins, lets_in), _phase(PhaseKind.HARVEST, lets_in, now)]
        rows.append((i + 1, begins, lets_in, now, freeze[i], harvest[i], after_idle))
        after_idle = (i + 1) in idle_after
        if after_idle:
            phases.append(_phase(PhaseKind.IDLE, now, now + round(idle_after[i + 1] * MIN_NS)))
            now = phases[-1].end_ns
    phases += extra_phases
    end_ns = max([now, BEGIN_NS + MIN_NS, *(p.end_ns for p in extra_phases)])
    table = {name: np.full(n, np.nan) for name in CYCLE_COLUMNS}
    names = (
        "cycle",
        "freeze_start_ns",
        "harvest_start_ns",
        "harvest_end_ns",
        "freeze_min",
        "harvest_min",
        "after_idle",
    )
    table |= {name: np.array([row[k] for row in rows]) for k, name in enumerate(names)}
    table |= {"uncertainty_min": np.full(n, uncertainty_min), "complete": np.ones(n, bool)}
    table["broken"] = np.isin(np.arange(1, n + 1), broken)
    table |= {name: np.broadcast_to(values, n).astype(float) for name, values in measures.items()}
    record = CycleRecord(
        phases=tuple(phases),
        cycles=pd.DataFrame({name: table[name] for name in CYCLE_COLUMNS}).set_index("cycle", drop=False),
        starts=_starts(starts),
        interval_s=interval_s,
        harvests_timed=harvests_timed,
        pattern=pattern,
    )
    taken = {c.role for c in channels}
    timeline = Timeline(
        unit_name="made-up", time_zone="UTC", start_ns=BEGIN_NS, end_ns=end_ns, doubts=tuple(doubts),
        channels=(*channels, *(channel(r, BEGIN_NS, end_ns, interval_s=interval_s) for r in roles if r not in taken)),
    )  # fmt: skip
    return timeline, record


def phase(kind: str, from_min: float, to_min: float, why: str = "") -> Phase:
    """A phase at minutes after the log's start."""
    return _phase(
        PhaseKind(kind), BEGIN_NS + round(from_min * MIN_NS), BEGIN_NS + round(to_min * MIN_NS), why
    )


def _phase(kind: PhaseKind, start_ns: int, end_ns: int, why: str = "") -> Phase:
    return Phase(
        kind=kind, start_ns=start_ns, end_ns=end_ns, start_uncertainty_s=5.0,
        confidence=0.9, why=why,
    )  # fmt: skip


def _starts(rows: Sequence[Mapping[str, float]]) -> pd.DataFrame:
    table = {name: [row.get(name, np.nan) for row in rows] for name in START_COLUMNS}
    table["start_ns"] = np.array([BEGIN_NS + round(row["at_min"] * MIN_NS) for row in rows], np.int64)
    table["failed"] = np.array([bool(row.get("failed", False)) for row in rows], bool)
    return pd.DataFrame(table)


def doubt(
    code: str, *, role: str = "", from_min: float = 0.0, to_min: float = 60.0, **evidence: float
) -> Doubt:
    return Doubt(
        code=code, start_ns=BEGIN_NS + round(from_min * MIN_NS), end_ns=BEGIN_NS + round(to_min * MIN_NS), role=role,
        label=role, file="made-up.csv", what=Text(key=f"doubt.{code}", english=f"Doubt: {code}"), evidence=evidence,
    )  # fmt: skip


def judged(log: tuple[Timeline, CycleRecord], **unit) -> Judgement:
    return judge(*log, Unit(**({"name": "made-up"} | unit)))


def finding(judgement: Judgement, code: str) -> Finding:
    """The one finding of this code; an assertion where there is none, or more than one."""
    found = [f for f in judgement.findings if f.code == code]
    assert len(found) == 1, f"{code}: {len(found)} among {codes(judgement)}"
    return found[0]


def codes(judgement: Judgement) -> list[str]:
    return [f.code for f in judgement.findings]


def not_judged(judgement: Judgement) -> set[str]:
    return {n.code for n in judgement.not_judged}


def noisy(level: float, n: int, *, share: float = 0.02, seed: int = 1) -> np.ndarray:
    """`n` values round `level` that scatter by `share` of it."""
    return level * (1 + share * np.random.default_rng(seed).standard_normal(n))
