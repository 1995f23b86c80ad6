"""What did not change is not reported again; whatever did is, and nothing else."""

import os
import shutil
import time
import zipfile
from dataclasses import replace

import pyarrow.parquet as pq
import pytest

from pipeline.fleet.run import RunOptions, report
from pipeline.report.options import ReportOptions
from pipeline.store import StorePlace, UnitStore
from tests.store.scene import leftovers, log_text, machine_files, write_log, write_unit

OPTIONS = RunOptions(jobs=1)


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch):
    """Units in this process: what is tested is which of them, and starting processes takes most of the time."""
    from pipeline.fleet import spread

    monkeypatch.setattr(spread, "on_this_machine", lambda jobs, workers: map(spread.report_anywhere, jobs))


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    root = tmp_path_factory.mktemp("fleet")
    for name in ("bar", "cafe", "kiosk"):
        write_unit(root / "logs", name)
    with pytest.MonkeyPatch.context() as patch:
        from pipeline.fleet import spread

        patch.setattr(spread, "on_this_machine", lambda jobs, workers: map(spread.report_anywhere, jobs))
        report(root / "logs", root / "reports", OPTIONS)
    return root


@pytest.fixture
def fleet(reported, tmp_path):
    shutil.copytree(reported, tmp_path / "fleet", symlinks=True)
    return tmp_path / "fleet"


def run_again(fleet, options=OPTIONS, **more):
    """Names of the units that were reported anew, and the outcome."""
    anew = []
    outcome = report(
        fleet / "logs", fleet / "reports", options, progress=lambda p: anew.append(p.last.name), **more
    )
    return sorted(anew), outcome


def test_nothing_changed_nothing_is_reported_but_the_fleet_page_has_every_unit(fleet):
    run_again(fleet)  # copying gave every report another time of writing
    before = {p: p.stat().st_mtime_ns for p in (fleet / "reports").glob("*/*") if ".store" not in p.parts}
    anew, outcome = run_again(fleet)
    assert anew == []
    assert [unit.name for unit in outcome.units] == ["bar", "cafe", "kiosk"]
    assert all(unit.summary is not None and unit.summary.cycles > 10 for unit in outcome.units)
    assert {p: p.stat().st_mtime_ns for p in before} == before
    page = (fleet / "reports" / "index.html").read_text(encoding="utf-8")
    assert all(name in page for name in ("bar", "cafe", "kiosk"))


def test_one_file_more_reports_its_unit_and_no_other(fleet):
    run_again(fleet)
    write_log(fleet / "logs" / "cafe" / "second visit.csv", hours=3, seed=9)
    assert run_again(fleet)[0] == ["cafe"]
    assert run_again(fleet)[0] == []


def test_the_same_log_exported_again_with_more_rows_is_not_counted_twice(tmp_path):
    longer = log_text(hours=9, seed=8)
    early = "".join(longer.splitlines(keepends=True)[: 5 * 120 + 1])
    for folder, files in (
        ("again", {"monday.csv": early, "friday.csv": longer}),
        ("alone", {"friday.csv": longer}),
    ):
        for name, text in files.items():
            path = tmp_path / folder / "bar" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        report(tmp_path / folder, tmp_path / f"{folder}-reports", OPTIONS)
    for name in ("cycles.csv", "phases.csv", "timeline.parquet"):
        again, alone = (tmp_path / f"{f}-reports" / "bar" / name for f in ("again", "alone"))
        if name == "timeline.parquet":
            assert pq.read_table(again).num_rows == pq.read_table(alone).num_rows
        else:
            assert again.read_text() == alone.read_text()


def test_one_file_less_reports_its_unit_and_no_other(fleet):
    write_log(fleet / "logs" / "cafe" / "a wrong one.csv", hours=3, seed=9)
    run_again(fleet)
    (fleet / "logs" / "cafe" / "a wrong one.csv").unlink()
    assert run_again(fleet)[0] == ["cafe"]


