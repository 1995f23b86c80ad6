"""Files of one logger are joined in linear time: each is compared with those alone that run on while it begins."""

from __future__ import annotations

import numpy as np

from pipeline.logs.channels import same_logger
from pipeline.logs.channels.same_logger import join_loggers
from tests.logs.tables import table, times


def _files(count: int, *, overlap: int = 0):
    """Files of 60 readings each, of which the last `overlap` stand in the next file again."""
    rows = np.arange(60)
    return [
        table(
            f"f{i:05d}.csv",
            times(10.0 * (rows + i * (60 - overlap))),
            {"Evaporator (°C)": ("°C", np.sin((rows + i * (60 - overlap)) / 9) * 10)},
        )
        for i in range(count)
    ]


def test_files_that_follow_each_other_are_not_compared(monkeypatch):
    compared = []
    real = same_logger.same_readings
    monkeypatch.setattr(
        same_logger, "same_readings", lambda a, b: compared.append((a.name, b.name)) or real(a, b)
    )
    (log,) = join_loggers(_files(300))
    assert len(log.time_ns) == 300 * 60
    assert not compared
    (log,) = join_loggers(_files(300, overlap=5))
    assert len(log.time_ns) == 60 + 299 * 55
    assert len(compared) == 299


def test_files_of_one_time_with_other_readings_are_two_loggers():
    first, second = _files(1)[0], _files(1)[0]
    other = table("g.csv", second.time_ns, {"Evaporator (°C)": ("°C", second.columns[0].values + 1.0)})
    assert len(join_loggers([first, other])) == 2
