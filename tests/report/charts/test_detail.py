import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.report.charts.detail import plan, plotted_channels, runs_of, turn_width_s
from pipeline.report.charts.traces import drawn_channels
from pipeline.report.numbers.levels import level
from pipeline.report.payload.pack import weight
from tests.report.made_up import made_up

S = 1_000_000_000


@pytest.fixture(scope="module")
def week():
    """A week at 1 s, one channel at 60 s."""
    _, timeline, record, judgement = made_up(
        days=7, interval_s=1, roles=("evaporator", "current", "ambient"), seed=4
    )
    slow = timeline.get("ambient")
    slow = replace(
        slow,
        time_ns=slow.time_ns[::60],
        values=slow.values[::60],
        trusted=slow.trusted[::60],
        interval_s=60.0,
    )
    timeline = replace(timeline, channels=(*timeline.channels[:2], slow))
    return plotted_channels(drawn_channels(timeline)), timeline, record, judgement


def test_every_reading_is_kept_where_all_fit(week):
    assert plan(*week, room=5e6).bucket_s == 0


def test_less_room_never_makes_a_finer_log(week):
    widths = [plan(*week, room=room).bucket_s for room in (8e5, 4e5, 2e5, 1e5, 5e4)]
    assert widths == sorted(widths)
    assert widths[-1] > widths[0]


def test_stretches_begin_and_end_where_buckets_do_and_lie_apart(week):
    detail, start = plan(*week, room=3e5), week[1].start_ns
    assert detail.turns
    assert detail.full
    spans = sorted([*detail.turns, *detail.full])
    width = round(detail.bucket_s * S)
    assert all((a - start) % width == 0 and (b - start) % width == 0 and a < b for a, b in spans)
    assert all(b <= a for (_, b), (a, _) in itertools.pairwise(spans))


def test_every_harvest_lies_within_what_is_drawn_finer(week):
    _, _timeline, record, _ = week
    detail = plan(*week, room=3e5)
    spans = np.array(sorted([*detail.turns, *detail.full]))
    for column in ("harvest_start_ns", "harvest_end_ns"):
        for at in record.cycles[column]:
            if at >= 0:
                assert ((spans[:, 0] <= at) & (at < spans[:, 1])).any()


def test_a_slow_channel_is_kept_whole_or_drawn_no_finer_than_its_logger(week):
    (slow,) = (t for t in week[0] if t.channel.role == "ambient")
    assert turn_width_s(slow, 5.0, 60.0) == 0.0
    assert turn_width_s(slow, 5.0, 300.0) == 60.0


def test_weights_told_from_samples_are_near_the_whole(week):
    traces, timeline, *_ = week
    for trace in traces:
        every = weight(trace.values, base=trace.base, step=trace.step)
        assert trace.weight_of_readings() == pytest.approx(every, rel=0.15)
        cut = level(
            trace.time_ns, trace.values, start_ns=timeline.start_ns, end_ns=timeline.end_ns, width_s=60
        )
        whole = weight(cut.low, base=trace.base, step=trace.step) + weight(
            cut.high - cut.low, base=0.0, step=trace.step
        )
        told = trace.weight_of_buckets(60, [(timeline.start_ns, timeline.end_ns + 1)])
        assert told == pytest.approx(whole, rel=0.25)


def test_a_run_of_equal_steps_ends_at_a_hole_and_at_a_late_reading():
    seconds = np.array([0, 10, 20, 30, 700, 710, 720, 731, 741])
    assert list(runs_of(seconds * S, 10 * S)) == [0, 4, 7]
    assert list(runs_of(seconds * S, 10 * S, apart_ns=100 * S)) == [0, 4]
    assert list(runs_of(seconds[:0] * S, 10 * S)) == []
