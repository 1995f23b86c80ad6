"""A server that answers wrongly, without end, or not at all: nothing goes out twice, nothing counts for sent that was not."""

from __future__ import annotations

import base64
import contextlib
import time
from socket import SHUT_RDWR

import pytest

from pipeline.delivery.mail.server import Server, Session, Uncertain, Unreachable
from pipeline.errors import DeliveryError
from tests.delivery.mail.scripted_server import scripted_server

TO = "hello@kiosk.example"
PASSWORD = "horse battery"
MESSAGE = b"Subject: x\r\n\r\n.hidden dot\r\nbye\r\n"


@pytest.fixture(autouse=True)
def short_patience(monkeypatch):
    """A mistake here would be waited for by the hour."""
    for part in ("CONNECT_S", "ENVELOPE_S", "DATA_S", "SEND_S", "AFTER_DATA_S"):
        monkeypatch.setattr(f"pipeline.delivery.mail.server.{part}", 20.0)


def hand_over(server, *, user="", before=lambda agreed: None):
    session = Session(
        Server(
            host="127.0.0.1",
            port=server.port,
            security="none",
            user=user,
            password=PASSWORD if user else "",
        )
    )
    try:
        return session.hand_over("desk@tech.example", [TO], lambda: MESSAGE, before)[TO]
    finally:
        session.close()


def test_a_server_that_keeps_to_the_rules_gets_the_message_whole():
    with scripted_server() as server:
        assert hand_over(server, user="desk").accepted
    assert server.messages == [MESSAGE.replace(b"\r\n.", b"\r\n..")]  # RFC 5321 section 4.5.2


@pytest.mark.parametrize(
    "said",
    [
        pytest.param(b"250 ok\r\n", id="taken already"),
        pytest.param(b"221 ok\r\n", id="goodbye"),
        pytest.param(b"421 closing\r\n", id="closing"),
        pytest.param(b"100 wait\r\n", id="1xx"),
        pytest.param(b"\r\n", id="empty"),
        pytest.param(b"what?\r\n", id="garbled"),
        pytest.param(b"354 go on\r\n250 taken\r\n", id="the answer before the message"),
        pytest.param(None, id="closed"),
    ],
)
def test_a_message_that_the_server_did_not_ask_for_is_put_off_and_was_never_begun(said):
    begun = []
    with scripted_server(data=said) as server, pytest.raises(Unreachable):
        hand_over(server, before=begun.append)
    assert begun == []
    assert server.messages == []


@pytest.mark.parametrize(("said", "permanent"), [(b"451 later\r\n", False), (b"554 never\r\n", True)])
def test_a_server_may_refuse_before_the_message(said, permanent):
    with scripted_server(data=said) as server:
        answer = hand_over(server)
    assert (answer.accepted, answer.permanent) == (False, permanent)


@pytest.mark.parametrize(
    "said",
    [
        pytest.param(b"354 go on\r\n", id="354"),
        pytest.param(b"150 hm\r\n", id="1xx"),
        pytest.param(b"221 bye\r\n", id="goodbye"),
        pytest.param(b"220 ready\r\n", id="a greeting"),
        pytest.param(b"\r\n", id="empty"),
        pytest.param(b"\xff\x00\x01\r\n", id="garbled"),
        pytest.param(b"2500 ok\r\n", id="four digits"),
        pytest.param(b"250-ok\r\n550 no\r\n", id="yes and no"),
        pytest.param(b"250 o", id="cut short"),
        pytest.param(None, id="closed"),
    ],
)
def test_whatever_else_follows_the_whole_message_leaves_it_in_doubt(said):
    end = said if said is None or said.endswith(b"\n") else lambda c: (c.sendall(said), c.shutdown(SHUT_RDWR))
    with scripted_server(end=end) as server, pytest.raises(Uncertain):
        hand_over(server)
    assert len(server.messages) == 1


