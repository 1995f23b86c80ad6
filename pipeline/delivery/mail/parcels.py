"""What lies ready in the reports folder: each unit's report, as far as a message needs it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import DeliveryError
from pipeline.report.summary import UnitSummary, read_summary
from pipeline.store import StorePlace, UnitStore
from pipeline.store.stamp import SeenFile
from pipeline.store.unit_store import as_written
from pipeline.unit import Client

PAGE = "report.html"
CLIENT_PAGE = "client.html"
SENT = (PAGE, CLIENT_PAGE, "summary.json", "given.json")
"""What goes out, or what is made into that."""


@dataclass(frozen=True, kw_only=True)
class Parcel:
    """One unit's report."""

    unit: str
    folder: Path
    summary: UnitSummary
    client: Client  # of its unit.toml; empty where there is none

    @property
    def needs_something(self) -> bool:
        """Whether the unit has a finding to act on."""
        return self.summary.level == "act"

    @property
    def digest(self) -> str:
        """The same for two reports that tell the client the same: over the same span, verdict, findings and output.

        The page's looks and wording don't count, so a new version of this program sends nobody a second copy.
        """
        summary = self.summary
        findings = [
            [finding["code"], finding["severity"], finding["start"], finding["end"]]
            for finding in summary.texts.get("findings", ())
        ]
        ice = None if summary.ice_kg_per_day is None else round(summary.ice_kg_per_day)
        content = [self.unit, summary.log_start, summary.log_end, summary.level, findings, ice]
        return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:32]

    def still_says_so(self) -> bool:
        """Whether the report on disk is still this one."""
        now = read_summary(self.folder)
        return now is not None and replace(self, summary=now).digest == self.digest


def parcels(reports: Path) -> tuple[tuple[Parcel, ...], tuple[DeliveryError, ...]]:
    """Every report under `reports`, worst first, and what is wrong with those that can't be sent.

    Raises DeliveryError where there is no such folder. Hold the run lock meanwhile: no run writes between two files.
    """
    if not reports.is_dir():
        raise DeliveryError(
            f'there is no folder "{reports.name}"', remedy="name the folder that `icelogs report` wrote into"
        )
    place = StorePlace(reports)
    found, faults = [], []
    for folder in sorted(p for p in reports.iterdir() if p.is_dir() and not p.name.startswith(".")):
        summary = read_summary(folder) if (folder / PAGE).is_file() else None
        kept = UnitStore(place, folder.name).report
        if summary is None and (kept is None or not kept.outputs):
            continue  # no unit's folder, or nothing was ever reported there
        if kept is not None and not kept.outputs:
            why = kept.problems[0].message if kept.problems else "it failed"
            fault = f"the last run could not report it, so what lies there is out of date ({why})"
            faults.append(
                DeliveryError(fault, file=folder.name, remedy="mend that and run `icelogs report` again")
            )
            continue
        if summary is None or (kept is not None and not _is_as_written(folder, kept.outputs)):
            fault = "the report is not as it was written"
            faults.append(DeliveryError(fault, file=folder.name, remedy="run `icelogs report` again"))
            continue
        if (
            "verdict_client" not in summary.texts
            or not summary.log_end
            or not (folder / CLIENT_PAGE).is_file()
        ):
            fault = "the report was made by another version"
            faults.append(DeliveryError(fault, file=folder.name, remedy="run `icelogs report` again"))
            continue
        client = Client(**kept.client) if kept is not None else Client()
        found.append(Parcel(unit=folder.name, folder=folder, summary=summary, client=client))
    found.sort(key=lambda parcel: parcel.summary.order)
    return tuple(found), tuple(faults)


def _is_as_written(folder: Path, outputs: Mapping[str, SeenFile]) -> bool:
    """Whether page and summary are the ones of the last run: a report that was cut short or edited goes to no client."""
    sent = {name: seen for name, seen in outputs.items() if name in SENT}
    return as_written(folder, sent) is not None
