"""One run at a time, reports that arrive whole, and no trace of a killed one."""

import multiprocessing as mp
import os
import signal
import subprocess
import sys
import time

import pytest

from pipeline import atomic
from pipeline.store import Locked, StorePlace

HOLD = """
import sys, time
from pathlib import Path
from pipeline.store import StorePlace
with StorePlace(Path(sys.argv[1])).for_one_run():
    print("held", flush=True)
    time.sleep(60)
"""


def start_holder(reports):
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(reports)], stdout=subprocess.PIPE, text=True)
    assert holder.stdout.readline().strip() == "held"
    return holder


def test_a_second_run_is_kept_out_until_the_first_dies_by_whatever_means(tmp_path):
    holder = start_holder(tmp_path)
    try:
        with pytest.raises(Locked, match="still writing"), StorePlace(tmp_path).for_one_run(wait_s=0.3):
            pass
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        with StorePlace(tmp_path).for_one_run(wait_s=5.0):
            pass
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()


def test_a_run_waits_for_the_one_before_it(tmp_path):
    holder = start_holder(tmp_path)
    started = time.monotonic()
    context = mp.get_context("spawn")
    killer = context.Process(target=_kill_after, args=(holder.pid, 0.8))
    killer.start()
    with StorePlace(tmp_path).for_one_run(wait_s=30.0):
        waited = time.monotonic() - started
    killer.join()
    holder.wait()
    holder.stdout.close()
    assert waited >= 0.5


def _kill_after(pid, seconds):
    time.sleep(seconds)
    os.kill(pid, signal.SIGKILL)


def test_a_report_moves_to_its_place_only_when_it_is_whole(tmp_path):
    place, folder = StorePlace(tmp_path), tmp_path / "bar"
    with place.whole(folder) as making:
        (making / "report.html").write_text("first")
        (making / "cycles.csv").write_text("first")
        assert not folder.exists()

    def write_and_fail():
        with place.whole(folder) as making:
            (making / "cycles.csv").write_text("second")
            raise OSError(28, "full")

    with pytest.raises(OSError, match="full"):
        write_and_fail()
    assert {p.name: p.read_text() for p in folder.iterdir()} == {
        "report.html": "first",
        "cycles.csv": "first",
    }
    assert list(place.making.iterdir()) == []


def test_where_one_file_cannot_be_replaced_none_is(tmp_path):
    place, folder = StorePlace(tmp_path), tmp_path / "bar"
    folder.mkdir()
    (folder / "cycles.csv").write_text("first")
    (folder / "report.html").mkdir()  # stands for a file that another program holds open
    stamp = (folder / "cycles.csv").stat().st_mtime_ns

    def write():
        with place.whole(folder) as making:
            for name in ("cycles.csv", "phases.csv", "report.html"):
                (making / name).write_text("second")

    with pytest.raises(OSError, match="directory"):
        write()
    assert sorted(p.name for p in folder.iterdir()) == ["cycles.csv", "report.html"]
    assert (folder / "cycles.csv").read_text() == "first"
    assert (folder / "cycles.csv").stat().st_mtime_ns == stamp
    assert list(place.making.iterdir()) == []


def test_what_else_lies_in_a_unit_s_folder_stays(tmp_path):
    place, folder = StorePlace(tmp_path), tmp_path / "bar"
    folder.mkdir()
    (folder / "my notes.txt").write_text("mine")
    with place.whole(folder) as making:
        (making / "report.html").write_text("x")
    assert (folder / "my notes.txt").read_text() == "mine"


def test_a_unit_of_the_longest_name_is_written_too(tmp_path):
    place = StorePlace(tmp_path)
    folder = tmp_path / ("x" * 255)
    with place.whole(folder) as making:
        (making / "report.html").write_text("x")
    place.set_aside(folder / "report.html", folder.name)
    assert len(list(place.damaged.iterdir())) == 1


def test_healing_removes_what_killed_writers_left_and_nothing_else(tmp_path):
    place = StorePlace(tmp_path)
    for folder in (tmp_path, tmp_path / "bar", place.units / "bar"):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f".x.1-aa{atomic.PART}").write_text("half")
        (folder / "whole.csv").write_text("whole")
    (place.making / "bar.123").mkdir(parents=True)
    assert place.heal() == 4
    assert {p.name for p in tmp_path.rglob("*") if p.is_file()} == {"whole.csv"}


def test_what_lies_in_the_place_of_a_piece_of_the_store_is_set_aside(tmp_path):
    place = StorePlace(tmp_path)
    (place.units / "bar" / "index.json").mkdir(parents=True)
    (place.units / "cafe").write_text("a file")
    place.making.write_text("a file")
    place.heal()
    assert list(place.units.rglob("*")) == [place.units / "bar"]
    assert len(list(place.damaged.iterdir())) == 3
    with place.whole(tmp_path / "bar") as making:
        (making / "report.html").write_text("x")
    assert (tmp_path / "bar" / "report.html").is_file()


def test_damaged_pieces_do_not_pile_up(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.store.place.DAMAGED_KEPT", 3)
    place = StorePlace(tmp_path)
    for number in range(6):
        piece = tmp_path / f"piece{number}"
        piece.write_text("x")
        place.set_aside(piece, "bar")
    assert [p.name.rpartition("-")[2] for p in sorted(place.damaged.iterdir())] == [
        "piece3",
        "piece4",
        "piece5",
    ]
