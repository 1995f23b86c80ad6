"""Messages over a mail server, each once, whatever happens in between.

For one message: the server agrees to the recipients and asks for the message; the ledger says `trying`; the message goes out;
the ledger says what became of it. Killed before `trying`, nothing went out; killed after it, the next run knows that it can't
know.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from pipeline.delivery.mail.ledger import Entry, Ledger, State
from pipeline.delivery.mail.message import SenderAddress, Unmade, make
from pipeline.delivery.mail.outstanding import Due, MessageOutcome
from pipeline.delivery.mail.server import Reply, Server, Session, Uncertain, Unreachable

ROUND_WAITS_S = (5.0, 20.0)
"""Between the tries within one run [s]: gets over a server that is busy for a moment."""

FIRST_WAIT, LONGEST_WAIT = timedelta(minutes=5), timedelta(hours=6)
"""Between runs: 5 minutes after the first, then twice as long each time (common practice; RFC 5321 section 4.5.4.1 asks
to wait, and to keep on for days)."""


@dataclass(frozen=True, kw_only=True)
class Dispatch:
    """How messages go out. `send` is the whole of it."""

    server: Server
    sender: SenderAddress
    ledger: Ledger
    now: Callable[[], datetime]
    sleep: Callable[[float], object]
    stopped: Callable[[], bool]
    note: Callable[[MessageOutcome], None]

    def send(self, due: Sequence[Due]) -> None:
        """Hand every message over once; try again those that the server puts off; keep the rest for the next run.

        Raises DeliveryError where the server can't be used at all (certificate, login, sender), OSError where the
        ledger can't be written: then nothing more goes out.
        """
        left = deque(due)
        for tries in range(len(ROUND_WAITS_S) + 1):
            again = self._round(left, last=tries == len(ROUND_WAITS_S))
            if not again or self.stopped():
                left.extend(again)
                break
            self.sleep(ROUND_WAITS_S[tries] * random.uniform(0.75, 1.25))
            left = deque(again)
        for message in left:
            self.note(message.step("later", "this run was stopped before it"))

    def _round(self, left: deque[Due], *, last: bool) -> list[Due]:
        """Try each of `left` once; return those to try again."""
        again: list[Due] = []
        session: Session | None = None
        try:
            while left and not self.stopped():
                message = left.popleft()
                try:
                    if session is not None and not session.is_open:
                        session = None
                    session = session or Session(self.server)
                    again += self._hand_over(message, session, last=last)
                except Unmade as error:
                    self.note(message.step("later", str(error)))
                    session = None
                except Uncertain as error:
                    said = f"{error.found}; it may have arrived or not: ask the client, then use --arrived or --resend"
                    self.note(message.step("unknown", said))
                    session = None
                except Unreachable as error:
                    # Without a connection the others would fare no better.
                    fallen = [message] if session else [message, *left]
                    if session is None:
                        left.clear()
                    session = None
                    for one in fallen:
                        again += self._put_off(one, one.addresses, error.found, last=last)
        finally:
            if session is not None:
                session.close()
        return again

    def _hand_over(self, due: Due, session: Session, *, last: bool) -> list[Due]:
        answers = session.hand_over(
            self.sender.address.addr_spec,
            due.addresses,
            make=lambda: make(due, self.sender, self.now()),
            about_to=lambda agreed: self.ledger.add(self._entry(due, State.TRYING, agreed)),
        )
        again: list[Due] = []
        for answer, addresses in _by_answer(answers):
            if answer.accepted:
                self._record(due, State.ACCEPTED, addresses, answer.text)
            elif answer.permanent:
                self._record(due, State.REFUSED, addresses, answer.text)
            else:
                again += self._put_off(due, addresses, answer.text, last=last)
        return again

    def _record(self, due: Due, state: State, addresses: Sequence[str], said: str) -> None:
        self.ledger.add(self._entry(due, state, addresses, said))
        self.note(due.step("sent" if state is State.ACCEPTED else "refused", said, addresses))

    def _put_off(self, due: Due, addresses: Sequence[str], said: str, *, last: bool) -> list[Due]:
        """Nothing was handed over: once more in this run, or in a later one."""
        wait = min(FIRST_WAIT * 2 ** min(due.tries, 10), LONGEST_WAIT)
        until = (self.now() + wait).isoformat(timespec="seconds")
        self.ledger.add(self._entry(due, State.DEFERRED, addresses, said, again_at=until))
        if not last:
            return [replace(due, addresses=tuple(addresses))]
        self.note(due.step("later", f"{said}; will be tried again after {until}", addresses))
        return []

    def _entry(
        self, due: Due, state: State, addresses: Sequence[str], said: str = "", *, again_at: str = ""
    ) -> Entry:
        return Entry(
            at=self.now().isoformat(timespec="seconds"),
            state=state,
            message=due.identifier(self.sender.address.domain),
            to=tuple(addresses),
            reports={parcel.unit: parcel.digest for parcel in due.parcels},
            said=said,
            tries=due.tries + 1,
            again_at=again_at,
        )


def _by_answer(answers: dict[str, Reply]) -> list[tuple[Reply, tuple[str, ...]]]:
    groups: dict[Reply, list[str]] = {}
    for address, answer in answers.items():
        groups.setdefault(answer, []).append(address)
    return [(answer, tuple(addresses)) for answer, addresses in groups.items()]
