"""Tests of one module run in one process, so that what its fixtures make is made once; `xdist_group` joins modules that share more."""

import pytest


def pytest_collection_modifyitems(items):
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))
