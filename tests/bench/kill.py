"""SIGKILL at random moments of `watch` and `email`, then one clean run: is everything there, once and whole?

    python -m tests.bench.kill --watch-kills 120 --email-kills 120

By hand, some ten minutes on two cores. Ends with status 1 and says what is wrong if anything is.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import psutil

from tests.delivery.mail.mail_server import PASSWORD, USER, MailServer, mail_server
from tests.store.scene import leftovers, log_text, machine_files, write_log

UNITS = 8
TOO_LATE = "too late (not counted)"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--watch-kills", type=int, default=120)
    parser.add_argument("--email-kills", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    random.seed(options.seed)
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        if options.watch_kills:
            wrong += kill_watch(root, options.watch_kills)
        if options.email_kills:
            wrong += kill_email(root, options.email_kills)
    for line in wrong:
        print(f"WRONG: {line}")
    print("all as it should be" if not wrong else f"{len(wrong)} things are wrong")
    return 1 if wrong else 0


def pipeline(*arguments, **more) -> subprocess.Popen:
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, **more)


# The drop folder ------------------------------------------------------------------------------------------------------


def kill_watch(root: Path, kills: int) -> list[str]:
    inbox, reports = root / "inbox", root / "reports"
    inbox.mkdir()
    truth: dict[Path, bytes] = {}
    hit = Counter()
    started = time.monotonic()
    for number in range(kills):
        drop_something(inbox, truth, number)
        watcher = pipeline("watch", inbox, "--to", reports, "--rest", "0.2", "--scan", "1", "--jobs", "2")
        drain = threading.Thread(target=watcher.stderr.read, daemon=True)
        drain.start()
        time.sleep(random.uniform(0.2, 5.0))
        hit[kill_one(watcher)] += 1
        watcher.wait()
        drain.join(timeout=5)
    wait_for_orphans(reports)
    clean = pipeline("watch", inbox, "--to", reports, "--once", "--rest", "0.2")
    said = clean.communicate()[1]
    plain = pipeline("report", inbox, "--to", root / "plain", "--quiet")
    plain.communicate()
    wrong = []
    if clean.returncode != plain.returncode:
        wrong.append(
            f"the clean run ended with {clean.returncode}, a plain report with {plain.returncode}: {said[-500:]}"
        )
    mine, theirs = machine_files(reports), machine_files(root / "plain")
    # A unit of which nothing can be read any more keeps its last report; a plain run into a new folder has none of it.
    readable = {name.partition("/")[0] for name in theirs}
    mine = {name: data for name, data in mine.items() if name.partition("/")[0] in readable}
    wrong += [
        f"{name} differs from a run without kills"
        for name in mine.keys() | theirs.keys()
        if mine.get(name) != theirs.get(name)
    ]
    wrong += [f"left over: {name}" for name in leftovers(reports)]
    if {p: p.read_bytes() for p in inbox.rglob("*") if p.is_file()} != truth:
        wrong.append("the drop folder is not as the user left it")
    if (reports / "problems.csv").read_bytes() != (root / "plain" / "problems.csv").read_bytes():
        wrong.append("problems.csv differs from a run without kills")
    damaged = len(list((reports / ".store" / "damaged").glob("*")))
    print(
        f"watch: {kills} kills ({', '.join(f'{n} of the {who}' for who, n in hit.most_common())}) in "
        f"{time.monotonic() - started:.0f} s; {len(truth)} files of {len(theirs) // 4} units; {len(mine)} machine files compared, "
        f"{len(wrong)} wrong; pieces set aside as damaged: {damaged}"
    )
    return wrong


def drop_something(inbox: Path, truth: dict[Path, bytes], number: int) -> None:
    """What users do: a new log, a longer export of the same one, something unreadable, something taken away."""
    unit = f"unit{random.randrange(UNITS)}"
    what = random.choice(["new", "new", "longer", "bad", "gone"]) if number > 2 else "new"
    mine = sorted(path for path in truth if path.parent.name == unit)
    if what == "gone" and len(mine) > 1:
        path = random.choice(mine)
        path.unlink()
        del truth[path]
        return
    if what == "bad":
        path = inbox / unit / f"letter{number}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text("Dear Sir,\nthis is no log.\n", encoding="utf-8")
    elif what == "longer" and mine:
        path = inbox / unit / "probes.csv"
        write_log(path, hours=random.uniform(6, 48), seed=int(unit[-1]))
    else:
        path = inbox / unit / random.choice(["probes.csv", f"visit{number % 5}.csv"])
        path.parent.mkdir(exist_ok=True)
        part = path.with_name(f".{path.name}.copying")
        part.write_text(log_text(hours=random.uniform(2, 30), seed=number), encoding="utf-8")
        part.rename(path)
    truth[path] = path.read_bytes()


def kill_one(watcher: subprocess.Popen) -> str:
    """Kill the watcher, or the run that it started, or one of that one's workers; then the watcher."""
    try:
        family = psutil.Process(watcher.pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return "ended one"
    target = random.choice(["watcher", "run", "worker"])
    victims = {"run": family[:1], "worker": family[-1:]}.get(target, [])
    if not victims:
        target = "watcher"
    for victim in victims:
        try:
            victim.kill()
        except psutil.NoSuchProcess:
            continue
        time.sleep(random.uniform(0.0, 0.3))
    watcher.send_signal(signal.SIGKILL)
    return target


def wait_for_orphans(reports: Path) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        if not [
            p for p in psutil.process_iter(["cmdline"]) if str(reports) in " ".join(p.info["cmdline"] or [])
        ]:
            return
        time.sleep(0.1)


# The messages ---------------------------------------------------------------------------------------------------------


def kill_email(root: Path, kills: int) -> list[str]:
    """Rounds of new reports; in each some kills, then clean runs until nothing is left to send."""
    logs, reports = root / "mail-logs", root / "mail-reports"
    for number in range(UNITS):
        write_log(logs / f"unit{number}" / "probes.csv", hours=6, seed=number)
        (logs / f"unit{number}" / "unit.toml").write_text(
            f'[client]\nname = "Client {number}"\nemail = ["client{number}@venue.example"]\n',
            encoding="utf-8",
        )
    wrong: list[str] = []
    hit, doubts, lost_doubts, expected = Counter(), 0, 0, 0
    started = time.monotonic()
    with mail_server(root) as server:
        done = 0
        while done < kills:
            for number in range(UNITS):
                path = logs / f"unit{number}" / "probes.csv"
                write_log(path, hours=6 + 0.5 * (expected // UNITS + 1), seed=number)
            pipeline("report", logs, "--to", reports, "--quiet").communicate()
            before = len(server.received)
            for _ in range(12):
                when = kill_sender(reports, server)
                hit[when] += 1
                if when == TOO_LATE:
                    break
                done += 1
            server.at_rcpt = server.at_data = lambda: None
            said = send(reports, server).communicate()[1]
            again = send(reports, server).communicate()[1]
            expected += UNITS
            came = Counter(to for received in server.received[before:] for to in received.to)
            in_doubt = {
                f"client{n}@venue.example"
                for n in range(UNITS)
                if f"<client{n}@venue.example>" in doubt_lines(again)
            }
            doubts += len(in_doubt)
            for number in range(UNITS):
                address = f"client{number}@venue.example"
                count = came[address]
                if address in in_doubt:
                    lost_doubts += count == 0
                    if count > 1:
                        wrong.append(f"{address} got {count} messages of one report")
                elif count != 1:
                    wrong.append(
                        f"{address} got {count} messages of one report, and nobody was told: {said[-300:]}"
                    )
    wrong += [f"left over: {name}" for name in leftovers(reports)]
    check_ledger(reports, wrong)
    print(
        f"email: {done} kills ({', '.join(f'{n} {when}' for when, n in hit.most_common())}) in {time.monotonic() - started:.0f} s; "
        f"{expected} messages due, {len(server.received)} taken by the server, {doubts} in doubt and told "
        f"({lost_doubts} of those had not arrived), {len(wrong)} wrong"
    )
    return wrong


def doubt_lines(said: str) -> str:
    return "\n".join(line for line in said.splitlines() if line.startswith("in doubt"))


def send(reports: Path, server: MailServer) -> subprocess.Popen:
    return pipeline(
        "email",
        reports,
        *("--send", "--host", "localhost", "--port", server.port, "--user", USER),
        *("--ca", server.ca_file, "--from", "desk@tech.example"),
        env=os.environ | {"ICELOGS_SMTP_PASSWORD": PASSWORD},
    )


def kill_sender(reports: Path, server: MailServer) -> str:
    """Kill a run at a random time, or at a random moment around what the server sees of it."""
    server.at_rcpt = server.at_data = lambda: None
    running = send(reports, server)
    when = random.choice(["at any time", "at a recipient", "at the message"])
    after = random.randrange(3)

    def strike() -> None:
        nonlocal after
        after -= 1
        if after < 0:
            threading.Timer(random.choice([0.0, 0.0, random.uniform(0, 0.05)]), running.kill).start()

    if when == "at a recipient":
        server.at_rcpt = strike
    elif when == "at the message":
        server.at_data = strike
    else:
        threading.Timer(random.uniform(0.1, 6.0), running.kill).start()
    running.communicate()
    return when if running.returncode == -signal.SIGKILL else TOO_LATE


def check_ledger(reports: Path, wrong: list[str]) -> None:
    lines = (reports / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
    accepted = Counter()
    for line in lines:
        if line.endswith("(cut short)"):
            continue
        body = json.loads(line.partition(" ")[2])
        if body["state"] == "accepted":
            accepted.update(
                (unit, digest, to) for unit, digest in body["reports"].items() for to in body["to"]
            )
    wrong += [f"the ledger has {key} accepted {count} times" for key, count in accepted.items() if count > 1]


if __name__ == "__main__":
    sys.exit(main())
