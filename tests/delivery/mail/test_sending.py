"""Messages over a real server: the right ones, to the right people, once, whatever happens in between."""

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.delivery.mail.ledger import State
from pipeline.delivery.mail.post import PostOptions, post
from pipeline.delivery.mail.server import Server
from pipeline.errors import DeliveryError, UsageError
from tests.delivery.mail.mail_server import PASSWORD, USER, mail_server
from tests.delivery.mail.scripted_server import scripted_server

CLIENTS = """
[sender]
name = "Ice Service"
email = "desk@tech.example"
reply_to = "help@tech.example"

[[client]]
name = "Lantern Group"
email = ["office@lantern.example", "chef@lantern.example"]
machines = ["bar", "cafe"]

[[client]]
name = "Kiosk"
email = ["hello@kiosk.example"]
machines = ["kiosk"]
"""
OFFICE, CHEF, KIOSK = "office@lantern.example", "chef@lantern.example", "hello@kiosk.example"


# The server warns that it lets somebody log in without STARTTLS: with TLS from the first byte that is as it should be.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")


@pytest.fixture(autouse=True)
def few_pictures(monkeypatch):
    """Drawing takes most of the time; the pictures have their own tests."""
    monkeypatch.setattr("pipeline.delivery.mail.message.PICTURES_OF", 0)


@pytest.fixture
def fleet(reports):
    (reports / "clients.toml").write_text(CLIENTS, encoding="utf-8")
    return reports


@pytest.fixture
def server(tmp_path):
    with mail_server(tmp_path) as running:
        yield running


class Desk:
    """Runs of `email` against a server, with a clock that the test moves."""

    def __init__(self, reports, server, **login):
        self.reports = reports
        usual = {"host": "localhost", "security": "starttls", "user": USER, "password": PASSWORD}
        self.server = Server(port=server.port, **usual | {"ca_file": server.ca_file} | login)
        self.now = datetime(2026, 5, 11, 8, 0, tzinfo=UTC)
        self.slept = []

    def run(self, **options):
        return post(
            self.reports,
            PostOptions(server=self.server, **options),
            now=lambda: self.now,
            sleep=self.slept.append,
        )


@pytest.fixture
def desk(fleet, server):
    return Desk(fleet, server)


def states(outcome):
    return sorted((step.state, step.to, step.units) for step in outcome.steps)


def ledger_states(reports):
    lines = (
        (reports / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
        if (reports / "ledger.jsonl").exists()
        else []
    )
    return [json.loads(line.partition(" ")[2])["state"] for line in lines]


def new_log_came(reports, unit):
    """As if the unit had been reported again over a longer log."""
    path = reports / unit / "summary.json"
    summary = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(summary | {"log_end": "2026-06-01T08:00:00+00:00"}), encoding="utf-8")
    (reports / ".store" / "units" / unit / "index.json").unlink()


# The right ones, once -------------------------------------------------------------------------------------------------


def test_every_client_gets_its_own_reports_and_nobody_else_s(desk, server):
    outcome = desk.run()
    assert outcome.complete
    assert sorted((sorted(r.to), r.sender) for r in server.received) == [
        (sorted([OFFICE, CHEF]), "desk@tech.example"),
        ([KIOSK], "desk@tech.example"),
    ]
    for received in server.received:
        names = {part.get_filename().split()[0] for part in received.message.iter_attachments()}
        assert names == ({"kiosk"} if received.to == [KIOSK] else {"bar", "cafe"})
        assert received.message["Reply-To"] == "help@tech.example"
        assert not received.message.defects


def test_the_same_report_is_not_sent_twice(desk, server):
    desk.run()
    outcome = desk.run()
    assert outcome.complete
    assert {step.state for step in outcome.steps} == {"skipped"}
    assert len(server.received) == 2


def test_only_the_report_that_is_new_is_sent(desk, server):
    desk.run()
    new_log_came(desk.reports, "cafe")
    desk.run()
    assert len(server.received) == 3
    last = server.received[-1]
    assert sorted(last.to) == sorted([OFFICE, CHEF])
    assert [part.get_filename().split()[0] for part in last.message.iter_attachments()] == ["cafe"]


def test_a_report_is_sent_again_when_asked_as_another_message(desk, server):
    desk.run(units=("kiosk",))
    desk.now += timedelta(days=1)
    desk.run(units=("kiosk",), resend=True)
    first, second = (received.message["Message-ID"] for received in server.received)
    assert first != second


