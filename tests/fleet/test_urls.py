"""Logs and reports at a URL, on fsspec's own file systems: in memory and on the local disk.

An object store behind a server of its own is tried by hand: `python -m tests.bench.object_store`.
"""

import io
from dataclasses import replace
from pathlib import Path

import fsspec
import pytest
from PIL import Image

from pipeline.errors import DeliveryError, UsageError
from pipeline.fleet import urls
from pipeline.fleet.run import report
from pipeline.flow import RunOptions
from pipeline.logs import find_units
from pipeline.store.history import read_history, write_history
from tests.fleet.small_fleet import add_unit, contents


@pytest.fixture(scope="module")
def logs(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("staging") / "logs"
    add_unit(folder, "bar", cache_in=folder.parent / "made")
    (folder / "bar" / "unit.toml").write_text('title = "The bar"\n', encoding="utf-8")
    loose = add_unit(folder, "made-loose", kind="cube17", cache_in=folder.parent / "made")
    loose.rename(folder / "kiosk__probes.csv")
    loose.parent.rmdir()
    (folder / ".hidden").mkdir()
    (folder / ".hidden" / "x.csv").write_text("a,b\n", encoding="utf-8")
    return folder


@pytest.fixture
def bucket(logs):
    """The same folder in memory, which keeps no folders apart from what is in them."""
    memory = fsspec.filesystem("memory")
    memory.put(str(logs), "/bucket/logs", recursive=True)
    yield memory
    memory.rm("/bucket", recursive=True)


@pytest.mark.parametrize("kind", ["file", "memory"])
def test_units_are_found_at_a_url_as_in_a_folder(logs, bucket, kind):
    url = logs.as_uri() if kind == "file" else "memory://bucket/logs"
    near, far = find_units(logs), find_units(urls.listing(url))
    assert [(u.name, [f.name for f in u.files], u.toml and u.toml.name) for u in far] == [
        (u.name, [f.name for f in u.files], u.toml and u.toml.name) for u in near
    ]
    assert [f.size for u in far for f in u.files] == [f.stat().st_size for u in near for f in u.files]


def test_a_store_of_objects_gets_the_same_bytes_as_a_folder(logs, bucket, tmp_path):
    options = RunOptions(jobs=1)
    report(logs, tmp_path / "near", options)
    for unit in find_units(urls.listing("memory://bucket/logs")):
        # One unit at a time: memory is seen by this process only, and one unit needs no other.
        one = f"memory://bucket/one-{unit.name}"
        for file in (*unit.files, *([unit.toml] if unit.toml else [])):
            place = file.name if file.name.startswith(unit.name) else f"{unit.name}/{file.name}"
            bucket.pipe_file(f"/bucket/one-{unit.name}/{place}", bucket.cat_file(file.url))
        report(one, "memory://bucket/reports", options)
    bucket.get("/bucket/reports", str(tmp_path / "far"), recursive=True)
    of_units = {name: data for name, data in contents(tmp_path / "near").items() if "/" in name}
    assert {name: data for name, data in contents(tmp_path / "far").items() if "/" in name} == of_units


def test_a_second_report_knows_what_the_first_one_said(logs, bucket):
    options = RunOptions(jobs=1)
    kiosk = bucket.cat_file("/bucket/logs/kiosk__probes.csv").splitlines(keepends=True)
    bucket.pipe_file("/bucket/first/kiosk__probes.csv", b"".join(kiosk[: len(kiosk) * 3 // 4]))
    bucket.pipe_file("/bucket/later/kiosk__probes.csv", b"".join(kiosk))
    report("memory://bucket/first", "memory://bucket/reports", options)
    outcome = report("memory://bucket/later", "memory://bucket/reports", options)
    assert outcome.complete
    assert b'"previous": {' in bucket.cat_file("/bucket/reports/kiosk/summary.json")
    ends = [
        line.split(b",")[2] for line in bucket.cat_file("/bucket/reports/kiosk/history.csv").splitlines()[1:]
    ]
    assert len(ends) == 1  # two reports on one day are one visit
    assert ends[0] in bucket.cat_file("/bucket/reports/.store/units/kiosk/history.jsonl")


def test_a_history_at_a_url_grows_over_visits_as_in_a_folder(logs, tmp_path):
    whole = {path: path.read_bytes().splitlines(keepends=True) for path in logs.rglob("*.csv")}
    for path, lines in whole.items():
        for name, upto in (("first", len(lines) // 2), ("later", len(lines))):
            place = tmp_path / name / path.relative_to(logs)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(b"".join(lines[:upto]))
    far = (tmp_path / "far").as_uri()
    for reports in (tmp_path / "near", far):
        folder = tmp_path / "near" if isinstance(reports, Path) else tmp_path / "far"
        report(tmp_path / "first", reports, RunOptions(jobs=1))
        for history in (folder / ".store" / "units").rglob("history.jsonl"):
            visits, _ = read_history(history)
            write_history(history, [replace(visit, reported="2026-05-04T08:00:00+00:00") for visit in visits])
        assert report(tmp_path / "later", reports, RunOptions(jobs=2)).complete
    for unit in ("bar", "kiosk"):
        rows = (tmp_path / "far" / unit / "history.csv").read_text(encoding="utf-8").splitlines()[1:]
        assert [row.partition(",")[0] < "2026-05-05" for row in rows] == [True, False]
    assert contents(tmp_path / "far") == contents(tmp_path / "near")


def test_a_report_that_cannot_be_put_in_place_is_told_and_leaves_no_half(logs, bucket, monkeypatch):
    monkeypatch.setattr("pipeline.fleet.spread.FAR_PAUSE_S", 0.0)
    bucket.pipe_file("/bucket/only/kiosk__probes.csv", bucket.cat_file("/bucket/logs/kiosk__probes.csv"))
    moved = []

    def refuse(self, path1, path2, **kwargs):
        moved.append(path2)
        raise TimeoutError("the store does not answer")

    monkeypatch.setattr(type(bucket), "mv", refuse)
    with pytest.raises(Exception, match="fleet page"):  # that cannot be written there either
        report("memory://bucket/only", "memory://bucket/reports", RunOptions(jobs=1))
    assert len([path for path in moved if "kiosk" in path]) == 3  # it was tried again
    assert [path for path in bucket.find("/bucket/reports") if "kiosk" in path] == []


def test_a_page_is_put_in_place_after_all_that_it_was_made_with(logs, bucket, monkeypatch):
    bucket.pipe_file("/bucket/only/kiosk__probes.csv", bucket.cat_file("/bucket/logs/kiosk__probes.csv"))
    order, mv = [], type(bucket).mv

    def watched(self, path1, path2, **kwargs):
        order.append(path2.rpartition("/")[2])
        return mv(self, path1, path2, **kwargs)

    monkeypatch.setattr(type(bucket), "mv", watched)
    report("memory://bucket/only", "memory://bucket/reports", RunOptions(jobs=1))
    of_unit = order[: order.index("report.html") + 1]
    assert {"phases.csv", "cycles.csv", "findings.json", "timeline.parquet"} <= set(of_unit)
    assert order[-1] == "index.html"


def test_what_a_killed_worker_left_at_the_url_is_swept(logs, bucket):
    bucket.pipe_file("/bucket/only/kiosk__probes.csv", bucket.cat_file("/bucket/logs/kiosk__probes.csv"))
    bucket.pipe_file("/bucket/reports/kiosk/.report.html.0a1b2c3d.part", b"half a page")
    bucket.pipe_file("/bucket/reports/kiosk/.kept", b"not ours")
    report("memory://bucket/only", "memory://bucket/reports", RunOptions(jobs=1))
    left = {path.rpartition("/")[2] for path in bucket.find("/bucket/reports/kiosk")}
    assert ".kept" in left
    assert not [name for name in left if name.endswith(".part")]


class OfItsOwn(Exception):
    """As the libraries of object stores raise where there are no credentials or no such host."""


@pytest.mark.parametrize("method", ["isdir", "makedirs"])
def test_a_file_system_with_errors_of_its_own_is_named_in_one_sentence(bucket, monkeypatch, method):
    def refuse(self, *args, **kwargs):
        raise OfItsOwn("unable to locate credentials")

    monkeypatch.setattr(type(bucket), method, refuse)
    with pytest.raises(UsageError, match=r"unable to locate credentials.*see the address and your rights"):
        report("memory://bucket/logs", "memory://bucket/reports", RunOptions(jobs=1))


def test_a_fleet_page_that_such_a_file_system_refuses_is_said(bucket, monkeypatch):
    def refuse(self, path1, path2, **kwargs):
        raise OfItsOwn("token expired")

    monkeypatch.setattr("pipeline.fleet.spread.FAR_PAUSE_S", 0.0)
    monkeypatch.setattr(type(bucket), "mv", refuse)
    bucket.pipe_file("/bucket/only/kiosk__probes.csv", bucket.cat_file("/bucket/logs/kiosk__probes.csv"))
    with pytest.raises(DeliveryError, match="token expired"):
        report("memory://bucket/only", "memory://bucket/reports", RunOptions(jobs=1))


@pytest.mark.parametrize(
    ("logs_at", "reports_at"),
    [
        pytest.param("memory://bucket/nowhere", "memory://bucket/reports", id="no such folder"),
        pytest.param("memory://bucket/logs", "memory://bucket/logs", id="the same"),
        pytest.param("memory://bucket/logs", "memory://bucket/logs/reports", id="inside"),
        pytest.param("nosuch://bucket/logs", "memory://bucket/reports", id="no such protocol"),
    ],
)
def test_urls_that_cannot_be_used_are_refused(bucket, logs_at, reports_at):
    before = set(bucket.find("/bucket"))
    with pytest.raises(UsageError):
        report(logs_at, reports_at, RunOptions(jobs=1))
    assert set(bucket.find("/bucket")) == before


def test_a_url_of_the_logs_own_folder_is_refused_for_the_reports(logs):
    with pytest.raises(UsageError, match="among the logger files"):
        report(logs, (logs / "reports").as_uri(), RunOptions(jobs=1))


def test_the_pictures_that_a_unit_names_come_along_from_a_url(logs, tmp_path):
    picture = io.BytesIO()
    Image.new("RGB", (60, 40), "teal").save(picture, "PNG")
    memory = fsspec.filesystem("memory")
    memory.pipe_file("/shown/logs/bar/probes.csv", (logs / "bar" / "probes.csv").read_bytes())
    memory.pipe_file("/shown/logs/bar/coil.png", picture.getvalue())
    memory.pipe_file(
        "/shown/logs/bar/unit.toml",
        b'[[visits]]\non = 2026-02-03\nphotos = [{ file = "coil.png", alt = "The coil" }]\n',
    )
    assert report("memory://shown/logs", tmp_path / "reports", RunOptions(jobs=1)).complete
    assert 'alt="The coil"' in (tmp_path / "reports" / "bar" / "client.html").read_text(encoding="utf-8")
    memory.rm("/shown", recursive=True)
