"""Phases of logs in which no machine makes ice."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
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
