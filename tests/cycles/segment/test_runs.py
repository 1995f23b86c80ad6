"""How a course usually moves."""

import numpy as np
import pytest

from pipeline.cycles.segment.runs import habits_of
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import course_of
from pipeline.cycles.states import FREEZE, HARVEST
from tests.cycles.plain_machine import cycles, machine, runs_of


def _habits(story):
    log = machine(story, roles=("suction",), interval_s=10.0)
    trace = signals.traces_of(log.timeline)["suction"]
    cells = signals.cells_of_width([trace], 10.0)
    kinds = {"freeze": FREEZE, "harvest": HARVEST}
    runs = runs_of([(round(minutes * 6), kinds[kind]) for kind, minutes in story])
    assert runs.stop[-1] == len(cells)
    return habits_of(course_of(trace, cells), runs, cells, apart=True)


def test_a_freeze_that_never_ends_does_not_speak_for_all():
    usual = _habits([*cycles(5), ("freeze", 20.0)])
    never_ends = _habits([*cycles(5), ("freeze", 900.0)])
    assert never_ends.swing == pytest.approx(usual.swing, rel=0.1)
    assert never_ends.slope == pytest.approx(usual.slope, rel=0.3)
    assert np.isfinite(never_ends.bending).all()
