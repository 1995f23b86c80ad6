"""A letter as a message: a body that mail programs show well, pictures bound to it, the reports attached.

Structure (RFC 2046, RFC 2387): mixed( alternative( plain, related( html, pictures ) ), reports ). The same letter always
makes the same bytes: boundaries and Message-ID come from its content.
"""

from __future__ import annotations

import hashlib
import io
import textwrap
import zipfile
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from email import policy
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from functools import cache

from pipeline.delivery.mail.addresses import one_line
from pipeline.delivery.mail.letter import Attachment, Letter, attachment_name, words_in
from pipeline.delivery.mail.parcels import PAGE, Parcel

ZIPPED_OVER_BYTES = 3_000_000
"""A larger page travels zipped (common practice, no source)."""

TECHNICIAN = "technician"
"""In the name of the page that is attached only when asked for."""

_POLICY = policy.SMTP.clone(max_line_length=76, cte_type="7bit")
# RFC 5322 section 2.1.1 allows 998 and recommends 78; RFC 2047 wants 76 where a line holds an encoded word.


def attach_client_page(parcel: Parcel, language: str, units: str, written: date) -> Attachment:
    """The client's page of the unit, in the language and units of whoever gets it. Raises OSError."""
    from pipeline.report import Reader, client_page
    from pipeline.report.given import read_given

    reader = Reader(language=language, units=units)
    page = client_page(parcel.summary, read_given(parcel.folder), reader, written=written)
    return Attachment(name=attachment_name(parcel, ".html"), kind=("text", "html"), data=page)


def attach_technician_page(parcel: Parcel) -> Attachment:
    """The unit's page for a technician, zipped where it is large. Raises OSError."""
    from pipeline.report.payload.plotting import plotting_script

    page = plotting_script().made_whole((parcel.folder / PAGE).read_bytes())
    if len(page) <= ZIPPED_OVER_BYTES:
        return Attachment(name=attachment_name(parcel, ".html", TECHNICIAN), kind=("text", "html"), data=page)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        inside = zipfile.ZipInfo(
            attachment_name(parcel, ".html", TECHNICIAN), date_time=(1980, 1, 1, 0, 0, 0)
        )
        inside.compress_type = zipfile.ZIP_DEFLATED
        inside.external_attr = 0o644 << 16
        archive.writestr(inside, page)
    return Attachment(
        name=attachment_name(parcel, ".zip", TECHNICIAN), kind=("application", "zip"), data=packed.getvalue()
    )


def message_id(parcels: Iterable[Parcel], addresses: Sequence[str], domain: str, *, again: str = "") -> str:
    """The same for the same reports to the same addresses. again: tells one that was asked for anew from the first."""
    content = "\n".join([*(parcel.digest for parcel in parcels), *sorted(addresses), again])
    return f"<{hashlib.sha256(content.encode()).hexdigest()[:32]}@{domain}>"


def encode(
    letter: Letter,
    *,
    sender: Address,
    to: Sequence[str],
    name: str,
    reply_to: str | None,
    now: datetime,
    identifier: str,
    attachments: Sequence[Attachment],
) -> EmailMessage:
    """The message to send. to: checked addresses; name: the client's, for display; identifier: its Message-ID."""
    message = EmailMessage(policy=_POLICY)
    message["From"] = sender
    shown = one_line(name, longest=60)
    message["To"] = [Address(display_name=shown, addr_spec=address) for address in to]
    if reply_to:
        message["Reply-To"] = Address(addr_spec=reply_to)
    message["Subject"] = one_line(letter.subject)
    message["Date"] = format_datetime(now)
    message["Message-ID"] = identifier
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps out-of-office answers away
    message.set_content(plain_body(letter), cte="quoted-printable")
    message.add_alternative(html_body(letter), subtype="html", cte="quoted-printable")
    html = message.get_payload()[1]
    for unit in letter.units:
        for number, picture in enumerate(unit.pictures, start=1):
            html.add_related(
                picture.png,
                "image",
                "png",
                cid=f"<{picture.cid}>",
                disposition="inline",
                filename=f"picture-{number}.png",
            )
    for attachment in attachments:
        params = {"charset": "utf-8"} if attachment.kind == ("text", "html") else None
        message.add_attachment(attachment.data, *attachment.kind, filename=attachment.name, params=params)
    message["Content-Language"] = letter.language  # the parts above would take it along when they were added
    _name_boundaries(message, identifier)
    return message


def html_body(letter: Letter) -> str:
    """For people whose program shows HTML; everything from a log or a name is escaped."""
    return _template("message.html").render(letter=letter, words=words_in(letter.language))


def plain_body(letter: Letter) -> str:
    """For everyone else: lines of at most 72 characters."""
    text = _template("message.txt").render(letter=letter, words=words_in(letter.language))
    return "\n".join(line if line == "-- " else line.rstrip() for line in text.strip().split("\n")) + "\n"


def _fold(text: str, first: str = "", others: str | None = None) -> str:
    rest = first if others is None else others
    folded = textwrap.fill(text, 72, initial_indent=first, subsequent_indent=rest, break_long_words=False)
    return folded.replace("\N{NO-BREAK SPACE}", " ")  # kept a number and its unit on one line until here


@cache
def _template(name: str):
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("pipeline.delivery.mail", "pages"),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined,
        trim_blocks=name.endswith(".txt"),
    )
    environment.filters["fold"] = _fold
    return environment.get_template(name)


def _name_boundaries(message: EmailMessage, identifier: str) -> None:
    """Boundaries out of the Message-ID: unlike random ones they make the same message the same bytes."""
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        digest = hashlib.sha256(f"{identifier} {number}".encode()).hexdigest()
        part.set_boundary(f"=_{digest[:40]}")
