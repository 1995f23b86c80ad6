"""A real SMTP server on loopback, with TLS and login, that can be told to be difficult."""

from __future__ import annotations

import contextlib
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

USER, PASSWORD = "desk@tech.example", "a long pass phrase"


@dataclass
class Received:
    sender: str
    to: list[str]
    raw: bytes

    @property
    def message(self) -> EmailMessage:
        return message_from_bytes(self.raw, policy=policy.default)


@dataclass
class MailServer:
    """What arrived, and what to answer instead of yes: each answer is used once, in order."""

    host: str = "localhost"
    port: int = 0
    ca_file: Path | None = None
    received: list[Received] = field(default_factory=list)
    to_recipient: dict[str, list[str]] = field(default_factory=dict)  # address -> answers to RCPT
    to_data: list[str] = field(default_factory=list)  # answers to the message
    to_sender: list[str] = field(default_factory=list)  # answers to MAIL
    drop_after_data: int = 0  # so many times: take the message, then end the connection without an answer
    at_rcpt: Callable[[], None] = lambda: None  # called when a recipient is named
    at_data: Callable[[], None] = lambda: None  # called when a message was taken, before the answer

    async def handle_MAIL(self, server, session, envelope, address, options):
        if self.to_sender:
            return self.to_sender.pop(0)
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server, session, envelope, address, options):
        self.at_rcpt()
        if self.to_recipient.get(address):
            return self.to_recipient[address].pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        if self.to_data:
            return self.to_data.pop(0)
        self.received.append(Received(envelope.mail_from, list(envelope.rcpt_tos), envelope.content))
        self.at_data()
        if self.drop_after_data:
            self.drop_after_data -= 1
            server.transport.abort()
        return "250 taken"


@contextlib.contextmanager
def mail_server(
    folder: Path,
    *,
    security: str = "starttls",
    login: bool = True,
    host_in_certificate: str = "localhost",
    size: int = 2**25,
) -> Iterator[MailServer]:
    """A server under way. security: "starttls", "tls" or "none"."""
    authority = trustme.CA()
    certificate = authority.issue_cert(host_in_certificate)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    certificate.configure_cert(context)
    server = MailServer(ca_file=folder / "authority.pem", port=_free_port())
    authority.cert_pem.write_to_path(str(server.ca_file))

    def authenticate(smtp, session, envelope, mechanism, data):
        good = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=good, handled=False)

    options = {"authenticator": authenticate, "auth_required": True} if login else {}
    if security == "tls":
        options |= {"ssl_context": context, "auth_require_tls": False}
    elif security == "starttls":
        options |= {"tls_context": context, "require_starttls": True}
    else:
        options |= {"auth_require_tls": False}
    controller = Controller(
        server,
        hostname="localhost",
        port=server.port,
        data_size_limit=size,
        server_hostname="localhost",
        **options,
    )
    controller.start()
    try:
        yield server
    finally:
        controller.stop()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
