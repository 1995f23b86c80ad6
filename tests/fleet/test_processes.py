"""Units side by side: real processes, really killed."""

import multiprocessing
import os
import signal
import time

import psutil
import pytest

from pipeline.fleet.processes import ITEMS_A_WORKER, side_by_side


def double(number):
    return 2 * number


def double_unless_seven(number):
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def sleep_if_zero(number):
    if number == 0:
        time.sleep(2.0)
    return number, time.monotonic()


def whoami(number):
    return os.getpid()


def test_every_item_is_worked_on_once():
    results = list(side_by_side(double, range(40), workers=3, on_death=lambda item: None))
    assert sorted(results) == [2 * n for n in range(40)]


def test_a_killed_worker_costs_its_own_item_only():
    results = list(
        side_by_side(double_unless_seven, range(20), workers=2, on_death=lambda item: ("died", item))
    )
    assert ("died", 7) in results
    assert sorted(r for r in results if isinstance(r, int)) == [2 * n for n in range(20) if n != 7]


def test_where_workers_cannot_be_forked_they_start_afresh(monkeypatch):
    """As on Windows and macOS."""
    monkeypatch.setattr(
        "pipeline.fleet.processes.context_for", lambda load: multiprocessing.get_context("spawn")
    )
    load = ("pipeline.fleet.threads",)
    results = side_by_side(
        double_unless_seven, range(5, 9), workers=2, on_death=lambda item: "died", load=load
    )
    assert sorted(results, key=str) == [10, 12, 16, "died"]


def test_a_slow_item_holds_up_no_other():
    order = [
        number for number, _ in side_by_side(sleep_if_zero, range(10), workers=2, on_death=lambda item: None)
    ]
    assert order[-1] == 0


def test_a_worker_is_replaced_before_it_grows_old():
    count = ITEMS_A_WORKER + 5
    processes = set(side_by_side(whoami, range(count), workers=1, on_death=lambda item: None))
    assert len(processes) == 2


def test_leaving_early_leaves_no_process_behind():
    before = {child.pid for child in psutil.Process().children(recursive=True)}
    running = side_by_side(whoami, range(10_000), workers=2, on_death=lambda item: None)
    worker = next(running)
    assert psutil.pid_exists(worker)
    started = {child.pid for child in psutil.Process().children(recursive=True)} - before
    running.close()
    assert not psutil.pid_exists(worker)
    left = [psutil.Process(pid) for pid in started if psutil.pid_exists(pid)]
    assert not [process for process in left if "_serve" in " ".join(process.cmdline())]
    assert (
        len(left) <= 2
    )  # what multiprocessing keeps for the next pool: the process to fork from, the tracker


def test_nothing_to_do_is_no_error():
    assert list(side_by_side(double, [], workers=2, on_death=lambda item: None)) == []


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_the_number_of_workers_changes_no_result(workers):
    results = list(side_by_side(double, range(12), workers=workers, on_death=lambda item: None))
    assert sorted(results) == [2 * n for n in range(12)]


def threads_of(number):
    import pyarrow as pa

    return pa.cpu_count(), os.environ.get("OPENBLAS_NUM_THREADS")


def test_a_worker_keeps_to_one_thread():
    before = dict(os.environ)
    assert set(side_by_side(threads_of, range(4), workers=2, on_death=lambda item: None)) == {(1, "1")}
    assert dict(os.environ) == before


def loaded(number):
    import sys

    return "wave" in sys.modules


def test_modules_are_loaded_before_the_first_item():
    assert list(side_by_side(loaded, [0], workers=1, on_death=lambda item: None, load=["wave"])) == [True]


def test_an_error_in_the_work_is_a_death_and_not_a_hang():
    results = list(side_by_side(fail_at_three, range(6), workers=2, on_death=lambda item: ("died", item)))
    assert sorted(results, key=str) == sorted([0, 1, 2, 4, 5, ("died", 3)], key=str)


def fail_at_three(number):
    if number == 3:
        raise ValueError(number)
    return number


def test_interrupting_the_group_is_left_to_the_parent():
    results = list(side_by_side(interrupt_itself, range(4), workers=2, on_death=lambda item: "died"))
    assert sorted(results) == [0, 1, 2, 3]


def interrupt_itself(number):
    os.kill(os.getpid(), signal.SIGINT)
    return number
