"""Only a report that is as it was written goes to a client."""

import os
import shutil

import pytest

from pipeline.delivery.mail.parcels import parcels


def cut_short(path):
    path.write_bytes(path.read_bytes()[:500])


def alter(path):
    path.write_bytes(path.read_bytes() + b"<!-- mine -->")


@pytest.mark.parametrize(
    "harm", [cut_short, alter, lambda path: path.unlink()], ids=["cut", "altered", "gone"]
)
@pytest.mark.parametrize("name", ["report.html", "summary.json"])
def test_a_harmed_report_is_named_and_goes_to_nobody(reports, name, harm):
    harm(reports / "bar" / name)
    found, faults = parcels(reports)
    assert {parcel.unit for parcel in found} == {"cafe", "kiosk"}
    assert [str(fault) for fault in faults] == [
        "bar: the report is not as it was written; run `icelogs report` again"
    ]


def test_a_report_altered_without_a_trace_in_size_and_time_goes_to_nobody(reports):
    page = reports / "bar" / "report.html"
    status = page.stat()
    page.write_bytes(page.read_bytes()[:-1] + b" ")
    os.utime(page, ns=(status.st_atime_ns, status.st_mtime_ns))
    found, (fault,) = parcels(reports)
    assert {parcel.unit for parcel in found} == {"cafe", "kiosk"}
    assert fault.file == "bar"


def test_reports_that_were_copied_to_another_folder_can_be_sent(reports, tmp_path):
    shutil.copytree(reports, tmp_path / "copy", copy_function=shutil.copyfile)  # all times are new
    found, faults = parcels(tmp_path / "copy")
    assert {parcel.unit for parcel in found} == {"bar", "cafe", "kiosk"}
    assert faults == ()


def test_what_is_no_unit_s_folder_is_passed_over(reports):
    (reports / "outbox").mkdir()
    (reports / "photos").mkdir()
    found, faults = parcels(reports)
    assert {parcel.unit for parcel in found} == {"bar", "cafe", "kiosk"}
    assert faults == ()
