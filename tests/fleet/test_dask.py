"""Units on a Dask cluster of real processes: a scheduler, two workers, one of them really killed."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from functools import partial

import dask
import pytest

from pipeline.fleet.dask import connected, spread_out
from tests.fleet.dask_work import die, die_four_times, die_once, noted
from tests.fleet.small_fleet import ENVIRONMENT, KINDS, add_unit, contents, icelogs, start_icelogs, until


@contextmanager
def started(*command):
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *command],
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def scheduler_with(count, folder):
    """Address of a scheduler with `count` workers that nobody starts anew, and their processes."""
    about = folder / "scheduler.json"
    with ExitStack() as stack:
        where = ("--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(about))
        stack.enter_context(started("scheduler", *where))
        address = until(lambda: address_in(about))
        how = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder))
        workers = [stack.enter_context(started("worker", address, *how)) for _ in range(count)]
        with connected(address) as client:
            client.wait_for_workers(count, timeout=300)
        yield address, workers


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Address of a scheduler, and its two workers."""
    with scheduler_with(2, tmp_path_factory.mktemp("scheduler")) as both:
        yield both


def address_in(about):
    """What the scheduler has written of itself; nothing as long as its file is not there, or is not whole."""
    try:
        return json.loads(about.read_text())["address"]
    except (FileNotFoundError, json.JSONDecodeError):
        return None


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Logs, and what the single machine makes of them."""
    base = tmp_path_factory.mktemp("fleet")
    for number in range(8):
        add_unit(
            base / "logs",
            f"unit-{number}",
            kind=KINDS[number % 4],
            hours=20,
            interval_s=10,
            cache_in=base / "made",
        )
    (base / "logs" / "broken").mkdir()
    (base / "logs" / "broken" / "export.csv").write_bytes(b"")
    alone = icelogs("report", base / "logs", "--to", base / "alone", "--quiet")
    assert alone.returncode == 1
    return base, alone.stderr


def test_a_worker_killed_in_the_middle_changes_no_byte(cluster, fleet):
    address, workers = cluster
    base, told_alone = fleet
    logs, reports = (base / "logs").as_uri(), (base / "spread").as_uri()
    run = start_icelogs("report", logs, "--to", reports, "--cluster", address, "--quiet")
    until(lambda: list((base / "spread").glob("*/report.html")))
    done_before = len(list((base / "spread").glob("*/report.html")))
    os.kill(workers[0].pid, signal.SIGKILL)
    _, told = run.communicate(timeout=600)
    assert done_before < 7, "it was not in the middle"
    assert workers[0].wait(timeout=120) == -signal.SIGKILL
    assert run.returncode == 1
    # The cluster's own library may log that it asks again for what the dead worker held.
    assert [line for line in told.splitlines() if line.startswith("icelogs:")] == told_alone.splitlines()
    single, spread = contents(base / "alone"), contents(base / "spread")
    assert sorted(single) == sorted(spread)
    assert [name for name in single if single[name] != spread[name]] == []


def test_folders_of_a_share_are_used_as_they_are(cluster, fleet):
    address, _ = cluster
    base, _ = fleet
    logs = base / "two"
    for name in ("unit-1", "unit-2"):
        (logs / name).mkdir(parents=True)
        (logs / name / "probes.csv").write_bytes((base / "logs" / name / "probes.csv").read_bytes())
    done = icelogs("report", "two", "--to", "shared", "--cluster", address, "--quiet", cwd=base)
    assert (done.returncode, done.stderr) == (0, "")
    single, shared = contents(base / "alone"), contents(base / "shared")
    assert {name: data for name, data in shared.items() if "/" in name} == {
        name: data for name, data in single.items() if name.startswith(("unit-1/", "unit-2/"))
    }


@pytest.fixture(autouse=True)
def patient(monkeypatch):
    """Beside busy loops a worker may need minutes to start."""
    monkeypatch.setattr("pipeline.fleet.dask.WAIT_FOR_WORKERS_S", 600.0)
    monkeypatch.setattr("pipeline.fleet.dask.FETCH_S", 300.0)


def test_a_local_cluster_outlives_an_item_that_kills_every_worker():
    with connected("local", workers=2) as client:
        results = list(spread_out(die, range(6), client=client, on_death=lambda item: ("died", item)))
    assert sorted(results, key=str) == sorted([0, 2, 4, 8, 10, ("died", 3)], key=str)


def test_an_item_that_sat_on_workers_that_died_of_another_is_begun_once_more_alone(tmp_path):
    """The scheduler gives an item up after four deaths of a worker that held it, whichever item was to blame."""
    with connected("local", workers=1) as client:
        work = partial(die_four_times, tmp_path)
        results = list(spread_out(work, range(6), client=client, on_death=lambda item: ("died", item)))
    assert sorted(results, key=str) == sorted([0, 2, 4, 6, 8, 10], key=str)
    assert len(list(tmp_path.iterdir())) == 4


def test_a_worker_of_a_local_cluster_has_time_to_start_again(tmp_path):
    with (
        dask.config.set({"distributed.deploy.lost-worker-timeout": "10 ms"}),
        connected("local", workers=1) as client,
    ):
        work = partial(die_once, tmp_path)
        results = list(spread_out(work, range(4), client=client, on_death=lambda item: ("died", item)))
    assert sorted(results, key=str) == [0, 2, 4, 6]


def test_results_that_die_with_the_last_worker_are_not_waited_for(tmp_path, monkeypatch):
    """They are done, and gone before they are fetched."""
    monkeypatch.setattr("pipeline.fleet.dask.WAIT_FOR_WORKERS_S", 3.0)
    monkeypatch.setattr("pipeline.fleet.dask.FETCH_S", 1.0)
    marks = tmp_path / "marks"
    marks.mkdir()
    with scheduler_with(2, tmp_path) as (address, workers), connected(address) as client:
        results = []
        work = partial(noted, marks)
        for result in spread_out(work, range(9), client=client, on_death=lambda item: ("died", item)):
            results.append(result)
            if len(results) == 1:
                until(lambda: len(list(marks.iterdir())) == 4)  # all that were begun
                time.sleep(1.0)  # and they are known to be done
            elif len(results) == 2:
                for worker in workers:
                    worker.kill()
                    worker.wait()
    kept = [result // 2 for result in results if isinstance(result, int)]
    died = [result[1] for result in results if not isinstance(result, int)]
    assert len(kept) == 2
    assert sorted([*kept, *died]) == list(range(9))
