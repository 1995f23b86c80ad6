"""Units side by side: real processes, really killed."""

import os
import signal
import time

import psutil
import pytest

from pipeline.pool import ITEMS_A_WORKER, side_by_side


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
    results = list(side_by_side(double_unless_seven, range(20), workers=2, on_death=lambda item: ("died", item)))
    assert ("died", 7) in results
    assert sorted(r for r in results if isinstance(r, int)) == [2 * n for n in range(20) if n != 7]


def test_a_slow_item_holds_up_no_other():
    order = [number for number, _ in side_by_side(sleep_if_zero, range(10), workers=2, on_death=lambda item: None)]
    assert order[-1] == 0


def test_a_worker_is_replaced_before_it_grows_old():
    count = ITEMS_A_WORKER + 5
    processes = set(side_by_side(whoami, range(count), workers=1, on_death=lambda item: None))
    assert len(processes) == 2


def test_leaving_early_leaves_no_process_behind():
    running = side_by_side(double, range(10_000), workers=2, on_death=lambda item: None)
    next(running)
    workers = {child.pid for child in psutil.Process().children() if "spawn_main" in " ".join(child.cmdline())}
    assert workers
    running.close()
    assert not [pid for pid in workers if psutil.pid_exists(pid)]


def test_nothing_to_do_is_no_error():
    assert list(side_by_side(double, [], workers=2, on_death=lambda item: None)) == []


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_the_number_of_workers_changes_no_result(workers):
    results = list(side_by_side(double, range(12), workers=workers, on_death=lambda item: None))
    assert sorted(results) == [2 * n for n in range(12)]
