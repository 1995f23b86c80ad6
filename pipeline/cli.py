"""The verbs. Parses the command line, shows progress and errors, and gives the exit status; holds no analysis.

Exit status: 0 all done; 1 a unit or a file could not be read (the others are done); 2 the command line is wrong;
3 with --alarm, something at least that severe was found.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from pipeline import __version__
from pipeline.delivery.verbs import add_email, add_watch
from pipeline.errors import IceLogError, UsageError
from pipeline.fleet import threads
from pipeline.language.catalogue import languages
from pipeline.language.text import printable

DONE, UNREAD, WRONG_USE, FOUND = 0, 1, 2, 3


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; return the exit status."""
    if hasattr(sys.stdout, "reconfigure"):  # a terminal or log of an older code page must not end the work
        sys.stdout.reconfigure(errors="replace")
    parser = _parser()
    arguments = parser.parse_args(argv)
    os.environ.update(threads.settings(threads.LINEAR_ALGEBRA))  # no library is loaded yet
    try:
        return arguments.run(arguments)
    except UsageError as error:
        print(f"icelogs: {error}", file=sys.stderr)
        return WRONG_USE
    except IceLogError as error:
        print(f"icelogs: {error}", file=sys.stderr)
        return UNREAD
    except BrokenPipeError:  # whoever read our output has seen enough (`icelogs … | head`)
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        name = Path(error.filename).name if isinstance(error.filename, str | os.PathLike) else ""
        fault = IceLogError(
            f"cannot be written or read ({error.strerror or type(error).__name__})",
            file=printable(name),
            remedy="see its rights and whether the disk is full",
        )
        print(f"icelogs: {fault}", file=sys.stderr)
        return UNREAD
    except KeyboardInterrupt:
        print("icelogs: stopped; what was finished is complete, the rest is as it was", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="icelogs",
        description="Reads temperature and current logs of batch ice machines, finds every freeze and harvest, "
        "says what is abnormal and what to check next, and writes reports to send.",
        epilog="Start with: icelogs demo my_logs && icelogs report my_logs --to my_reports",
    )
    parser.add_argument("--version", action="version", version=f"icelogs {__version__}")
    verbs = parser.add_subparsers(title="verbs", metavar="VERB", required=True)
    _add_report(verbs)
    add_watch(verbs, _add_page_options, _page_options)
    add_email(verbs)
    _add_check(verbs)
    _add_compare(verbs)
    _add_demo(verbs)
    return parser


# report ---------------------------------------------------------------------------------------------------------------


def _add_report(verbs) -> None:
    verb = verbs.add_parser(
        "report",
        help="logger files in, reports out: one unit or a whole fleet",
        description="Reports every unit under LOGS: one sub-folder a unit with its CSV files (and a unit.toml, if "
        "you have one), or loose files named UNIT__LOGGER.csv. One unit's own folder, or one file, will do too. Nothing in "
        "LOGS is changed.",
        epilog="Exit status: 0 every unit reported; 1 a unit or file could not be read (the others are reported); "
        "2 wrong command line; 3 with --alarm, when something at least that severe was found.",
    )
    verb.add_argument(
        "logs", metavar="LOGS", type=_place, help="folder of logger files, its URL, or one file"
    )
    verb.add_argument(
        "--to", metavar="REPORTS", type=_place, required=True, help="folder for the reports, or its URL"
    )
    _add_page_options(verb)
    verb.add_argument(
        "--jobs",
        metavar="N",
        type=_whole,
        default=0,
        help="units worked on at once, each on one core (default: one a core)",
    )
    verb.add_argument(
        "--cluster",
        metavar="ADDRESS",
        default="",
        help='work on the Dask cluster whose scheduler is at ADDRESS (tcp://HOST:8786), or on one of this machine ("local"); '
        "LOGS and REPORTS must be there for every worker: on a share mounted alike, or URLs",
    )
    severities = ["act", "watch", "note"]
    verb.add_argument(
        "--alarm",
        metavar="SEVERITY",
        choices=severities,
        help="end with 3 when a finding is at least this severe: act, watch or note",
    )
    verb.add_argument(
        "--fail-on", dest="alarm", choices=severities, help=argparse.SUPPRESS
    )  # its name in 0.1
    verb.add_argument("--quiet", action="store_true", help="no progress and no table, only errors")
    verb.set_defaults(run=_report)


