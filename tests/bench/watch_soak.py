"""A watcher under a storm of files: does it keep up, and does it grow?

    python -m tests.bench.watch_soak --events 10000 --minutes 60

By hand. Every event is one that the system reports: a file made, written to, renamed or removed. Ends with status 1 and
says what is wrong if the watcher grew, died, or left a report that differs from a plain run's.
"""

from __future__ import annotations

import argparse
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

from tests.store.scene import leftovers, log_text, machine_files

UNITS = 10
GROWTH_MB = 8.0
"""What the resident memory may differ between the second tenth of the time and the last (common practice, no source)."""


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--events", type=int, default=10_000)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    random.seed(options.seed)
    with tempfile.TemporaryDirectory() as name:
        wrong = soak(Path(name), options.events, options.minutes * 60)
    for line in wrong:
        print(f"WRONG: {line}")
    return 1 if wrong else 0


def soak(root: Path, events: int, seconds: float) -> list[str]:
    inbox, reports = root / "inbox", root / "reports"
    inbox.mkdir()
    command = [sys.executable, "-m", "pipeline", "watch", str(inbox), "--to", str(reports)]
    watcher = subprocess.Popen([*command, "--rest", "1", "--scan", "10"], stderr=subprocess.PIPE, text=True)
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(iter(watcher.stderr.readline, "")), daemon=True)
    reader.start()
    samples: list[tuple[float, float, int, int, float]] = []
    ended = threading.Event()
    sampler = threading.Thread(target=sample, args=(watcher.pid, samples, ended), daemon=True)
    sampler.start()
    wrong = []
    started = time.monotonic()
    done = 0
    while done < events and watcher.poll() is None:
        done += storm(inbox, min(random.randint(5, 60), events - done))
        due = started + seconds * done / events
        time.sleep(max(0.0, due - time.monotonic()))
    if watcher.poll() is not None:
        wrong.append(f"the watcher ended by itself with {watcher.returncode}")
    took = time.monotonic() - started
    wait_until_quiet(lines)
    ended.set()
    sampler.join()
    asked = time.monotonic()
    watcher.send_signal(signal.SIGTERM)
    status = watcher.wait(timeout=60)
    stop_s = time.monotonic() - asked
    reader.join(timeout=5)
    if status != 0:
        wrong.append(f"asked to stop it ended with {status}")
    subprocess.run([*command, "--once", "--rest", "0.5"], stderr=subprocess.DEVNULL)
    plain = [sys.executable, "-m", "pipeline", "report", str(inbox), "--to", str(root / "plain"), "--quiet"]
    subprocess.run(plain, stderr=subprocess.DEVNULL)
    mine, theirs = machine_files(reports), machine_files(root / "plain")
    # A unit of which nothing can be read any more keeps its last report; a plain run into a new folder has none of it.
    readable = {name.partition("/")[0] for name in theirs}
    mine = {name: data for name, data in mine.items() if name.partition("/")[0] in readable}
    differing = sorted(name for name in mine.keys() | theirs.keys() if mine.get(name) != theirs.get(name))
    if differing:
        wrong.append(f"the reports differ from those of a plain run: {', '.join(differing)}")
    wrong += [f"left over: {name}" for name in leftovers(reports)]
    tenth = max(1, len(samples) // 10)
    early = statistics.median(s[1] for s in samples[tenth : 2 * tenth])
    late = statistics.median(s[1] for s in samples[-tenth:])
    if late - early > GROWTH_MB:
        wrong.append(f"the watcher grew from {early:.1f} to {late:.1f} MB")
    if len({s[3] for s in samples[-tenth:]}) > 3 or samples[-1][3] > samples[tenth][3] + 5:
        wrong.append("open files pile up")
    print(
        f"{done} file events in {took:.0f} s, {sum(': reported' in line for line in lines)} unit reports; the watcher itself: "
        f"{early:.1f} MB in the second tenth, {late:.1f} MB in the last (most {max(s[1] for s in samples):.1f}), threads "
        f"{samples[tenth][2]} and {samples[-1][2]}, open files {samples[tenth][3]} and {samples[-1][3]}; with the processes "
        f"that do the work at most {max(s[4] for s in samples):.0f} MB; stopped in {stop_s:.1f} s"
    )
    return wrong


def storm(inbox: Path, count: int) -> int:
    """So many events, as fast as the disk takes them."""
    done = 0
    while done < count:
        unit = inbox / f"unit{random.randrange(UNITS)}"
        unit.mkdir(exist_ok=True)
        path = unit / f"log{random.randrange(3)}.csv"
        what = random.choice(["make", "append", "rename", "remove", "bad", "touch"])
        if what == "make":
            part = path.with_name(f".{path.name}.copying")
            part.write_text(log_text(hours=random.uniform(2, 6), interval_s=60, seed=done), encoding="utf-8")
            part.rename(path)
            done += 3
        elif what == "append" and path.exists():
            text = log_text(hours=8, interval_s=60, seed=1)
            with open(path, "a", encoding="utf-8") as file:
                file.write("".join(text.splitlines(keepends=True)[-30:]))
            done += 1
        elif what == "rename" and path.exists():
            path.rename(unit / f"log{random.randrange(3)}.csv")
            done += 2
        elif what == "remove" and path.exists() and len(list(unit.iterdir())) > 1:
            path.unlink()
            done += 1
        elif what == "bad":
            (unit / "letter.csv").write_text(
                f"Dear Sir,\nno log here, {random.random()}.\n", encoding="utf-8"
            )
            done += 1
        elif what == "touch" and path.exists():
            path.touch()
            done += 1
    return done


def sample(pid: int, samples: list, ended: threading.Event) -> None:
    """Time, own memory [MB], threads, open files, memory of the whole family [MB]."""
    process = psutil.Process(pid)
    while not ended.wait(1.0):
        try:
            own = process.memory_info().rss / 1e6
            family = own + sum(memory_of(child) for child in process.children(recursive=True))
            samples.append((time.monotonic(), own, process.num_threads(), process.num_fds(), family))
        except psutil.NoSuchProcess:
            return


def memory_of(process: psutil.Process) -> float:
    try:
        return process.memory_info().rss / 1e6
    except psutil.NoSuchProcess:
        return 0.0


def wait_until_quiet(lines: list[str]) -> None:
    count, since = len(lines), time.monotonic()
    until = since + 120
    while time.monotonic() < until and time.monotonic() - since < 15:
        time.sleep(0.5)
        if len(lines) != count:
            count, since = len(lines), time.monotonic()


if __name__ == "__main__":
    sys.exit(main())
