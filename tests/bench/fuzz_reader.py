"""Mutated logs by the thousand: no traceback, no hang, nothing read silently wrong.

    python -m tests.bench.fuzz_reader [--files 20000] [--seed 1]

Two kinds of base. The corpus (every oddity): a mutant must be read or refused with a LogFileError, within two seconds of processor time, and
what is read must assemble. Plain logs in eight dialects, where a slow reader of one line at a time can say what each row
holds: every row that is read must stand in the mutant as it was read, cell by cell; a mutated number may be refused (no
reading) or read as it stands, never moved to another column or row.
"""

from __future__ import annotations

import argparse
import csv
import random
import re
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from pipeline.errors import LogFileError, UnitError
from pipeline.logs import assemble, read_file
from pipeline.unit import Unit

CORPUS = Path(__file__).parents[1] / "logs" / "corpus"
SLOWEST_S = 2.0
ROWS = 120


@dataclass(frozen=True, kw_only=True)
class Base:
    """A plain log and how one of its lines is read by hand."""

    name: str
    text: bytes
    delimiter: str
    decimal: str
    stamp: str
    encoding: str
    quote: str
    unit: Unit


def _bases() -> list[Base]:
    start = datetime(2026, 5, 12, 23, 50, 0)
    rng = random.Random(3)
    rows = [
        (
            start + timedelta(seconds=10 * i),
            round(-5 + 6 * rng.random(), 2),
            round(7 + rng.random(), 2),
            round(60 + 9 * rng.random(), 2),
        )
        for i in range(ROWS)
    ]
    day_first = Unit(name="bar", clock={"date_order": "day-first"})
    layouts = [
        ("iso", ",", ".", "%Y-%m-%d %H:%M:%S", "utf-8", "", Unit(name="bar")),
        ("day-first", ",", ".", "%d/%m/%Y %H:%M:%S", "utf-8", "", Unit(name="bar")),
        ("decimal comma", ";", ",", "%d.%m.%Y %H:%M:%S", "cp1252", "", day_first),
        ("tab", "\t", ".", "%Y-%m-%dT%H:%M:%S", "utf-8-sig", "", Unit(name="bar")),
        ("pipe", "|", ".", "%d-%b-%Y %H:%M:%S", "utf-8", "", Unit(name="bar")),
        ("quoted", ",", ".", "%Y-%m-%d %H:%M:%S", "utf-8", '"', Unit(name="bar")),
        ("am/pm", ",", ".", "%m/%d/%Y %I:%M:%S %p", "utf-8", "", Unit(name="bar")),
        ("utf-16", "\t", ",", "%d/%m/%Y %H:%M:%S", "utf-16-le", "", day_first),
    ]
    bases = []
    for name, delimiter, decimal, stamp, encoding, q, unit in layouts:
        lines = [
            delimiter.join(f"{q}{h}{q}" for h in ("Time", "Evaporator (°C)", "Current (A)", "Discharge (°C)"))
        ]
        lines += [
            delimiter.join(
                [f"{q}{t.strftime(stamp)}{q}", *(f"{q}{v:.2f}{q}".replace(".", decimal) for v in values)]
            )
            for t, *values in rows
        ]
        text = ("\n".join(lines) + "\n").encode(encoding)
        bases.append(
            Base(
                name=name,
                text=text,
                delimiter=delimiter,
                decimal=decimal,
                stamp=stamp,
                encoding=encoding,
                quote=q,
                unit=unit,
            )
        )
    return bases


