"""Logs of the second simulator that were once misread, from their files to the score of their boundaries."""

import pytest

from pipeline.cycles import find_cycles
from pipeline.logs import assemble, read_file
from pipeline.unit import Unit
from tests.bench.second_grid import case_at
from tests.bench.second_machine import make_log, write_csv
from tests.bench.worlds.__main__ import outcome_of
from tests.scoring import score

UNIT = Unit(name="once-misread")
WRONG_BY_CLAMP = pytest.mark.xfail(reason="since a network names what a clamp alone shows")
GIVEN_UP = pytest.mark.xfail(
    reason="a rule of its own found it, which was worth nothing on machines that nobody modelled"
)
WRONG_NOW = pytest.mark.xfail(reason="since a network names what all channels show together")
WRONG_BY_LINE = pytest.mark.xfail(reason="since the moments of a line are asked of its templates")


@pytest.mark.parametrize(
    ("seed", "least_f1"),
    [
        pytest.param(
            50010, 0.83, id="a shape of every fourth cycle was taken for the machine's", marks=WRONG_NOW
        ),
        pytest.param(100030, 0.93, id="a clamp that dies made stops of harvests"),
        pytest.param(
            100057, 0.98, id="days of rest hid the resolution, and a coarse line overruled a sharp current"
        ),
        pytest.param(70563, 0.98, id="a dip in the plateau was taken for the end"),
        pytest.param(50016, 0.89, id="a second harvest close upon the first was left out", marks=GIVEN_UP),
        pytest.param(230041, 0.95, id="a harvest begun between two readings was put before both"),
        pytest.param(
            335021, 0.97, id="a valve that hunts made ten harvests a freeze beside a current that shows one"
        ),
        pytest.param(35027, 0.97, id="runs of a reading or two were taken for spikes of a clamp that stands"),
        pytest.param(300034, 0.97, id="a fan that is late was now and then the end of the harvest"),
        pytest.param(130024, 0.97, id="a pump that starts after the freeze was now and then its beginning"),
        pytest.param(
            35092, 0.97, id="a harvest ended with its steep part, and the fall after it was too slight"
        ),
        pytest.param(61049, 0.97, id="the dip in which fan and pump stop was taken out as a spike"),
        pytest.param(
            45117,
            0.98,
            id="a harvest that a lone clamp shows to be long was cut at the usual length",
            marks=WRONG_BY_CLAMP,
        ),
        pytest.param(
            20113, 0.98, id="a fan that goes off after a harvest was now and then its end", marks=WRONG_NOW
        ),
        pytest.param(
            65088, 0.95, id="the end of a harvest was put where the current is highest", marks=WRONG_BY_CLAMP
        ),
        pytest.param(
            65145,
            0.98,
            id="hot gas opened every run, and only the compressor's current showed it",
            marks=GIVEN_UP,
        ),
        pytest.param(
            60014, 0.90, id="a second harvest was found and then put where the first was", marks=GIVEN_UP
        ),
        pytest.param(45083, 0.98, id="the gas that opens a run was taken out as a spike", marks=GIVEN_UP),
        pytest.param(
            70404,
            0.92,
            id="only the current showed the gas that opens a run, beside a warm line",
            marks=GIVEN_UP,
        ),
        pytest.param(
            70554, 0.98, id="a line that stands still was held for as noisy as one that works", marks=GIVEN_UP
        ),
        pytest.param(90047, 0.94, id="a harvest with a rest in its midst was named two"),
        pytest.param(
            15144, 0.92, id="a harvest began with the last step down of a coarse clamp", marks=WRONG_NOW
        ),
        pytest.param(
            15143, 0.90, id="each harvest was named two, and one drop-out bent what all have in common"
        ),
        pytest.param(41, 0.99, id="a clip moved to a warmer place after a harvest made a second one"),
        pytest.param(
            5049,
            0.98,
            id="readings a minute apart showed a beginning in half of the cycles only",
        ),
        pytest.param(
            28114,
            0.95,
            id="a fan that comes and goes was as high as the noise of a slow clamp",
            marks=WRONG_BY_CLAMP,
        ),
        pytest.param(
            60140,
            0.98,
            id="a harvest that stays cold was a freeze to a compressor's clamp",
            marks=WRONG_BY_CLAMP,
        ),
        pytest.param(
            83673,
            0.92,
            id="a second harvest by the fan and the pump was part of the first",
            marks=WRONG_BY_CLAMP,
        ),
        pytest.param(40020, 0.98, id="a harvest of a reading or two began after its own end", marks=GIVEN_UP),
        pytest.param(
            90034, 0.98, id="a harvest that opens a run hardly warms a warm line", marks=WRONG_BY_LINE
        ),
        pytest.param(
            70438, 0.95, id="a harvest that stays cold was a freeze after its first minutes", marks=GIVEN_UP
        ),
        pytest.param(61238, 0.80, id="harvests that were missed made all others no pattern"),
        pytest.param(
            55006, 0.96, id="three odd turns chose a lag of 16 s for a clip of 75 s", marks=WRONG_BY_LINE
        ),
        pytest.param(61868, 0.98, id="a fan that comes and goes left nothing that repeats", marks=WRONG_NOW),
        pytest.param(
            20106,
            0.80,
            id="a harvest began half a minute early between the readings of a clamp",
        ),
        pytest.param(65072, 0.95, id="each end behind a slow clip was sought for itself"),
        pytest.param(
            75099,
            0.98,
            id="a second harvest was moved onto the first, which ended near by",
            marks=WRONG_BY_LINE,
        ),
        pytest.param(75160, 0.98, id="the few harvests before a freeze that never ends were wild readings"),
        pytest.param(70496, 0.98, id="harvests that climb to their peak were spikes"),
        pytest.param(50099, 0.98, id="a freeze that never ends told how lines usually move", marks=WRONG_NOW),
    ],
)
def test_boundaries_are_found(seed, least_f1, tmp_path):
    log = make_log(case_at(seed))
    tables = [table for path in write_csv(log, tmp_path) for table in read_file(path, UNIT)]
    record = find_cycles(assemble(tables, UNIT), UNIT)
    assert score(log.truth, record.phases, interval_s=log.interval_s).f1 >= least_f1


@pytest.mark.parametrize(
    "seed",
    [
        pytest.param(209477, id="in a third of its harvests the current fell too far for the labels"),
        pytest.param(216240, id="the labels took a step before the harvest for it"),
    ],
)
def test_a_lone_clamp_shows_its_harvests(seed):
    assert outcome_of(seed, part="worked").score.f1 >= 0.95