def test_an_address_that_joins_later_gets_what_it_lacks(desk, server):
    desk.run()
    text = CLIENTS.replace('"chef@lantern.example"', '"chef@lantern.example", "owner@lantern.example"')
    (desk.reports / "clients.toml").write_text(text, encoding="utf-8")
    desk.run()
    assert [received.to for received in server.received[2:]] == [["owner@lantern.example"]]


def test_only_act_sends_only_where_there_is_something_to_do(desk, server):
    levels = {}
    for unit in ("bar", "cafe", "kiosk"):
        path = desk.reports / unit / "summary.json"
        summary = json.loads(path.read_text(encoding="utf-8"))
        levels[unit] = "act" if unit == "cafe" else "well"
        path.write_text(json.dumps(summary | {"level": levels[unit]}), encoding="utf-8")
        (desk.reports / ".store" / "units" / unit / "index.json").unlink()
    desk.run(only_act=True)
    (received,) = server.received
    assert [part.get_filename().split()[0] for part in received.message.iter_attachments()] == ["cafe"]


# Getting in -----------------------------------------------------------------------------------------------------------


def test_tls_from_the_first_byte_works_too(fleet, tmp_path):
    with mail_server(tmp_path, security="tls") as server:
        assert Desk(fleet, server, security="tls").run().complete
        assert len(server.received) == 2


def test_a_relay_on_this_machine_may_go_without_tls(fleet, tmp_path):
    with mail_server(tmp_path, security="none", login=False) as server:
        assert Desk(fleet, server, security="none", user="", password="").run().complete
        assert len(server.received) == 2


@pytest.mark.parametrize("host", ["mail.tech.example", "192.0.2.7", "localhost.tech.example", "::2"])
def test_no_other_may(host):
    with pytest.raises(UsageError, match="readable across the network"):
        Server(host=host, port=25, security="none")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_of_an_unknown_authority_is_refused(fleet, tmp_path, security):
    with mail_server(tmp_path, security=security) as server:
        desk = Desk(fleet, server, security=security, ca_file=None)
        with pytest.raises(DeliveryError, match=r"certificate .*can't be trusted"):
            desk.run()
        assert server.received == []
    assert ledger_states(fleet) == []


def test_a_certificate_for_another_host_is_refused(fleet, tmp_path):
    with mail_server(tmp_path, host_in_certificate="other.example") as server:
        with pytest.raises(DeliveryError, match=r"certificate .*can't be trusted"):
            Desk(fleet, server).run()
        assert server.received == []


def test_a_server_that_offers_no_tls_gets_neither_password_nor_report(fleet, tmp_path):
    with mail_server(tmp_path, security="none") as server:
        with pytest.raises(DeliveryError, match="does not offer what is needed"):
            Desk(fleet, server).run()
        assert server.received == []


def test_a_wrong_password_is_said_and_counts_against_no_message(fleet, server):
    with pytest.raises(DeliveryError, match=r"does not accept this user and password .*535"):
        Desk(fleet, server, password="wrong").run()
    assert ledger_states(fleet) == []
    assert Desk(fleet, server).run().complete


def test_a_server_that_is_not_there_puts_everything_off(fleet, server):
    desk = Desk(fleet, server)
    desk.server = replace(desk.server, port=1)
    outcome = desk.run()
    assert not outcome.complete
    assert {step.state for step in outcome.steps} == {"later"}
    assert len(desk.slept) == 2


# "Not now" and "never" ------------------------------------------------------------------------------------------------


def test_a_message_that_is_put_off_is_tried_again_in_the_same_run(desk, server):
    server.to_recipient[KIOSK] = ["451 4.7.1 come back later"]
    server.to_data = ["452 4.3.1 no room just now"]
    outcome = desk.run()
    assert outcome.complete
    assert len(server.received) == 2
    assert len(desk.slept) == 1


def test_one_put_off_each_time_waits_twice_as_long_from_run_to_run(desk, server):
    server.to_recipient[KIOSK] = ["450 4.2.0 busy"] * 9
    waits = []
    for _ in range(3):
        outcome = desk.run(units=("kiosk",))
        (step,) = outcome.steps
        assert step.state == "later"
        assert "450 4.2.0 busy" in step.said
        until = datetime.fromisoformat(step.said.rpartition("after ")[2])
        waits.append(until - desk.now)
        desk.now = until + timedelta(seconds=1)
    assert waits == [timedelta(minutes=5), timedelta(minutes=10), timedelta(minutes=20)]
    assert server.received == []
    assert desk.run(units=("kiosk",)).complete
    assert len(server.received) == 1


