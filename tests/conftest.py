"""Tests of one module run in one process (`--dist loadfile`), so that what its fixtures make is made once.

Where several processes share them, the modules that take longest are begun first: a long one begun last would be waited for."""

import os
import sys

LONG = (
    "report/browser/test_unit_page", "delivery/watch/test_watch", "fleet/test_dask", "fleet/test_run",
    "report/browser/test_client_page", "delivery/mail/test_sending", "delivery/test_faults",
    "report/browser/test_fleet_page", "bench_worlds/test_worlds", "report/browser/test_compare_page",
    "findings/test_simulated", "cycles/test_clocks", "report/browser/test_message", "demo/test_scenario",
    "demo/test_faults", "report/page/test_page", "cycles/boundary/test_weighing", "fleet/test_urls",
    "bench_worlds/test_structure", "cycles/test_once_misread", "store/test_unchanged", "fleet/test_verbs",
    "outside/test_second_machine_phases", "test_layers", "logs/test_round_trip", "logs/test_twelve_dialects",
)  # fmt: skip
"""Modules by what they took, processor and waiting; see `--durations=0`."""

# Processes that tests start keep their byte code, whatever the shell says: else each compiles the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_configure(config):
    config.option.loadscopereorder = False  # else those with most tests come first, however short they are


def pytest_collection_modifyitems(items):
    places = {f"tests/{module}.py": place for place, module in enumerate(LONG)}
    items.sort(key=lambda item: places.get(item.nodeid.partition("::")[0], len(LONG)))