def _flip(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    data[at] ^= 1 << rng.randrange(8)


def _digit(data: bytearray, rng: random.Random) -> None:
    digits = [i for i in rng.sample(range(len(data)), min(200, len(data))) if 48 <= data[i] < 58]
    if digits:
        data[digits[0]] = 48 + rng.randrange(10)


def _insert(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.choice(
        [
            b",",
            b";",
            b"\t",
            b'"',
            b"\n",
            b"\r",
            b"\0",
            b".",
            b"-",
            b"9",
            b" ",
            b"OL",
            b"|",
            b"1e9",
            b"\xff",
            b"31/02/2026",
        ]
    )


def _delete(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    del data[at : at + rng.choice([1, 1, 1, 2, 5, 40])]


def _truncate(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def _repeat(data: bytearray, rng: random.Random) -> None:
    a = rng.randrange(len(data))
    b = min(len(data), a + rng.choice([3, 20, 60, 400]))
    at = rng.randrange(len(data) + 1)
    data[at:at] = data[a:b]


def _swap_lines(data: bytearray, rng: random.Random) -> None:
    lines = bytes(data).split(b"\n")
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[i], lines[j] = lines[j], lines[i]
    data[:] = b"\n".join(lines)


def _zero(data: bytearray, rng: random.Random) -> None:
    a = rng.randrange(len(data))
    b = min(len(data), a + rng.choice([1, 16, 512]))
    data[a:b] = bytes(b - a)


MUTATIONS: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip,
    _digit,
    _digit,
    _insert,
    _insert,
    _delete,
    _truncate,
    _repeat,
    _swap_lines,
    _zero,
)


def mutant(text: bytes, rng: random.Random) -> bytes:
    """`text` with one to three mutations."""
    data = bytearray(text)
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        if data:
            rng.choice(MUTATIONS)(data, rng)
    return bytes(data)


def _number(cell: str, decimal: str) -> float:
    """The number in a cell, read the plain way; NaN where there is none."""
    other = "," if decimal == "." else "."
    try:
        return float(cell.strip().replace(other, "").replace(decimal, ".")) if cell.strip() else float("nan")
    except ValueError:
        return float("nan")


Rows = dict[str, list[tuple[float, ...]]]


def _by_hand(base: Base, mutant: bytes) -> Rows:
    """letters and digits of the time -> the rows that stand in the mutant at it, one line at a time. A UTF-16 file that
    lost a byte has its bytes the other way round."""
    codecs = {"utf-8-sig": ["utf-8"], "utf-16-le": ["utf-16-le", "utf-16-be"]}.get(
        base.encoding, [base.encoding]
    )
    rows: Rows = {}
    for codec in codecs:
        for stamp, found in _rows_of(base, mutant.decode(codec, "replace").rstrip("\ufffd\0")).items():
            rows.setdefault(stamp, []).extend(found)
    return rows


def _bare(stamp: str) -> str:
    """Numbers and words of a time, whatever stands between them and however many zeros lead them. "A.M", "a" and "AM" are
    one; a time without seconds is the whole minute."""
    parts = [
        (p.lstrip("0") or "0").lower().replace("mai", "may") for p in re.findall(r"\d+|[^\W\d_]+", stamp)
    ]
    half = next((k for k, p in enumerate(parts) if p in ("a", "p", "am", "pm")), len(parts))
    moment, tail = parts[:half], parts[half:]
    if len(moment) == 7 and moment[6] == "0":  # a fraction of nothing
        moment.pop()
    if tail[1:2] == ["m"]:
        tail = [tail[0], *tail[2:]]
    if tail and len(tail[0]) == 1:
        tail[0] += "m"
    return " ".join((*moment, *["0"] * (len(moment) == 5), *tail))


def _rows_of(base: Base, text: str) -> Rows:
    rows: Rows = {}
    for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n"):
        plain = line.split(base.delimiter)
        for cells in (
            (plain, next(csv.reader([line], delimiter=base.delimiter), [])) if base.quote else (plain,)
        ):
            if len(cells) >= 4:
                numbers = tuple(
                    _number(c.strip().strip('"') if base.quote else c, base.decimal) for c in cells[1:4]
                )
                rows.setdefault(_bare(cells[0]), []).append(numbers)
    return rows


def _wrong_rows(base: Base, mutant: bytes, table) -> list[str]:
    """Rows that were read but do not stand in the mutant so."""
    if len(table.columns) != 3:
        return []  # a mutated header or delimiter: nothing to compare by hand
    truth = _by_hand(base, mutant)
    wrong = []
    for i, ns in enumerate(table.time_ns.tolist()):
        if ns % 10**9:
            continue  # a fraction that a mutation made: beyond the patterns of the slow reader
        read = [float(c.values[i]) for c in table.columns]
        moment = datetime.fromtimestamp(ns // 10**9, UTC)
        found = truth.get(_bare(moment.strftime(base.stamp)), [])
        fits = any(all(r != r or abs(r - w) < 1e-9 for r, w in zip(read, row, strict=True)) for row in found)
        if not fits:
            wrong.append(f"{moment:%Y-%m-%d %H:%M:%S} {read}, stands {found}")
    return wrong


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--files", type=int, default=20_000)
    arguments.add_argument("--seed", type=int, default=1)
    options = arguments.parse_args()
    bases = _bases()
    corpus = [
        (p, p.read_bytes()) for p in sorted(CORPUS.iterdir()) if p.suffix != ".json" and p.stat().st_size
    ]
    seen: Counter[str] = Counter()
    slowest = 0.0
    shown = 0
    with tempfile.TemporaryDirectory() as folder:
        for k in range(options.files):
            rng = random.Random(options.seed * 1_000_003 + k)
            base = bases[k // 2 % len(bases)] if k % 2 else None
            name, text = (
                ("log.csv", base.text)
                if base
                else (corpus[k // 2 % len(corpus)][0].name, corpus[k // 2 % len(corpus)][1])
            )
            changed = mutant(text, rng)
            path = Path(folder) / name
            path.write_bytes(changed)
            unit = base.unit if base else Unit(name="bar")
            start = time.process_time()
            try:
                tables = read_file(path, unit)
                assemble(tables, unit)
                outcome = "read"
            except LogFileError as error:
                outcome = "refused" if error.remedy and error.found else "refused without a remedy"
            except UnitError:
                outcome = "nothing to use"
            except Exception as error:
                outcome = f"TRACEBACK {type(error).__name__}"
                if shown < 20:
                    shown += 1
                    print(f"file {k} ({name}): {error!r}")
            took = time.process_time() - start
            slowest = max(slowest, took)
            if took > SLOWEST_S:
                outcome = "HANG"
                print(f"file {k} ({name}): {took:.1f} s")
            if outcome == "read" and base:
                wrong = _wrong_rows(base, changed, tables[0])
                seen["rows compared"] += len(tables[0].time_ns)
                if wrong:
                    outcome = "SILENTLY WRONG"
                    if shown < 20:
                        shown += 1
                        print(f"file {k} ({base.name}): {len(wrong)} rows, such as {wrong[0]}")
            seen[outcome] += 1
            path.unlink()
    print(f"{options.files} mutants, slowest {slowest:.2f} s of processor time")
    for outcome, count in seen.most_common():
        print(f"{count:9} {outcome}")


if __name__ == "__main__":
    np.seterr(all="ignore")
    main()
