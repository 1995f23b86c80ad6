"""Tests of one module run in one process, so that what its fixtures make is made once; `xdist_group` joins modules that share more.

Where two processes share them, the groups that take longest are begun first: a long one begun last would be waited for."""

import os
import sys

import pytest

LONG = (
    "browser", "cluster", "run", "demo", "tests/findings/test_simulated.py", "tests/demo/test_faults.py", "worlds",
    "tests/delivery/watch/test_watch.py", "tests/report/page/test_page.py", "unchanged", "tests/fleet/test_urls.py",
)  # fmt: skip

# Processes that tests start keep their byte code, whatever the shell says: else each compiles the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_configure(config):
    config.option.loadscopereorder = False  # else those with most tests come first, however short they are


def pytest_collection_modifyitems(items):
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))
    places = {group: place for place, group in enumerate(LONG)}
    items.sort(key=lambda item: places.get(item.get_closest_marker("xdist_group").args[0], len(LONG)))
