"""The grid of cases: every stratum of the benchmark, each log with one scenario and one set of disturbances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.bench.second_machine import CHANNEL_SETS, KINDS, Case
from tests.bench.second_probes import Clip, Meter, Mishaps
from tests.bench.second_story import Plan
from tests.bench.second_surprises import LATEST

INTERVALS_S = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)
COARSE_S = 300.0

# Disturbances of a healthy or faulty log: what is varied beside kind, interval and channels.
DISTURBANCES = (
    "none",
    "noisy",
    "coarse-steps",
    "slow-probe",
    "spikes",
    "drop-outs",
    "gaps",
    "day-swing",
    "drift",
    "clip-moved",
    "poor-contact",
    "idles",
    "long-idle",
    "wash",
    "power-cut",
    "no-steps",
    "cool-harvest",
    "fan-cycles",
)
FAULTS = (
    "stalled",
    "repeated",
    "never-warm",
    "slow-harvest",
    "trips",
    "short-cycling",
    "failed-starts",
    "never-ends",
    "timeout",
    "slow",
    "one-slow",
)
ODDITIES = ("starts-with-harvest", "two-harvests")

# Thought of later, from index SECOND_THOUGHTS on, so that the earlier logs keep their numbers.
SECOND_THOUGHTS = 100_000
LATER = (
    "short-log",
    "days-off",
    "starts-off",
    "two-loggers",
    "slow-clamp",
    "clamp-dies",
    "probe-falls-off",
    "prechill",
    "purge",
    "rests",
    "varied",
    "coarse-clamp",
    "cold-room",
    "bursts",
)

THIRD_THOUGHTS = 200_000


def lag_band(lag_s: float) -> str:
    return "5-15 s" if lag_s < 15 else "15-40 s" if lag_s < 40 else "40-90 s"


def case_at(index: int) -> Case:
    """The case of this index; the same index always gives the same case. Each factor is drawn evenly."""
    rng = np.random.default_rng([20260203, index])
    kind = list(KINDS)[index % len(KINDS)]
    interval = INTERVALS_S[(index // 2 + index // 16) % len(INTERVALS_S)]
    channels = list(CHANNEL_SETS)[index % len(CHANNEL_SETS)]
    if index >= SECOND_THOUGHTS:
        channels = list(CHANNEL_SETS)[(index // len(LATER) + index) % len(CHANNEL_SETS)]
    if index >= THIRD_THOUGHTS:
        stories = list(LATEST)
        story = stories[(index // 2 + index // 16) % len(stories)]
        base = build_case(index, kind=kind, interval_s=interval, channels=channels, story="none", rng=rng)
        changed = LATEST[story](base, rng)
        return replace(changed, strata={**base.strata, "story": story})
    stories = [*DISTURBANCES, *FAULTS, *ODDITIES] if index < SECOND_THOUGHTS else list(LATER)
    stride = 7 if index < SECOND_THOUGHTS else 5  # prime to the number of stories
    story = stories[(index * stride + index // len(stories)) % len(stories)]
    return build_case(index, kind=kind, interval_s=interval, channels=channels, story=story, rng=rng)


def build_case(
    seed: int,
    *,
    kind: str,
    interval_s: float,
    channels: str,
    story: str,
    rng: np.random.Generator | None = None,
) -> Case:
    """A case of this kind, interval, channel set (a key of CHANNEL_SETS) and story (a disturbance, fault or oddity)."""
    rng = np.random.default_rng([20260203, seed]) if rng is None else rng
    lag = float(np.exp(rng.uniform(np.log(5.0), np.log(90.0))))
    if story == "slow-probe":
        lag = float(rng.uniform(60.0, 90.0))
    noise_k = float(rng.choice([0.03, 0.1, 0.2]))
    noise_a = float(rng.choice([0.01, 0.03, 0.06]))
    step_k = float(rng.choice([0.01, 0.1, 0.1, 0.5]))
    if story == "noisy":
        noise_k, noise_a = 0.4, 0.12
    if story == "coarse-steps":
        step_k = 0.5
    clip = {
        "lag_s": lag,
        "leak": float(rng.uniform(0.02, 0.2)),
        "noise_k": noise_k,
        "resolution_k": step_k,
        "offset_k": float(rng.uniform(-1.5, 1.5)),
    }
    if story == "drift":
        clip["drift_k_per_h"] = float(rng.choice([-0.25, 0.25]))
    if story == "clip-moved":
        clip |= {
            "moved_at": float(rng.uniform(0.35, 0.65)),
            "moved_leak": 0.5,
            "moved_offset_k": float(rng.uniform(-4, 4)),
        }
    if story == "poor-contact":
        clip["leak"] = float(rng.uniform(0.4, 0.55))
    cycle_h = (KINDS[kind].freeze_s + KINDS[kind].harvest_s) / 3600.0
    hours = float(np.clip(rng.uniform(14, 22) * cycle_h, 5.0, 26.0))
    if story in ("slow", "timeout", "trips", "power-cut", "wash", "idles"):
        hours *= 1.4
    if story == "short-log":
        hours = 3.3 * cycle_h
    plan = {"scenario": story if story in (*FAULTS, *ODDITIES, "rests", "varied") else "steady"}
    if story == "days-off":
        hours += 110.0
        plan |= {"idle_at": (0.04,), "idle_s": (float(rng.uniform(90, 105) * 3600),)}
    if story == "starts-off":
        plan["start_off"] = True
    if story == "idles":
        plan |= {"idle_at": (0.25, 0.55), "idle_s": tuple(float(x) for x in rng.uniform(900, 7200, 2))}
    if story == "starts-with-harvest":
        plan |= {"idle_at": (0.2, 0.45, 0.7), "idle_s": tuple(float(x) for x in rng.uniform(900, 5400, 3))}
    if story == "long-idle":
        hours += 40.0
        plan |= {"idle_at": (0.12,), "idle_s": (float(rng.uniform(25, 38) * 3600),)}
    if story == "wash":
        plan["wash_at"] = float(rng.uniform(0.3, 0.7))
    if story == "power-cut":
        plan |= {"power_cut_at": float(rng.uniform(0.3, 0.7)), "power_cut_s": float(rng.uniform(600, 9000))}
    if story == "drift":
        plan["slowing_per_h"] = 0.006
    mishaps = {"jitter": float(rng.choice([0.0, 0.05]))}
    if story == "spikes":
        mishaps["spikes_per_day"] = 40.0
    if story == "drop-outs":
        mishaps["dropouts_per_day"] = 60.0
    if story == "gaps":
        a, b = rng.uniform(0.2, 0.4), rng.uniform(0.6, 0.8)
        long = max(900.0, 12 * interval_s) / (hours * 3600.0)
        mishaps["gaps"] = ((a, a + long), (b, b + 3 * long))
    if story == "bursts":  # a cable that is touched: many mishaps, longer ones
        mishaps |= {"spikes_per_day": 80.0, "dropouts_per_day": 80.0, "longest_mishap": 8}
    water_cooled = bool(rng.random() < 0.35) and story != "fan-cycles"
    room_c = float(rng.uniform(18, 32))
    swing_k = 7.0 if story == "day-swing" else float(rng.uniform(0.5, 3.0))
    meter = {
        "noise_a": noise_a,
        "resolution_a": float(rng.choice([0.01, 0.1])),
        "averages": bool(rng.random() < 0.3),
    }
    if story == "coarse-clamp":
        meter["resolution_a"] = 0.5
    if story == "clamp-dies":
        meter["dies_at"] = float(rng.uniform(0.3, 0.7))
    if story == "probe-falls-off":
        clip["falls_off_at"] = float(rng.uniform(0.3, 0.7))
    if (
        story in ("clamp-dies", "probe-falls-off", "two-loggers", "slow-clamp")
        and len(CHANNEL_SETS[channels]) == 1
    ):
        channels = "evaporator+current"
    changes = {}
    if story == "prechill":
        changes["prechill_s"] = float(rng.uniform(25, 60))
    if story == "purge":
        changes["purge_s"] = float(rng.uniform(20, 45))
    other_interval = {"two-loggers": 1.0, "slow-clamp": 60.0}.get(story)
    return Case(
        seed=seed,
        kind=kind,
        water_cooled=water_cooled,
        steps=story != "no-steps",
        cool_harvest=story == "cool-harvest",
        interval_s=interval_s,
        channels=CHANNEL_SETS[channels],
        hours=hours,
        changes=changes,
        current_interval_s=other_interval,
        room_c=9.0 if story == "cold-room" else room_c,
        swing_k=swing_k,
        plan=Plan(**plan),
        clip=Clip(**clip),
        meter=Meter(**meter),
        mishaps=Mishaps(**mishaps),
        fan_cycles=story == "fan-cycles",
        strata={
            "kind": kind,
            "cooling": "water" if water_cooled else "air",
            "interval": f"{interval_s:g} s",
            "channels": channels,
            "story": story,
            "lag": lag_band(lag) if channels not in ("current", "compressor") else "no probe",
            "noise": f"{noise_k:g} K / {noise_a:g} A",
            "resolution": f"{step_k:g} K",
        },
    )


def grid(logs: int, *, first: int = 0) -> list[Case]:
    """`logs` cases of the grid, from index `first` on."""
    return [case_at(i) for i in range(first, first + logs)]
