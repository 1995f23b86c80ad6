"""A conversation with a mail server by SMTP (RFC 5321), bounded: what the server says, in bytes; how long all takes, in time.

The standard library speaks the protocol; here each reply is read under a limit, checked, and stripped of the password.
"""

from __future__ import annotations

import base64
import contextlib
import re
import smtplib
import socket
import ssl
import time
from urllib.parse import quote

MOST_REPLY_BYTES = 64_000
MOST_BYTES = 4_000_000
"""Bounds on one reply and on all of a conversation (common practice, no source; RFC 5321 section 4.5.3.1.5 allows a line of a
reply 512 bytes)."""

_LINE = re.compile(rb"([1-5][0-9][0-9])(?:([ -])(.*))?\r?\n", re.DOTALL)
_PIECE = 65_536
_BLANK = b"(password)"


class Garbled(smtplib.SMTPException):
    """The server said something that is no reply of SMTP."""


class _Bounded:
    """Reads replies and sends under limits; for a class of smtplib to stand behind it."""

    def __init__(self, *args, seconds: float, secrets: tuple[str, ...] = (), **more) -> None:
        """seconds: for connecting. secrets: what must not be repeated, whatever the server says."""
        self._received_bytes = 0
        self._unread = b""
        self._from = (
            None  # the socket that `_unread` came from: what came before TLS counts for nothing (RFC 3207)
        )
        self._secrets = _pattern_of(secrets)
        self.allow(seconds)
        super().__init__(*args, timeout=seconds, **more)

    def allow(self, seconds: float) -> None:
        """So long from now may all that follows take, until the next call."""
        self._until = time.monotonic() + seconds

    def getreply(self) -> tuple[int, bytes]:
        """(code, text) of one reply, its lines joined. Raises SMTPException, OSError; then the conversation is over."""
        try:
            return self._reply()
        except (smtplib.SMTPException, OSError):
            self.close()
            raise

    def send(self, data: bytes | str) -> None:
        """Send a command or a piece of a message. Raises SMTPException, OSError; then the conversation is over."""
        left = memoryview(data.encode(self.command_encoding) if isinstance(data, str) else data)
        try:
            while len(left):
                self._set_timeout()
                left = left[self.sock.send(left[:_PIECE]) :]
        except OSError:
            self.close()
            raise

    def has_unrequested_reply(self) -> bool:
        """Whether the server said something that nobody has asked it for yet."""
        if self.sock is None:
            return False
        if isinstance(self.sock, ssl.SSLSocket):
            return bool(self._unread) or self.sock.pending() > 0
        self.sock.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            return bool(self._unread) or bool(self.sock.recv(1, socket.MSG_PEEK))
        return False

    def _reply(self) -> tuple[int, bytes]:
        if self._from is not self.sock:
            self._from, self._unread = self.sock, b""
        code, texts, size, more = b"", [], 0, True
        while more:
            line = self._line(MOST_REPLY_BYTES - size)
            size += len(line)
            match = _LINE.fullmatch(line)
            if match is None or (texts and match[1] != code):
                raise Garbled("the server's answer is no reply of a mail server")
            code, more = match[1], match[2] == b"-"
            texts.append((match[3] or b"").strip())
        text = b"\n".join(texts)
        return int(code), self._secrets.sub(_BLANK, text) if self._secrets is not None else text

    def _line(self, most: int) -> bytes:
        """The next line, its end included."""
        while (end := self._unread.find(b"\n") + 1) == 0:
            if len(self._unread) > most or self._received_bytes > MOST_BYTES:
                raise Garbled("the server talks without end")
            self._set_timeout()
            piece = self.sock.recv(_PIECE)
            if not piece:
                raise smtplib.SMTPServerDisconnected("the server ended the connection")
            self._received_bytes += len(piece)
            self._unread += piece
        if end > most:
            raise Garbled("the server talks without end")
        line, self._unread = self._unread[:end], self._unread[end:]
        return line

    def _set_timeout(self) -> None:
        if self.sock is None:
            raise smtplib.SMTPServerDisconnected("the connection ended")
        left_s = self._until - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("no answer in time")
        self.sock.settimeout(left_s)


class Conversation(_Bounded, smtplib.SMTP):
    """In the clear, until `starttls`."""


class SecureConversation(_Bounded, smtplib.SMTP_SSL):
    """Over TLS from the first byte (RFC 8314)."""


def secrets_of(user: str, password: str) -> tuple[str, ...]:
    """The password in each form in which a login sends it, and in which a server may say it again."""
    if not password:
        return ()
    plain = password.encode("utf-8")
    login = f"\0{user}\0{password}".encode()  # RFC 4616
    return (password, quote(password), base64.b64encode(plain).decode(), base64.b64encode(login).decode())


def _pattern_of(secrets: tuple[str, ...]) -> re.Pattern[bytes] | None:
    """Each of `secrets`, in any case, and whatever blanks a server put between its signs."""
    parts = {b"\\s*".join(re.escape(bytes([b])) for b in _signs(secret)) for secret in secrets}
    parts.discard(b"")
    return re.compile(b"|".join(sorted(parts, key=len, reverse=True)), re.IGNORECASE) if parts else None


def _signs(secret: str) -> bytes:
    return b"".join(secret.rstrip("=").encode("utf-8").split())
