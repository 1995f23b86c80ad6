"""A mail server, spoken to by SMTP (RFC 5321) over TLS with its certificate verified."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import re
import smtplib
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.delivery.mail.addresses import one_line
from pipeline.delivery.mail.conversation import Conversation, SecureConversation, secrets_of
from pipeline.errors import DeliveryError, UsageError

PASSWORD_VARIABLE = "ICELOGS_SMTP_PASSWORD"
KEYRING_SERVICE = "icelogs"

Security = Literal["starttls", "tls", "none"]
PORTS: dict[str, int] = {"starttls": 587, "tls": 465, "none": 25}  # RFC 6409, RFC 8314, RFC 5321

CONNECT_S, ENVELOPE_S, DATA_S, SEND_S, AFTER_DATA_S = 120.0, 300.0, 120.0, 900.0, 600.0
"""How long each part of a conversation may take as a whole [s]: connecting with the login; sender and recipients; until the
message may come (2 minutes: RFC 5321 section 4.5.3.2.4); the message itself; the answer to it (10 minutes: section
4.5.3.2.6). Where no section is named: common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Server:
    """Which server, and how to get in."""

    host: str
    port: int
    security: Security
    user: str = ""
    password: str = ""
    ca_file: Path | None = None  # certificates to trust instead of the system's: a company's own authority

    def __post_init__(self) -> None:
        if self.security == "none" and not _is_loopback(self.host):
            raise UsageError(
                "--security none would send the reports (and a password) readable across the network",
                remedy="use starttls or tls; none is for a relay on this machine",
            )


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What the server said of one recipient or of the whole message."""

    code: int
    said: str

    @property
    def text(self) -> str:
        """Code and words, as a person may read them."""
        return f"{self.code} {self.said}"

    @property
    def accepted(self) -> bool:
        """Taken; the server answers for it from now on."""
        return self.code in (250, 251, 252)  # RFC 5321 section 4.3.2

    @property
    def put_off(self) -> bool:
        """Not now: a 4yz reply (RFC 5321, section 4.2.1)."""
        return 400 <= self.code < 500

    @property
    def permanent(self) -> bool:
        """Never: a 5yz reply (RFC 5321, section 4.2.1)."""
        return 500 <= self.code < 600


class Unreachable(DeliveryError):
    """The server can't be talked to just now; nothing was handed over."""


class Uncertain(DeliveryError):
    """The whole message was handed over, and the server did not say, or not clearly, what became of it."""


def password_for(user: str, host: str) -> str:
    """From the environment, else from the system's keyring. Raises UsageError where there is none."""
    if not user:
        return ""
    if PASSWORD_VARIABLE in os.environ:
        return os.environ[PASSWORD_VARIABLE]
    with contextlib.suppress(ImportError):
        import keyring
        from keyring.errors import KeyringError

        with contextlib.suppress(KeyringError):
            found = keyring.get_password(KEYRING_SERVICE, f"{user}@{host}")
            if found:
                return found
    raise UsageError(
        f"no password for {user} at {host}",
        remedy=f'set {PASSWORD_VARIABLE}, or keep it in the system keyring: keyring set {KEYRING_SERVICE} "{user}@{host}"',
    )


