"""Names that every drive takes."""

import pytest

from pipeline.store.names import fits_windows, short_name

ODD = ("bar", "Bar", "bar.", "a:b", "a/b", "x" * 300, "x" * 301, "中文", "unit\udce9", "", " ", "..")


def test_a_short_name_fits_everywhere_and_differs_for_every_other_name():
    made = [short_name(name) for name in ODD]
    assert len({name.casefold() for name in made}) == len(ODD)
    assert all(fits_windows(name) and name.isascii() and len(name) < 80 for name in made)


@pytest.mark.parametrize(
    "name",
    ["CON", "con.csv", "Aux ", "lpt1.txt", "COM9", "nul", "bar.", "bar ", "a:b", "a?", 'say "x"', "a\tb", ""],
)
def test_what_windows_does_not_take(name):
    assert not fits_windows(name)


@pytest.mark.parametrize(
    "name", ["bar", ".hidden", "console", "com10", "a.b.csv", "Bär 中文", "com", "nul-1"]
)
def test_what_windows_takes(name):
    assert fits_windows(name)
