"""Addresses and names that can't smuggle anything into the head of a message."""

import pytest

from pipeline.delivery.mail.addresses import checked_address, file_name, one_line
from pipeline.errors import UnitConfigError, UsageError


@pytest.mark.parametrize(
    "good",
    [
        "office@lantern.example",
        "first.last+ice@sub.lantern.example",
        "o'hara@x-y.example",
        "a@b.co",
    ],
)
def test_an_address_of_the_common_form_is_taken_as_it_is(good):
    # dot-atom "@" dot-atom: RFC 5322 section 3.4.1
    assert checked_address(good) == good


def test_a_domain_outside_ascii_is_written_as_servers_know_it():
    # "bücher" is xn--bcher-kva: the worked example of RFC 3492 style encodings in common use (from memory, to be confirmed)
    assert checked_address("info@Bücher.example") == "info@xn--bcher-kva.example"


@pytest.mark.parametrize(
    "bad",
    [
        "",
        "nobody",
        "@lantern.example",
        "a@",
        "a@b",
        "a b@c.example",
        "a@b.example\nBcc: all@c.example",
        "a@b.example\r\nSubject: x",
        "a@b.example,c@d.example",
        "a@b.example>",
        "<a@b.example",
        "a..b@c.example",
        ".a@c.example",
        "a@-b.example",
        "a@b..example",
        '"a b"@c.example',
        "ä@c.example",
        "a@b.example\x00",
        "a" * 65 + "@b.example",
    ],
)
def test_anything_else_is_refused_with_its_file_named(bad):
    with pytest.raises(
        UnitConfigError, match=r"bar/unit\.toml.*not an e-mail address.*name@company\.example"
    ):
        checked_address(bad, file="bar/unit.toml")


def test_the_kind_of_error_is_the_caller_s():
    with pytest.raises(UsageError):
        checked_address("x", error=UsageError)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("Bar\r\nBcc: all@c.example", "Bar Bcc: all@c.example"),
        ("two  spaces\tand tab", "two spaces and tab"),
        ("\u202egnp.exe", "gnp.exe"),  # right-to-left override
        ("a\u2028b\u0085c", "a b c"),  # line separators that some programs break at
        ("null\x00byte", "nullbyte"),
        ("=?utf-8?q?=0ABcc:?=", "= ?utf-8?q?=0ABcc:?="),  # an encoded word of RFC 2047 that holds a line end
        ("Señor Ñandú", "Señor Ñandú"),
    ],
)
def test_a_name_comes_out_on_one_line_without_hidden_marks(text, line):
    assert one_line(text) == line


def test_an_endless_name_is_cut():
    assert len(one_line("x" * 5000)) == 200


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("../../etc/passwd", "-..-etc-passwd.zip"),
        ("a/b\\c:d", "a-b-c-d.zip"),
        ("...", "report.zip"),
        ("bar 2026-05-04", "bar 2026-05-04.zip"),
    ],
)
def test_a_file_name_leads_nowhere_else(text, name):
    assert file_name(text, ".zip") == name