def _add_page_options(verb) -> None:
    verb.add_argument(
        "--units",
        choices=["si", "us"],
        default=None,
        help="units on the pages: si (°C, kg) or us (°F, lb); si if not said",
    )
    verb.add_argument(
        "--language", choices=languages(), default=None, help="language of the pages; English if not said"
    )
    verb.add_argument(
        "--shared-library",
        action="store_true",
        help="the units' pages load one drawing library from beside the fleet page, so each weighs 1.8 MB less and is not "
        "whole by itself",
    )


def _page_options(arguments):
    from pipeline.report.options import ReportOptions

    return ReportOptions(
        units=arguments.units or "si",
        language=arguments.language or "en",
        shared_library=arguments.shared_library,
    )


def _report(arguments) -> int:
    from pipeline.fleet.run import RunOptions, report

    options = RunOptions(
        report=_page_options(arguments),
        jobs=arguments.jobs,
        cluster=arguments.cluster,
    )
    if arguments.quiet:
        outcome = report(arguments.logs, arguments.to, options)
    else:
        from pipeline.terminal import show_outcome, shown_progress

        with shown_progress() as progress:
            outcome = report(arguments.logs, arguments.to, options, progress=progress)
        show_outcome(outcome, units=options.report.units, page=f"{arguments.to}/index.html")
    for note in outcome.notes:
        print(f"icelogs: {note}", file=sys.stderr)
    for problem in outcome.problems:
        print(f"icelogs: {problem.sentence}", file=sys.stderr)
    if not outcome.complete:
        return UNREAD
    if arguments.alarm and _worst_rank(outcome) <= _RANKS[arguments.alarm]:
        return FOUND
    return DONE


_RANKS = {"act": 0, "watch": 1, "note": 2}


def _worst_rank(outcome) -> int:
    ranks = [
        _RANKS.get(unit.summary.level, len(_RANKS)) for unit in outcome.units if unit.summary is not None
    ]
    return min(ranks, default=len(_RANKS))


# check ----------------------------------------------------------------------------------------------------------------


def _add_check(verbs) -> None:
    verb = verbs.add_parser(
        "check",
        help="what is understood of logger files, before driving away",
        description="Reads the files as one unit and says what was understood: layout, clock, interval, channels, "
        "units, what cannot be trusted, and what the log will and will not be able to tell. Writes nothing.",
        epilog="Exit status: 0 every file was read; 1 a file could not be read, or nothing of the unit can be used.",
    )
    verb.add_argument(
        "files", metavar="FILE", type=Path, nargs="+", help="logger files of one unit, or its folder"
    )
    verb.add_argument(
        "--unit", metavar="TOML", type=Path, help="the unit.toml to go by (default: the one beside them)"
    )
    verb.add_argument("--units", choices=["si", "us"], default="si", help="units shown: si (°C) or us (°F)")
    verb.add_argument("--json", action="store_true", help="the same as JSON on standard output")
    verb.set_defaults(run=_check)


def _check(arguments) -> int:
    from pipeline.cycles import on_one_clock
    from pipeline.logs import understand
    from pipeline.logs.check.terminal_table import print_understanding
    from pipeline.logs.check.understanding import as_json
    from pipeline.logs.source.units import DATA_ENDINGS, logs_in
    from pipeline.unit_toml import load_unit

    files = []
    for path in arguments.files:
        if path.is_dir():
            inside = (p for p in path.iterdir() if p.is_file() and not p.name.endswith("truth.json"))
            files += logs_in(inside, more=DATA_ENDINGS)  # the truth beside a log of the demo is no log
        elif path.exists():
            files.append(path)
        else:
            raise UsageError(
                f'there is no file "{path.name}"', remedy="name logger files, or a unit's folder"
            )
    if not files:
        raise UsageError("no logger files there", remedy="name logger files, or a unit's folder")
    beside = files[0].parent / "unit.toml"
    toml = arguments.unit or (beside if beside.is_file() else None)
    unit = load_unit(printable(files[0].resolve().parent.name), toml)
    understanding = understand(files, unit, clocks=on_one_clock)
    if arguments.json:
        import json

        print(json.dumps(as_json(understanding), ensure_ascii=False, indent=2))
    else:
        print_understanding(understanding, units=arguments.units)
    return UNREAD if understanding.error or any(file.error for file in understanding.files) else DONE


