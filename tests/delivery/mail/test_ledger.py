"""What the ledger remembers, and that it never guesses."""

import os
import subprocess
import sys

import pytest

from pipeline.delivery.mail.ledger import Entry, Ledger, State
from pipeline.errors import DeliveryError


def entry(state=State.ACCEPTED, unit="bar", report="r1", to=("a@b.example",), at="2026-05-04T08:00:00+02:00"):
    return Entry(at=at, state=state, message="<m@tech.example>", to=to, reports={unit: report}, said="250 ok")


def test_the_last_step_of_a_report_to_an_address_is_found_again(tmp_path):
    path = tmp_path / "ledger.jsonl"
    ledger = Ledger(path)
    ledger.add(entry(State.TRYING))
    ledger.add(entry(State.ACCEPTED))
    again = Ledger(path)
    assert again.last("bar", "r1", "a@b.example") == entry(State.ACCEPTED)
    assert again.last("bar", "r2", "a@b.example") is None
    assert again.last("bar", "r1", "c@d.example") is None
    assert again.last("cafe", "r1", "a@b.example") is None


def test_lines_are_only_ever_added(tmp_path):
    path = tmp_path / "ledger.jsonl"
    before = b""
    for state in State:
        Ledger(path).add(entry(state))
        now = path.read_bytes()
        assert now.startswith(before)
        assert now != before
        before = now


def test_a_last_line_cut_short_did_not_count_and_the_ledger_goes_on(tmp_path):
    path = tmp_path / "ledger.jsonl"
    ledger = Ledger(path)
    ledger.add(entry(State.TRYING))
    whole = path.read_bytes()
    ledger.add(entry(State.ACCEPTED))
    both = path.read_bytes()
    for length in range(len(whole) + 1, len(both)):
        path.write_bytes(both[:length])
        cut = Ledger(path)
        assert cut.last("bar", "r1", "a@b.example").state is State.TRYING
        cut.add(entry(State.REFUSED, unit="cafe"))
        healed = Ledger(path)
        assert healed.last("bar", "r1", "a@b.example").state is State.TRYING
        assert healed.last("cafe", "r1", "a@b.example").state is State.REFUSED


def test_an_altered_line_stops_everything_because_what_was_sent_is_not_known(tmp_path):
    path = tmp_path / "ledger.jsonl"
    ledger = Ledger(path)
    for unit in ("bar", "cafe", "kiosk"):
        ledger.add(entry(unit=unit))
    text = path.read_bytes()
    path.write_bytes(text.replace(b"cafe", b"cave"))
    with pytest.raises(DeliveryError, match=r"ledger\.jsonl, line 2: .*can't be known"):
        Ledger(path)


def test_only_its_owner_may_read_who_got_what(tmp_path):
    Ledger(tmp_path / "ledger.jsonl").add(entry())
    if os.name != "nt":
        assert (tmp_path / "ledger.jsonl").stat().st_mode & 0o077 == 0


FULL = """
import resource, sys
from pathlib import Path
from pipeline.delivery.mail.ledger import Entry, Ledger, State
import signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
ledger = Ledger(Path(sys.argv[1]))
size = Path(sys.argv[1]).stat().st_size
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 40, size + 40))  # room for a part of the next line only
try:
    ledger.add(Entry(at="x", state=State.TRYING, message="<n@t.example>", to=("a@b.example",), reports={"cafe": "r"}))
except OSError as error:
    print("refused", error.errno)
"""


def test_a_line_that_does_not_fit_on_the_disk_is_not_written_in_part(tmp_path):
    path = tmp_path / "ledger.jsonl"
    Ledger(path).add(entry())
    before = path.read_bytes()
    done = subprocess.run([sys.executable, "-c", FULL, str(path)], capture_output=True, text=True)
    assert done.stdout.startswith("refused"), done.stderr
    assert path.read_bytes() == before
