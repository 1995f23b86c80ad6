"""The engine, the table of thresholds, the verdict, the cautions and the catalogue of sentences."""

import ast
import dataclasses
import importlib
import json
import re
import string
from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline import findings
from pipeline.errors import UnitConfigError
from pipeline.findings import engine, thresholds
from pipeline.findings.advice import causes
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import Rule, Seen
from pipeline.fleet import sisters
from pipeline.language.text import Text, quantity_of, say
from pipeline.unit import Unit
from tests.findings.made_up import codes, doubt, finding, judged, made_up, noisy
from tests.language.translating import all_texts

CODES = {
    "freeze-long", "freeze-short", "freeze-at-timeout", "harvest-long", "harvest-stalled", "short-cycling", "failed-start",
    "no-ice", "condenser-hot", "weak-freeze", "warm-water", "output-low", "drift", "probe-fault", "probe-loose",
    "clamp-dead", "log-gap", "log-coarse", "clock-offset",
}  # fmt: skip


def worst_case():
    """A log in which much is wrong at once."""
    freeze, harvest, peak = noisy(20, 120), noisy(2.5, 120), noisy(9, 120)
    freeze[60:] *= 1.5
    harvest[[10, 30, 50]], peak[[10, 30, 50]] = 7.2, 1.0
    return made_up(
        freeze, harvest, harvest_peak_c=peak, freeze_end_c=-15.0, condenser_split_k=10 + 7.0 * (np.arange(120) >= 60),
        condenser_in_c=30.0, water_in_c=34.0, doubts=[doubt("log-gap")],
    )  # fmt: skip


def test_every_public_code_has_its_rule():
    assert {rule.code for rule in engine.all_rules()} >= CODES


def test_causes_and_codes_that_rules_name_exist():
    for rule in engine.all_rules():
        assert set(rule.causes) <= {*causes.CAUSES, *causes.TABLE.stands_for}, rule.code
        assert set(rule.quiet_when) <= CODES, rule.code


MODULES = sorted(
    path
    for path in (*Path(findings.__file__).parent.rglob("*.py"), Path(sisters.__file__))
    if path.stem not in ("thresholds", "__init__")
)


def module_at(path):
    inside = path.relative_to(Path(pipeline.__file__).parent).with_suffix("")
    return importlib.import_module(".".join(("pipeline", *inside.parts)))


