"""The reports of a folder to their clients: as files to send by hand, or over a mail server, with a ledger.

what lies ready → who gets what → what of that is still due → one message at a time → the ledger
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address
from pathlib import Path

from pipeline import atomic
from pipeline.delivery.mail.addresses import checked_address, file_name, one_line
from pipeline.delivery.mail.clients import FILE as BOOK
from pipeline.delivery.mail.clients import ClientBook, ill_addressed, load_book, recipients
from pipeline.delivery.mail.dispatch import Dispatch
from pipeline.delivery.mail.ledger import FILE as LEDGER
from pipeline.delivery.mail.ledger import Ledger
from pipeline.delivery.mail.message import SenderAddress, Unmade, make
from pipeline.delivery.mail.outstanding import Due, MessageOutcome, settle, what_is_due
from pipeline.delivery.mail.parcels import Parcel, parcels
from pipeline.delivery.mail.server import Server
from pipeline.errors import IceLogError, UsageError
from pipeline.store import StorePlace

NOBODY = "sender@example.invalid"
"""A name that can't exist (RFC 2606): in a file to send by hand, the user's own takes its place."""

UNSENT = b"X-Unsent: 1\r\n"
"""In the head of a file: many mail programs then open it as a draft to send (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class PostOptions:
    """What to do with the reports."""

    outbox: Path | None = None  # for the files; None: REPORTS/outbox
    book: Path | None = None  # None: REPORTS/clients.toml, if it is there
    sender: str = ""  # "Name <address>" or an address; "": from the book
    server: Server | None = None  # None: write files, send nothing
    only_act: bool = False
    units: tuple[str, ...] = ()  # only these; () for all
    resend: bool = False  # also what the ledger says was sent, refused, or may have been
    arrived: bool = False  # take for sent what may have been
    technician: bool = False  # the technician's pages go along


@dataclass(frozen=True, kw_only=True)
class PostOutcome:
    """What became of all messages."""

    steps: tuple[MessageOutcome, ...]
    without_client: tuple[str, ...] = ()  # units that nobody gets
    faults: tuple[IceLogError, ...] = ()  # reports that can't be sent, and why
    sender_missing: bool = False  # files were written without a sender

    @property
    def complete(self) -> bool:
        """Nothing failed, and nothing is in doubt."""
        return not self.faults and all(step.state in ("written", "sent", "skipped") for step in self.steps)


def post(
    reports: Path,
    options: PostOptions,
    *,
    now: Callable[[], datetime],
    sleep: Callable[[float], object],
    stopped: Callable[[], bool] = lambda: False,
    progress: Callable[[MessageOutcome], None] = lambda step: None,
) -> PostOutcome:
    """One message a client, written to the outbox or sent.

    now: the time with its zone. sleep: waits so many seconds. stopped: whether to end after the message under way.
    Raises UsageError, UnitConfigError, DeliveryError or OSError where it can't be done at all, or not go on.
    """
    if not reports.is_dir():
        raise UsageError(
            f'there is no folder "{reports.name}"', remedy="name the folder that `icelogs report` wrote into"
        )
    if options.book is not None and not options.book.is_file():
        raise UsageError(f'there is no file "{options.book.name}"', remedy="check --clients")
    steps: list[MessageOutcome] = []

    def note(step: MessageOutcome) -> None:
        steps.append(step)
        progress(step)

    place = StorePlace(reports)
    with place.for_one_post():
        book = load_book(options.book or reports / BOOK)
        sender = _sender(options, book)
        with place.for_one_run():
            ready, faults = parcels(reports)
        there = {parcel.unit for parcel in ready} | {fault.file for fault in faults}
        if unknown := next((unit for unit in options.units if unit not in there), None):
            raise UsageError(
                f'there is no report of "{unknown}"', remedy="see fleet.csv for the units; check --unit"
            )
        chosen = {parcel.unit: parcel for parcel in ready if _is_wanted(parcel, options)}
        own = {name: parcel.client for name, parcel in chosen.items()}
        astray = ill_addressed(own)
        chosen = {name: parcel for name, parcel in chosen.items() if name not in astray}
        everyone, nobody = recipients(chosen, own, book)
        ledger = Ledger(reports / LEDGER)
        if options.arrived:
            settle(everyone, chosen, ledger, now=now())
        due, held = what_is_due(
            everyone,
            chosen,
            ledger,
            now=now(),
            by_hand=options.server is None,
            resend=options.resend,
            technician=options.technician,
        )
        for step in held:
            note(step)
        if options.server is None:
            _write(
                due,
                options.outbox or reports / "outbox",
                sender,
                options,
                now=now,
                stopped=stopped,
                note=note,
            )
        else:
            Dispatch(
                server=options.server,
                sender=sender,
                ledger=ledger,
                now=now,
                sleep=sleep,
                stopped=stopped,
                note=note,
            ).send(due)
    return PostOutcome(
        steps=tuple(steps),
        without_client=nobody,
        faults=(*faults, *astray.values()),
        sender_missing=sender.address.addr_spec == NOBODY and any(step.state == "written" for step in steps),
    )


def _write(
    due: Sequence[Due],
    outbox: Path,
    sender: SenderAddress,
    options: PostOptions,
    *,
    now: Callable[[], datetime],
    stopped: Callable[[], bool],
    note: Callable[[MessageOutcome], None],
) -> None:
    """Each message as a file that a mail program opens; one that lies ready already stays as it is."""
    outbox.mkdir(parents=True, exist_ok=True)
    atomic.sweep(outbox)
    for message in due:
        if stopped():
            return
        place = outbox / _file_of(message, sender)
        if place.exists() and not options.resend:
            note(message.step("skipped", f"lies ready as {place.name}"))
            continue
        try:
            data = make(message, sender, now())
        except Unmade as error:
            note(message.step("later", str(error)))
            continue
        atomic.write_bytes(place, UNSENT + data, durable=True)
        note(message.step("written", place.name))


def _file_of(due: Due, sender: SenderAddress) -> str:
    day = max(parcel.summary.log_end for parcel in due.parcels)[:10]
    mark = due.identifier(sender.address.domain)[1:9]
    return file_name(f"{due.recipient.name or due.addresses[0]} {day} {mark}", ".eml")


def _is_wanted(parcel: Parcel, options: PostOptions) -> bool:
    return (not options.units or parcel.unit in options.units) and (
        not options.only_act or parcel.needs_something
    )


def _sender(options: PostOptions, book: ClientBook) -> SenderAddress:
    if options.sender:
        name, _, address = options.sender.rpartition("<")
        address = checked_address(address.removesuffix(">"), file="--from", error=UsageError)
        return SenderAddress(address=Address(display_name=one_line(name.strip(' "')), addr_spec=address))
    if book.sender is not None:
        address = checked_address(book.sender.email, file=BOOK)
        reply_to = checked_address(book.sender.reply_to, file=BOOK) if book.sender.reply_to else None
        return SenderAddress(
            address=Address(display_name=one_line(book.sender.name), addr_spec=address), reply_to=reply_to
        )
    if options.server is not None:
        raise UsageError(
            "nobody is named as the sender",
            remedy='say --from "Your name <you@company.example>", or in clients.toml',
        )
    return SenderAddress(address=Address(addr_spec=NOBODY))
