"""The line of visits that is kept when the files are not."""

from dataclasses import replace

from pipeline.store.history import FIGURES, PastReport, history_csv, read_history, with_visit, write_history


def visit(day, inputs="a", level="well"):
    return PastReport(
        reported=f"2026-05-{day:02d}T08:00:00+00:00",
        inputs=inputs,
        log_start="2026-05-01T00:00:00+02:00",
        log_end=f"2026-05-{day:02d}T00:00:00+02:00",
        level=level,
        figures={"freeze_min": 20.5, "ice_kg_per_day": None},
        codes=("drift",),
    )


def add_all(path, *visits):
    for one in visits:
        write_history(path, with_visit(read_history(path)[0], one))
    return read_history(path)


def test_visits_come_back_as_they_were_oldest_first(tmp_path):
    first, second = visit(4, "a"), visit(9, "b")
    assert add_all(tmp_path / "history.jsonl", first, second) == ((first, second), True)


def test_a_unit_that_was_never_reported_has_no_history(tmp_path):
    assert read_history(tmp_path / "none") == ((), True)


def test_several_reports_of_one_day_are_one_visit(tmp_path):
    kept, _ = add_all(tmp_path / "h", visit(4, "a"), visit(4, "b"), visit(4, "c", level="act"))
    assert [(v.inputs, v.level) for v in kept] == [("c", "act")]


def test_the_same_files_judged_anew_are_no_new_visit(tmp_path):
    kept, _ = add_all(tmp_path / "h", visit(4, "a"), visit(9, "a", level="watch"))
    assert [(v.day, v.level) for v in kept] == [("2026-05-09", "watch")]


def over(visit, first, last):
    """`visit` with a log from one day of May to another."""
    start, end = (f"2026-05-{day:02d}T00:00:00+02:00" for day in (first, last))
    return replace(visit, log_start=start, log_end=end)


def test_the_same_stretch_judged_with_another_unit_toml_is_no_new_visit(tmp_path):
    kept, _ = add_all(tmp_path / "h", over(visit(4, "a"), 1, 4), over(visit(9, "b", level="act"), 1, 4))
    assert [(v.day, v.level) for v in kept] == [("2026-05-09", "act")]
    utc = replace(
        kept[0], inputs="c", log_start="2026-04-30T22:00:00+00:00", log_end="2026-05-03T22:00:00+00:00"
    )
    assert len(with_visit(kept, utc)) == 1  # the same moments in another zone


def test_a_log_that_begins_with_the_last_visit_and_goes_on_to_another_day_is_a_visit_of_its_own(tmp_path):
    """The folder holds the files of both visits; what was said at the first stays said."""
    kept, _ = add_all(tmp_path / "h", over(visit(4, "a"), 1, 4), over(visit(9, "b", level="act"), 1, 9))
    assert [(v.day, v.level) for v in kept] == [("2026-05-04", "well"), ("2026-05-09", "act")]


def test_files_of_two_old_visits_reported_on_one_day_are_two_visits(tmp_path):
    first, second = over(visit(20, "a"), 1, 4), over(visit(20, "b", level="act"), 11, 14)
    grown = over(visit(20, "c", level="act"), 11, 15)
    kept, _ = add_all(tmp_path / "h", first, second, grown)
    assert [v.inputs for v in kept] == ["a", "c"]


def test_damage_costs_the_lines_that_it_hit(tmp_path):
    path = tmp_path / "h"
    add_all(path, visit(4, "a"), visit(9, "b"), visit(12, "c"))
    lines = path.read_bytes().splitlines(keepends=True)
    lines[1] = lines[1].replace(b"well", b"wall")
    path.write_bytes(b"".join(lines))
    kept, sound = read_history(path)
    assert [v.inputs for v in kept] == ["a", "c"]
    assert not sound


def test_a_last_line_cut_short_is_left_out(tmp_path):
    path = tmp_path / "h"
    add_all(path, visit(4, "a"), visit(9, "b"))
    path.write_bytes(path.read_bytes()[:-9])
    kept, sound = read_history(path)
    assert [v.inputs for v in kept] == ["a"]
    assert not sound


def test_the_table_for_a_spreadsheet_has_a_row_a_visit():
    head, row = history_csv([visit(4)]).splitlines()
    assert head == f"reported,log_start,log_end,verdict,{','.join(FIGURES)},findings"
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    assert (cells["verdict"], cells["freeze_min"], cells["ice_kg_per_day"], cells["findings"]) == (
        "well",
        "20.5",
        "",
        "drift",
    )
