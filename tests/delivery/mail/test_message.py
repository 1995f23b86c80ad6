"""What a message looks like to the programs that open it, checked with the standard library's own parser."""

import base64
import html.parser
import io
import re
import shutil
import zipfile
from datetime import datetime, timedelta, timezone
from email import message_from_bytes, policy

import pytest

from pipeline.delivery.mail.outstanding import ENCODED
from pipeline.delivery.mail.post import PostOptions, post

NOW = datetime(2026, 5, 11, 9, 30, tzinfo=timezone(timedelta(hours=2)))


def write(reports, **options):
    outcome = post(reports, PostOptions(**options), now=lambda: NOW, sleep=lambda s: None)
    return outcome, {
        step.units: reports / "outbox" / step.said for step in outcome.steps if step.state == "written"
    }


def opened(path):
    return message_from_bytes(path.read_bytes(), policy=policy.default)


def parts_of(message):
    return [(part.get_content_type(), part.get_filename()) for part in message.walk()]


@pytest.fixture(scope="module")
def written(made_fleet, tmp_path_factory):
    """A folder of reports whose messages are written."""
    reports = tmp_path_factory.mktemp("written") / "reports"
    shutil.copytree(made_fleet / "reports", reports, copy_function=shutil.copy2)
    return reports, write(reports)[1]


@pytest.fixture(scope="module")
def files(written):
    return written[1]


@pytest.fixture(scope="module")
def lantern(files):
    return next(opened(path) for units, path in files.items() if "bar" in units)


@pytest.fixture(scope="module")
def kiosk(files):
    return opened(files["kiosk",])


