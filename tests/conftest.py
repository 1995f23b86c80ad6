"""Tests of one module run in one process, so that what its fixtures make is made once; `xdist_group` joins modules that share more."""

import os
import sys

import pytest

# Processes that tests start keep their byte code, whatever the shell says: else each compiles the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


def pytest_collection_modifyitems(items):
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))
