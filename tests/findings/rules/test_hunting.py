"""A suction line that swings in freeze."""

import numpy as np

from pipeline.findings.finding import Severity
from tests.findings.made_up import BEGIN_NS, MIN_NS, channel, codes, finding, judged, made_up, not_judged

CYCLES, FREEZE_MIN, HARVEST_MIN = 24, 20.0, 2.0


def line(
    swing_k: float,
    *,
    from_cycle: int = 0,
    period_s: float = 150.0,
    interval_s: float = 10.0,
    noise_k: float = 0.1,
):
    """A suction line that falls from −2 to −16 °C in freeze and swings by `swing_k` from trough to crest."""
    total_min = CYCLES * (FREEZE_MIN + HARVEST_MIN)
    seconds = np.arange(0, 60 * total_min, interval_s)
    cycle, into = np.divmod(seconds / 60, FREEZE_MIN + HARVEST_MIN)
    values = np.where(into < FREEZE_MIN, -2 - 14 * (1 - np.exp(-into / 6)), 8.0)
    values = values + np.where(cycle >= from_cycle, swing_k / 2 * np.sin(2 * np.pi * seconds / period_s), 0.0)
    values = values + noise_k * np.random.default_rng(3).standard_normal(len(seconds))
    end_ns = BEGIN_NS + round(seconds[-1] / 60 * MIN_NS)
    return channel("suction", BEGIN_NS, end_ns, values=values, interval_s=interval_s)


def log(*args, **kwargs):
    return made_up(
        np.full(CYCLES, FREEZE_MIN), HARVEST_MIN, channels=(line(*args, **kwargs),), roles=("suction",)
    )


def test_a_line_that_swings_by_eight_kelvin_is_found_with_size_period_and_beginning():
    found = finding(judged(log(8.0, from_cycle=12)), "valve-hunting")
    assert found.severity is Severity.WATCH
    assert 6.5 < found.evidence["swing_k"] < 8.5
    assert 130 < found.evidence["period_s"] < 170
    assert found.cycles[0] == 13


def test_a_smooth_line_and_a_noisy_one_do_not_hunt():
    assert "valve-hunting" not in codes(judged(log(0.0)))
    assert "valve-hunting" not in codes(judged(log(0.0, noise_k=0.8)))


def test_a_swing_of_a_kelvin_is_the_machines_way():
    assert "valve-hunting" not in codes(judged(log(1.2)))


def test_a_logger_of_a_minute_cannot_tell():
    assert "valve-hunting" in not_judged(judged(log(8.0, interval_s=60.0)))