class Reader(html.parser.HTMLParser):
    """What a mail program would load and show."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.sources, self.text, self.alts = [], [], "", []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append(tag)
        self.sources += [attrs[name] for name in ("src", "href", "background") if name in attrs]
        if tag == "img":
            self.alts.append(attrs.get("alt", ""))

    def handle_data(self, data):
        self.text += data


def html_of(message):
    return message.get_body(("html",)).get_content()


def plain_of(message):
    return message.get_body(("plain",)).get_content()


def test_each_client_gets_one_message_about_all_its_machines(files):
    assert sorted(sorted(units) for units in files) == [["bar", "cafe"], ["kiosk"]]


def test_the_parts_are_nested_as_mail_programs_expect(lantern):
    # RFC 2046 section 5.1.4 (alternative: plainest first), RFC 2387 (related: the body, then what it shows)
    assert lantern.get_content_type() == "multipart/mixed"
    body, *attached = lantern.iter_parts()
    assert body.get_content_type() == "multipart/alternative"
    plain, related = body.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert related.get_content_type() == "multipart/related"
    page, *pictures = related.iter_parts()
    assert page.get_content_type() == "text/html"
    assert pictures
    assert all(picture.get_content_type() == "image/png" for picture in pictures)
    assert len(attached) == 2
    assert all(part.get_content_disposition() == "attachment" for part in attached)


def test_every_picture_is_bound_and_every_binding_has_its_picture(lantern, kiosk):
    for message in (lantern, kiosk):
        shown = Reader(html_of(message))
        bound = {f"cid:{part['Content-ID'].strip('<>')}" for part in message.walk() if part["Content-ID"]}
        assert bound
        assert sorted(shown.sources) == sorted(bound)
        assert all(shown.alts)
        for part in message.walk():
            if part.get_content_type() == "image/png":
                assert part.get_content().startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, section 5.2
                assert part.get_content_disposition() == "inline"


def test_the_body_loads_nothing_and_runs_nothing(lantern):
    tags = set(Reader(html_of(lantern)).tags)
    assert not tags & {"script", "link", "style", "iframe", "form", "object", "video"}
    assert "http" not in re.sub(r"<!DOCTYPE.*?>", "", html_of(lantern))


def test_the_clients_page_goes_along_and_the_technicians_does_not(lantern):
    attached = {part.get_filename(): part.get_content() for part in lantern.iter_attachments()}
    assert all(name.endswith(".html") and "technician" not in name for name in attached)
    for page in attached.values():
        assert "<script" not in page
        assert len(page.encode()) < 400_000
        assert "What is being done" in page


def test_a_client_gets_the_page_in_its_own_language_and_units(kiosk):
    (part,) = kiosk.iter_attachments()
    page = part.get_content()
    assert '<html lang="es">' in page
    assert "Qué se está haciendo" in page
    assert "What is being done" not in page


def test_the_technicians_page_goes_along_when_asked_and_is_the_one_on_disk(reports, monkeypatch):
    monkeypatch.setattr("pipeline.delivery.mail.message.PICTURES_OF", 0)
    message = opened(write(reports, units=("kiosk",), technician=True)[1]["kiosk",])
    named = {part.get_filename(): part for part in message.iter_attachments()}
    assert len(named) == 2
    (name,) = [name for name in named if "technician" in name]
    assert named[name].get_content().encode() == (reports / "kiosk" / "report.html").read_bytes()


def test_both_bodies_say_the_verdict_what_is_being_done_and_what_the_client_can_do(kiosk):
    for text in (plain_of(kiosk), Reader(html_of(kiosk)).text):
        flat = " ".join(text.split())
        for part in (
            "Qué se está haciendo",
            "Qué cuesta esperar",
            "Qué puede hacer usted sin riesgo",
            "No abra los paneles",
        ):
            assert part in flat


def test_what_several_machines_share_is_said_once(lantern, kiosk):
    for message, notes in ((lantern, 2), (kiosk, 1)):
        for body in (html_of(message), plain_of(message)):
            said = [
                body.count(words) for words in ("What you can safely do yourself", "Qué puede hacer usted")
            ]
            assert sorted(said) == [0, 1]
        read = html_of(message)
        assert read.count("<img") == 2 * notes
        assert sorted((read.count("Where none hangs"), read.count("Donde no cuelga"))) == [0, 1]


def test_a_name_with_markup_is_shown_and_not_run(lantern):
    page = html_of(lantern)
    assert "<b>&</b> Grill" not in page
    assert "Bar <b>&</b> Grill" in Reader(page).text
    assert "BAR <B>&</B> GRILL" in plain_of(lantern)


def test_dates_are_as_people_write_them(lantern, kiosk):
    assert re.search("on 4 May 2026|from 4 May to", " ".join(plain_of(lantern).split()))
    assert re.search("el 4 may 2026|del 4 may al", " ".join(plain_of(kiosk).split()))
    for message in (lantern, kiosk):
        assert not re.search(r"\d{4}-\d\d-\d\d \d\d:\d\d", plain_of(message))


def test_the_units_are_the_client_s(lantern, kiosk):
    assert "°F" not in html_of(lantern)
    assert "°C" not in Reader(html_of(kiosk)).text


def test_no_line_is_longer_than_mail_may_be(files):
    # RFC 5322 section 2.1.1: at most 998 characters, better 78, lines end in CRLF
    for path in files.values():
        raw = path.read_bytes()
        assert b"\n" not in raw.replace(b"\r\n", b"")
        assert max(len(line) for line in raw.split(b"\r\n")) <= 78


def test_everything_is_ascii_on_the_wire(files):
    for path in files.values():
        path.read_bytes().decode("ascii")


def test_plain_text_is_folded_for_reading(lantern, kiosk):
    for message in (lantern, kiosk):
        assert max(len(line) for line in plain_of(message).splitlines()) <= 72


def test_the_head_has_what_a_message_needs(lantern, kiosk):
    # RFC 5322 section 3.6: Date and From are required, Message-ID should be there, each once
    for name in ("Date", "From", "To", "Subject", "Message-ID", "MIME-Version"):
        assert len(lantern.get_all(name)) == 1
    assert lantern["Date"].datetime == NOW
    assert re.fullmatch(r"<[0-9a-f]{32}@tech\.example>", lantern["Message-ID"])
    assert lantern["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    assert lantern["X-Unsent"] == "1"  # a draft, to whoever opens the file
    assert (lantern["Content-Language"], kiosk["Content-Language"]) == ("en", "es")  # RFC 3282


def test_names_outside_ascii_survive_the_journey(kiosk):
    assert kiosk["To"].addresses[0].display_name == "Quiosco Ñandú"
    assert "máquina de hielo" in kiosk["Subject"]


def test_an_attachment_s_name_outside_ascii_is_encoded_as_rfc_2231_says(reports, monkeypatch):
    monkeypatch.setattr("pipeline.delivery.mail.message.PICTURES_OF", 0)
    (reports / "kiosk").rename(reports / "kiosk-ñandú")
    text = (reports / "clients.toml").read_text(encoding="utf-8")
    (reports / "clients.toml").write_text(text.replace('["kiosk"]', '["kiosk*"]'), encoding="utf-8")
    _, files = write(reports)
    raw = files["kiosk-ñandú",].read_bytes()
    # RFC 2231 section 4: name*=charset'language'percent-encoded
    assert re.search(rb"filename\*(0\*)?=utf-8''kiosk-%C3%B1and%C3%BA", raw)
    names = [name for _, name in parts_of(opened(files["kiosk-ñandú",])) if name]
    assert any(name.startswith("kiosk-ñandú 2026-05-") for name in names)


def test_the_same_reports_make_the_same_message_to_the_byte(reports, files):
    _, again = write(reports)
    assert {units: path.read_bytes() for units, path in again.items()} == {
        units: path.read_bytes() for units, path in files.items()
    }


def test_a_large_page_travels_zipped_and_a_small_one_as_it_is(reports, monkeypatch):
    monkeypatch.setattr("pipeline.delivery.mail.message.PICTURES_OF", 0)
    monkeypatch.setattr("pipeline.delivery.mail.message.ZIPPED_OVER_BYTES", 10)
    zipped = opened(write(reports, units=("kiosk",), technician=True)[1]["kiosk",])
    kinds = {"technician" in name: kind for kind, name in parts_of(zipped) if name}
    assert kinds == {False: "text/html", True: "application/zip"}
    assert "Descomprima" in plain_of(zipped)
    (packed,) = [p for p in zipped.iter_attachments() if p.get_content_type() == "application/zip"]
    with zipfile.ZipFile(io.BytesIO(packed.get_content())) as archive:
        assert archive.testzip() is None
        (name,) = archive.namelist()
        assert archive.read(name) == (reports / "kiosk" / "report.html").read_bytes()
    monkeypatch.setattr("pipeline.delivery.mail.message.ZIPPED_OVER_BYTES", 10**9)
    plain = opened(write(reports, units=("kiosk",), resend=True, technician=True)[1]["kiosk",])
    assert {kind for kind, name in parts_of(plain) if name} == {"text/html"}
    assert "Descomprima" not in plain_of(plain)


def test_what_a_message_may_weigh_is_counted_as_it_is_encoded():
    # RFC 2045, section 6.8: lines of at most 76 characters, four for every three bytes; with its line end each has 78
    data = bytes(57_000)
    assert len(base64.encodebytes(data).replace(b"\n", b"\r\n")) == pytest.approx(
        ENCODED * len(data), rel=1e-3
    )


def test_reports_too_large_for_one_message_come_in_several_that_say_so(reports, monkeypatch):
    monkeypatch.setattr("pipeline.delivery.mail.message.PICTURES_OF", 0)
    monkeypatch.setattr("pipeline.delivery.mail.outstanding.LARGEST_BYTES", 1000)
    _, files = write(reports)
    subjects = sorted(opened(path)["Subject"] for units, path in files.items() if "kiosk" not in units)
    assert len(subjects) == 2
    assert any("part 1 of 2" in subject for subject in subjects)
    assert any("part 2 of 2" in subject for subject in subjects)
