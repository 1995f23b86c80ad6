"""Spreadsheet workbooks: the first sheet of times and readings is read, the others are named; damage is a refusal."""

from __future__ import annotations

import io
import random
import zipfile
from datetime import datetime, timedelta
from xml.sax.saxutils import escape

import numpy as np
import pytest

from pipeline.errors import LogFileError
from pipeline.logs import read_file
from pipeline.unit import Unit

START = datetime(2026, 3, 2, 8, 0, 30)
SPREADSHEET_DAY_0 = datetime(1899, 12, 30)
"""ECMA-376 part 1, 18.17.4.1: the 1900 date base system, as it counts from March 1900 on."""


def _sheet(rows) -> str:
    """Text as inline strings, moments as serial days in style 1, numbers as they are (ECMA-376 part 1, 18.3.1)."""
    lines = []
    for row in rows:
        cells = []
        for value in row:
            if isinstance(value, str):
                cells.append(f'<c t="inlineStr"><is><t>{escape(value)}</t></is></c>')
            elif isinstance(value, datetime):
                days = (value - SPREADSHEET_DAY_0) / timedelta(days=1)
                cells.append(f'<c s="1"><v>{days!r}</v></c>')
            else:
                cells.append(f"<c><v>{value!r}</v></c>")
        lines.append("<row>" + "".join(cells) + "</row>")
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    return f'<worksheet xmlns="{main}"><sheetData>{"".join(lines)}</sheetData></worksheet>'


def workbook(sheets: dict[str, list]) -> bytes:
    """The bytes of a workbook with these sheets, each a list of rows."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    numbers = range(1, len(sheets) + 1)
    listed = "".join(
        f'<sheet name="{n}" sheetId="{i}" r:id="rId{i}"/>' for i, n in zip(numbers, sheets, strict=True)
    )
    links = "".join(
        f'<Relationship Id="rId{i}" Type="{office}/worksheet" Target="worksheets/sheet{i}.xml"/>'
        for i in numbers
    )
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="xml" ContentType="application/xml"/>'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kinds}.sheet.main+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" Type="{office}/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">{links}'
        f'<Relationship Id="rS" Type="{office}/styles" Target="styles.xml"/></Relationships>',
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="22"/></cellXfs></styleSheet>',
        **{
            f"xl/worksheets/sheet{i}.xml": _sheet(rows)
            for i, rows in zip(numbers, sheets.values(), strict=True)
        },
    }
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return made.getvalue()


MOMENTS = [START + timedelta(seconds=10 * i) for i in range(60)]
READINGS = [round(-3.5 - 0.05 * i, 2) for i in range(60)]
LOG = [
    ["Time", "Evaporator (°C)", "Current (A)"],
    *([t, v, 8.0] for t, v in zip(MOMENTS, READINGS, strict=True)),
]
NOTES = [["Visit of the second of March"], ["the clamp is on the unit's lead"]]


@pytest.mark.parametrize("name", ["log.xlsx", "log.csv", "log.zip"])
def test_the_first_sheet_of_readings_is_read_and_the_others_are_named(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(workbook({"Notes": NOTES, "March": LOG, "Again": LOG}))
    (table,) = read_file(path, Unit(name="bar"))
    assert table.name == f"{name}/March"
    assert [(c.label, c.unit) for c in table.columns] == [("Evaporator (°C)", "°C"), ("Current (A)", "A")]
    np.testing.assert_array_equal(table.time_ns, np.array(MOMENTS, "M8[ns]").astype(np.int64))
    np.testing.assert_array_equal(table.columns[0].values, READINGS)
    (note,) = [n for n in table.source.notes if n.key == "logs.note.other_sheets"]
    assert note.values["others"] == "Again, Notes"


def test_a_workbook_without_readings_is_refused(tmp_path):
    path = tmp_path / "notes.xlsx"
    path.write_bytes(workbook({"Notes": NOTES}))
    with pytest.raises(LogFileError, match="no rows of times and readings"):
        read_file(path, Unit(name="bar"))
    path.write_bytes(workbook({"Empty": []}))
    with pytest.raises(LogFileError, match="no sheet"):
        read_file(path, Unit(name="bar"))


def test_damaged_workbooks_are_refused_or_read(tmp_path):
    whole = workbook({"March": LOG})
    rng = random.Random(4)
    path = tmp_path / "log.xlsx"
    refused = 0
    for _ in range(150):
        text = bytearray(whole)
        if rng.random() < 0.3:
            del text[rng.randrange(len(text)) :]
        for _ in range(rng.randrange(1, 9)):
            if text:
                text[rng.randrange(len(text))] = rng.randrange(256)
        path.write_bytes(text)
        try:
            read_file(path, Unit(name="bar"))
        except LogFileError:
            refused += 1
    assert refused > 50


def test_a_workbook_of_which_a_number_was_altered_on_the_way_is_refused(tmp_path):
    """It is well-formed all the same: only the checksum tells."""
    made = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook({"March": LOG}))) as packed,
        zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as plain,
    ):
        for info in packed.infolist():
            plain.writestr(info.filename, packed.read(info))
    path = tmp_path / "log.xlsx"
    path.write_bytes(made.getvalue())
    assert read_file(path, Unit(name="bar"))
    path.write_bytes(made.getvalue().replace(b"<v>4", b"<v>5"))
    with pytest.raises(LogFileError, match="the workbook is damaged"):
        read_file(path, Unit(name="bar"))
