"""The verbs of delivery on the command line: `watch` and `email`."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

from pipeline.delivery.mail.addresses import one_line
from pipeline.language.text import plain

DONE, UNREAD = 0, 1


def add_watch(
    verbs, add_page_options: Callable[[argparse.ArgumentParser], None], page_options: Callable
) -> None:
    """`icelogs watch INBOX --to REPORTS`. page_options: arguments -> ReportOptions."""
    verb = verbs.add_parser(
        "watch",
        help="keep reports up to date with a drop folder",
        description="Watches INBOX and reports every unit whose files are new or changed, once they rest. Nothing in INBOX "
        "is changed, moved or removed. What can't be read stays there and is listed on the fleet page and in problems.csv. "
        "Stops on Ctrl-C or SIGTERM.",
        epilog="Exit status of --once: as of report. Without it: 0 when stopped.",
    )
    verb.add_argument("inbox", metavar="INBOX", type=Path, help="folder that logger files are dropped into")
    verb.add_argument("--to", metavar="REPORTS", type=Path, required=True, help="folder for the reports")
    add_page_options(verb)
    verb.add_argument(
        "--once", action="store_true", help="report what lies there, then stop: for cron and task schedulers"
    )
    verb.add_argument(
        "--jobs", metavar="N", type=_count, default=0, help="units worked on at once (default: one a core)"
    )
    verb.add_argument(
        "--rest",
        metavar="SECONDS",
        type=_seconds,
        default=5.0,
        help="a file may be read after so long without a change (default 5)",
    )
    verb.add_argument(
        "--scan",
        metavar="SECONDS",
        type=_seconds,
        default=60.0,
        help="look through the folder at least so often (default 60)",
    )
    verb.set_defaults(run=lambda arguments: _watch(arguments, page_options(arguments)))


def add_email(verbs) -> None:
    """`icelogs email REPORTS`."""
    verb = verbs.add_parser(
        "email",
        help="one message a client, written to look at or sent",
        description="Makes one message for each client named in a unit.toml or in clients.toml: what was seen, what is being done, "
        "what the client can do, and the client's pages attached. Writes .eml files that a mail program opens; with --send it sends them itself. "
        "A ledger keeps what was sent, so that no report goes out twice.",
        epilog="The password comes from ICELOGS_SMTP_PASSWORD or the system keyring, never from the command line. "
        "Exit status: 0 all written or sent; 1 something failed, was put off, or is in doubt; 2 wrong command line.",
    )
    verb.add_argument("reports", metavar="REPORTS", type=Path, help="folder that report or watch wrote into")
    verb.add_argument(
        "--to",
        metavar="OUTBOX",
        type=Path,
        default=None,
        help="folder for the .eml files (default REPORTS/outbox)",
    )
    verb.add_argument(
        "--clients", metavar="FILE", type=Path, default=None, help="default REPORTS/clients.toml"
    )
    verb.add_argument(
        "--from", metavar="SENDER", dest="sender", default="", help='"Your name <you@company.example>"'
    )
    verb.add_argument(
        "--only", choices=["act"], default=None, help="act: only units where there is something to do now"
    )
    verb.add_argument(
        "--unit", metavar="UNIT", action="append", default=[], help="only this unit; may be given again"
    )
    verb.add_argument(
        "--resend",
        action="store_true",
        help="also what was sent, refused or left in doubt before; best with --unit",
    )
    verb.add_argument(
        "--technician",
        action="store_true",
        help="the technician's pages go along; without it the client's pages alone",
    )
    verb.add_argument(
        "--arrived",
        action="store_true",
        help="what is in doubt did arrive: take it for sent; best with --unit",
    )
    server = verb.add_argument_group("sending")
    server.add_argument("--send", action="store_true", help="send over a mail server (SMTP)")
    server.add_argument("--host", metavar="HOST", default="", help="the mail server")
    server.add_argument(
        "--port", metavar="PORT", type=int, default=None, help="default 587 with starttls, 465 with tls"
    )
    server.add_argument(
        "--security",
        choices=["starttls", "tls", "none"],
        default="starttls",
        help="none: only for a relay on this machine",
    )
    server.add_argument(
        "--user", metavar="USER", default="", help="login; leave it out where the server asks for none"
    )
    server.add_argument(
        "--ca",
        metavar="FILE",
        type=Path,
        default=None,
        help="trust these certificates (PEM) instead of the system's",
    )
    verb.set_defaults(run=_email)


def _watch(arguments, page_options) -> int:
    from pipeline.delivery.watch.watch import WatchOptions, watch
    from pipeline.flow import RunOptions
    from pipeline.store import Locked

    options = WatchOptions(
        run=RunOptions(report=page_options, jobs=arguments.jobs),
        once=arguments.once,
        rest_s=arguments.rest,
        scan_s=arguments.scan,
    )
    with _stop_on_signals() as stop:
        try:
            if not arguments.once:
                _say(f'watching "{arguments.inbox.name}"; stop with Ctrl-C')
            outcome = watch(arguments.inbox, arguments.to, options, stop=stop, say=_say)
        except Locked as error:
            if not arguments.once:
                raise
            _say(f"{error.found}: nothing to do here")
            return DONE
        if not arguments.once:
            _say("stopped; every report is whole")
            return DONE
    return UNREAD if outcome.problems or outcome.failure else DONE


def _email(arguments) -> int:
    from pipeline.delivery.mail.post import PostOptions, post
    from pipeline.errors import DeliveryError

    server = _server(arguments)
    options = PostOptions(
        outbox=arguments.to,
        book=arguments.clients,
        sender=arguments.sender,
        server=server,
        only_act=arguments.only == "act",
        units=tuple(arguments.unit),
        resend=arguments.resend,
        arrived=arguments.arrived,
        technician=arguments.technician,
    )
    with _stop_on_signals() as stop:
        try:
            outcome = post(
                arguments.reports,
                options,
                now=lambda: datetime.now().astimezone(),
                sleep=stop.wait,
                stopped=stop.is_set,
                progress=_show_step,
            )
        except OSError as error:
            name = Path(error.filename).name if isinstance(error.filename, str) else ""
            raise DeliveryError(
                f"stopped ({error.strerror or error})",
                file=name,
                remedy="see whether the disk is full or this account has no right; the ledger knows what was sent",
            ) from error
    for fault in outcome.faults:
        print(f"icelogs: {fault}", file=sys.stderr)
    if outcome.without_client:
        names = ", ".join(map(one_line, outcome.without_client))
        print(
            f"icelogs: nobody gets {names}: name a client in the unit.toml ([client]) or in clients.toml",
            file=sys.stderr,
        )
    if outcome.sender_missing:
        print("icelogs: the files have no sender yet; give one with --from", file=sys.stderr)
    if not outcome.steps:
        print("nothing to write or send")
    return DONE if outcome.complete else UNREAD


def _server(arguments):
    from pipeline.delivery.mail.server import PORTS, Server, password_for
    from pipeline.errors import UsageError

    if not arguments.send:
        if arguments.host or arguments.user:
            raise UsageError("a mail server is named, but nothing is to be sent", remedy="add --send")
        return None
    if not arguments.host:
        raise UsageError("no mail server is named", remedy="say --host mail.company.example")
    return Server(
        host=arguments.host,
        port=arguments.port or PORTS[arguments.security],
        security=arguments.security,
        user=arguments.user,
        password=password_for(arguments.user, arguments.host),
        ca_file=arguments.ca,
    )


_SAID = {
    "written": "written",
    "sent": "sent",
    "skipped": "nothing new",
    "later": "put off",
    "refused": "refused",
    "unknown": "in doubt",
}


def _show_step(step) -> None:
    who = f"{one_line(step.client)} " if step.client else ""
    line = f"{_SAID[step.state]}: {who}<{', '.join(step.to)}> {', '.join(map(one_line, step.units))}"
    failed = step.state in ("later", "refused", "unknown")
    print(f"{line}: {step.said}" if step.said else line, file=sys.stderr if failed else sys.stdout)


def _say(line: str) -> None:
    print(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S} {plain(line)}", file=sys.stderr, flush=True)


@contextlib.contextmanager
def _stop_on_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM, SIGINT (and Ctrl-Break on Windows) set; a second one ends the program at once."""
    stop = threading.Event()
    before = {}

    def ask(number, _frame) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    for name in ("SIGTERM", "SIGINT", "SIGBREAK"):
        if hasattr(signal, name):
            before[getattr(signal, name)] = signal.signal(getattr(signal, name), ask)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _count(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 up")
    return int(text)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds < 86_400:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds")
    return seconds
