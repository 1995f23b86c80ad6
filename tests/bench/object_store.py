"""A fleet in an object store (S3's protocol, a server on loopback), on a Dask cluster: the same bytes as in a folder?

    pip install s3fs 'moto[server]' && python -m tests.bench.object_store [--units 6]

By hand: what it needs weighs more than the project. Logs are put into a bucket, reported there by processes of this
machine and by a cluster, each twice, with a history of an earlier day in between. Ends with status 1 and says what is
wrong if a file differs from a plain run's, a history did not grow, or anything half-written was left.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from pipeline.store.history import read_history, write_history
from tests.fleet.small_fleet import ENVIRONMENT, KINDS, add_unit, contents, icelogs

PORT = 5055
STORE = {
    "AWS_ACCESS_KEY_ID": "nobody",
    "AWS_SECRET_ACCESS_KEY": "nothing",
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_ENDPOINT_URL": f"http://127.0.0.1:{PORT}",
}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--units", type=int, default=6)
    options = parser.parse_args()
    os.environ.update(STORE)
    ENVIRONMENT.update(STORE)
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(PORT)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        with tempfile.TemporaryDirectory() as name:
            wrong = compare(Path(name), options.units)
    finally:
        server.kill()
        server.wait()
    for line in wrong:
        print(f"WRONG: {line}")
    print("all as it should be" if not wrong else f"{len(wrong)} things are wrong")
    return 1 if wrong else 0


def compare(root: Path, units: int) -> list[str]:
    import fsspec

    first, later = root / "first", root / "later"
    for number in range(units):
        whole = add_unit(
            later, f"unit-{number}", kind=KINDS[number % 4], hours=20, interval_s=10, cache_in=root / "made"
        )
        lines = whole.read_bytes().splitlines(keepends=True)
        (first / whole.parent.name).mkdir(parents=True)
        (first / whole.parent.name / whole.name).write_bytes(b"".join(lines[: len(lines) * 3 // 4]))
    bucket = fsspec.filesystem("s3")
    until(lambda: bucket.mkdir("fleet") is None)
    for logs in (first, later):
        bucket.put(f"{logs}/", f"fleet/{logs.name}/", recursive=True)
    wrong = []
    for name, more in (("near", ()), ("processes", ()), ("cluster", ("--cluster", "local"))):
        started = time.monotonic()
        for visit in (first, later):
            logs, reports = (visit, root / name) if name == "near" else (s3(visit.name), s3(name))
            done = icelogs("report", logs, "--to", reports, "--quiet", *more)
            if done.returncode:
                return [*wrong, f"{name}: ended with {done.returncode}: {done.stderr}"]
            if visit is first:
                a_week_earlier(root / name, None if name == "near" else bucket)
        print(f"{name}: {units} units twice in {time.monotonic() - started:.1f} s", flush=True)
        if name == "near":
            continue
        bucket.invalidate_cache()
        bucket.get(f"fleet/{name}/", f"{root / name}/", recursive=True)
        mine, theirs = contents(root / name), contents(root / "near")
        wrong += [f"{name}: {n} differs" for n in mine.keys() | theirs.keys() if mine.get(n) != theirs.get(n)]
        rows = [n for n in mine if n.endswith("history.csv") and mine[n].count(b"\n") != 2]
        wrong += [f"{name}: {n} has not two visits" for n in rows]
        wrong += [
            f"{name}: left over: {path}" for path in bucket.find(f"fleet/{name}") if path.endswith(".part")
        ]
        print(f"{name}: {len(mine)} files compared, histories of two visits: {units - len(rows)}")
    return wrong


def s3(name: str) -> str:
    return f"s3://fleet/{name}"


def a_week_earlier(reports: Path, bucket) -> None:
    """Let the visits kept in `reports` be of another day; two reports on one day are one visit."""
    if bucket is not None:
        bucket.invalidate_cache()
        bucket.get(f"fleet/{reports.name}/.store/", f"{reports}/.store/", recursive=True)
    for history in (reports / ".store" / "units").rglob("history.jsonl"):
        visits, _ = read_history(history)
        write_history(history, [replace(visit, reported="2026-05-04T08:00:00+00:00") for visit in visits])
        if bucket is not None:
            bucket.put_file(str(history), f"fleet/{history.relative_to(reports.parent).as_posix()}")


def until(true, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while True:
        try:
            if true():
                return
        except OSError:
            if time.monotonic() > end:
                raise
        time.sleep(0.5)


if __name__ == "__main__":
    sys.exit(main())
