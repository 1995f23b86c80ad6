"""Which files are whose: the rules of the folder of logger files."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.logs import find_units
from tests.logs.tables import write

LOG = "Time,Evaporator (°C)\n2026-05-04 10:00:00,-3.5\n"


def _found(folder: Path):
    return {u.name: ([f.name for f in u.files], u.toml.name if u.toml else None) for u in find_units(folder)}


def test_a_sub_folder_is_a_unit_and_loose_files_go_by_double_underscores(tmp_path):
    for name in (
        "bar/clamp.csv",
        "bar/probes.TXT",
        "lakeside__clamp.csv",
        "lakeside__probes.csv.gz",
        "kiosk.tsv",
        "cafe.csv.gz",
    ):
        write(tmp_path / name, LOG)
    write(tmp_path / "bar/unit.toml", 'kind = "slab"\n')
    assert _found(tmp_path) == {
        "bar": (["clamp.csv", "probes.TXT"], "unit.toml"),
        "cafe": (["cafe.csv.gz"], None),
        "kiosk": (["kiosk.tsv"], None),
        "lakeside": (["lakeside__clamp.csv", "lakeside__probes.csv.gz"], None),
    }


def test_what_is_no_log_is_left_alone(tmp_path):
    for name in (
        "bar/log.csv",
        "bar/truth.json",
        "bar/notes.md",
        "bar/.hidden.csv",
        "bar/~$log.csv",
        "README.md",
        ".DS_Store",
        "a.truth.json",
    ):
        write(tmp_path / name, LOG)
    assert _found(tmp_path) == {"bar": (["log.csv"], None)}


@pytest.mark.parametrize("inside", [[], ["unit.toml"], ["photo.jpg", "notes.md"]])
def test_a_sub_folder_without_a_log_is_told_with_its_remedy(tmp_path, inside):
    (tmp_path / "bar").mkdir()
    for name in inside:
        write(tmp_path / "bar" / name, "")
    (unit,) = find_units(tmp_path)
    assert (unit.name, unit.files) == ("bar", ())
    assert "bar" in unit.problem
    assert "put the logger's export there" in unit.problem


def test_a_loose_workbook_is_a_file_of_its_unit_so_that_it_is_said_to_be_unread(tmp_path):
    for name in ("bar.xlsx", "cafe__clamp.xls", "cafe__probes.csv"):
        write(tmp_path / name, LOG)
    assert _found(tmp_path) == {
        "bar": (["bar.xlsx"], None),
        "cafe": (["cafe__clamp.xls", "cafe__probes.csv"], None),
    }


@pytest.mark.parametrize("name", ["front.jpg", "manual.PDF", "bar__front.png", "bar__unit.toml"])
def test_a_loose_file_that_belongs_to_no_log_is_named(tmp_path, name):
    write(tmp_path / name, "")
    (unit,) = find_units(tmp_path)
    assert unit.files == ()
    assert unit.problem.startswith(f"{name}: ")
    assert "remove" in unit.problem


def test_a_picture_beside_the_logs_of_its_unit_is_left_alone(tmp_path):
    for name in ("bar__front.jpg", "bar__probes.csv", "cafe/inside.jpg", "cafe/log.csv"):
        write(tmp_path / name, LOG)
    assert _found(tmp_path) == {"bar": (["bar__probes.csv"], None), "cafe": (["log.csv"], None)}
    assert all(not unit.problem and not unit.refused for unit in find_units(tmp_path))


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
@pytest.mark.parametrize(
    "make", [os.mkfifo, lambda path: os.symlink("/dev/zero", path)], ids=["pipe", "link"]
)
@pytest.mark.parametrize("name", ["bar/clamp.csv", "bar__clamp.csv", "bar/readme.txt", "bar__notes.txt"])
def test_only_regular_files_are_opened_and_the_others_are_named(tmp_path, make, name):
    write(tmp_path / "bar/probes.csv", LOG)
    make(tmp_path / name)
    (unit,) = find_units(tmp_path)
    assert [p.name for p in unit.files] == ["probes.csv"]
    (refused,) = unit.refused
    assert refused.message == (
        f"{Path(name).name}: is a pipe or a device, not a file; put a copy of the log itself there"
    )


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
def test_a_unit_whose_unit_toml_is_a_pipe_is_not_reported_without_it(tmp_path):
    write(tmp_path / "bar/probes.csv", LOG)
    os.mkfifo(tmp_path / "bar/unit.toml")
    (unit,) = find_units(tmp_path)
    assert unit.files == ()
    assert unit.problem.startswith("bar/unit.toml: is a pipe")


@pytest.mark.skipif(os.name == "nt", reason="this account may not make links")
def test_links_that_lead_up_or_nowhere_are_named_and_others_are_followed(tmp_path):
    write(tmp_path / "elsewhere/log.csv", LOG)
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "bar").symlink_to(tmp_path / "elsewhere")
    (logs / "itself").symlink_to(logs)
    (logs / "disk").symlink_to("/")
    (logs / "gone.csv").symlink_to(tmp_path / "nowhere")
    units = {unit.name: unit for unit in find_units(logs)}
    assert [p.name for p in units["bar"].files] == ["log.csv"]
    assert "leads to a folder that holds this one" in units["itself"].problem
    assert "leads to a folder that holds this one" in units["disk"].problem
    assert units["gone"].files == ()
    assert "is a link that leads nowhere" in units["gone"].refused[0].message


def test_a_unit_in_a_folder_and_as_loose_files_is_one(tmp_path):
    write(tmp_path / "bar/probes.csv", LOG)
    write(tmp_path / "bar__clamp.csv", LOG)
    assert set(_found(tmp_path)) == {"bar"}
    assert len(_found(tmp_path)["bar"][0]) == 2


def test_a_folder_that_vanishes_meanwhile_is_skipped_and_one_that_is_shut_is_told(tmp_path, monkeypatch):
    for name in ("gone/log.csv", "shut/log.csv", "bar/log.csv"):
        write(tmp_path / name, LOG)
    listed = Path.iterdir

    def iterdir(self):
        if self.name == "gone":
            raise FileNotFoundError(2, "No such file or directory")
        if self.name == "shut":
            raise PermissionError(13, "Permission denied")
        return listed(self)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    units = {u.name: u for u in find_units(tmp_path)}
    assert set(units) == {"bar", "shut"}
    assert "cannot be opened" in units["shut"].problem


def test_a_workbook_beside_logs_is_a_file_of_the_unit_so_that_it_is_said_to_be_unread(tmp_path):
    for name in ("probes.csv", "clamp.xlsx", "manual.pdf"):
        (tmp_path / "bar").mkdir(exist_ok=True)
        (tmp_path / "bar" / name).write_text("x")
    (tmp_path / "cellar").mkdir()
    (tmp_path / "cellar" / "clamp.xlsx").write_text("x")
    bar, cellar = find_units(tmp_path)
    assert [p.name for p in bar.files] == ["clamp.xlsx", "probes.csv"]
    assert cellar.files == ()
    assert "clamp.xlsx" in cellar.problem


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param("1:11" * 16_000, id="times"),
        pytest.param(" ".join(["1:11"] * 13_000), id="times and blanks"),
        pytest.param("1-11,x" * 10_000, id="commas"),
        pytest.param("," * 65_000, id="commas alone"),
    ],
)
def test_a_note_of_one_long_line_is_looked_through_once(tmp_path, rows):
    """A search that began anew at each character would not come to an end."""
    (tmp_path / "notes.txt").write_text(rows)
    write(tmp_path / "bar.csv", LOG)
    assert set(_found(tmp_path)) == {"bar"}


def test_a_note_is_no_log_unless_it_is_full_of_rows(tmp_path):
    prose = "Probe 1 sits on the outlet, 2026-05-04 at 10:30.\nBattery 3.6 V.\n"
    rows = "Time,Evaporator (°C)\n" + "".join(f"2026-05-04 10:00:{s:02},1.5\n" for s in range(20))
    (tmp_path / "README.txt").write_text(prose)
    bar = tmp_path / "bar"
    bar.mkdir()
    (bar / "Notes.txt").write_text(prose)
    (bar / "notes on site.txt").write_text(rows, encoding="utf-8")
    (bar / "probes.txt").write_text(rows, encoding="utf-8")
    (unit,) = find_units(tmp_path)
    assert [p.name for p in unit.files] == ["notes on site.txt", "probes.txt"]
