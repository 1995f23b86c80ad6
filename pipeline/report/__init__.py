"""The last room before delivery: pages, charts and machine files of what was found.

`write_unit` writes everything of one unit, `write_fleet` the pages over all of them, `write_compare` the page of two
logs held against each other. `charts`, `page` and `payload` are their parts. Loaded on first use: a run that only reads and judges never imports the templates.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.report.charts.email_charts import email_charts
    from pipeline.report.compare import write_compare
    from pipeline.report.fleet import write_fleet
    from pipeline.report.given import given_of
    from pipeline.report.options import ReportOptions
    from pipeline.report.page.client import client_page
    from pipeline.report.payload.plotting import warm_up
    from pipeline.report.summary import UnitSummary, read_summary
    from pipeline.report.wording import Reader
    from pipeline.report.writing import write_unit

_HOMES = {
    "Reader": "wording",
    "ReportOptions": "options",
    "UnitSummary": "summary",
    "client_page": "page.client",
    "given_of": "given",
    "read_summary": "summary",
    "email_charts": "charts.email_charts",
    "warm_up": "payload.plotting",
    "write_compare": "compare",
    "write_fleet": "fleet",
    "write_unit": "writing",
}

__all__ = [
    "Reader",
    "ReportOptions",
    "UnitSummary",
    "client_page",
    "email_charts",
    "given_of",
    "read_summary",
    "warm_up",
    "write_compare",
    "write_fleet",
    "write_unit",
]


def __getattr__(name: str):
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
