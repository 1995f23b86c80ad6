"""Mutated archives and workbooks, unit.toml files and answers of mail servers by the thousand: no traceback, no hang, nothing wrong in silence.

    python -m tests.bench.fuzz_inputs [--files 20000] [--first 0] [--seed 1] [--part archives|toml|mail] [--judged 100]

Archives: each text that comes out of one is a text that was packed, and where one is lost that the archive still lists, that
is said. unit.toml: it is refused with file and line, or every value that stands in it is taken as it stands; --judged of the
accepted ones go on to a judgement. Mail: what counts for sent reached the server whole and was answered with a clear yes; what
is put off or refused was not; the password is in no sentence. Two seconds at most for each.
"""

from __future__ import annotations

import argparse
import base64
import contextlib
import gzip
import importlib
import io
import math
import random
import re
import socket
import tempfile
import threading
import time
import tomllib
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.delivery.mail import server as mail
from pipeline.errors import DeliveryError, IceLogError, LogFileError, UnitConfigError, UnitError
from pipeline.logs import assemble, read_file
from pipeline.logs.source.decode import contents_of
from pipeline.logs.source.inputs import units_at
from pipeline.store import StorePlace, unpack_fleets
from pipeline.unit import Unit
from pipeline.unit_toml import load_unit
from tests.bench.fuzz_reader import SLOWEST_S, mutant
from tests.delivery.mail.scripted_server import PLAIN, ScriptedServer
from tests.logs.source.test_workbook import workbook
from tests.store.scene import log_text

ROOT = Path(__file__).parents[2]
LOGS = [log_text(hours=0.5, seed=seed).encode() for seed in range(6)]
FIRST_PART = gzip.compress(LOGS[4][:900], mtime=0)
TOML = b'title = "Bar"\nkind = "slab"\n'
README_TOML = re.search(r"## unit\.toml.*?```toml\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S)[
    1
]
PASSWORD = "horse battery 7"


# Archives -------------------------------------------------------------------------------------------------------------


