"""A folder of unit folders, dropped whole beside the units."""

import pytest

from pipeline.logs import find_units
from pipeline.logs.source.nested import with_nested


@pytest.fixture
def found(tmp_path):
    """Makes empty files, and tells which units they are: name -> places of the files."""

    def make(*names):
        for name in names:
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()
        units = with_nested(find_units(tmp_path), tmp_path)
        return {unit.name: [path.relative_to(tmp_path).as_posix() for path in unit.files] for unit in units}

    return make


def test_units_in_a_dropped_folder_are_units_however_deep_it_lies(found):
    assert found("bar/a.csv", "june/cafe/b.csv", "june/week 2/kiosk/c.csv", "june/notes.docx") == {
        "bar": ["bar/a.csv"],
        "cafe": ["june/cafe/b.csv"],
        "kiosk": ["june/week 2/kiosk/c.csv"],
    }


def test_their_files_join_those_of_the_same_unit(found):
    assert found("bar/a.csv", "june/bar/b.csv", "june/cafe/c.csv") == {
        "bar": ["bar/a.csv", "june/bar/b.csv"],
        "cafe": ["june/cafe/c.csv"],
    }


def test_a_fleet_dropped_again_joins_what_was_there(found):
    assert found(
        "may/bar/a.csv", "may/cafe/b.csv", "june/bar/c.csv", "june/cafe/d.csv", "july/bar/e.csv"
    ) == {
        "bar": ["july/bar/e.csv", "june/bar/c.csv", "may/bar/a.csv"],
        "cafe": ["june/cafe/d.csv", "may/cafe/b.csv"],
    }


def test_one_name_alone_in_each_of_two_folders_may_be_two_machines_and_is_never_mixed(found, tmp_path):
    assert found("bar/raw/a.csv", "cafe/raw/b.csv", "kiosk/c.csv") == {
        "bar": [],
        "cafe": [],
        "kiosk": ["kiosk/c.csv"],
    }
    problems = {unit.name: unit.problem for unit in with_nested(find_units(tmp_path), tmp_path)}
    assert problems["bar"].startswith('bar: "raw" lies in "cafe" too')
    assert problems["cafe"].startswith('cafe: "raw" lies in "bar" too')


def test_loose_files_between_them_go_by_their_first_part(found):
    assert found("june/bar/a.csv", "june/cafe/b.csv", "june/kiosk__c.csv") == {
        "bar": ["june/bar/a.csv"],
        "cafe": ["june/cafe/b.csv"],
        "kiosk": ["june/kiosk__c.csv"],
    }


@pytest.mark.parametrize(
    "own",
    [
        pytest.param("bar/log.csv", id="a log"),
        pytest.param("bar/bar__probes.csv", id="a log that names a unit, beside one folder"),
        pytest.param("bar/unit.toml", id="a unit.toml"),
    ],
)
def test_a_unit_with_other_folders_in_its_own_stays_a_unit(found, own):
    units = found(own, "bar/old/x.csv")
    assert list(units) == ["bar"]
    assert units["bar"] == ([own] if own.endswith(".csv") else [])


def test_loose_files_of_a_unit_are_not_lost_where_its_folder_holds_folders(found):
    assert found("bar__x.csv", "bar/old/a.csv", "bar/older/b.csv") == {"bar": ["bar__x.csv"]}


def test_a_folder_of_photos_in_two_such_folders_stands_in_nobody_s_way(found):
    units = found("june/bar/a.csv", "june/photos/1.jpg", "may/cafe/b.csv", "may/photos/2.jpg")
    assert {name: files for name, files in units.items() if files} == {
        "bar": ["june/bar/a.csv"],
        "cafe": ["may/cafe/b.csv"],
    }


def test_a_folder_without_any_log_is_named_as_it_was(found, tmp_path):
    found("bar/photos/front.jpg", "cafe/notes.docx")
    assert with_nested(find_units(tmp_path), tmp_path) == find_units(tmp_path)


def test_a_unit_in_it_that_holds_no_log_is_named_too(found, tmp_path):
    found("june/bar/a.csv", "june/cafe/notes.docx")
    problems = {unit.name: unit.problem for unit in with_nested(find_units(tmp_path), tmp_path)}
    assert problems["bar"] == ""
    assert "notes.docx" in problems["cafe"]


def test_two_folders_of_one_name_in_it_may_be_two_machines_and_are_refused(found, tmp_path):
    assert found("june/harbour/bar/a.csv", "june/hill/bar/b.csv") == {"june": []}
    (unit,) = with_nested(find_units(tmp_path), tmp_path)
    assert 'two folders called "bar"' in unit.problem


def test_a_link_to_the_folder_itself_leads_to_an_end(found, tmp_path):
    found("june/bar/a.csv")
    try:
        (tmp_path / "june" / "again").symlink_to(tmp_path / "june", target_is_directory=True)
    except OSError:
        pytest.skip("this account may not make links")
    assert found() == {"again": [], "bar": ["june/bar/a.csv"]}
    (again, _) = with_nested(find_units(tmp_path), tmp_path)
    assert "leads to a folder that holds this one" in again.problem
