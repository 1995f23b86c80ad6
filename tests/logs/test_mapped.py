"""A long log rests on the disk: the same numbers, no copies, nothing left behind."""

from __future__ import annotations

import gc
import os
import sys
from dataclasses import replace

import numpy as np
import pytest

from pipeline.logs import assemble, timeline
from pipeline.unit import Unit
from tests.logs import tables


def _timeline(*, hole: bool = False):
    log = tables.cycling(hours=3)
    evaporator = log["evaporator"].copy()
    if hole:
        evaporator[100:110] = np.nan
    columns = {"Evaporator (°C)": ("°C", evaporator), "Current (A)": ("A", log["current"])}
    return assemble([tables.table("a.csv", tables.times(log["seconds"]), columns)], Unit(name="bar"))


@pytest.mark.parametrize("hole", [False, True])
def test_readings_at_rest_are_those_in_memory(tmp_path, monkeypatch, hole):
    awake = _timeline(hole=hole)
    monkeypatch.setattr(timeline, "LEAST_SAMPLES", 1000)
    resting = timeline.at_rest(awake, tmp_path / "new")
    assert list((tmp_path / "new").iterdir()) == []  # nothing that a killed run could leave behind
    for one, other in zip(awake.channels, resting.channels, strict=True):
        assert one.values is not other.values
        np.testing.assert_array_equal(one.values, other.values)
        for a, b in zip(one.readings(), other.readings(), strict=True):
            np.testing.assert_array_equal(a, b)
        assert all((one.masks[k] == other.masks[k]).all() for k in one.masks)
    first, second = resting.channels
    assert first.time_ns is second.time_ns  # channels of one file still share their times
    assert not first.values.flags.writeable


def test_short_logs_stay_in_memory(tmp_path):
    awake = _timeline()
    assert timeline.at_rest(awake, tmp_path).channels[0].values is awake.channels[0].values


def test_a_disk_that_does_not_take_them_changes_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(timeline, "LEAST_SAMPLES", 1000)
    (tmp_path / "file").write_text("in the place of the folder", encoding="utf-8")
    awake = _timeline()
    assert timeline.at_rest(awake, tmp_path / "file") is awake


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for the memory of this process")
def test_readings_take_memory_only_as_long_as_they_are_held(tmp_path, monkeypatch):
    monkeypatch.setattr(timeline, "LEAST_SAMPLES", 1000)
    awake = _timeline()
    n = 6_000_000
    long = replace(
        awake.channels[0], time_ns=np.arange(n), values=np.ones(n), trusted=np.ones(n, bool), masks={}
    )
    channel = timeline.at_rest(replace(awake, channels=(long,)), tmp_path).channels[0]
    del long
    gc.collect()

    def held() -> int:
        return int(open("/proc/self/statm").read().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    before = held()
    _time_ns, values = channel.readings()
    assert values.sum() == n
    assert held() - before > 6 * n
    del values
    gc.collect()
    assert held() - before < 2 * n
