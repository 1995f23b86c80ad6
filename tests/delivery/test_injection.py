"""Whatever a unit, a place or a client is called, it adds no header, no recipient and no part to a message."""

import json
from datetime import UTC, datetime
from email import message_from_bytes, policy

import pytest

from pipeline.delivery.post import PostOptions, post

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
    monkeypatch.setattr("pipeline.delivery.making.PICTURES_OF", 0)  # drawing them takes most of the time
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
