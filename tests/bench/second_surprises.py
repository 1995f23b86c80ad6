"""Stories thought of last, each a change to a plain case: what sites do to logs that no simulator's author had in mind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.bench.second_machine import Case


def _anti_slush(case: Case, rng: np.random.Generator) -> Case:
    """The pump stops for half a minute when the water reaches 0 °C, so that no slush forms."""
    return replace(case, changes={"antislush_s": float(rng.uniform(20, 45))})


def _other_load(case: Case, rng: np.random.Generator) -> Case:
    """Something else hangs on the clamped circuit: an idle machine does not read zero."""
    return replace(case, changes={"other_load_a": float(rng.uniform(1.0, 2.5))}, **_two_idles(case, rng))


def _crankcase_heater(case: Case, rng: np.random.Generator) -> Case:
    """The crankcase is heated while the compressor stands."""
    return replace(case, changes={"control_a": float(rng.uniform(0.35, 0.7))}, **_two_idles(case, rng))


def _writes_changes(case: Case, rng: np.random.Generator) -> Case:
    """A logger that writes only what changed, and a sign of life every five minutes."""
    steps = 3.0 if case.clip.resolution_k <= 0.1 else 1.0
    return replace(
        case,
        clip=replace(case.clip, noise_k=0.03),
        meter=replace(case.meter, noise_a=0.01, averages=False),
        mishaps=replace(case.mishaps, on_change=steps),
    )


def _hot_day(case: Case, rng: np.random.Generator) -> Case:
    """Freezes a third longer in the afternoon than at dawn."""
    return replace(
        case,
        hours=max(case.hours, 24.0),
        room_c=29.0,
        swing_k=9.0,
        changes={"capacity_per_k_condensing": 0.018},
    )


def _dies(case: Case, rng: np.random.Generator) -> Case:
    """The machine stops for good in the middle of the log."""
    return replace(
        case, plan=replace(case.plan, power_cut_at=float(rng.uniform(0.4, 0.7)), power_cut_s=400_000.0)
    )


def _mains(case: Case, rng: np.random.Generator) -> Case:
    """The mains sag and swell by up to 8 %, another level every hour."""
    return replace(case, meter=replace(case.meter, sag=0.08))


def _sun(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, clip=replace(case.clip, sun_k=7.0), hours=max(case.hours, 20.0))


def _hunting(case: Case, rng: np.random.Generator) -> Case:
    """An expansion valve that hunts by several kelvin."""
    return replace(
        case, changes={"hunting_k": float(rng.uniform(1.5, 2.5)), "hunting_s": float(rng.uniform(120, 240))}
    )


def _late_fan(case: Case, rng: np.random.Generator) -> Case:
    """Pump first, compressor load later: pre-chill, purge and anti-slush all on one machine."""
    return replace(case, changes={"prechill_s": 45.0, "purge_s": 30.0, "antislush_s": 30.0})


def _two_idles(case: Case, rng: np.random.Generator) -> dict:
    plan = replace(case.plan, idle_at=(0.3, 0.6), idle_s=tuple(float(x) for x in rng.uniform(1200, 7200, 2)))
    return {"plan": plan, "hours": case.hours * 1.3}


LATEST: dict[str, Callable[[Case, np.random.Generator], Case]] = {
    "anti-slush": _anti_slush,
    "other-load": _other_load,
    "crankcase-heater": _crankcase_heater,
    "writes-changes": _writes_changes,
    "hot-day": _hot_day,
    "dies": _dies,
    "mains": _mains,
    "sun": _sun,
    "hunting": _hunting,
    "late-fan": _late_fan,
}
