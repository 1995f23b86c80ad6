"""Which reports still have to go to whom: what lies ready, less what the ledger says."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from pipeline.delivery.mail.clients import Recipient
from pipeline.delivery.mail.ledger import Entry, Ledger, State, waiting_until
from pipeline.delivery.mail.parcels import CLIENT_PAGE, PAGE, Parcel

LARGEST_BYTES = 15_000_000
"""Attached pages in one message, as encoded, before it becomes several: many servers stop at 25 MB, some at 20 (common
practice, no source)."""

ENCODED = 78 / 57
"""Base64 in lines of 76 characters makes 78 bytes of 57: RFC 2045, section 6.8."""


@dataclass(frozen=True, kw_only=True)
class MessageOutcome:
    """What became of one message: `state` is "written", "sent", "skipped", "later", "refused" or "unknown"."""

    state: str
    client: str
    to: tuple[str, ...]
    units: tuple[str, ...]
    said: str = ""


@dataclass(frozen=True, kw_only=True)
class Due:
    """One message that is to go out."""

    recipient: Recipient
    addresses: tuple[str, ...]
    parcels: tuple[Parcel, ...]
    part: tuple[int, int] = (1, 1)  # the first of two, …
    again: str = ""  # what tells a repetition from the first
    tries: int = 0  # in earlier runs
    technician: bool = False  # whether the technician's page goes along

    @property
    def units(self) -> tuple[str, ...]:
        """Those that the message speaks of, in its order."""
        return tuple(parcel.unit for parcel in self.parcels)

    def identifier(self, domain: str) -> str:
        """The Message-ID, of a sender at `domain`: the same for the same reports to the same addresses, unless asked for anew."""
        again = self.again + (" technician" if self.technician else "")
        content = "\n".join([*(parcel.digest for parcel in self.parcels), *sorted(self.addresses), again])
        return f"<{hashlib.sha256(content.encode()).hexdigest()[:32]}@{domain}>"

    def step(self, state: str, said: str, addresses: Sequence[str] | None = None) -> MessageOutcome:
        """What became of the message, or of it for some of its `addresses` (None: all); said: the reason in words."""
        return MessageOutcome(
            state=state,
            client=self.recipient.name,
            to=tuple(self.addresses if addresses is None else addresses),
            units=self.units,
            said=said,
        )


def what_is_due(
    everyone: Iterable[Recipient],
    ready: Mapping[str, Parcel],
    ledger: Ledger,
    *,
    now: datetime,
    by_hand: bool,
    resend: bool,
    technician: bool = False,
) -> tuple[tuple[Due, ...], tuple[MessageOutcome, ...]]:
    """The messages to make, and what is held back with the reason.

    Addresses of a client that lack the same reports share one message. by_hand: the user sends it, so neither a
    refusal nor a wait that a server asked for holds it back. resend: nothing does. technician: the technician's pages go
    along.
    """
    due: list[Due] = []
    held: list[MessageOutcome] = []
    for recipient in everyone:
        parcels = sorted(
            (ready[name] for name in recipient.machines), key=lambda parcel: parcel.summary.order
        )
        shared: dict[tuple[tuple[str, ...], str, int], list[str]] = {}
        for address in recipient.addresses:
            lacking, again, tries = [], "", 0
            for parcel in parcels:
                last = ledger.last(parcel.unit, parcel.digest, address)
                reason = None if last is None or resend else _held_back(last, now, by_hand)
                if reason is not None:
                    state, said = reason
                    held.append(
                        MessageOutcome(
                            state=state, client=recipient.name, to=(address,), units=(parcel.unit,), said=said
                        )
                    )
                    continue
                lacking.append(parcel.unit)
                if last is not None:
                    tries = max(tries, last.tries)
                    again = max(again, last.at if last.state in (State.ACCEPTED, State.REFUSED) else "")
            if lacking:
                shared.setdefault((tuple(lacking), again, tries), []).append(address)
        for (units, again, tries), addresses in shared.items():
            groups = list(_by_size([ready[unit] for unit in units], technician))
            due += [
                Due(
                    recipient=recipient,
                    addresses=tuple(addresses),
                    parcels=tuple(group),
                    part=(number, len(groups)),
                    again=again,
                    tries=tries,
                    technician=technician,
                )
                for number, group in enumerate(groups, start=1)
            ]
    return tuple(due), tuple(held)


def settle(
    everyone: Iterable[Recipient], ready: Mapping[str, Parcel], ledger: Ledger, *, now: datetime
) -> None:
    """Take for sent what is in doubt: the user has learnt that it arrived. Raises OSError."""
    for recipient in everyone:
        for address in recipient.addresses:
            for parcel in (ready[name] for name in recipient.machines):
                last = ledger.last(parcel.unit, parcel.digest, address)
                if last is not None and last.state is State.TRYING:
                    ledger.add(
                        replace(
                            last,
                            at=now.isoformat(timespec="seconds"),
                            state=State.ACCEPTED,
                            to=(address,),
                            reports={parcel.unit: parcel.digest},
                            said="arrived, as the user says",
                        )
                    )


def _held_back(last: Entry, now: datetime, by_hand: bool) -> tuple[str, str] | None:
    """State and reason; None where nothing stands in the way."""
    if last.state is State.ACCEPTED:
        return "skipped", f"was sent on {last.at}"
    if last.state is State.TRYING:
        return "unknown", (
            f"the run of {last.at} was interrupted while it handed this over, so it may have arrived or not; "
            "ask the client, then use --arrived or --resend"
        )
    if by_hand:
        return None
    if last.state is State.REFUSED:
        return "refused", f"was refused on {last.at} ({last.said}); mend the cause, then use --resend"
    until = waiting_until(last)
    if until is not None and now < until:
        return "later", f"{last.said}; will be tried again after {last.again_at}"
    return None


def _by_size(parcels: Sequence[Parcel], technician: bool) -> Iterator[list[Parcel]]:
    """Groups whose attachments, as encoded, stay under LARGEST_BYTES together."""
    group: list[Parcel] = []
    total = 0.0
    for parcel in parcels:
        pages = (CLIENT_PAGE, PAGE) if technician else (CLIENT_PAGE,)
        size = sum(ENCODED * (parcel.folder / page).stat().st_size for page in pages)
        if group and total + size > LARGEST_BYTES:
            yield group
            group, total = [], 0.0
        group.append(parcel)
        total += size
    if group:
        yield group