def read_in(path):
    """Names of the table that the source of a module reads: t["…"], thresholds["…"], cycles_needed("…"), slope="…"."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Subscript) and re.search(
            r"\b(t|thresholds|in_force)$", ast.unparse(node.value)
        ):
            slice_ = node.slice
            parts = (slice_.body, slice_.orelse) if isinstance(slice_, ast.IfExp) else (slice_,)
            yield from (c.value for c in parts if isinstance(c, ast.Constant))
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "cycles_needed":
            yield from (a.value for a in node.args if isinstance(a, ast.Constant))
        if isinstance(node, ast.keyword) and node.arg in ("threshold", "slope", "slope_sd"):
            yield from (c.value for c in (node.value,) if isinstance(c, ast.Constant) and c.value)


def test_every_threshold_is_read_somewhere_and_says_where_it_is_from():
    read = {name for path in MODULES for name in read_in(path)}
    assert read == {t.name for t in thresholds.TABLE}
    assert all(t.source and t.what for t in thresholds.TABLE)
    assert len({t.name for t in thresholds.TABLE}) == len(thresholds.TABLE)


# Numbers that decide nothing by themselves: how a trace is looked at, how many are shown, how sure somebody may be.
NO_DECISIONS = {
    "case": set(), "change": {"_BENDS", "_REGULAR"}, "courses": set(), "comparison": {"_LEVEL", "_MOST"}, "conditions": {"_HUBER", "_REJECTED", "LATENT_KJ_PER_KG", "CP_WATER_KJ_PER_KG_K"},
    "doubtful": {"_COMPARED", "_FROM", "_LIKE_USUAL", "_SMOOTH_S"}, "output": {"_CELLS"}, "aftermath": {"_BESIDE"}, "timer": {"_MOST_BUNCHES", "_SHORTEST_HALF"},
}  # fmt: skip


@pytest.mark.parametrize("name", sorted({*NO_DECISIONS, "drift", "freeze", "harvest", "heat", "lengths", "production", "sisters", "stalls", "standing", "starts", "trust"}))  # fmt: skip
def test_no_module_keeps_a_number_to_decide_by_for_itself(name):
    (module,) = (module_at(path) for path in MODULES if path.stem == name)
    source = Path(module.__file__).read_text(encoding="utf-8")
    kept = {
        target.id
        for node in ast.parse(source).body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant | ast.UnaryOp | ast.Tuple)
        for target in node.targets
        if isinstance(target, ast.Name) and isinstance(getattr(module, target.id), int | float)
    }
    assert {k for k in kept if not k.startswith("NS_") and not k.startswith("_NS_")} <= NO_DECISIONS.get(
        name, set()
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        pytest.param({"timer_cycles": 0}, r'"timer_cycles" cannot be 0.*of 1 or more; left out, it is 12 cycles', id="no cycle"),
        pytest.param({"freeze_out_pct": -5}, r'"freeze_out_pct" cannot be -5.*above 0; left out, it is 20 %', id="negative"),
        pytest.param({"drift_p": 3}, r'"drift_p" cannot be 3.*from 0 to 1', id="no chance"),
        pytest.param({"gap_min": 0}, r'"gap_min" cannot be 0', id="a limit of the reading room"),
    ],
)  # fmt: skip
def test_a_threshold_that_cannot_be_is_an_error_that_says_what_can(given, said):
    with pytest.raises(UnitConfigError, match=said) as error:
        judged(made_up(noisy(20, 10)), thresholds=given)
    assert "made-up/unit.toml" in str(error.value)


def test_a_temperature_may_be_set_below_zero():
    judged(made_up(noisy(20, 10)), thresholds={"stall_peak_c": -2, "probe_coldest_c": -40})


def test_an_unknown_threshold_is_an_error_that_names_the_nearest():
    with pytest.raises(
        UnitConfigError, match=r'"freeze_out" is not a threshold.*did you mean "freeze_out_pct"'
    ) as error:
        judged(made_up(noisy(20, 10)), thresholds={"freeze_out": 30})
    assert "made-up/unit.toml" in str(error.value)


def test_a_threshold_in_force_is_shown_with_its_source():
    shown = {
        row[0]: row for row in judged(made_up(noisy(20, 10)), thresholds={"freeze_out_pct": 33}).thresholds
    }
    assert shown["freeze_out_pct"][1:] == (33.0, "%", "unit.toml")
    assert shown["outlier_z"][1] == 3.5
    assert "1.3.5.17" in shown["outlier_z"][3]


def test_findings_stand_worst_first():
    order = {Severity.ACT: 0, Severity.WATCH: 1, Severity.NOTE: 2}
    found = [order[f.severity] for f in judged(worst_case()).findings]
    assert found == sorted(found)
    assert len(found) >= 4


def test_one_code_makes_one_finding_however_many_cycles():
    found = codes(judged(worst_case()))
    assert len(found) == len(set(found))


def test_every_finding_ends_in_something_to_do_and_a_derived_confidence():
    for found in judged(worst_case()).findings:
        assert found.next_checks, found.code
        assert found.likely_causes, found.code
        assert 0 < found.confidence <= 1


def test_confidence_falls_with_the_trust_in_the_readings():
    timeline, record = worst_case()
    half = [dataclasses.replace(c, trusted=np.array([True, False])) for c in timeline.channels]
    doubted = finding(judged((dataclasses.replace(timeline, channels=tuple(half)), record)), "freeze-long")
    assert doubted.confidence < finding(judged((timeline, record)), "freeze-long").confidence


def test_evidence_is_plain_numbers_and_words():
    for found in judged(worst_case()).findings:
        json.dumps(dict(found.evidence))


def test_a_rule_is_quiet_when_another_says_it_already(monkeypatch):
    loud = Rule(code="loud", test=lambda case: _seen(), causes=("clocks-differ",))
    meek = Rule(code="meek", test=lambda case: _seen(), causes=("clocks-differ",), quiet_when=("loud",))
    monkeypatch.setattr(engine, "all_rules", lambda: (meek, loud))
    assert codes(judged(made_up(noisy(20, 10)))) == ["loud"]
    monkeypatch.setattr(engine, "all_rules", lambda: (meek,))
    assert codes(judged(made_up(noisy(20, 10)))) == ["meek"]


def _seen():
    title = Text(key="t", english="t")
    return Seen(severity=Severity.NOTE, title=title, start_ns=0, end_ns=1, evidence={}, confidence=0.5)


@pytest.mark.parametrize(
    ("log", "level"),
    [
        pytest.param(lambda: made_up(noisy(20, 40)), "well", id="nothing found"),
        pytest.param(lambda: made_up(noisy(20, 40), doubts=[doubt("log-gap")]), "note", id="notes alone"),
        pytest.param(lambda: made_up([20.0]), "cannot-tell", id="one cycle"),
        pytest.param(lambda: made_up([], cycles=0), "cannot-tell", id="no cycle"),
        pytest.param(worst_case, "act", id="worst case"),
    ],
)
def test_the_verdict_is_as_grave_as_the_worst_finding(log, level):
    found = judged(log()).verdict
    assert found.level == level
    for text in (found.client, found.technician):
        assert say(text)[0].isupper() or say(text)[0].isdigit() or text.key.startswith("doubt")
        assert "{" not in say(text)


def test_flammable_refrigerants_put_their_own_caution_first():
    said = judged(made_up(noisy(20, 40)), nameplate={"refrigerant": "R290"}).cautions
    assert said[0].key == "caution.flammable"
    assert "R-290" in say(said[0])
    assert "A3" in say(said[0])


def test_an_unnamed_refrigerant_is_said_to_be_unnamed():
    keys = [c.key for c in judged(made_up(noisy(20, 40))).cautions]
    assert "caution.refrigerant-unknown" in keys
    assert keys[-1] == "caution.codes"
    assert {"caution.panel", "caution.parts", "caution.refrigerant"} <= set(keys)


def test_cleaning_brings_its_own_caution():
    keys = [c.key for c in judged(worst_case()).cautions]
    assert "caution.chemicals" in keys


def test_every_value_in_a_sentence_is_a_count_or_has_its_unit():
    bare = {
        "count",
        "of",
        "cycles",
        "found",
        "codes",
        "least",
        "earlier",
        "later",
        "refrigerant",
        "group",
        "paragraph",
        "hours",  # of the day, in the unit's zone
        "when",  # day and time there
    }
    for key, english in all_texts().items():
        for _, name, _, _ in string.Formatter().parse(english):
            assert name is None or name in bare or quantity_of(name) is not None, (key, name)


def test_every_sentence_that_a_judgement_says_is_in_the_catalogue():
    known = all_texts()
    said = judged(
        worst_case(), nameplate={"refrigerant": "R-290", "ice_kg_per_day": 160.0, "equipment": "head"}
    )
    texts = [
        said.verdict.client,
        said.verdict.technician,
        *said.cautions,
        said.output.basis,
        said.output.expected_basis,
    ]
    for found in said.findings:
        texts += [found.title, *found.likely_causes, *found.next_checks]
    texts += [n.needs for n in said.not_judged]
    for text in texts:
        assert text.key.startswith("doubt.") or known[text.key] == text.english


def test_no_sentence_holds_markup_or_a_double_blank():
    for key, english in all_texts().items():
        assert not re.search(r"[<>]|  ", english), key


def test_two_sentences_cannot_share_a_key():
    key, english = next(iter(all_texts().items()))
    assert phrase(key, english).key == key
    with pytest.raises(ValueError, match="share the key"):
        phrase(key, english + " another")


def test_judging_is_pure():
    timeline, record = worst_case()
    before = record.cycles.copy()
    first, second = judged((timeline, record)), judged((timeline, record))
    assert [f.code for f in first.findings] == [f.code for f in second.findings]
    assert record.cycles.equals(before)


def test_a_unit_that_is_merely_named_is_judged():
    assert engine.judge(*made_up(noisy(20, 40)), Unit(name="x")).verdict.level == "well"


def test_the_technician_hears_what_since_when_why_and_what_to_do_first():
    told = judged(worst_case()).verdict
    worst = judged(worst_case()).findings[0]
    assert told.technician == worst.title
    assert told.likeliest == worst.likely_causes[0]
    assert told.first_check == worst.next_checks[0]
    assert "into the log" in say(told.since)


def test_findings_of_one_log_agree_on_a_common_cause():
    late = np.arange(90) >= 45
    log = made_up(
        np.where(late, 26.0, 20.0) + noisy(0.2, 90, share=1), np.where(late, 4.4, 2.5) * noisy(1, 90),
        freeze_end_c=noisy(-16, 90) + 7.0 * late, harvest_peak_c=9.0, condenser_split_k=10 - 2.0 * late,
    )  # fmt: skip
    found = judged(log)
    assert finding(found, "weak-freeze").likely_causes[0].key.startswith("cause.charge-low")
    assert finding(found, "freeze-long").likely_causes[0].key.startswith("cause.charge-low")
    assert finding(found, "harvest-long").likely_causes[0].key.startswith("cause.charge-low")


def test_limits_of_the_reading_room_are_known_names_and_shown():
    shown = {row[0]: row for row in judged(made_up(noisy(20, 10)), thresholds={"gap_min": 9}).thresholds}
    assert shown["gap_min"][1:] == (9.0, "min", "unit.toml")
