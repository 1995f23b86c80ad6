"""A mail server on loopback that says what it was told to say, right or wrong, at each step of RFC 5321."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

Said = bytes | Callable[[socket.socket], None] | None
"""What is sent; or a function that does with the connection what it likes; None: the connection is closed."""

PLAIN: dict[str, Said] = {
    "greeting": b"220 ready\r\n",
    "ehlo": b"250-here\r\n250 AUTH PLAIN LOGIN\r\n",
    "auth": b"235 welcome\r\n",
    "mail": b"250 ok\r\n",
    "rcpt": b"250 ok\r\n",
    "data": b"354 go on\r\n",
    "end": b"250 taken\r\n",
    "rset": b"250 ok\r\n",
    "quit": b"221 bye\r\n",
}


@dataclass
class ScriptedServer:
    """`says` by step; what came is in `commands` and `messages` (whole ones, as they were sent)."""

    says: dict[str, Said]
    port: int = 0
    ca_file: None = None
    commands: list[str] = field(default_factory=list)
    messages: list[bytes] = field(default_factory=list)

    def serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as lines, contextlib.suppress(OSError):
            if not self._say("greeting", connection):
                return
            for line in lines:
                step = line.split(None, 1)[0].decode("latin-1").lower() if line.split() else ""
                self.commands.append(step)
                if not self._say(step if step in self.says else "auth", connection) or step == "quit":
                    return
                if step == "data" and self.says["data"] == PLAIN["data"]:
                    self._take(lines)
                    if not self._say("end", connection):
                        return

    def _take(self, lines) -> None:
        message = []
        for line in lines:
            if line == b".\r\n":
                self.messages.append(b"".join(message))
                return
            message.append(line)
        raise OSError("the message did not end")

    def _say(self, step: str, connection: socket.socket) -> bool:
        said = self.says[step]
        if said is None:
            return False
        if callable(said):
            said(connection)
        else:
            connection.sendall(said)
        return True


@contextlib.contextmanager
def scripted_server(**says: Said) -> Iterator[ScriptedServer]:
    """A server under way that says at each step what `says` has for it, and elsewhere what is right."""
    listener = socket.create_server(("127.0.0.1", 0))
    server = ScriptedServer(says=PLAIN | says, port=listener.getsockname()[1])

    def accept() -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = listener.accept()
                threading.Thread(target=server.serve, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield server
    finally:
        listener.close()
