"""When a file's stamp may be believed."""

import os
import time

from pipeline.store.stamp import SeenFile, Stamp, look

S = 1_000_000_000


def seen(*, changed_ns, looked_ns, inode=7, size=10):
    stamp = Stamp(size=size, mtime_ns=changed_ns, ctime_ns=changed_ns, inode=inode)
    return SeenFile(stamp=stamp, at_ns=looked_ns, content="digest")


def test_a_stamp_that_was_old_when_looked_at_vouches_for_the_content():
    before = seen(changed_ns=100 * S, looked_ns=103 * S)
    assert before.vouches_for(before.stamp)


def test_a_file_changed_just_before_it_was_looked_at_must_be_opened_again():
    # FAT counts modification times in steps of 2 s (ECMA-107 has the 2 s field; common practice elsewhere)
    before = seen(changed_ns=100 * S, looked_ns=101 * S)
    assert not before.vouches_for(before.stamp)


def test_a_clock_of_the_drive_that_runs_ahead_is_not_believed():
    before = seen(changed_ns=200 * S, looked_ns=100 * S)
    assert not before.vouches_for(before.stamp)


def test_another_file_in_its_place_is_another_file():
    before = seen(changed_ns=100 * S, looked_ns=200 * S)
    other = seen(changed_ns=100 * S, looked_ns=200 * S, inode=8)
    assert not before.vouches_for(other.stamp)


def test_a_file_is_opened_only_where_its_stamp_cannot_tell(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("1")
    os.utime(path, (1, 1))
    first = look(path, None)
    later = SeenFile(stamp=first.stamp, at_ns=time.time_ns() + 10 * S, content="known before")
    assert look(path, later).content == "known before"
    assert look(path, first).content == first.content
    path.write_text("2")
    assert look(path, later).content not in ("known before", first.content)


def test_the_content_is_known_by_its_sha_256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4, example "abc" (NIST, SHA256.pdf)
    assert look(path, None).content == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