@pytest.mark.parametrize(("said", "state"), [(b"452 full\r\n", "put_off"), (b"550 no\r\n", "permanent")])
def test_a_clear_no_to_the_whole_message_is_no_doubt(said, state):
    with scripted_server(end=said) as server:
        assert getattr(hand_over(server), state)


def without_end(connection, line=b"250-" + b"x" * 400 + b"\r\n"):
    with contextlib.suppress(OSError):
        while True:
            connection.sendall(line * 100)


@pytest.mark.parametrize("step", ["greeting", "ehlo", "mail", "rcpt", "data", "end"])
@pytest.mark.parametrize("line", [b"220-x\r\n", b"250-x\r\n", b"9" * 70_000], ids=["220-", "250-", "no line"])
def test_a_server_that_talks_without_end_is_left_soon(step, line):
    with (
        scripted_server(**{step: lambda c: without_end(c, line)}) as server,
        pytest.raises(Uncertain if step == "end" else Unreachable) as refusal,
    ):
        hand_over(server)
    assert "talks without end" in str(refusal.value) or "no reply of a mail server" in str(refusal.value)


def a_byte_now_and_then(connection):
    with contextlib.suppress(OSError):
        for _ in range(600):
            connection.sendall(b"2")
            time.sleep(0.1)


@pytest.mark.parametrize(
    ("step", "part"),
    [("greeting", "CONNECT_S"), ("rcpt", "ENVELOPE_S"), ("data", "DATA_S"), ("end", "AFTER_DATA_S")],
)
def test_a_server_that_dawdles_is_left_when_its_time_is_up(step, part, monkeypatch):
    """Each byte comes soon enough, the whole answer never."""
    monkeypatch.setattr(f"pipeline.delivery.mail.server.{part}", 0.5)
    with (
        scripted_server(**{step: a_byte_now_and_then}) as server,
        pytest.raises(Uncertain if step == "end" else Unreachable, match="no answer in time"),
    ):
        hand_over(server)


@pytest.mark.parametrize(
    "echo",
    [
        pytest.param(PASSWORD, id="as it is"),
        pytest.param("HORSE  Battery", id="in capitals, with more blanks"),
        pytest.param(base64.b64encode(PASSWORD.encode()).decode(), id="base64"),
        pytest.param(base64.b64encode(f"\0desk\0{PASSWORD}".encode()).decode(), id="the whole login"),
        pytest.param("horse%20battery", id="as in a URL"),
        pytest.param(f"so {PASSWORD}\r\n535 is wrong", id="within a sentence"),
    ],
)
def test_a_server_that_repeats_the_password_does_not_bring_it_to_anybody_s_eyes(echo):
    said = f"535-{echo}\r\n535 no\r\n".replace("\r\n535 is", "\r\n535-is").encode()
    with scripted_server(auth=said) as server, pytest.raises(DeliveryError) as refusal:
        hand_over(server, user="desk")
    with scripted_server(end=said.replace(b"535", b"250")) as server:
        later = hand_over(server, user="desk").text
    for told in (str(refusal.value), later):
        assert "(password)" in told
        bare = "".join(told.split()).casefold()
        assert "".join(PASSWORD.split()) not in bare
        assert echo.casefold() not in told.casefold()


def test_what_a_server_says_comes_to_the_terminal_as_plain_text():
    with scripted_server(end=b"250 \x1b[2Jok\x07\r\n") as server:
        assert hand_over(server).text == "250 [2Jok"


def test_a_challenge_that_is_no_base64_is_said():
    with (
        scripted_server(ehlo=b"250-x\r\n250 AUTH CRAM-MD5\r\n", auth=b"334 a\r\n") as server,
        pytest.raises(DeliveryError, match="no way of login"),
    ):
        hand_over(server, user="desk")


@pytest.mark.parametrize("size", ["9" * 5000, "\u00b2".encode().decode("latin-1"), "-1", ""])
def test_a_size_that_is_no_number_is_no_limit(size):
    ehlo = b"250-x\r\n250 SIZE " + size.encode("latin-1") + b"\r\n"
    with scripted_server(ehlo=ehlo) as server:
        assert hand_over(server).accepted
