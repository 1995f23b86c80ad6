"""An archive of several units, dropped beside the unit folders."""

import os
import zipfile

import pytest

from pipeline.logs import find_units
from pipeline.pictures import pictures_beside
from pipeline.store import StorePlace, unpack_fleets
from pipeline.store.names import fits_windows
from tests.store.scene import log_text, write_log, write_unit


@pytest.fixture
def logs(tmp_path):
    (tmp_path / "logs").mkdir()
    return tmp_path / "logs"


def pack(path, *names, text="x"):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(name, text)


def unpack(logs):
    units, problems = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    return {unit.name: sorted(path.name for path in unit.files) for unit in units}, [
        p.message for p in problems
    ]


def test_each_folder_in_the_archive_is_a_unit_however_deep_it_lies(logs):
    pack(
        logs / "may.zip",
        "visit/may/bar/a.csv",
        "visit/may/cafe/b.csv",
        "visit/may/cafe/c.txt",
        "visit/notes.docx",
    )
    assert unpack(logs) == ({"bar": ["a.csv"], "cafe": ["b.csv", "c.txt"]}, [])


def test_its_files_join_those_of_the_same_unit(logs):
    write_unit(logs, "bar")
    pack(logs / "may.zip", "bar/a.csv", "cafe/b.csv")
    assert unpack(logs)[0] == {"bar": ["a.csv", "probes.csv"], "cafe": ["b.csv"]}


def test_a_fleet_packed_again_joins_what_was_there(logs):
    pack(logs / "may.zip", "bar/a.csv", "cafe/b.csv")
    pack(logs / "june.zip", "bar/c.csv", "cafe/d.csv")
    assert unpack(logs) == ({"bar": ["a.csv", "c.csv"], "cafe": ["b.csv", "d.csv"]}, [])


def test_a_unit_packed_again_joins_what_was_there(logs):
    pack(logs / "bar.zip", "bar/a.csv")
    pack(logs / "bar (2).zip", "bar/b.csv")
    assert unpack(logs) == ({"bar": ["a.csv", "b.csv"]}, [])


def test_one_name_alone_in_each_of_two_archives_may_be_two_machines_and_is_never_mixed(logs):
    pack(logs / "bar.zip", "raw/a.csv")
    pack(logs / "cafe.zip", "raw/b.csv")
    units, problems = unpack(logs)
    assert units == {}
    assert sorted(problem.partition(",")[0] for problem in problems) == [
        'bar.zip: "raw" lies in "cafe.zip" too',
        'cafe.zip: "raw" lies in "bar.zip" too',
    ]


def test_files_of_one_name_in_folder_and_archive_are_two_files(logs):
    write_log(logs / "bar" / "a.csv")
    pack(logs / "may.zip", "bar/a.csv")
    assert unpack(logs)[0] == {"bar": ["a.csv", "a.csv"]}


def test_a_unit_toml_in_the_archive_counts_unless_the_folder_has_one(logs):
    pack(logs / "may.zip", "bar/a.csv", "bar/unit.toml", text='title = "packed"')
    units, _ = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert units[0].toml.read_text() == 'title = "packed"'
    (logs / "bar").mkdir()
    (logs / "bar" / "unit.toml").write_text('title = "own"')
    units, _ = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert units[0].toml.read_text() == 'title = "own"'


@pytest.mark.parametrize("name", ["bar.zip", "bar__may.zip"])
def test_an_archive_of_one_unit_is_left_to_the_reader(logs, name):
    pack(logs / name, "a.csv", "b.csv")
    assert unpack(logs)[0] == {"bar": [name]}


def test_an_archive_in_a_unit_s_folder_is_left_to_the_reader(logs):
    (logs / "bar").mkdir()
    pack(logs / "bar" / "export.zip", "cafe/a.csv")
    assert unpack(logs)[0] == {"bar": ["export.zip"]}