class Session:
    """One connection; several messages go through it one after the other."""

    def __init__(self, server: Server) -> None:
        """Connect, secure and log in. Raises Unreachable, or DeliveryError where trying again won't help."""
        self._smtp = _connect(server)
        self.size_limit = _size_limit(self._smtp)

    @property
    def is_open(self) -> bool:
        """Whether the connection stands."""
        return self._smtp.sock is not None

    def close(self) -> None:
        """Say goodbye, if the server still listens."""
        with contextlib.suppress(smtplib.SMTPException, OSError):
            self._smtp.allow(GOODBYE_S)
            self._smtp.quit()
        self._smtp.close()

    def hand_over(
        self,
        sender: str,
        to: Sequence[str],
        make: Callable[[], bytes],
        about_to: Callable[[Sequence[str]], None],
    ) -> dict[str, Reply]:
        """What the server says of each of `to`.

        make: gives the message, once the server has agreed to somebody. about_to: called with those just before the
        message goes out, when the server has asked for it. Whatever the two raise stops the handing over, with nothing
        sent. Raises Unreachable (no whole message was handed over), Uncertain, DeliveryError where the server takes no
        message from this sender.
        """
        smtp = self._smtp
        smtp.allow(ENVELOPE_S)
        try:
            answer = _answer(smtp.mail(sender))
            if answer.permanent:
                raise _sender_refused(sender, answer)
            if not answer.accepted:
                self._reset()
                return dict.fromkeys(to, answer)
            answers = {address: _answer(smtp.rcpt(address)) for address in to}
            unwelcome = next((answer for answer in answers.values() if answer.code in _LOGIN_NEEDED), None)
            if unwelcome is not None:
                raise _sender_refused(sender, unwelcome)
            agreed = [address for address, answer in answers.items() if answer.accepted]
            if not agreed:
                self._reset()
                return answers
        except (smtplib.SMTPException, OSError) as error:
            raise Unreachable(_say(error)) from error
        try:
            message = make()
            if self.size_limit and len(message) > self.size_limit:
                said = f"the message has {len(message) / 1e6:.1f} MB, the server takes {self.size_limit / 1e6:.1f} MB"
                self._reset()
                return answers | dict.fromkeys(agreed, Reply(code=_TOO_LARGE, said=said))
        except BaseException:
            smtp.close()
            raise
        try:
            refusal = self._asked_for_data()
        except (smtplib.SMTPException, OSError) as error:
            raise Unreachable(_say(error)) from error
        if refusal is not None:
            return answers | dict.fromkeys(agreed, refusal)
        try:
            about_to(agreed)
        except BaseException:
            smtp.close()  # without the end of the message: the server has to forget it (RFC 5321 section 4.1.1.4)
            raise
        try:
            return answers | dict.fromkeys(agreed, self._send(message))
        except (smtplib.SMTPException, OSError) as error:
            raise Unreachable(_say(error)) from error

    def _reset(self) -> None:
        """What was said of this message is forgotten; a server that is gone has done so."""
        with contextlib.suppress(smtplib.SMTPException, OSError):
            self._smtp.rset()

    def _asked_for_data(self) -> Reply | None:
        """None where the server is ready for the message; else what it says of it. Raises Unreachable, and what sending does."""
        self._smtp.allow(DATA_S)
        answer = _answer(self._smtp.docmd("DATA"))
        if answer.code == _GO_ON and not self._smtp.has_unrequested_reply():
            return None
        if answer.code == _CLOSING or not (answer.put_off or answer.permanent):
            self._smtp.close()
            raise Unreachable(f"the server did not ask for the message ({answer.text})")
        self._reset()
        return answer

    def _send(self, message: bytes) -> Reply:
        """What the server says of the whole message. Raises Uncertain once its end has gone out, else what sending does."""
        smtp = self._smtp
        smtp.allow(SEND_S)
        body = re.sub(rb"(?m)^\.", b"..", message.removesuffix(b"\r\n"))  # RFC 5321 section 4.5.2
        smtp.send(body + b"\r\n")
        if (
            smtp.has_unrequested_reply()
        ):  # before the end: an answer to something else, or a refusal that could not wait
            answer = _answer(smtp.getreply())
            smtp.close()
            if answer.permanent:
                return answer
            raise Unreachable(f"the server broke off ({answer.text})")
        try:
            smtp.allow(AFTER_DATA_S)
            smtp.send(b".\r\n")
            answer = _answer(smtp.getreply())
        except (smtplib.SMTPException, OSError) as error:
            raise Uncertain(_say(error)) from error
        if not (answer.accepted or answer.put_off or answer.permanent):
            smtp.close()
            raise Uncertain(f"the server's answer says neither yes nor no ({answer.text})")
        return answer


