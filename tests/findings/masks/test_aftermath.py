"""A freeze that grows onto ice that was left tells of the harvest before it. Lengths are made up, common practice, no source."""

import numpy as np

from pipeline.findings.finding import Severity
from tests.findings.made_up import codes, finding, judged, made_up, noisy

N = 40
STALLS = np.array([8, 16, 24, 32])


def log(*, freeze=None, harvest=None, peak=None, ends=-15.0, **more):
    return made_up(
        noisy(20, N, seed=3, share=0.01) if freeze is None else freeze,
        noisy(2.5, N, share=0.05) if harvest is None else harvest,
        harvest_peak_c=noisy(9.0, N, seed=2) if peak is None else peak,
        harvest_plateau_min=0.5,
        freeze_end_c=ends,
        **more,
    )


def freezes(*, after=12.0):
    lengths = noisy(20, N, seed=3, share=0.01)
    lengths[STALLS + 1] = after
    return lengths


def test_a_harvest_hardly_longer_than_usual_and_colder_stalled_where_the_next_freeze_is_short():
    harvest, peak = noisy(2.5, N, share=0.03), noisy(9.0, N, seed=2)
    harvest[STALLS], peak[STALLS] = 2.6, 4.5
    found = judged(log(freeze=freezes(), harvest=harvest, peak=peak))
    assert codes(found) == ["harvest-stalled"]
    assert finding(found, "harvest-stalled").cycles == tuple(STALLS + 1)
    assert finding(found, "harvest-stalled").evidence["kind"] == "ice-left"


def test_short_freezes_after_harvests_like_any_other_are_no_stalls():
    found = judged(log(freeze=freezes()))
    assert codes(found) == ["freeze-short"]


def test_cold_harvests_with_whole_freezes_after_them_left_nothing():
    peak = noisy(9.0, N, seed=2)
    peak[STALLS] = 4.5
    assert not codes(judged(log(peak=peak)))


def test_a_freeze_that_lacks_what_the_harvest_has_too_much_is_a_boundary_out_of_place():
    freeze, harvest = noisy(20, N, seed=3, share=0.01), noisy(2.5, N, share=0.05)
    excess = np.array([2.4, 3.6, 4.2, 3.0])
    harvest[STALLS] += excess
    freeze[STALLS + 1] -= excess
    assert "harvest-stalled" not in codes(judged(log(freeze=freeze, harvest=harvest)))


def test_without_a_probe_short_freezes_that_each_stand_alone_show_stalls():
    found = finding(
        judged(made_up(freezes(), noisy(2.5, N, share=0.05), roles=("current",))), "harvest-stalled"
    )
    assert found.cycles == tuple(STALLS + 1)
    assert found.severity is Severity.WATCH
    assert "cause.end-of-freeze-early" in {text.key for text in found.likely_causes}


def test_without_a_probe_short_freezes_in_a_row_are_short_freezes():
    freeze = noisy(20, N, seed=3, share=0.01)
    freeze[[10, 11, 12, 25, 26, 27]] = 12.0
    found = judged(made_up(freeze, noisy(2.5, N, share=0.05), roles=("current",)))
    assert codes(found) == ["freeze-short"]


def test_an_evaporator_that_began_its_harvest_far_colder_than_any_freeze_ends_got_no_hot_gas():
    freeze, harvest, peak, ends = freezes(after=20.0), noisy(2.5, N), noisy(9.0, N, seed=2), np.full(N, -15.0)
    freeze[STALLS], harvest[STALLS], peak[STALLS], ends[STALLS] = 26.0, 0.8, -20.0, -24.0
    found = finding(judged(log(freeze=freeze, harvest=harvest, peak=peak, ends=ends)), "harvest-stalled")
    assert found.evidence["kind"] == "never-warmed"
    assert found.cycles == tuple(STALLS + 1)


def test_the_first_stall_dates_the_finding_though_only_later_ones_are_plain():
    harvest, peak, freeze = noisy(2.5, N, share=0.05), noisy(9.0, N, seed=2), freezes()
    harvest[STALLS], peak[STALLS] = (4.2, 4.4, 7.0, 7.0), (8.9, 9.3, 1.0, 1.0)
    found = finding(judged(log(freeze=freeze, harvest=harvest, peak=peak)), "harvest-stalled")
    assert found.cycles[0] == STALLS[0] + 1


def test_where_ice_stayed_the_end_of_the_harvest_was_not_merely_unnoticed():
    harvest = noisy(2.5, N, share=0.05)
    harvest[STALLS] = 7.5
    left, freed = (judged(log(harvest=harvest, freeze=f)) for f in (freezes(after=12.0), None))
    assert finding(left, "harvest-stalled").evidence["kind"] == "at-limit"
    assert finding(freed, "harvest-stalled").likely_causes[0].key.startswith("cause.harvest-end-sensing")
    assert finding(left, "harvest-stalled").likely_causes[0].key.startswith("cause.slab-sticks")


def test_two_of_hundreds_that_only_the_next_freeze_tells_of_are_a_note():
    n, at = 400, np.array([100, 300])
    freeze, harvest, peak = noisy(20, n, seed=3, share=0.01), noisy(2.5, n, share=0.03), noisy(9.0, n, seed=2)
    freeze[at + 1], harvest[at], peak[at] = 12.0, 2.6, 4.5
    rare = judged(made_up(freeze, harvest, harvest_peak_c=peak, harvest_plateau_min=0.5, freeze_end_c=-15.0))
    assert finding(rare, "harvest-stalled").severity is Severity.NOTE
