"""What could not be read, as a table for a spreadsheet: it stays there until the file is mended or goes."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from pipeline.logs.timeline import Problem
from pipeline.report.machine_files import spreadsheet_safe

FILE = "problems.csv"


def problems_csv(problems: Iterable[Problem]) -> str:
    """`unit,file,problem`: a row a file that could not be read; `file` is empty where the unit as a whole is meant."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["unit", "file", "problem"])
    for problem in sorted(problems, key=lambda p: (p.unit_name, p.file, p.message)):
        table.writerow([_plain(cell) for cell in (problem.unit_name, problem.file, problem.message)])
    return text.getvalue()


def sentence_of(problem: Problem) -> str:
    """The whole sentence with the unit in front: every unit may have a file of the same name."""
    unit, message = problem.unit_name, problem.message
    return message if message.startswith(unit) else f"{unit}/{message}"


def _plain(cell: str) -> str:
    """On one line, and no formula to a spreadsheet, whatever a file is called."""
    return spreadsheet_safe(" ".join(cell.split()))