def test_loose_files_in_it_go_by_their_first_part(logs):
    pack(logs / "may.zip", "bar__clamp.csv", "bar__probes.csv", "cafe__a.csv")
    assert unpack(logs)[0] == {"bar": ["bar__clamp.csv", "bar__probes.csv"], "cafe": ["cafe__a.csv"]}


def test_two_folders_of_one_name_may_be_two_machines_and_are_refused(logs):
    pack(logs / "may.zip", "north/bar/a.csv", "south/bar/a.csv")
    units, problems = unpack(logs)
    assert units == {}
    assert problems == [
        'may.zip: holds two folders called "bar", which may be two machines; give each machine\'s folder a name of its own'
    ]


@pytest.mark.parametrize("name", ["../../etc/x.csv", "bar/../../x.csv", "..\\..\\bar\\x.csv"])
def test_paths_that_lead_out_of_the_archive_are_refused(logs, name):
    pack(logs / "may.zip", "bar/a.csv", name)
    units, problems = unpack(logs)
    assert units == {}
    assert "lead out of it" in problems[0]
    assert sorted(path.name for path in logs.parent.rglob("*") if path.is_file()) == ["may.zip"]


def test_an_archive_made_to_fill_the_disk_is_refused(logs):
    with zipfile.ZipFile(logs / "may.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bar/a.csv", b"0" * 60_000_000)
    (unit,), _ = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert unit.files == ()
    assert "unpacks to far more than a log would" in unit.problem
    assert not [p for p in (logs.parent / "reports").rglob("*") if p.is_file()]


