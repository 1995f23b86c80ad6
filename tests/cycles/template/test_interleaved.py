"""Many cycles of a slow clamp tell together what lies between the readings of each."""

import numpy as np
import pytest

from pipeline.cycles.template import interleaved
from tests.cycles.plain_machine import START_NS, trace_of

FREEZE_S, GAS_S = 620.0, 84.0
CYCLES = 30


def _course(since_s: np.ndarray, gas_s: float, *, fans: bool) -> np.ndarray:
    """The current [A] since the gas came on [s], before it and after it: a freeze sinks, the gas lets it climb, and a fan and a
    pump stop for it and start again with a rush."""
    before = 4.0 - 0.0003 * since_s
    during = 4.0 + 0.012 * np.minimum(since_s, gas_s)
    after = 4.2 + (0.012 * gas_s - 0.2) * np.exp(-(since_s - gas_s) / 60.0) - 0.0003 * (since_s - gas_s)
    if fans:
        during = during - 0.4
        after = after + 0.4 * np.exp(-np.maximum(since_s - gas_s, 0.0) / 8.0)
    return np.select([since_s < 0, since_s < gas_s], [before, during], after)


def _log(
    interval_s: float, *, fans: bool, noise: float = 0.05, long: tuple[int, ...] = (), cycles: int = CYCLES
):
    """A clamp and when its harvests begin and end [s]; those in `long` take three times as long."""
    rng = np.random.default_rng(11)
    length = np.full(cycles, GAS_S)
    length[list(long)] *= 3.0
    begin_s = FREEZE_S + np.cumsum(rng.uniform(0.0, 40.0, cycles) + FREEZE_S + np.r_[0.0, length[:-1]])
    time_s = np.arange(0.0, begin_s[-1] + 600.0, interval_s)
    values = np.empty(len(time_s))
    for i in range(cycles):
        first = 0.0 if i == 0 else 0.5 * (begin_s[i - 1] + length[i - 1] + begin_s[i])
        part = time_s >= first
        values[part] = _course(time_s[part] - begin_s[i], length[i], fans=fans)
    values += rng.normal(0.0, noise, len(values))
    values = np.round(values, 1)
    role = "current" if fans else "current_compressor"
    trace = trace_of(role, values, interval_s, at_s=time_s, resolution=0.1)
    return trace, begin_s, begin_s + length


def _asked(trace, begin_s, end_s, *, fans, off_s):
    """What is made of moments that are `off_s` off [s], as errors (2, k) [s]."""
    about = [
        np.round((s + off) * 1e9).astype(np.int64) + trace.time_ns[0]
        for s, off in zip((begin_s, end_s), off_s, strict=True)
    ]
    *found_ns, known = interleaved.moments(trace, *about, fans=fans)
    found_s = [(ns - trace.time_ns[0]) * 1e-9 for ns in found_ns]
    return np.array([found_s[0] - begin_s, found_s[1] - end_s]), known


@pytest.mark.parametrize("fans", [True, False])
@pytest.mark.parametrize("interval_s", [5.0, 10.0, 15.0, 20.0, 30.0])
def test_every_cycle_is_placed_between_its_readings(interval_s, fans):
    trace, begin_s, end_s = _log(interval_s, fans=fans)
    off_s = np.random.default_rng(7).uniform(-interval_s, interval_s, (2, CYCLES)) + np.array([[-6.0], [8.0]])
    errors, known = _asked(trace, begin_s, end_s, fans=fans, off_s=off_s)
    assert known.mean() > 0.8
    scatter = [np.median(np.abs(e[k] - np.median(e[k]))) for e, k in zip(errors, known, strict=True)]
    assert max(scatter) < max(2.5, 0.15 * interval_s)
    assert max(abs(np.median(e[k])) for e, k in zip(errors, known, strict=True)) < max(8.0, 0.5 * interval_s)


def test_a_beginning_known_half_a_minute_early_is_found():
    trace, begin_s, end_s = _log(15.0, fans=True)
    errors, known = _asked(trace, begin_s, end_s, fans=True, off_s=np.array([[-30.0], [0.0]]))
    assert known[0].all()
    assert np.abs(errors[0]).max() < 15.0


def test_a_long_harvest_is_no_cycle_like_the_others():
    long = (4, 17)
    trace, begin_s, end_s = _log(10.0, fans=True, long=long)
    off_s = np.zeros((2, CYCLES))
    off_s[1, list(long)] = -120.0  # their ends were sought where the others have theirs
    errors, known = _asked(trace, begin_s, end_s, fans=True, off_s=off_s)
    assert not known[1, list(long)].any()
    assert errors[1, list(long)] == pytest.approx(-120.0, abs=1e-6)
    # They begin as the others do.
    assert known[0, list(long)].all()
    assert np.abs(errors[0, list(long)]).max() < 8.0


