"""Phases of logs in which no machine makes ice."""

import itertools

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.measure import phases as phase_rules
from pipeline.cycles.record import Phase, PhaseKind
from pipeline.logs.timeline import Channel, Timeline
from pipeline.unit import Unit


def channel(role, unit, values):
    time_ns = np.arange(len(values)) * 10_000_000_000
    return Channel(
        role=role,
        label=role,
        file="log.csv",
        unit=unit,
        unit_read=unit,
        time_ns=time_ns,
        values=values,
        trusted=np.ones(len(values), bool),
        interval_s=10.0,
        resolution=0.01,
        chosen=True,
        role_by="header",
        role_confidence=1.0,
    )


def record_of(*channels):
    last = int(channels[0].time_ns[-1])
    timeline = Timeline(unit_name="bar", time_zone="UTC", start_ns=0, end_ns=last, channels=channels)
    return find_cycles(timeline, Unit(name="bar"))


@pytest.mark.parametrize("with_line", [True, False])
def test_a_machine_that_is_off_for_two_days_is_idle(with_line):
    rng = np.random.default_rng(1)
    n = 2 * 8640
    room = 21 + 2 * np.sin(np.arange(n) / 8640 * 2 * np.pi) + rng.normal(0, 0.1, n)
    channels = [channel("current", "A", np.zeros(n))]
    if with_line:
        channels.append(channel("evaporator", "°C", room))
    assert {str(p.kind) for p in record_of(*channels).phases} == {"idle"}


def test_a_clamp_that_reads_nothing_beside_an_icy_line_proves_no_rest():
    n = 8640
    icy = -12 + np.random.default_rng(2).normal(0, 0.1, n)
    phases = record_of(channel("current", "A", np.zeros(n)), channel("evaporator", "°C", icy)).phases
    assert "idle" not in {str(p.kind) for p in phases}


def _current_and_line(warm_from):
    """Six cycles; then the compressor goes on, and the line stays where `warm_from` puts it for six hours."""
    freeze, harvest = np.linspace(-2.0, -12.0, 120), np.linspace(-10.0, 10.0, 14)
    line = np.concatenate([np.tile(np.concatenate([freeze, harvest]), 6), np.full(2160, warm_from)])
    amps = np.concatenate(
        [np.tile(np.concatenate([np.full(120, 6.0), np.full(14, 5.0)]), 6), np.full(2160, 6.4)]
    )
    rng = np.random.default_rng(4)
    return record_of(
        channel("evaporator", "°C", line + rng.normal(0, 0.1, len(line))),
        channel("current", "A", amps + rng.normal(0, 0.03, len(amps))),
    )


@pytest.mark.parametrize("warm_from", [16.0, 12.0, 4.0])
def test_a_running_compressor_is_never_idle_however_warm_the_line(warm_from):
    record = _current_and_line(warm_from)
    last = record.phases[-1]
    assert (last.end_ns - last.start_ns) / 3.6e12 > 5.5
    assert str(last.kind) in ("freeze", "unclear")


def test_no_harvest_takes_hours():
    record = _current_and_line(12.0)
    assert all(p.end_ns - p.start_ns < 3.6e12 for p in record.phases if str(p.kind) == "harvest")


@pytest.mark.parametrize(
    ("before", "length_s", "after", "stays"),
    [
        ("freeze", 10, "freeze", False),
        ("freeze", 10, "gap", False),
        ("freeze", 10, None, False),  # the log ends
        ("freeze", 40, None, True),
        ("freeze", 40, "freeze", True),
        ("freeze", 10, "idle", False),  # a thermostat stops
        ("gap", 10, "freeze", True),
    ],
)
def test_no_slab_lets_go_in_a_few_seconds(before, length_s, after, stays):
    kinds, lengths = (
        (before, "harvest", after)[: 3 if after else 2],
        (600, length_s, 600)[: 3 if after else 2],
    )
    ends = np.cumsum(lengths) * 1_000_000_000
    phases = [
        Phase(
            kind=PhaseKind(kind),
            start_ns=int(end) - length * 1_000_000_000,
            end_ns=int(end),
            start_uncertainty_s=1.0,
            confidence=0.9,
        )
        for kind, length, end in zip(kinds, lengths, ends, strict=True)
    ]
    found = phase_rules.without_moments(phases, 5.0)
    assert ("harvest" in {str(p.kind) for p in found}) == stays
    assert found[-1].end_ns == ends[-1]


@pytest.mark.parametrize(
    ("seconds", "interval_s", "left"),
    [(15, 5.0, 4), (35, 5.0, 4), (35, 30.0, 5), (60, 5.0, 5)],
    ids=["a moment", "a small part", "of what the logger does not tell", "a short one"],
)
def test_a_harvest_of_a_small_part_of_the_usual_time_is_a_spikes_trace(seconds, interval_s, left):
    lengths = [1200, 160, 1200, 160, 600, seconds, 600, 160, 1200, 160, 1200]
    edges = np.r_[0, np.cumsum(lengths)] * 1_000_000_000
    made = [
        Phase(
            kind=PhaseKind.HARVEST if i % 2 else PhaseKind.FREEZE,
            start_ns=int(a),
            end_ns=int(b),
            start_uncertainty_s=1.0,
            confidence=0.9,
        )
        for i, (a, b) in enumerate(itertools.pairwise(edges))
    ]
    kept = phase_rules.without_moments(made, interval_s)
    assert sum(p.kind is PhaseKind.HARVEST for p in kept) == left
    assert (kept[0].start_ns, kept[-1].end_ns) == (0, edges[-1])