def test_before_its_time_it_is_not_tried(desk, server):
    server.to_recipient[KIOSK] = ["450 4.2.0 busy"] * 3
    desk.run(units=("kiosk",))
    desk.now += timedelta(minutes=4)
    (step,) = desk.run(units=("kiosk",)).steps
    assert step.state == "later"
    assert server.received == []


def test_a_refused_recipient_is_reported_and_the_others_get_theirs(desk, server):
    server.to_recipient[CHEF] = ["550 5.1.1 no such mailbox"]
    outcome = desk.run()
    assert not outcome.complete
    assert ("refused", (CHEF,), ("bar", "cafe")) in [
        (s.state, s.to, tuple(sorted(s.units))) for s in outcome.steps
    ]
    assert sorted(to for received in server.received for to in received.to) == [KIOSK, OFFICE]
    again = desk.run()
    assert not again.complete
    assert any("550 5.1.1 no such mailbox" in step.said and "--resend" in step.said for step in again.steps)
    assert len(server.received) == 2


def test_a_refused_message_is_not_tried_again_by_itself(desk, server):
    server.to_data = ["554 5.7.1 we take no machines' mail"]
    first = desk.run(units=("kiosk",))
    assert states(first) == [("refused", (KIOSK,), ("kiosk",))]
    assert states(desk.run(units=("kiosk",))) == [("refused", (KIOSK,), ("kiosk",))]
    assert server.received == []
    assert desk.run(units=("kiosk",), resend=True).complete
    assert len(server.received) == 1


def test_a_sender_that_the_server_refuses_counts_against_no_message(desk, server):
    server.to_sender = ["553 5.7.1 not your address"]
    with pytest.raises(DeliveryError, match=r"takes no message from desk@tech\.example .*--from"):
        desk.run()
    assert ledger_states(desk.reports) == []


def test_a_message_over_the_server_s_limit_is_not_even_offered(fleet, tmp_path):
    with mail_server(tmp_path, size=20_000) as server:
        outcome = Desk(fleet, server).run()
        assert {step.state for step in outcome.steps} == {"refused"}
        assert all("MB" in step.said for step in outcome.steps)
        assert server.received == []


# In between -----------------------------------------------------------------------------------------------------------


def test_a_connection_that_ends_before_the_answer_is_told_and_never_sent_again_by_itself(desk, server):
    server.drop_after_data = 1
    first = desk.run(units=("kiosk",))
    assert [step.state for step in first.steps] == ["unknown"]
    assert len(server.received) == 1
    again = desk.run(units=("kiosk",))
    assert [step.state for step in again.steps] == ["unknown"]
    assert "may have arrived or not" in again.steps[0].said
    assert len(server.received) == 1
    assert desk.run(units=("kiosk",), resend=True).complete
    # The same Message-ID: who has the first can tell that the second is the same
    assert len({received.message["Message-ID"] for received in server.received}) == 1


@pytest.mark.parametrize(
    ("step", "said", "state", "kept"),
    [
        ("data", b"250 ok\r\n", "later", ["deferred"] * 3),
        ("data", None, "later", ["deferred"] * 3),
        ("end", b"354 go on\r\n", "unknown", ["trying"]),
        ("end", b"what?\r\n", "unknown", ["trying"]),
        ("end", b"550 no\r\n", "refused", ["trying", "refused"]),
    ],
)
def test_an_answer_out_of_order_is_put_off_or_in_doubt_and_never_taken_for_sent(
    fleet, step, said, state, kept
):
    with scripted_server(**{step: said}) as odd:
        desk = Desk(fleet, odd, security="none", user="", password="", host="127.0.0.1")
        outcome = desk.run(units=("kiosk",))
        assert [one.state for one in outcome.steps] == [state]
        assert ledger_states(fleet) == kept
        copies = len(odd.messages)
        desk.run(units=("kiosk",))
        assert len(odd.messages) == copies == (step == "end")


def test_what_was_in_doubt_and_arrived_is_settled_by_saying_so(desk, server):
    server.drop_after_data = 1
    desk.run(units=("kiosk",))
    desk.now += timedelta(days=1)
    assert desk.run(units=("kiosk",), arrived=True).complete
    assert desk.run(units=("kiosk",)).complete
    assert len(server.received) == 1


def test_a_report_that_is_renewed_while_messages_go_out_waits_for_the_next_run(desk, server):
    server.at_rcpt = lambda: new_log_came(desk.reports, "kiosk") if not server.received else None
    (step,) = desk.run(units=("kiosk",)).steps
    assert step.state == "later"
    assert "has just been reported anew" in step.said
    assert server.received == []
    server.at_rcpt = lambda: None
    assert desk.run(units=("kiosk",)).complete
    assert len(server.received) == 1


