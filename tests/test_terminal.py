"""What the command line shows when it is done."""

from pipeline.fleet.run import RunOutcome, UnitOutcome
from pipeline.report.summary import UnitSummary
from pipeline.terminal import show_outcome


def test_ice_stands_there_as_it_was_made_rests_included(capsys):
    summary = UnitSummary(
        unit="bar", title="Bar", level="well", ice_kg_per_day=121.0, made_ice_kg_per_day=94.6
    )
    unit = UnitOutcome(name="bar", summary=summary)
    show_outcome(RunOutcome(units=(unit,), problems=()), units="si", page="index.html")
    shown = " ".join(capsys.readouterr().out.split())
    assert "95 kg a day" in shown
    assert "121" not in shown


def test_what_was_found_is_said_in_words_and_codes_are_left_to_the_files(capsys):
    summary = UnitSummary(unit="bar", title="Bar", level="act", codes=("freeze-long", "harvest-stalled"))
    show_outcome(
        RunOutcome(units=(UnitOutcome(name="bar", summary=summary),), problems=()),
        units="si",
        page="index.html",
    )
    shown = " ".join(capsys.readouterr().out.split())
    assert "long freezes, ice did not release" in shown
    assert "freeze-long" not in shown
