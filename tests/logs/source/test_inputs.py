"""What the user names: a folder of units, one unit's own folder, or one file."""

from __future__ import annotations

import os

import pytest

from pipeline.logs.source.inputs import units_at
from tests.logs.tables import write

LOG = "Time,Evaporator (°C)\n2026-05-04 10:00:00,-3.5\n"


def found(place):
    inputs = units_at(place)
    return {
        unit.name: (sorted(p.name for p in unit.files), unit.toml.name if unit.toml else None)
        for unit in inputs.units
    }, inputs.notes


@pytest.fixture
def own(tmp_path):
    """A unit's own folder."""
    for name in ("probes.csv", "clamp.csv"):
        write(tmp_path / "bar" / name, LOG)
    write(tmp_path / "bar" / "unit.toml", 'kind = "slab"\n')
    return tmp_path / "bar"


def test_a_unit_s_own_folder_is_that_unit_and_it_is_said(own):
    units, (note,) = found(own)
    assert units == {"bar": (["clamp.csv", "probes.csv"], "unit.toml")}
    assert note == '"bar" holds a unit.toml beside its logs: taken for one unit of that name'


def test_photos_and_notes_in_folders_of_their_own_make_no_fleet_of_it(own):
    write(own / "photos" / "front.jpg", "")
    assert list(found(own)[0]) == ["bar"]


def test_without_a_unit_toml_loose_files_are_units_as_ever(own):
    (own / "unit.toml").unlink()
    assert found(own) == ({"clamp": (["clamp.csv"], None), "probes": (["probes.csv"], None)}, ())


@pytest.mark.parametrize("name", ["cafe/log.csv", "cafe__log.csv"])
def test_a_unit_toml_beside_other_units_is_not_taken_for_theirs_and_it_is_said(tmp_path, name):
    for file in (name, "bar__probes.csv"):
        write(tmp_path / file, LOG)
    write(tmp_path / "unit.toml", 'kind = "slab"\n')
    units, (note,) = found(tmp_path)
    assert {unit: toml for unit, (_, toml) in units.items()} == {"bar": None, "cafe": None}
    assert "counts for no unit" in note


def test_one_file_is_a_unit_called_by_its_name(tmp_path):
    write(tmp_path / "cafe__clamp.csv", LOG)
    write(tmp_path / "bar.csv", LOG)
    write(tmp_path / "cafe__unit.toml", 'kind = "slab"\n')
    assert found(tmp_path / "bar.csv") == ({"bar": (["bar.csv"], None)}, ())
    assert found(tmp_path / "cafe__clamp.csv") == ({"cafe": (["cafe__clamp.csv"], "cafe__unit.toml")}, ())


def test_one_file_of_a_unit_s_own_folder_is_that_unit(own):
    assert found(own / "clamp.csv") == ({"bar": (["clamp.csv"], "unit.toml")}, ())


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
def test_a_pipe_that_is_named_itself_is_not_opened(tmp_path):
    os.mkfifo(tmp_path / "bar.csv")
    (unit,) = units_at(tmp_path / "bar.csv").units
    assert "is a pipe or a device" in unit.problem


def test_what_is_not_there_is_no_unit(tmp_path):
    with pytest.raises(FileNotFoundError):
        units_at(tmp_path / "bar.csv")
