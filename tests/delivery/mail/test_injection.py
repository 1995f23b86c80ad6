"""Whatever a unit, a place or a client is called, it adds no header, no recipient and no part to a message."""

import json
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.headerregistry import Address

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.delivery.mail.addresses import file_name, one_line
from pipeline.delivery.mail.letter import Attachment, Letter
from pipeline.delivery.mail.message import encode
from pipeline.delivery.mail.post import PostOptions, post

HOSTILE = [
    "x\r\nBcc: all@evil.example",
    "x\nSubject: you won",
    "x\r\n\r\n<script>alert(1)</script>",
    "=?utf-8?q?=0ABcc:_all@evil.example?=",
    '"><img src=http://evil.example/x.png>',
    "x\u2028Bcc: all@evil.example",
    "x\x00\x0bBcc: all@evil.example",
    "\u202egnp.exe",
    '", <all@evil.example>, "',
    "{{ 7 * 7 }} {letter} {0.__class__}",
]

HEADERS = {
    "X-Unsent",
    "From",
    "To",
    "Subject",
    "Date",
    "Message-ID",
    "Content-Language",
    "Auto-Submitted",
    "MIME-Version",
    "Content-Type",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_changes_nothing_but_the_words(reports, name, monkeypatch):
    monkeypatch.setattr(
        "pipeline.delivery.mail.message.PICTURES_OF", 0
    )  # drawing them takes most of the time
    summary = json.loads((reports / "bar" / "summary.json").read_text(encoding="utf-8"))
    summary |= {"title": name, "place": name}
    (reports / "bar" / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    (reports / "clients.toml").write_text(
        f'[sender]\nname = {json.dumps(name)}\nemail = "desk@tech.example"\n'
        f'[[client]]\nname = {json.dumps(name)}\nemail = ["office@lantern.example"]\nmachines = ["bar"]\n',
        encoding="utf-8",
    )
    (
        reports / ".store" / "units" / "bar" / "index.json"
    ).unlink()  # it would say that the summary was altered
    outcome = post(
        reports, PostOptions(units=("bar",)), now=lambda: datetime.now(UTC), sleep=lambda seconds: None
    )
    (path,) = (reports / "outbox").iterdir()
    assert outcome.steps[0].state == "written"
    message = message_from_bytes(path.read_bytes(), policy=policy.default)
    assert set(message.keys()) <= HEADERS
    assert len(message.keys()) == len(set(message.keys()))
    assert [str(address.addr_spec) for address in message["To"].addresses] == ["office@lantern.example"]
    assert [str(address.addr_spec) for address in message["From"].addresses] == ["desk@tech.example"]
    assert not message.defects
    body = message.get_body(("html",)).get_content()
    assert "<script" not in body
    assert "<img src=http" not in body
    assert "\u202e" not in message["Subject"]
    assert "49" not in message["Subject"]
    assert path.resolve().parent == (reports / "outbox").resolve()


def test_an_address_with_a_second_line_is_refused_before_anything_is_written(reports):
    (reports / "clients.toml").write_text(
        '[[client]]\nemail = ["a@b.example\\r\\nBcc: all@evil.example"]\nmachines = ["*"]\n', encoding="utf-8"
    )
    with pytest.raises(Exception, match="not an e-mail address"):
        post(reports, PostOptions(), now=lambda: datetime.now(UTC), sleep=lambda seconds: None)
    assert not (reports / "outbox").exists()


ANY_TEXT = st.one_of(
    st.text(max_size=300),
    st.text(alphabet="\r\n\x00\x0b\x85\u2028 :=?<>@,;\"'()\\aé日", max_size=120),
)


@settings(max_examples=120, deadline=None)
@given(name=ANY_TEXT, subject=ANY_TEXT, file=ANY_TEXT)
def test_no_text_at_all_changes_the_shape_of_a_message(name, subject, file):
    letter = Letter(
        language="en",
        subject=subject,
        greeting=name,
        intro=name,
        units=(),
        safe=(),
        closed=name,
        limits=name,
        firm=dict.fromkeys(("name", "telephone", "email", "author", "logo", "dial"), name),
        attached=file,
        zipped=False,
    )
    raw = encode(
        letter,
        sender=Address(display_name=one_line(name), addr_spec="desk@tech.example"),
        to=("office@lantern.example",),
        name=name,
        reply_to=None,
        now=datetime(2026, 5, 11, 8, 0, tzinfo=UTC),
        identifier="<1@tech.example>",
        attachments=[Attachment(name=file_name(file, ".html"), kind=("text", "html"), data=b"page")],
    ).as_bytes()
    raw.decode("ascii")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998  # RFC 5322 section 2.1.1
    message = message_from_bytes(raw, policy=policy.default)
    assert set(message.keys()) <= HEADERS
    assert len(message.keys()) == len(set(message.keys()))
    assert [address.addr_spec for address in message["To"].addresses] == ["office@lantern.example"]
    assert [address.addr_spec for address in message["From"].addresses] == ["desk@tech.example"]
    (attached,) = message.iter_attachments()
    assert attached.get_content() == "page"
    assert attached.get_filename().endswith(".html")
    assert "/" not in attached.get_filename()
    assert message.get_body(("plain",)) is not None
