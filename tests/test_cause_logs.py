"""The bench's logs of causes show what the table of causes says of them; the table was written by hand, the plant knows nothing of it."""

import pytest

from pipeline.findings.advice.causes import CAUSES, SOMETHING_ELSE
from tests.bench.cause_logs import CAUSES as MADE
from tests.bench.cause_logs import ONLY_SCORED, SIMULATED, TO_TUNE, cause_log, same
from tests.bench.cause_twins import PLAIN, same_readings, sheet_of, to_be_seen, twin_of
from tests.bench.causes import Scored, brier, cells, reliability

QUICK = ("condenser-dirty", "charge-low", "compressor-worn", "end-of-freeze-sensing", "end-of-freeze-early", "slab-sticks", "water-warm", "room-cold")  # fmt: skip


@pytest.mark.parametrize("cause", QUICK)
def test_the_plant_shows_each_cell_of_the_table_with_its_sign(cause):
    seen = cells(cause, 0, days=1.2)
    told = {m: size for m, (size, sd) in CAUSES[cause].effects.items() if abs(size) > sd and m in seen}
    assert told
    plain = {m: size for m, size in told.items() if abs(seen[m][0]) > 2 * seen[m][1]}
    assert plain, seen
    assert {m: seen[m][0] for m, size in plain.items() if seen[m][0] * size < 0} == {}


def test_every_cause_of_the_bench_is_in_the_table_and_every_row_says_how_it_is_simulated_or_why_not():
    assert set(MADE) <= set(CAUSES)
    for key, cause in CAUSES.items():
        by_plant = cause.simulated.startswith(("demo plant", "every simulator", "second machine"))
        assert by_plant or cause.simulated.startswith("not"), key
        if key in SIMULATED:
            assert by_plant, key


def test_logs_to_tune_on_and_logs_only_scored_share_no_machine():
    assert not set(TO_TUNE) & set(ONLY_SCORED)
    assert cause_log("water-warm", 7, "one probe", days=0.3).simulation.machine.name in TO_TUNE
    assert cause_log("water-warm", 10_007, "one probe", days=0.3).simulation.machine.name in ONLY_SCORED


def outcome(cause: str, **odds: float) -> Scored:
    rest = {SOMETHING_ELSE: round(1 - sum(odds.values()), 6)}
    return Scored(
        cause=cause, course="step", channels="", name="", codes=(), odds={k.replace("_", "-"): p for k, p in odds.items()} | rest
    )  # fmt: skip


def test_the_brier_score_is_that_of_its_definition():
    # G. W. Brier 1950: sum over classes of (forecast - outcome) squared; by hand: 0.3² + 0.2² + 0.1² = 0.14
    assert brier([outcome("scale", scale=0.7, metering=0.2)], lambda r: r.odds) == pytest.approx(0.14)
    assert brier([outcome("scale", scale=1.0)], lambda r: r.odds) == pytest.approx(0.0)


def test_reliability_counts_what_was_said_and_what_was_true():
    rows = [outcome("scale", scale=0.75), outcome("metering", scale=0.75)]
    table = {low: (n, said, true) for low, n, said, true in reliability(rows)}
    assert table[0.7] == (2, pytest.approx(0.75), pytest.approx(0.5))


def test_names_for_one_thing_are_one():
    assert same("charge-low", "slow-leak")
    assert not same("charge-low", "metering")


def test_a_twin_is_the_same_machine_without_the_cause_and_tells_what_there_was_to_be_seen():
    log = cause_log("compressor-worn", 3, "line and clamp", days=1.2)
    twin = twin_of("compressor-worn", 3, "line and clamp", days=1.2)
    assert twin.simulation.machine == log.simulation.machine
    assert not same_readings(log, twin)
    assert same_readings(twin, twin)
    assert max(to_be_seen(log, twin).values()) > PLAIN
    assert max(to_be_seen(twin, twin).values()) == 0.0


def test_a_service_sheet_is_what_the_sound_twin_does_give_or_take():
    twin = twin_of("condenser-dirty", 3, "six channels", days=0.8)
    sheet = sheet_of(twin)
    phases = [(b - a) / 6e10 for a, b, kind in twin.simulation.phases[1:-1] if kind == "freeze"]
    usual = sorted(phases)[len(phases) // 2]
    assert sheet.freeze_min[0] < usual < sheet.freeze_min[1]
    assert sheet.freeze_end_c[1] - sheet.freeze_end_c[0] == pytest.approx(4.0)
    assert sheet.current_a > 0