# compare --------------------------------------------------------------------------------------------------------------


def _add_compare(verbs) -> None:
    verb = verbs.add_parser(
        "compare",
        help="before and after a repair: what changed, and how sure that is",
        description="Compares two logs of one unit, each a unit's folder or a logger file. Without LATER, the log of "
        "EARLIER is split at a visit.",
    )
    verb.add_argument("earlier", metavar="EARLIER", type=Path, help="the log before")
    verb.add_argument("later", metavar="LATER", type=Path, nargs="?", help="the log after")
    verb.add_argument(
        "--visit", metavar="DAY", type=_day, help="split at noon of this day, such as 2026-05-04"
    )
    verb.add_argument(
        "--to", metavar="PAGE", type=Path, help="write the page here, such as before_after.html"
    )
    _add_page_options(verb)
    verb.set_defaults(run=_compare)


def _compare(arguments) -> int:
    from pipeline.comparing import compare_places
    from pipeline.language.catalogue import catalogue
    from pipeline.language.text import say

    compared = compare_places(arguments.earlier, arguments.later, visit=arguments.visit)
    options = _page_options(arguments)
    if arguments.to:
        from pipeline.report.compare import write_compare

        write_compare(
            arguments.to,
            compared.comparison,
            unit=compared.unit,
            earlier=compared.earlier,
            later=compared.later,
            options=options,
        )
    words = catalogue("en", compared.unit.cooling)
    print(say(compared.comparison.better_or_worse, units=options.units))
    # What the line before rests on: at the same air and water, where that could be worked out.
    adjusted = compared.comparison.freeze_at_same_conditions
    print(say(adjusted.sentence if adjusted else compared.comparison.sentence, units=options.units))
    for shift in compared.comparison.shifts[1:]:
        if shift.changed:
            print(say(shift.sentence, units=options.units, catalogue=words))
    if arguments.to:
        print(f"Open {arguments.to}")
    for problem in compared.problems:
        print(f"icelogs: {problem}", file=sys.stderr)
    return UNREAD if compared.problems else DONE


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a day such as 2026-05-04") from None


# demo -----------------------------------------------------------------------------------------------------------------


def _add_demo(verbs) -> None:
    verb = verbs.add_parser(
        "demo",
        help="write an invented fleet of logger files to try the tool on",
        description="Writes the logger files of an invented group of venues into DIR, with the truth beside them. "
        "Every name and number in them is made up.",
    )
    verb.add_argument("folder", metavar="DIR", type=Path, help="a new or empty folder")
    practice = verb.add_mutually_exclusive_group()
    practice.add_argument(
        "--exercise",
        metavar="N",
        type=_whole,
        help="logs to practise on instead, without a word of what is the matter; each N is another exercise. The answers "
        "lie beside them, sealed",
    )
    practice.add_argument(
        "--answers", action="store_true", help="open the sealed answers of the exercise in DIR"
    )
    verb.set_defaults(run=_demo)


def _demo(arguments) -> int:
    from pipeline.demo.exercise import open_sheet, write_exercise
    from pipeline.demo.scenario import write_demo
    from pipeline.demo.units import UNITS

    if arguments.answers:
        for unit, story in open_sheet(arguments.folder).items():
            print(f"{unit}: {story}")
        print("The truth of every phase now lies beside each log, in truth.json.")
        return DONE

    def progress(text: str) -> None:
        print(text, file=sys.stderr)

    if arguments.exercise is not None:
        write_exercise(arguments.folder, arguments.exercise, progress=progress)
    else:
        write_demo(arguments.folder, UNITS, progress=progress)
    print(f"Written. Next: icelogs report {arguments.folder} --to reports")
    return DONE


def _place(text: str) -> Path | str:
    return text if "://" in text else Path(text)


def _whole(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = -1
    if number < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 up")
    return number
