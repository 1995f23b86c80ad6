"""Zip and gzip files in any state: each part is read whole, or named."""

from __future__ import annotations

import contextlib
import gzip
import io
import zipfile

import pytest

from pipeline.errors import LogFileError
from pipeline.logs import read_file
from pipeline.logs.source.archives import DAMAGE, gunzip, members_of, whole
from pipeline.unit import Unit
from tests.store.scene import log_text

LOG = log_text(hours=1).encode()


def packed(*names, content=LOG):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(name, content)
    return bytearray(file.getvalue())


def notes(tables):
    return [note.key for table in tables for note in table.source.notes]


def test_what_follows_a_whole_gzip_is_left_out_and_said(tmp_path):
    path = tmp_path / "probes.csv.gz"
    path.write_bytes(gzip.compress(LOG) + b"<html>502</html>")
    (table,) = read_file(path, Unit(name="bar"))
    assert len(table.time_ns) == LOG.count(b"\n") - 1
    assert "logs.note.gzip_tail" in notes([table])


def test_a_line_that_is_cut_where_something_else_begins_is_not_taken_for_a_row(tmp_path):
    path = tmp_path / "probes.csv.gz"
    path.write_bytes(gzip.compress(LOG[:-3]) + b"<html>502</html>")
    (table,) = read_file(path, Unit(name="bar"))
    assert len(table.time_ns) == LOG.count(b"\n") - 2


def test_gzip_members_that_follow_each_other_are_one_text():
    assert gunzip(gzip.compress(b"a") * 3, "x") == (b"aaa", 0)


def test_zeros_after_a_gzip_are_nothing():  # tapes and block devices pad with them
    assert gunzip(gzip.compress(b"a") + bytes(512), "x") == (b"a", 0)


@pytest.mark.parametrize("harm", [lambda d: d[:-9], lambda d: d[:-5] + b"\0" + d[-4:], lambda d: d + d[:30]])
def test_a_gzip_that_does_not_match_its_checksum_is_refused(harm):
    with pytest.raises(LogFileError, match="damaged or cut off"):
        gunzip(harm(gzip.compress(LOG)), "x")


def test_a_thousand_small_gzip_members_are_read_in_one_pass():
    assert len(gunzip(gzip.compress(b"12:00,1\n") * 20_000, "x")[0]) == 160_000


@pytest.mark.parametrize("at", range(0, 1000, 7))
def test_a_zip_with_a_bit_turned_gives_the_whole_text_or_an_error(at):
    data = packed("log.csv")
    spot = at * len(data) // 1000
    data[spot] ^= 1 << (at % 8)
    with contextlib.suppress(LogFileError):
        archive, members = members_of(io.BytesIO(data), "x.zip")
        for member in members:
            assert whole(archive, member, "x.zip/log.csv") in (LOG, b"")


def test_each_way_of_being_damaged_is_an_error_of_the_part(monkeypatch):
    archive, (member,) = members_of(io.BytesIO(packed("log.csv")), "x.zip")

    for kind in DAMAGE:

        def broken(self, size, kind=kind):
            raise kind("damage")

        monkeypatch.setattr(zipfile.ZipExtFile, "read", broken)
        with pytest.raises(LogFileError, match=r"x\.zip/log\.csv: this part of the zip file is damaged"):
            whole(archive, member, "x.zip/log.csv")


def test_a_line_with_a_nul_in_a_long_line_is_looked_for_once(tmp_path):
    """A search that began anew at each character would not come to an end."""
    path = tmp_path / "log.csv"
    path.write_bytes(LOG + b"9" * 1_000_000 + b"\0" + b"9" * 1_000_000 + b"\n")
    (table,) = read_file(path, Unit(name="bar"))
    assert len(table.time_ns) == LOG.count(b"\n") - 1
    assert "logs.note.nul_lines" in notes([table])


def test_a_part_that_the_list_alone_calls_empty_is_damaged():
    """The list at the end was harmed: packing, checksum and sizes are zeros, and nothing at all has the checksum 0."""
    harmed = packed("a.csv", "b.csv")
    at = harmed.rindex(b"PK\1\2")
    harmed[at + 10 : at + 12] = bytes(2)
    harmed[at + 16 : at + 28] = bytes(12)
    archive, (first, second) = members_of(io.BytesIO(harmed), "x")
    with archive:
        assert archive.read(second) == b""  # what the standard library makes of it
        assert whole(archive, first, "x") == LOG
        with pytest.raises(LogFileError, match="this part of the zip file is damaged"):
            whole(archive, second, "x")


def test_a_zip_that_was_written_to_a_pipe_says_its_sizes_behind_each_part():
    class Pipe(io.BytesIO):
        def seekable(self):
            return False

        def seek(self, *_):
            raise io.UnsupportedOperation

    file = Pipe()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", LOG)
    archive, (one,) = members_of(io.BytesIO(file.getvalue()), "x")
    with archive:
        assert one.flag_bits & 0x8
        assert whole(archive, one, "x") == LOG
