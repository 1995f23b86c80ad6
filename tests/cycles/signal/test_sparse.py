"""Loggers that write only what changed."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.signal.sparse import filled
from pipeline.unit import Unit
from tests.cycles.plain_machine import channel, cycles, machine, offsets_s, timeline


def changes_only(plain, band, sign_of_life_s=300.0):
    """`plain` as a logger with a dead band writes it."""
    kept, last = [0], 0
    for i in range(1, len(plain.values)):
        moved = abs(plain.values[i] - plain.values[last]) >= band
        if moved or (plain.time_ns[i] - plain.time_ns[last]) * 1e-9 >= sign_of_life_s:
            kept.append(i)
            last = i
    return replace(plain, time_ns=plain.time_ns[kept], values=plain.values[kept], trusted=plain.trusted[kept])


def test_a_plain_logger_is_left_alone():
    plain = machine(cycles(3)).timeline.get("evaporator")
    assert filled(plain) is plain


def test_a_gap_in_a_plain_log_does_not_make_it_a_logger_of_changes():
    plain = machine(cycles(3)).timeline.get("evaporator")
    keep = (np.arange(len(plain.values)) < 200) | (np.arange(len(plain.values)) > 400)
    cut = replace(plain, time_ns=plain.time_ns[keep], values=plain.values[keep], trusted=plain.trusted[keep])
    assert filled(cut) is cut


def test_what_was_not_written_is_filled_within_the_dead_band_and_the_way_to_the_next_reading():
    plain = machine(cycles(4), noise_k=0.0, interval_s=2.0).timeline.get("evaporator")
    full = filled(changes_only(plain, 0.5))
    assert len(set(np.diff(full.time_ns))) == 1
    off = np.abs(np.interp(plain.time_ns, full.time_ns, full.values) - plain.values)
    assert off.max() <= 2 * 0.5 + 0.05
    assert np.median(off) <= 0.05


def test_a_silence_longer_than_the_usual_ones_stays_a_gap():
    plain = machine(cycles(12), noise_k=0.0, interval_s=2.0).timeline.get("evaporator")
    sparse = changes_only(plain, 0.5)
    since = (sparse.time_ns - sparse.time_ns[0]) * 1e-9
    keep = (since < 6000) | (since > 9600)
    cut = replace(
        sparse, time_ns=sparse.time_ns[keep], values=sparse.values[keep], trusted=sparse.trusted[keep]
    )
    steps = np.diff(filled(cut).time_ns) * 1e-9
    assert (steps > 3000).sum() == 1
    kinds = [
        {str(p.kind) for p in find_cycles(timeline([cut]), Unit(name="plain", thresholds=given)).phases}
        for given in ({}, {"gap_silences": 50.0})
    ]
    assert ["gap" in found for found in kinds] == [True, False]


@pytest.mark.parametrize("roles", [("evaporator",), ("evaporator", "current")])
def test_cycles_are_found_as_from_a_full_log(roles):
    log = machine(cycles(10), roles=roles, noise_k=0.02, noise_a=0.01, interval_s=2.0)
    bands = {"evaporator": 0.3, "current": 0.1}
    sparse = timeline([changes_only(log.timeline.get(role), bands[role]) for role in roles])
    record = find_cycles(sparse, Unit(name="plain"))
    assert [str(p.kind) for p in record.phases] == ["freeze", "harvest"] * 10
    for kind in ("freeze", "harvest"):
        # A dead band of 0.3 K hides where a flat peak turns.
        assert np.abs(offsets_s(record, kind, log)).max() <= 35.0


def test_a_channel_of_few_readings_is_left_alone():
    few = channel("evaporator", np.arange(10) ** 3 * 1_000_000_000, np.arange(10.0), 1.0)
    assert filled(few) is few