@pytest.mark.parametrize(("interval_s", "cycles"), [(1.0, CYCLES), (60.0, CYCLES), (10.0, 4)])
def test_what_shows_too_little_stays_as_it_was(interval_s, cycles):
    trace, begin_s, end_s = _log(interval_s, fans=True, cycles=cycles)
    errors, known = _asked(trace, begin_s, end_s, fans=True, off_s=np.full((2, cycles), 9.0))
    assert not known.any()
    assert errors == pytest.approx(9.0, abs=1e-6)


def test_no_shape_is_seen_in_noise():
    trace = trace_of("current", 4.0 + np.random.default_rng(2).normal(0.0, 0.1, 2000), 15.0)
    time_ns = trace.time_ns
    begin_ns = time_ns[40 + 60 * np.arange(30)]
    end_ns = begin_ns + 90_000_000_000
    new_begin_ns, new_end_ns, _ = interleaved.moments(trace, begin_ns, end_ns, fans=True)
    # Nothing is moved far, and every harvest still ends after it began.
    assert (np.abs(new_end_ns - end_ns) < 60e9).all()
    assert (new_end_ns > new_begin_ns).all()


def test_misfits_are_plain_sums():
    """The same, written out reading by reading."""
    since = np.array([[-7.5, 2.25, 12.0, np.nan]])
    values = np.array([[1.0, 2.0, 4.0, 9.0]])
    mould = np.array([[0.0, 1.0, 4.0, 9.0, 16.0, 25.0, 36.0, 49.0, 64.0, 81.0, 100.0, 121.0, 144.0]])
    misfit, level = interleaved.misfits(since, values, mould, 5.0, np.array([-1.0, 0.0, 2.0]))
    for j, shift in enumerate((-1.0, 0.0, 2.0)):
        off = [
            v - np.interp(s - shift + 5.0, np.arange(13), mould[0])
            for s, v in zip(since[0], values[0], strict=True)
            if 0 <= s - shift + 5.0 < 12
        ]
        assert misfit[0, j] == pytest.approx(np.var(off) if off else 0.0)
        assert level[0, j] == pytest.approx(np.mean(off) if off else 0.0)


@pytest.mark.parametrize("seed", range(40))
def test_whatever_the_readings_are_harvests_end_after_they_began(seed):
    """Holes, drop-outs, currents that never move, and moments that lie beyond the log."""
    rng = np.random.default_rng(seed)
    interval_s = float(rng.choice([4.0, 10.0, 20.0, 45.0]))
    count = int(rng.integers(50, 3000))
    time_s = np.cumsum(rng.choice([1, 1, 1, 1, 1, 2, 50], count)) * interval_s
    values = 4.0 + rng.choice([0.0, 0.1, 1.0]) * rng.normal(size=count)
    values[rng.random(count) < rng.choice([0.0, 0.3])] = np.nan
    time_ns = START_NS + np.round(time_s * 1e9).astype(np.int64)
    trace = trace_of("current", values, interval_s, at_s=time_s)
    about_ns = 100 * 10**9
    cycles = int(rng.integers(1, 60))
    begin_ns = np.sort(rng.integers(time_ns[0] - about_ns, time_ns[-1] + about_ns, cycles))
    end_ns = begin_ns + rng.integers(1, 10 * about_ns, cycles)
    with np.errstate(all="raise", under="ignore"):
        new_begin_ns, new_end_ns, known = interleaved.moments(trace, begin_ns, end_ns, fans=bool(seed % 2))
    assert (new_end_ns > new_begin_ns).all()
    assert known.shape == (2, cycles)


@pytest.mark.parametrize(("falls_a", "at_s"), [(0.03, -70.0), (0.3, -120.0)], ids=["by rounding", "a fan"])
def test_a_rounded_current_that_falls_a_little_is_still_a_freeze(falls_a, at_s):
    """Readings in tenths of an ampere; two minutes before the harvest's end they fall, and at seventy seconds all climbs."""
    x = np.arange(-240.0, 1.0)
    level = np.where(x < -120.0, 0.0, -falls_a) + np.where(x > -70.0, 0.01 * (x + 70.0), 0.0)
    course = interleaved.Common(
        offset_s=x,
        level=level + 0.002 * np.random.default_rng(1).standard_normal(len(x)),
        moved_s=np.zeros(8),
        misfit=np.ones(8),
        usual=1.0,
        before_s=240.0,
        after_s=0.0,
        resolution=0.1,
    )
    found = interleaved.departure(course, -140.0, -25.0, -90.0, 15.0, True)
    assert abs(found - at_s) < 8.0
