"""How thick each slab was: what moves it, what does not, and when nothing is said."""

import json

import numpy as np
import pytest
from scipy import stats

from pipeline.findings import slabs
from tests.bench.slabs import LEAST, of_worlds, report
from tests.findings.made_up import judged, made_up, noisy

N = 30


def test_the_quantile_is_students_t():
    assert pytest.approx(stats.t.ppf(0.95, slabs.DEGREES), abs=1e-3) == slabs.T_90


def test_the_numbers_say_how_they_were_made_and_cover_every_set_of_channels():
    whole = json.loads(slabs.NUMBERS.read_text(encoding="utf-8"))
    assert whole["made_by"].startswith("python -m tests.bench.slabs --learn")
    for by, columns in slabs.SETS.items():
        assert tuple(whole["numbers"][by]["weights"]) == columns
        assert whole["numbers"][by]["weights"]["freeze_min"] > 0


def test_a_freeze_that_went_on_made_a_thicker_slab_and_one_cut_short_a_thinner():
    freeze = noisy(20.0, N)
    freeze[10], freeze[20] = 23.8, 8.0
    found = judged(made_up(freeze, 2.0, freeze_current_a=noisy(6.0, N)), measured={"slab_kg": 2.0}).slabs
    assert found.share[10] > 1.1
    assert found.share[20] < 0.7
    assert np.all((found.low < found.share) & (found.share < found.high))
    assert found.thin == (21,)
    assert found.thick == (11,)
    assert found.kg == 2.0
    assert np.median(found.share) == pytest.approx(1.0, abs=0.01)


def test_the_further_a_freeze_is_from_the_usual_the_less_is_known_of_its_slab():
    freeze = noisy(20.0, N)
    freeze[10], freeze[20] = 22.0, 10.0
    found = judged(made_up(freeze, 2.0, freeze_current_a=6.0)).slabs
    width = np.log(found.high / found.low)
    assert width[5] < width[10] < width[20]


def test_the_usual_slab_is_that_of_the_freezes_that_no_finding_calls_unusual():
    """Else most of a log with long freezes would be the usual, and its good slabs thin."""
    freeze = noisy(20.0, 60)
    freeze[24:] = 28.0 + noisy(0.0, 36)
    judgement = judged(made_up(freeze, 2.0, freeze_current_a=6.0))
    assert any(f.code == "freeze-long" for f in judgement.findings)
    assert np.median(judgement.slabs.share[:24]) == pytest.approx(1.0, abs=0.02)
    assert judgement.slabs.thin == ()


def test_of_a_much_longer_freeze_no_slab_is_told():
    """Water that leaks in lengthens a freeze as a thicker slab does."""
    freeze = noisy(20.0, N)
    freeze[20:] = 38.0
    found = judged(made_up(freeze, 2.0, freeze_current_a=6.0)).slabs
    assert np.isnan(found.share[20:]).all()
    assert np.isfinite(found.share[:20]).sum() >= 18
    assert found.thick == ()


def test_a_longer_freeze_at_a_higher_current_made_less_than_its_length_says():
    """It condensed hotter: each minute froze less."""
    freeze, current = noisy(20.0, N), np.full(N, 6.0)
    freeze[10] = freeze[20] = 23.5
    current[20] = 7.0
    found = judged(made_up(freeze, 2.0, freeze_current_a=current)).slabs
    assert found.share[20] < found.share[10]


def test_the_trend_is_told_no_closer_than_one_slab():
    thicker = np.where(np.arange(N) < 15, 20.0, 22.5) + noisy(0.0, N, seed=4)
    found = judged(made_up(thicker, 2.0, freeze_current_a=6.0)).slabs
    change, low, high = found.trend_pct
    assert change > 0
    assert high - low > 5


def test_without_a_current_the_line_tells_and_without_both_nothing_is_said():
    assert judged(made_up(noisy(20.0, N), 2.0, freeze_end_c=-15.0)).slabs.basis.key == "slabs.by.line"
    assert judged(made_up(noisy(20.0, N), 2.0)).slabs is None
    assert judged(made_up(noisy(20.0, 5), 2.0, freeze_current_a=6.0)).slabs is None


def test_slabs_that_a_simulator_knows_lie_within_their_intervals():
    """Worlds of the scored part, a few logs; `python -m tests.bench.slabs` has many."""
    logs = list(of_worlds("scored", 690_000, 3, real=False))
    assert len(logs) >= 2
    for told in logs:
        assert len(told.true) >= LEAST
    value = [slabs.told(t.x[:, [0, 2]], "clamp") for t in logs]
    held = np.mean([np.mean(np.abs(t.true - v) < half) for t, (v, half) in zip(logs, value, strict=True)])
    assert held > 0.7
    assert "clamp" in report("worlds", logs)