def test_a_unit_toml_reports_its_unit_and_no_other(fleet):
    run_again(fleet)
    (fleet / "logs" / "kiosk" / "unit.toml").write_text('title = "The Kiosk"\n', encoding="utf-8")
    assert run_again(fleet)[0] == ["kiosk"]
    assert "The Kiosk" in (fleet / "reports" / "kiosk" / "report.html").read_text(encoding="utf-8")


def test_other_page_options_report_all_and_other_jobs_none(fleet):
    run_again(fleet)
    assert run_again(fleet, replace(OPTIONS, jobs=2))[0] == []
    assert run_again(fleet, replace(OPTIONS, report=ReportOptions(units="us")))[0] == ["bar", "cafe", "kiosk"]


def test_another_version_of_the_program_reports_all(fleet, monkeypatch):
    run_again(fleet)
    monkeypatch.setattr("pipeline.store.unit_store.report_version", lambda: "another")
    assert run_again(fleet)[0] == ["bar", "cafe", "kiosk"]


@pytest.mark.parametrize("name", ["report.html", "cycles.csv", "summary.json", "timeline.parquet"])
@pytest.mark.parametrize("harm", ["removed", "cut short"])
def test_a_report_that_was_harmed_is_made_again(fleet, name, harm):
    run_again(fleet)
    path = fleet / "reports" / "bar" / name
    whole = path.read_bytes()
    if harm == "removed":
        path.unlink()
    else:
        path.write_bytes(whole[: len(whole) // 2])
    assert run_again(fleet)[0] == ["bar"]
    if name != "summary.json":
        assert path.read_bytes() == whole


def test_a_report_altered_without_a_trace_in_size_and_time_is_made_again(fleet):
    run_again(fleet)
    path = fleet / "reports" / "bar" / "cycles.csv"
    whole, status = path.read_bytes(), path.stat()
    path.write_bytes(whole.replace(b"true", b"eurt"))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert run_again(fleet)[0] == ["bar"]
    assert path.read_bytes() == whole


def test_a_copied_folder_of_reports_stands_as_it_is(fleet):
    run_again(fleet)
    shutil.copytree(fleet / "reports", fleet / "copy", copy_function=shutil.copyfile)  # all times are new
    shutil.rmtree(fleet / "reports")
    (fleet / "copy").rename(fleet / "reports")
    assert run_again(fleet)[0] == []


def test_a_log_of_another_century_is_named_and_the_others_are_reported(fleet):
    text = log_text(hours=2, seed=5)
    (fleet / "logs" / "bar" / "old.csv").write_text(text.replace("2026-", "1700-"), encoding="utf-8")
    (fleet / "logs" / "cafe" / "old.csv").write_text(text.replace("2026-", "1970-"), encoding="utf-8")
    _, outcome = run_again(fleet)
    assert all(unit.summary is not None and unit.summary.days < 1 for unit in outcome.units)
    told = [problem.message for problem in outcome.problems]
    assert len(told) == 2
    assert told[0].startswith("old.csv: its times are of 1700 and those of probes.csv of 2026")
    assert all("offset_s" in message for message in told)


def test_a_damaged_log_in_a_unit_s_archive_is_a_problem_and_no_mere_note(fleet):
    with zipfile.ZipFile(fleet / "logs" / "bar" / "more.zip", "w") as archive:
        archive.writestr("a.csv", log_text(hours=2, seed=5))
        archive.writestr("b.csv", "")
    _, outcome = run_again(fleet)
    assert [problem.message for problem in outcome.problems] == [
        "more.zip/b.csv: the file is empty; export the log again, and remove this file"
    ]
    assert next(unit for unit in outcome.units if unit.name == "bar").summary is not None


def test_without_its_store_a_fleet_is_reported_the_same(fleet):
    before = machine_files(fleet / "reports")
    shutil.rmtree(fleet / "reports" / ".store")
    assert run_again(fleet)[0] == ["bar", "cafe", "kiosk"]
    assert machine_files(fleet / "reports") == before


def test_from_kept_tables_comes_the_same_report_as_from_the_files(fleet, monkeypatch):
    before = machine_files(fleet / "reports")
    run_again(fleet)
    monkeypatch.setattr("pipeline.logs.read_file", None)  # no file may be parsed
    monkeypatch.setattr("pipeline.store.unit_store.report_version", lambda: "another")
    anew, outcome = run_again(fleet)
    assert anew == ["bar", "cafe", "kiosk"]
    assert outcome.complete
    assert machine_files(fleet / "reports") == before


def test_a_unit_whose_file_is_still_being_copied_keeps_its_report(fleet):
    run_again(fleet)
    copying = write_log(fleet / "logs" / "bar" / "half.csv", hours=1, seed=3)
    rested = {path for path in (fleet / "logs").rglob("*") if path != copying}
    anew, outcome = run_again(fleet, rested=rested)
    assert anew == []
    assert next(u for u in outcome.units if u.name == "bar").summary.cycles > 10
    assert run_again(fleet)[0] == ["bar"]


def test_what_cannot_be_read_is_listed_each_time_but_looked_at_once(fleet, monkeypatch):
    (fleet / "logs" / "bar" / "letter.csv").write_text("Dear Sir,\nno readings here.\n", encoding="utf-8")
    anew, outcome = run_again(fleet)
    assert "bar" in anew
    assert not outcome.complete
    first = (fleet / "reports" / "problems.csv").read_text(encoding="utf-8")
    assert first.startswith("unit,file,problem\nbar,letter.csv,")
    monkeypatch.setattr("pipeline.logs.read_file", None)
    anew, outcome = run_again(fleet)
    assert anew == []
    assert not outcome.complete
    assert (fleet / "reports" / "problems.csv").read_text(encoding="utf-8") == first
    assert "letter.csv" in (fleet / "reports" / "index.html").read_text(encoding="utf-8")


def test_a_unit_of_which_nothing_can_be_read_is_listed_each_time_but_looked_at_once(fleet, monkeypatch):
    (fleet / "logs" / "bar" / "unit.toml").write_text("tilte = 'x'\n", encoding="utf-8")
    _, first = run_again(fleet)
    monkeypatch.setattr("pipeline.unit_toml.load_unit", None)
    anew, second = run_again(fleet)
    assert anew == []
    assert [p.message for p in second.problems] == [p.message for p in first.problems]
    assert "tilte" in second.problems[0].message


def test_the_history_keeps_a_line_after_the_files_are_gone(fleet):
    run_again(fleet)
    write_unit(fleet / "logs", "bar", freeze_min=28.0)
    run_again(fleet)
    shutil.rmtree(fleet / "logs" / "bar")
    run_again(fleet)
    place = StorePlace(fleet / "reports")
    visits = UnitStore(place, "bar").history()
    assert visits[-1].figures["freeze_min"] == pytest.approx(28.0, abs=0.6)
    assert len(
        (fleet / "reports" / "bar" / "history.csv").read_text(encoding="utf-8").splitlines()
    ) == 1 + len(visits)
    assert list((place.units / "bar").glob("*.parquet")) == []
    assert (fleet / "reports" / "bar" / "report.html").exists()


def test_no_trace_of_the_work_is_left(fleet):
    run_again(fleet)
    assert leftovers(fleet / "reports") == []


def test_files_of_one_name_in_several_folders_of_a_unit_are_told_apart(tmp_path, monkeypatch):
    for number, place in enumerate(("bar", "june/bar")):
        write_log(tmp_path / "logs" / place / "log.csv", hours=5 + number, seed=3)
    time.sleep(2.1)  # a file that has just changed may change again unseen, and is opened anew
    report(tmp_path / "logs", tmp_path / "reports", OPTIONS)
    page = tmp_path / "reports" / "bar" / "report.html"
    before = page.stat().st_mtime_ns
    monkeypatch.setattr("pipeline.store.keeper.Keeper.read", None)  # nothing may be read again
    assert report(tmp_path / "logs", tmp_path / "reports", OPTIONS).complete
    assert page.stat().st_mtime_ns == before
    assert len(list((tmp_path / "reports" / ".store" / "units" / "bar").glob("*.parquet"))) == 2