def test_half_an_archive_is_named_and_the_other_units_go_on(logs):
    write_unit(logs, "cafe")
    pack(logs / "may.zip", "bar/a.csv", "bar/b.csv", text=log_text(hours=1))
    data = (logs / "may.zip").read_bytes()
    (logs / "may.zip").write_bytes(data[: len(data) // 2])
    units, problems = unpack(logs)
    assert units == {"cafe": ["probes.csv"]}
    assert problems == ["may.zip: is no whole .zip; copy it again, or drop the files unpacked"]


def test_a_damaged_log_in_it_is_named_and_the_others_are_read(logs):
    texts = [log_text(hours=2, seed=seed) for seed in (1, 2, 3)]
    with zipfile.ZipFile(logs / "may.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in zip(("bar/a.csv", "bar/b.csv", "cafe/c.csv"), texts, strict=True):
            archive.writestr(name, text)
        second = archive.getinfo("bar/b.csv")
    data = bytearray((logs / "may.zip").read_bytes())
    middle = second.header_offset + 40 + second.compress_size // 2
    data[middle : middle + 9] = b"\xff" * 9
    (logs / "may.zip").write_bytes(data)
    (bar, cafe), problems = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert problems == ()
    assert [p.name for p in bar.files] == ["a.csv"]
    assert [p.message for p in bar.refused] == [
        "may.zip/b.csv: this part of the zip file is damaged; pack it again"
    ]
    assert cafe.files[0].read_text(encoding="utf-8") == texts[2]


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name_in_a_folder_are_two_files(logs):
    with zipfile.ZipFile(logs / "may.zip", "w") as archive:
        for text in ("one", "two", "two"):
            archive.writestr("bar/a.csv", text)
        archive.writestr("bar/A.csv", "three")  # the same to some drives
    (bar,), problems = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert problems == ()
    assert sorted(p.name for p in bar.files) == ["A (3).csv", "a (2).csv", "a.csv"]
    assert sorted(p.read_text() for p in bar.files) == ["one", "three", "two"]


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_different_unit_tomls_of_one_unit_are_refused(logs):
    with zipfile.ZipFile(logs / "may.zip", "w") as archive:
        archive.writestr("bar/a.csv", "x")
        for title in ("one", "two"):
            archive.writestr("bar/unit.toml", f'title = "{title}"')
    units, problems = unpack(logs)
    assert units == {}
    assert 'two different files "unit.toml"' in problems[0]


@pytest.mark.parametrize("harm", ["cut", "removed", "altered", "a folder"])
def test_what_was_unpacked_and_then_harmed_is_unpacked_again(logs, harm):
    text = log_text(hours=1)
    pack(logs / "may.zip", "bar/a.csv", "bar/b.csv", text=text)
    unpack(logs)
    copy = next(StorePlace(logs.parent / "reports").unpacked.glob("*/a.csv"))
    if harm == "cut":
        copy.write_text(text[: len(text) // 2], encoding="utf-8", newline="")
    elif harm == "altered":
        copy.write_text(text.replace("1", "2"), encoding="utf-8", newline="")
    else:
        copy.unlink()
        if harm == "a folder":
            copy.mkdir()
    assert unpack(logs) == ({"bar": ["a.csv", "b.csv"]}, [])
    assert copy.read_text(encoding="utf-8") == text


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
def test_a_pipe_beside_an_archive_of_the_same_name_is_still_named(logs):
    pack(logs / "may.zip", "bar/a.csv", "cafe/b.csv")
    os.mkfifo(logs / "may__clamp.csv")
    units, _ = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert {unit.name: len(unit.refused) for unit in units} == {"bar": 0, "cafe": 0, "may": 1}


def test_a_very_long_name_in_it_is_shortened(logs):
    pack(logs / "may.zip", f"bar/{'é' * 200}.csv")
    units, problems = unpack(logs)
    assert problems == []
    assert units["bar"][0].endswith(".csv")
    assert len(units["bar"][0].encode()) < 100


def test_what_was_unpacked_goes_when_its_archive_goes(logs):
    pack(logs / "may.zip", "bar/a.csv")
    pack(logs / "june.zip", "bar/a.csv", text="y")
    unpack(logs)
    place = StorePlace(logs.parent / "reports")
    assert len(list(place.unpacked.iterdir())) == 2
    (logs / "may.zip").unlink()
    unpack(logs)
    assert len(list(place.unpacked.iterdir())) == 1


def test_the_archive_itself_is_not_touched(logs):
    pack(logs / "may.zip", "bar/a.csv")
    before = (logs / "may.zip").read_bytes(), (logs / "may.zip").stat().st_mtime_ns
    unpack(logs)
    assert ((logs / "may.zip").read_bytes(), (logs / "may.zip").stat().st_mtime_ns) == before


def test_a_unit_of_the_longest_name_can_be_unpacked_and_so_can_one_that_windows_would_not_take(logs):
    longest = "x" * 255
    pack(logs / "may.zip", f"{longest}/a.csv", "aux/b.csv", "bar./c.csv")
    assert unpack(logs) == ({longest: ["a.csv"], "aux": ["b.csv"], "bar.": ["c.csv"]}, [])
    homes = [home.name for home in StorePlace(logs.parent / "reports").unpacked.iterdir()]
    assert len(homes) == 3
    assert all(fits_windows(home) for home in homes)


def test_a_file_in_it_that_windows_would_take_for_something_else_is_refused_there(logs, monkeypatch):
    pack(logs / "may.zip", "bar/C:a.csv")
    assert unpack(logs) == ({"bar": ["C:a.csv"]}, [])
    monkeypatch.setattr("pipeline.store.names.ON_WINDOWS", True)
    units, problems = unpack(logs)
    assert units == {}
    assert problems == [
        'may.zip: holds a file called "C:a.csv", a name that Windows does not take; '
        "have it renamed and packed again"
    ]


def test_pictures_beside_a_unit_toml_come_along_and_others_make_no_unit(logs):
    pack(logs / "may.zip", "bar/a.csv", "bar/unit.toml", "bar/coil.jpg", "holiday/beach.jpg", "cafe/b.csv")
    units, problems = unpack_fleets(find_units(logs), logs, StorePlace(logs.parent / "reports"))
    assert problems == ()
    found = {unit.name: [p.name for p in unit.files] for unit in units}
    assert found == {"bar": ["a.csv"], "cafe": ["b.csv"]}
    assert [p.name for p in pictures_beside(units[0].toml)] == ["coil.jpg"]