def test_the_other_messages_still_go_out_after_such_an_end(desk, server):
    server.drop_after_data = 1
    outcome = desk.run()
    assert sorted(step.state for step in outcome.steps) == ["sent", "unknown"]
    assert len(server.received) == 2


def command(reports, server, *more):
    return [
        sys.executable,
        "-m",
        "pipeline",
        "email",
        str(reports),
        "--send",
        "--host",
        "localhost",
        "--port",
        str(server.port),
        "--user",
        USER,
        "--ca",
        str(server.ca_file),
        *more,
    ]


ENVIRONMENT = os.environ | {"ICELOGS_SMTP_PASSWORD": PASSWORD}


def start(reports, server, *more):
    return subprocess.Popen(
        command(reports, server, *more),
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_killed_after_the_server_took_it_the_next_run_knows_that_it_cannot_know(fleet, server):
    running = start(fleet, server, "--unit", "kiosk")
    server.at_data = lambda: os.kill(running.pid, signal.SIGKILL)
    running.communicate()
    assert running.returncode == -signal.SIGKILL
    assert ledger_states(fleet) == ["trying"]
    server.at_data = lambda: None
    again = start(fleet, server, "--unit", "kiosk")
    _, said = again.communicate()
    assert again.returncode == 1
    assert "in doubt" in said
    assert len(server.received) == 1


def test_killed_before_the_message_went_out_the_next_run_sends_it(fleet, server):
    running = start(fleet, server, "--unit", "kiosk")
    server.at_rcpt = lambda: os.kill(running.pid, signal.SIGKILL)
    running.communicate()
    assert ledger_states(fleet) == []
    server.at_rcpt = lambda: None
    again = start(fleet, server, "--unit", "kiosk")
    said, _ = again.communicate()
    assert again.returncode == 0
    assert said.startswith("sent: Kiosk <hello@kiosk.example> kiosk: 250")
    assert len(server.received) == 1


def test_asked_to_stop_it_ends_after_the_message_under_way(fleet, server):
    running = start(fleet, server)
    server.at_data = lambda: os.kill(running.pid, signal.SIGTERM)
    _, said = running.communicate()
    assert running.returncode == 1
    assert "this run was stopped before it" in said
    assert ledger_states(fleet) == ["trying", State.ACCEPTED]
    server.at_data = lambda: None
    again = start(fleet, server)
    again.communicate()
    assert again.returncode == 0
    assert len(server.received) == 2


def test_two_runs_at_once_send_each_message_once(fleet, server):
    server.at_data = lambda: time.sleep(0.2)
    both = [start(fleet, server), start(fleet, server)]
    for running in both:
        running.communicate()
    assert [running.returncode for running in both] == [0, 0]
    assert len(server.received) == 2


def test_the_password_comes_from_the_environment_and_from_nowhere_else(fleet, server, tmp_path):
    bare = {name: value for name, value in os.environ.items() if name != "ICELOGS_SMTP_PASSWORD"}
    bare |= {"PYTHON_KEYRING_BACKEND": "keyring.backends.null.Keyring"}
    done = subprocess.run(command(fleet, server), env=bare, capture_output=True, text=True)
    assert done.returncode == 2
    assert "ICELOGS_SMTP_PASSWORD" in done.stderr
    done = subprocess.run(
        [*command(fleet, server), "--password", PASSWORD], env=bare, capture_output=True, text=True
    )
    assert done.returncode == 2
    assert server.received == []


def test_the_password_is_found_in_the_keyring(monkeypatch):
    import keyring
    from keyring.backend import KeyringBackend

    from pipeline.delivery.mail.server import password_for

    class Memory(KeyringBackend):
        priority = 1

        def get_password(self, service, username):
            return {("icelogs", "me@mail.example"): "kept"}.get((service, username))

        def set_password(self, service, username, password):
            raise NotImplementedError

    monkeypatch.delenv("ICELOGS_SMTP_PASSWORD", raising=False)
    before = keyring.get_keyring()
    keyring.set_keyring(Memory())
    try:
        assert password_for("me", "mail.example") == "kept"
        with pytest.raises(UsageError, match="no password"):
            password_for("you", "mail.example")
    finally:
        keyring.set_keyring(before)


def test_a_full_disk_stops_the_sending_before_the_message_goes_out(desk, server, monkeypatch):
    from pipeline.delivery.mail import ledger

    def full(handle, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ledger.os, "write", full)
    with pytest.raises(OSError, match="No space left"):
        desk.run()
    assert server.received == []