def _zip(*members: tuple[str, bytes], how: tuple[int, ...]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for n, (name, content) in enumerate(members):
            archive.writestr(name, content, compress_type=how[n % len(how)])
    return file.getvalue()


def _archives() -> list[tuple[str, bytes]]:
    fleet = [("may/bar/a.csv", LOGS[0]), ("may/bar/b.csv", LOGS[1]), ("may/bar/unit.toml", TOML)]
    fleet += [("may/cafe/c.csv", LOGS[2]), ("may/kiosk/d.csv", LOGS[3])]
    ways = (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)
    alone = [("a.csv", LOGS[0]), ("b.csv.gz", gzip.compress(LOGS[1], mtime=0)), ("c.csv", LOGS[2])]
    return [
        ("fleet.zip", _zip(*fleet, how=ways[:1])),
        ("fleet.zip", _zip(*fleet, how=ways)),
        ("bar.zip", _zip(*alone, how=ways[:2])),
        ("bar.csv.gz", gzip.compress(LOGS[4], mtime=0)),
        ("bar.csv.gz", FIRST_PART + gzip.compress(LOGS[4][900:], mtime=0)),
    ]


SHEET = [["Time", "Evaporator (°C)"], *[[datetime(2026, 3, 2, 8, m), round(m / 7 - 4, 2)] for m in range(60)]]
BOOK = workbook({"March": SHEET})


def try_workbook(data: bytes, folder: Path) -> str:
    """What became of one mutant of a spreadsheet workbook."""
    path = folder / "bar.xlsx"
    path.write_bytes(BOOK)
    (whole,) = read_file(path, Unit(name="bar"))
    path.write_bytes(data)
    try:
        (table,) = read_file(path, Unit(name="bar"))
    except LogFileError as error:
        return "refused" if error.remedy else "REFUSED WITHOUT A REMEDY"
    same = np.array_equal(table.time_ns, whole.time_ns) and np.array_equal(
        table.columns[0].values, whole.columns[0].values
    )
    return "read" if same else "SILENTLY WRONG: other readings"


def try_archive(data: bytes, name: str, folder: Path) -> str:
    """What became of one mutant."""
    logs = folder / "logs"
    logs.mkdir()
    (logs / name).write_bytes(data)
    texts: list[bytes] = []
    told: list[str] = []
    units, problems = unpack_fleets(units_at(logs).units, logs, StorePlace(folder / "reports"))
    told += [problem.message for problem in problems]
    for unit in units:
        told += [unit.problem] * bool(unit.problem) + [problem.message for problem in unit.refused]
        if unit.toml is not None and unit.toml.read_bytes() != TOML:
            return "SILENTLY WRONG: another unit.toml"
        for path in unit.files:
            try:
                for content in contents_of(path):
                    if isinstance(content, LogFileError):
                        told.append(str(content))
                    else:
                        texts.append(content.text)
                        told += [note.key for note in content.notes]
            except LogFileError as error:
                told.append(str(error))
    head = LOGS[4][
        : LOGS[4].rfind(b"\n", 0, 900) + 1
    ]  # of the log in two parts, where something else follows the first
    if data == FIRST_PART and texts == [LOGS[4][:900]]:  # cut at the very seam: a whole gzip file
        return "read"
    if any(text not in LOGS and (text != head or "logs.note.gzip_tail" not in told) for text in texts):
        return "SILENTLY WRONG: another text"
    lost = [log for log in _listed(data, name) if log not in texts]
    if lost and not told:
        return "SILENTLY WRONG: a log is lost"
    if not all(told):
        return "SILENTLY WRONG: nothing said"
    return "read" if not lost else "some refused" if texts else "refused"


def _listed(data: bytes, name: str) -> list[bytes]:
    """The logs that ought to come out of it: those whose names the directory of the archive still holds."""
    if not name.endswith(".zip"):
        return [LOGS[4]]
    by_name = {"a.csv": 0, "b.csv": 1, "b.csv.gz": 1, "c.csv": 2, "d.csv": 3}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = [Path(info.filename).name for info in archive.infolist()]
    except Exception:  # whatever is wrong with it, our own code has to say so
        return LOGS[:4]
    return [LOGS[by_name[n]] for n in names if n in by_name]


# unit.toml ------------------------------------------------------------------------------------------------------------


_VALUES = [
    "inf",
    "nan",
    "-inf",
    "1e300",
    "-1",
    "0",
    "9e9",
    "1e-300",
    "true",
    "[]",
    "{}",
    "''",
    "0x7fffffffffffffffffff",
    "1979-05-27",
    "9999-12-31",
    "00:00:00",
    "[1,2,3]",
    "[[1]]",
]
_VALUES += ["0001-01-01T00:00:00Z", '"x"', '"' + "x" * 5000 + '"', "[" * 3000 + "]" * 3000, "9" * 5000]


def _other_toml(text: str, rng: random.Random) -> bytes:
    """A mutant by bytes, or by lines and values."""
    if rng.random() < 0.4:
        return mutant(text.encode(), rng)
    lines = text.split("\n")
    for _ in range(rng.choice([1, 1, 2, 4])):
        at = rng.randrange(len(lines))
        key, equals, _value = lines[at].partition("=")
        way = rng.randrange(7)
        if way <= 2 and equals:
            lines[at] = f"{key}= {rng.choice(_VALUES)}"
        elif way == 6:
            lines[at] = re.sub(r"\d+", lambda m: str(rng.randrange(10 ** len(m[0]))), lines[at])
        elif way == 3:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif way == 4:
            lines.pop(at)
            lines = lines or [""]
        else:
            lines[at] = rng.choice(
                [".".join("a" * rng.choice([2, 200, 20_000])) + " = 1", "[x]", "# " + "y" * 200_000, "\0"]
            )
    return "\n".join(lines).encode("utf-8", "surrogateescape")


def try_toml(data: bytes, folder: Path) -> tuple[str, Unit | None]:
    from pipeline.findings.thresholds import resolve

    path = folder / "unit.toml"
    path.write_bytes(data)
    try:
        unit = load_unit("bar", path)
    except UnitConfigError as error:
        good = error.file == "bar/unit.toml" and error.line and error.remedy and len(str(error)) < 3000
        return ("refused" if good else f"REFUSED WITHOUT LINE OR REMEDY: {str(error)[:200]}"), None
    try:
        resolve(unit)
    except UnitConfigError as error:
        return ("refused" if error.file and error.remedy else "REFUSED WITHOUT FILE OR REMEDY"), None
    stands = dict(_leaves(tomllib.loads(data.decode("utf-8-sig"))))
    taken = dict(_leaves(unit.model_dump(exclude_unset=True)))
    for key, value in stands.items():
        as_list = taken.get(f"{key}/0")  # one text where a list is kept; an empty one is an empty list
        if not _alike(value, taken.get(key, as_list)):
            return f"SILENTLY WRONG: {key} = {value!r:.60} taken as {taken.get(key)!r:.60}", None
    if any(isinstance(v, float) and not math.isfinite(v) for v in taken.values()):
        return "SILENTLY WRONG: not finite", None
    return "taken", unit


def _leaves(value: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{at}/{key.strip()}")
    elif isinstance(value, list | tuple):
        for n, inner in enumerate(value):
            yield from _leaves(inner, f"{at}/{n}")
    else:
        yield at, value


def _alike(stands: Any, taken: Any) -> bool:
    if (
        isinstance(stands, datetime) and type(taken) is date
    ):  # the moment of a visit: its time of day stands beside it
        return stands.date() == taken
    if isinstance(stands, int | float) and isinstance(taken, int | float):
        return float(stands) == float(taken)
    return str(stands).strip() == str("" if taken is None else taken).strip()


def judge_it(unit: Unit, folder: Path) -> str:
    from pipeline.cycles import find_cycles
    from pipeline.findings.engine import judge

    path = folder / "probes.csv"
    path.write_bytes(log_text(hours=3).encode())
    try:
        timeline = assemble(read_file(path, unit), unit)
        judge(timeline, find_cycles(timeline, unit), unit)
    except UnitError:
        return "judged: nothing to use"
    return "judged"


# Mail -----------------------------------------------------------------------------------------------------------------


_ANSWERS = (
    *(
        b"250 ok",
        b"354 go on",
        b"421 closing",
        b"451 later",
        b"550 no",
        b"220 hi",
        b"221 bye",
        b"100 x",
        b"999 x",
        b"",
        b"250",
    ),
    *(b"250-a\r\n250 b", b"250-a\r\n550 b", b"354 go\r\n250 taken"),
)
_STEPS = ("greeting", "ehlo", "auth", "mail", "rcpt", "data", "end")


def _other_answers(rng: random.Random) -> dict[str, bytes | None]:
    says = {}
    for step in rng.sample(_STEPS, rng.choice([1, 1, 1, 2])):
        said = PLAIN[step]
        way = rng.randrange(6)
        if way == 0:
            said = rng.choice(_ANSWERS) + b"\r\n"
        elif way == 1:
            said = None
        elif way == 2:
            said = rng.choice([b"250-", b"220-", b"535 "]) + rng.choice([b"x" * 90_000, PASSWORD.encode()])
            said += rng.choice([b"", b"\r\n", b"\r\n250 ok\r\n"])
        elif way == 3:
            echo = (
                base64.b64encode(f"\0desk\0{PASSWORD}".encode()) if rng.random() < 0.5 else PASSWORD.encode()
            )
            said = said.rstrip(b"\r\n") + b" " + echo + b"\r\n"
        else:
            said = mutant(said, rng)
        says[step] = said
    return says


def try_mail(says: dict[str, bytes | None]) -> str:
    ours, theirs = socket.socketpair()
    peer = ScriptedServer(says=PLAIN | says)
    serving = threading.Thread(target=peer.serve, args=(theirs,), daemon=True)
    serving.start()
    begun: list[Any] = []
    told, started = "", time.monotonic()
    with _connecting_to(ours):
        try:
            where = mail.Server(host="127.0.0.1", port=1, security="none", user="desk", password=PASSWORD)
            session = mail.Session(where)
            try:
                answer = session.hand_over(
                    "a@b.example", ["c@d.example"], lambda: b"x: y\r\n\r\nz\r\n", begun.append
                )
                (answer,) = answer.values()
                told = answer.text
                outcome = "sent" if answer.accepted else "refused" if answer.permanent else "put off"
            finally:
                session.close()
        except mail.Uncertain as error:
            outcome, told = "in doubt", str(error)
        except DeliveryError as error:
            outcome, told = "put off" if isinstance(error, mail.Unreachable) else "not begun", str(error)
    if (took := time.monotonic() - started) > SLOWEST_S:
        return f"HANG {took:.1f} s: {outcome}"
    with contextlib.suppress(OSError):
        ours.shutdown(socket.SHUT_RDWR)
    ours.close()
    serving.join(SLOWEST_S)
    whole, end = len(peer.messages), peer.says["end"] or b""
    if PASSWORD in told or base64.b64encode(PASSWORD.encode()).decode() in told:
        return f"SILENTLY WRONG: the password is told: {told}"
    clear_no = re.match(rb"[45]\d\d[ \r\n-]", end) is not None
    wrong = {
        "sent": whole != 1 or not re.match(rb"25[012][ \r\n-]", end),
        "in doubt": not begun,
        "put off": whole > 0 and not clear_no,
        "refused": whole > 0 and not clear_no,
        "not begun": whole > 0 or bool(begun),
    }
    return (
        f"SILENTLY WRONG: {outcome} though {whole} came and {end[:40]!r} was said"
        if wrong[outcome]
        else outcome
    )


@contextlib.contextmanager
def _connecting_to(ours: socket.socket) -> Iterator[None]:
    before = socket.create_connection
    socket.create_connection = lambda *_, **__: ours
    try:
        yield
    finally:
        socket.create_connection = before


# All ------------------------------------------------------------------------------------------------------------------


class _Count:
    def __init__(self) -> None:
        self.seen: Counter[str] = Counter()
        self.slowest = 0.0
        self.shown = 0

    def run(self, what: str, attempt: Callable[[], str]) -> None:
        start = time.process_time()
        try:
            outcome = attempt()
        except IceLogError as error:
            outcome = f"NOT MET: {type(error).__name__} {error}"
        except Exception as error:
            outcome = f"TRACEBACK {type(error).__name__} {error}"
        took = time.process_time() - start
        self.slowest = max(self.slowest, took)
        if took > SLOWEST_S:
            outcome = f"HANG {took:.1f} s, {outcome}"
        if outcome[:4].isupper() and self.shown < 30:
            self.shown += 1
            print(f"{what}: {outcome[:300]}", flush=True)
        self.seen[f"{what.split()[0]}: {outcome.partition(':')[0][:60]}"] += 1


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--files", type=int, default=20_000)
    arguments.add_argument("--first", type=int, default=0, help="number of the first mutant")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--part", choices=["archives", "toml", "mail"], default=None)
    arguments.add_argument("--judged", type=int, default=100)
    options = arguments.parse_args()
    warnings.simplefilter("ignore")
    for part in ("CONNECT_S", "ENVELOPE_S", "DATA_S", "SEND_S", "AFTER_DATA_S", "GOODBYE_S"):
        setattr(mail, part, 0.4)  # an answer that is cut short is waited for
    importlib.import_module("pipeline.fleet.preload")  # loading is no part of what is measured
    count, archives, judged = _Count(), _archives(), 0
    parts = [options.part] if options.part else ["archives", "toml", "toml", "archives", "mail"]
    for k in range(options.first, options.first + options.files):
        rng = random.Random(options.seed * 1_000_003 + k)
        part = parts[k % len(parts)]
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            if part == "archives" and rng.random() < 0.1:
                book = mutant(BOOK, rng)
                count.run(f"workbook {k}", lambda d=book, f=folder: try_workbook(d, f))
            elif part == "archives":
                base, data = archives[rng.randrange(len(archives))]
                data = mutant(data, rng)
                count.run(f"archive {k} {base}", lambda d=data, b=base, f=folder: try_archive(d, b, f))
            elif part == "mail":
                says = _other_answers(rng)
                count.run(f"mail {k} {str(says)[:90]}", lambda s=says: try_mail(s))
            else:
                data, taken = _other_toml(README_TOML, rng), []

                def attempt(d=data, f=folder, taken=taken) -> str:
                    outcome, unit = try_toml(d, f)
                    taken.append(unit)
                    return outcome

                count.run(f"unit.toml {k}", attempt)
                if taken and taken[0] is not None and judged < options.judged:
                    judged += 1
                    count.run(f"judgement {k}", lambda u=taken[0], f=folder: judge_it(u, f))
    print(f"{options.files} mutants, slowest {count.slowest:.2f} s of processor time")
    for outcome, number in sorted(count.seen.items()):
        print(f"{number:9} {outcome}")


if __name__ == "__main__":
    main()
