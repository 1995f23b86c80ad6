"""Lines of a megabyte of each kind of character, in the head, among the rows and as the whole file: seconds until read or refused.

    python -m tests.bench.long_lines [--bytes 1000000]

Every row must stay under one second: all tests on rows are linear in their length.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from pipeline.errors import IceLogError
from pipeline.logs import assemble, read_file
from pipeline.unit import Unit

_ROWS = b"".join(
    b"2026-05-04 10:%02d:%02d,%.2f\n" % (i // 6, 10 * (i % 6), -3.5 - i / 100) for i in range(60)
)
_HEAD = b"Time,Evaporator (\xc2\xb0C)\n"
PIECES = {
    **{repr(chr(c)): bytes([c]) for c in (*range(0, 128, 1), 0xB0, 0xFF)},
    "é": "é".encode(),
    "١": "١".encode(),
    "1:11": b"1:11",
    "1:11,": b"1:11,",
    "1:11 ": b"1:11 ",
    "2026-05-04 10:00:00,": b"2026-05-04 10:00:00,",
    "quote a": b'"a',
    ',"': b',"',
    "a, ": b"a, ",
    "key: ": b"key: ",
    "= ;": b"= ;",
    "-1.5 ": b"-1.5 ",
    "1  2": b"1  2",
    "blanks and a letter": b"    x",
    "tabs and blanks": b" \t",
    "(a": b"(a",
    "[(": b"[(",
}


def places(line: bytes) -> dict[str, bytes]:
    """Where the long line may stand."""
    return {
        "head": line + b"\n" + _HEAD + _ROWS,
        "label": b"Time," + line + b"\n" + _ROWS,
        "row": _HEAD + _ROWS[:1500] + b"2026-05-04 10:59:00," + line + b"\n" + _ROWS[1500:],
        "line": _HEAD + _ROWS + line + b"\n" + _ROWS,
        "alone": line,
        "blank-separated": b"Date Time Evap\n" + _ROWS.replace(b",", b" ") + line + b"\n",
    }


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bytes", type=int, default=1_000_000)
    args = parser.parse_args(argv)
    slow, worst = 0, (0.0, "")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        for name, piece in PIECES.items():
            for place, text in places((piece * (args.bytes // len(piece) + 1))[: args.bytes]).items():
                path.write_bytes(text)
                began = time.process_time()
                try:
                    assemble(read_file(path, Unit(name="bar")), Unit(name="bar"))
                    became = "read"
                except IceLogError as error:
                    became = str(error)[:60]
                seconds = time.process_time() - began
                worst = max(worst, (seconds, f"{name} as {place}"))
                if seconds > 1.0:
                    slow += 1
                    print(f"{seconds:6.2f} s  {name} as {place}: {became}", flush=True)
    print(f"{slow} over a second; worst {worst[0]:.2f} s ({worst[1]})")
    return int(slow > 0)


if __name__ == "__main__":
    raise SystemExit(main())
