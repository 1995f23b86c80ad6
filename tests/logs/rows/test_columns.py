"""The rows of a file as columns: what Arrow's threads hold while they parse."""

from __future__ import annotations

import threading
import time

import pyarrow.csv as pacsv
import pytest

from pipeline.logs import read_file
from pipeline.logs.rows import columns
from pipeline.unit import Unit
from tests.logs.tables import write

ROWS = "".join(f"2026-05-04 10:{i:02d}:00,{-3.5 - i / 100:.2f}\n" for i in range(60))


class _SlowToLetGo:
    """Arrow's reader with a thread that holds on to what counts the bad rows when the table is long there, as the real ones do for a moment.
    A thread that lets go of it while the interpreter ends aborts the process or hangs it: with real ones one of a hundred under load did."""

    def __init__(self) -> None:
        self.holding: list[threading.Thread] = []
        self.handlers: list[object] = []

    def __getattr__(self, name: str):
        return getattr(pacsv, name)

    def ParseOptions(self, *, invalid_row_handler, **options):
        self.handlers.append(invalid_row_handler)
        return pacsv.ParseOptions(invalid_row_handler=invalid_row_handler, **options)

    def read_csv(self, *arguments, **options):
        self.holding.append(threading.Thread(target=lambda _: time.sleep(0.3), args=(self.handlers.pop(),)))
        self.holding[-1].start()
        try:
            return pacsv.read_csv(*arguments, **options)
        finally:
            del arguments, options  # what is raised would hold them


@pytest.mark.parametrize("cell", ["-3.5", "OL", "x" * 9])
def test_no_thread_holds_anything_of_pythons_once_a_file_was_read(tmp_path, monkeypatch, cell):
    slow = _SlowToLetGo()
    monkeypatch.setattr(columns, "pacsv", slow)
    read_file(
        write(tmp_path / "log.csv", f"Time,Evap (°C)\n{ROWS}2026-05-04 11:00:00,{cell}\n"), Unit(name="bar")
    )
    assert slow.holding
    assert not any(thread.is_alive() for thread in slow.holding)