GOODBYE_S = 5.0
_GO_ON, _CLOSING = 354, 421  # RFC 5321 section 4.2.3
_TOO_LARGE = 552  # RFC 5321 section 4.2.3, RFC 1870 section 6.1
_LOGIN_NEEDED = (530, 534, 535, 538)  # RFC 4954 section 6


def _sender_refused(sender: str, answer: Reply) -> DeliveryError:
    return DeliveryError(
        f"the server takes no message from {sender} ({answer.text})",
        remedy="check --user and --from: many servers take only the user's own address",
    )


def _connect(server: Server) -> smtplib.SMTP:
    where = f"{server.host}:{server.port}"
    smtp: Conversation | SecureConversation | None = None
    try:
        # "localhost" in the greeting: the name of this machine is nobody's business.
        how = {
            "local_hostname": "localhost",
            "seconds": CONNECT_S,
            "secrets": secrets_of(server.user, server.password),
        }
        if server.security == "tls":
            smtp = SecureConversation(server.host, server.port, context=_context(server), **how)
        else:
            smtp = Conversation(server.host, server.port, **how)
        if server.security == "starttls":
            smtp.starttls(context=_context(server))
        smtp.ehlo_or_helo_if_needed()
        if server.user:
            smtp.login(server.user, server.password)
    except ssl.SSLCertVerificationError as error:
        _close(smtp)
        raise DeliveryError(
            f"the certificate of {where} can't be trusted ({error.verify_message})",
            remedy="check --host; for a server with a certificate of your own authority, name that with --ca",
        ) from error
    except ssl.SSLError as error:
        _close(smtp)
        raise DeliveryError(
            f"{where} does not speak TLS as asked ({error.reason})",
            remedy="check --port and --security: starttls is usually on 587, tls on 465",
        ) from error
    except smtplib.SMTPAuthenticationError as error:
        _close(smtp)
        if error.smtp_code < 500:
            raise Unreachable(
                f"{where} does not take a login just now ({_text(error.smtp_error)})"
            ) from error
        raise DeliveryError(
            f"{where} does not accept this user and password ({error.smtp_code} {_text(error.smtp_error)})",
            remedy=f"check --user and {PASSWORD_VARIABLE}; some servers want a password made for programs",
        ) from error
    except smtplib.SMTPNotSupportedError as error:
        _close(smtp)
        raise DeliveryError(
            f"{where} does not offer what is needed ({error})", remedy="check --port and --security"
        ) from error
    except (smtplib.SMTPException, OSError) as error:
        _close(smtp)
        raise Unreachable(f"{where} can't be reached ({_say(error)})") from error
    except (
        ValueError
    ) as error:  # a challenge that is no base64, or a password that the server's way of login can't carry
        _close(smtp)
        raise DeliveryError(
            f"{where} and this program find no way of login that carries the password",
            remedy="check --host and --user; a password of plain letters and digits works everywhere",
        ) from error
    return smtp


def _context(server: Server) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(server.ca_file) if server.ca_file else None)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _size_limit(smtp: Conversation | SecureConversation) -> int | None:
    """The largest message that the server takes [bytes], 0 where it sets none, None where it doesn't say (RFC 1870)."""
    if not smtp.has_extn("size"):
        return None
    text = smtp.esmtp_features.get("size", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else 0


def _answer(reply: tuple[int, bytes]) -> Reply:
    return Reply(code=reply[0], said=_text(reply[1]))


def _text(raw: bytes | str) -> str:
    return one_line(raw.decode("utf-8", "replace") if isinstance(raw, bytes) else raw, longest=300)


def _say(error: Exception) -> str:
    if isinstance(error, socket.gaierror):
        return "no such host"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_text(error.smtp_error)}"
    return _text(str(error)) or type(error).__name__


def _close(smtp: smtplib.SMTP | None) -> None:
    if smtp is not None:
        smtp.close()


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
