"""Section E: what could not be judged, when it is said, how urgently, and what is left to the record (E1, E2, E4; F-18, F-38, HZ-07)."""

from __future__ import annotations

from typing import Any

import pytest

from cds.advisory import Advisory
from cds.chart import MINUTE, Chart, Feed, Moment, Patient, Problem, Trouble
from cds.gaps import GAS, MISSING, STALE, UNUSABLE, Item, Quality, quality
from cds.knowledge import Knowledge
from cds.logic.criteria import AllOf, AtLeastValue, Below, HasCondition, Latest, NoneWithin, OrderFilter, OrderIs
from cds.parameters import ParameterSet
from tests.assess.making import A1, A5, A6, A7, advisory, branch, insulin, judged, knowledge_of, over_drafts, potassium_below
from tests.logic.scenes import NOW, chart, condition, dosage, ingredient, order, result


def made(held: Chart, knowledge: Knowledge) -> Quality:
    return quality(held, judged(held, knowledge), knowledge)


def items(held: Chart, knowledge: Knowledge) -> list[tuple[str, str, str]]:
    """(code, item, indicator) of what is said."""
    return [(i.code, i.item, i.indicator) for i in made(held, knowledge).items]


def only(held: Chart, knowledge: Knowledge) -> Item:
    (item,) = made(held, knowledge).items
    return item


def problem(analyte: str, trouble: Trouble = Trouble.UNIT_MISSING, minutes: int | None = 10, **more: Any) -> Problem:
    at = None if minutes is None else Moment(NOW - minutes * MINUTE, NOW - minutes * MINUTE)
    ref = more.pop("ref", f"Observation/bad-{analyte}")
    return Problem(trouble, ref, more.pop("path", "prefetch.results.entry[0].resource"), analyte, f"{analyte}: a number without a unit", "3.3", "", at)


LOW_ON_INSULIN = knowledge_of(lambda p: (over_drafts(p),))


# The five states ---------------------------------------------------------------------------------------------------------------------

STATES = {
    "not measured": (chart(insulin()), MISSING, "not_measured", "warning", "potassium"),
    "not sent": (chart(insulin(), feeds={"results": Feed.ABSENT}), MISSING, "not_sent", "warning", ""),
    "fetch failed": (chart(insulin(), feeds={"results": Feed.FAILED}), MISSING, "fetch_failed", "warning", ""),
    "unusable": (chart(insulin(), problem("potassium")), UNUSABLE, "no unit", "warning", ""),
    "stale and low": (chart(insulin(), result("potassium", "3.1", 400)), STALE, "stale", "warning", "potassium"),
    "stale and normal": (chart(insulin(), result("potassium", "4.1", 400)), STALE, "stale", "info", "potassium"),
}


@pytest.mark.parametrize("name", STATES)
def test_hz_07_the_five_states_are_kept_apart(name: str) -> None:
    held, code, state, indicator, test = STATES[name]
    item = only(held, LOW_ON_INSULIN)
    assert (item.code, item.state, item.indicator, item.test) == (code, state, indicator, test)
    assert item.waits == ((A6, "critical"),)


def test_e1_what_was_not_sent_is_not_asked_to_be_measured_again() -> None:
    item = only(STATES["not sent"][0], LOW_ON_INSULIN)
    assert item.test == "" and "'results' was not sent" in item.text and item.keys == ("results",)


def test_e4_says_what_the_old_value_would_have_decided() -> None:
    item = only(STATES["stale and low"][0], LOW_ON_INSULIN)
    assert "potassium 3.1 mmol/L is 6 h old" in item.text and "if it were still 3.1 mmol/L" in item.if_held and "critical" in item.if_held
    assert only(STATES["stale and normal"][0], LOW_ON_INSULIN).if_held == ""


def test_a_comparator_that_does_not_decide_is_there_but_unusable() -> None:
    item = only(chart(insulin(), result("potassium", "<4.0")), LOW_ON_INSULIN)
    assert item.code == UNUSABLE and "<4.0" in item.text and "3.5" in item.text


def silences(held: Chart, knowledge: Knowledge) -> list[str]:
    """Charts in which a needed datum is gone and nothing is said."""
    return [] if made(held, knowledge).items else ["nothing is said of what could not be judged"]


def test_hz_07_a_missing_datum_never_looks_like_all_clear() -> None:
    assert [fault for held, *_ in STATES.values() for fault in silences(held, LOW_ON_INSULIN)] == []


def test_control_hz_07_a_gap_read_as_settled_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    from cds import gaps

    monkeypatch.setattr(gaps, "_waiting", lambda *_: {})
    with pytest.raises(AssertionError):
        assert silences(STATES["not measured"][0], LOW_ON_INSULIN) == []


# Bears on it -------------------------------------------------------------------------------------------------------------------------


def test_an_advisory_that_one_false_has_settled_never_asks() -> None:
    def two(p: ParameterSet) -> tuple[Advisory, ...]:
        both = AllOf((AtLeastValue(Latest("glucose", p["age"]), p["high"]), potassium_below("low", p)))
        return (advisory(A1, branch("b", both, "critical")),)

    assert items(chart(result("glucose", "5.0")), knowledge_of(two)) == []
    assert items(chart(result("glucose", "25")), knowledge_of(two)) == [(MISSING, "potassium", "warning")]


def test_two_independent_gaps_are_both_said() -> None:
    def three(p: ParameterSet) -> tuple[Advisory, ...]:
        parts = (AtLeastValue(Latest("glucose", p["age"]), p["high"]), potassium_below("low", p), Below(Latest("magnesium", p["age"]), p["low"]))
        return (advisory(A1, branch("b", AllOf(parts), "warning")),)

    assert items(chart(result("glucose", "25")), knowledge_of(three)) == [(MISSING, "magnesium", "info"), (MISSING, "potassium", "info")]


def result_code(indicator: str = "critical", **more: Any) -> Knowledge:
    return knowledge_of(lambda p: (advisory(A5, branch("b", potassium_below("low", p), indicator), **more),))


WELL = {
    "nothing measured": chart(hook="patient-view"),
    "an old normal value": chart(result("potassium", "4.0", 400), hook="patient-view"),
    "an old diagnosis": chart(condition("diabetes", minutes=500_000), hook="patient-view"),
}


@pytest.mark.parametrize("name", WELL)
def test_hz_35_a_well_patient_is_not_asked_for_everything(name: str) -> None:
    assert items(WELL[name], result_code()) == []


def test_control_hz_35_without_the_patients_problem_every_gap_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    from cds import gaps

    monkeypatch.setattr(gaps, "_problem_shown", lambda *_: True)
    with pytest.raises(AssertionError):
        assert items(WELL["nothing measured"], result_code()) == []


def test_an_old_value_that_would_have_stood_is_said_in_anybody() -> None:
    assert items(chart(result("potassium", "3.1", 400), hook="patient-view"), result_code()) == [(STALE, "potassium", "warning")]


def test_what_was_sent_and_not_usable_is_said_in_anybody() -> None:
    assert items(chart(problem("potassium"), hook="patient-view"), result_code()) == [(UNUSABLE, "potassium", "warning")]


def test_c_07_a_list_that_did_not_come_is_said_in_anybody() -> None:
    assert items(chart(feeds={"results": Feed.ABSENT}, hook="patient-view"), result_code()) == [(MISSING, "potassium", "warning")]


@pytest.mark.parametrize(("minutes", "asked"), [(60, True), (2880, True), (2881, False)])
def test_a_fresh_diagnosis_shows_the_problem(minutes: int, asked: bool) -> None:
    def of_seizure(p: ParameterSet) -> tuple[Advisory, ...]:
        return (advisory(A5, branch("b", AllOf((HasCondition(("seizure",)), potassium_below("low", p))), "critical")),)

    assert bool(items(chart(condition("seizure", minutes=minutes), hook="patient-view"), knowledge_of(of_seizure))) is asked


def test_an_info_code_never_asks_unless_it_says_so() -> None:
    assert items(chart(insulin()), knowledge_of(lambda p: (over_drafts(p, indicator="info"),))) == []


def test_f_17_the_indicator_that_the_code_declares_for_its_gap() -> None:
    assert items(chart(insulin()), knowledge_of(lambda p: (over_drafts(p, gap_indicator="info"),))) == [(MISSING, "potassium", "info")]


def test_a_code_that_would_not_be_heard_at_this_hook_does_not_ask() -> None:
    low = chart(result("glucose", "25"), feeds={"results": Feed.WHOLE}, hook="order-sign")

    def quiet(p: ParameterSet) -> tuple[Advisory, ...]:
        both = AllOf((AtLeastValue(Latest("glucose", p["age"]), p["high"]), potassium_below("low", p)))
        return (advisory(A5, branch("b", both, "critical"), always=(), touches=("insulin",)),)

    assert items(low, knowledge_of(quiet)) == []
    assert items(chart(result("glucose", "25"), insulin()), knowledge_of(quiet)) == [(MISSING, "potassium", "warning")]


def test_e1_leaves_it_to_the_code_that_asks_itself() -> None:
    def with_a7(p: ParameterSet) -> tuple[Advisory, ...]:
        over = OrderFilter(("insulin",), "either", "intravenous")
        none = branch("none", AllOf((OrderIs("drafted"), NoneWithin(("potassium",), p["age"]))), "critical")
        return (over_drafts(p), advisory(A7, none, kind="order", over=over, asks_itself=("potassium",)))

    assert items(chart(insulin()), knowledge_of(with_a7)) == []
    # What was sent and could not be used is said all the same (E2).
    assert items(chart(insulin(), problem("potassium")), knowledge_of(with_a7)) == [(UNUSABLE, "potassium", "warning")]


# Absorption --------------------------------------------------------------------------------------------------------------------------


def test_e2_absorbs_e1_and_e4_for_the_same_datum() -> None:
    stale_and_bad = chart(insulin(), result("potassium", "3.1", 400), problem("potassium"))
    assert items(stale_and_bad, LOW_ON_INSULIN) == [(UNUSABLE, "potassium", "warning")]


def test_e4_absorbs_e1_and_each_datum_is_said_once() -> None:
    def two_windows(p: ParameterSet) -> tuple[Advisory, ...]:
        return (over_drafts(p), over_drafts(p, code=A7, key="very_low", indicator="warning"))

    (item,) = made(chart(insulin(), result("potassium", "3.1", 400)), knowledge_of(two_windows)).items
    assert item.code == STALE and {code for code, _ in item.waits} == {A6, A7}


def test_an_unusable_value_from_before_the_window_is_not_the_cause() -> None:
    assert items(chart(insulin(), problem("potassium", minutes=500)), LOW_ON_INSULIN) == [(MISSING, "potassium", "warning")]


# E2 ----------------------------------------------------------------------------------------------------------------------------------


def test_hz_01_another_patients_data_are_counted_and_never_shown() -> None:
    foreign = Problem(Trouble.OTHER_PATIENT, "", "prefetch.results.entry[3].resource", "potassium", "potassium: belongs to another patient")
    item = only(chart(foreign, result("potassium", "4.0"), hook="patient-view", other_patient_items=1), result_code())
    assert (item.code, item.indicator, item.ref) == (UNUSABLE, "warning", "")
    assert item.text == "1 item of another patient came with this request and was set aside"


def test_e2_a_value_set_aside_that_is_newer_than_the_one_that_was_used() -> None:
    held = chart(insulin(), result("potassium", "3.1", 60), problem("potassium", minutes=5))
    assert items(held, LOW_ON_INSULIN) == [(UNUSABLE, "potassium", "warning")]
    older = chart(insulin(), result("potassium", "3.1", 60), problem("potassium", minutes=90))
    assert items(older, LOW_ON_INSULIN) == []


def test_e2_what_bears_on_nothing_is_only_recorded() -> None:
    assert items(chart(problem("lithium_level"), result("potassium", "4.0"), hook="patient-view"), result_code()) == []


def test_e2_a_result_that_nobody_can_name_is_said_where_its_list_lacks_something() -> None:
    nameless = Problem(Trouble.NOT_UNDERSTOOD, "Observation/n", "prefetch.results.entry[0].resource", "", "K+: the result has no code that is known")
    assert (UNUSABLE, "", "warning") in items(chart(insulin(), nameless), LOW_ON_INSULIN)
    assert items(chart(insulin(), nameless, result("potassium", "4.0")), LOW_ON_INSULIN) == []


def test_e2_keeps_the_suspicion_and_what_was_sent() -> None:
    doubt = Problem(Trouble.IMPLAUSIBLE, "Observation/k", "prefetch.results.entry[0].resource", "potassium", "potassium: 90", "90 mmol/L", "is this in mg/dL?", Moment(NOW, NOW))
    item = only(chart(insulin(), doubt), LOW_ON_INSULIN)
    assert (item.as_sent, item.suspicion, item.ref) == ("90 mmol/L", "is this in mg/dL?", "Observation/k")


# Drafts ------------------------------------------------------------------------------------------------------------------------------

UNKNOWN_DRUG = ingredient(None, label="Wundermittel")


def draft(*parts: Any, **more: Any) -> Any:
    return order(*parts, ref="MedicationRequest/d", drafted=True, **more)


def test_hz_11_f_38_an_unknown_drug_by_vein_is_a_warning() -> None:
    held = draft(UNKNOWN_DRUG, doses=(dosage(rate="10 mL/h"),), unrecognised=("Wundermittel",))
    item = only(chart(held), LOW_ON_INSULIN)
    assert (item.code, item.indicator) == (MISSING, "warning") and "Wundermittel" in item.text and "No interaction was checked" in item.text


def test_an_unknown_tablet_is_accounted_for_without_a_card() -> None:
    held = chart(draft(UNKNOWN_DRUG, doses=(dosage(route="oral"),), unrecognised=("Wundermittel",)))
    quality_ = made(held, LOW_ON_INSULIN)
    assert quality_.items == () and {n: s for n, s, _ in quality_.accounts[0].parts}["drug"] == "not understood"


NOT_UNDERSTOOD = {
    "rate": draft(ingredient("insulin_soluble", "50 [iU] / 50 mL"), doses=(dosage(rate="5 furlong"),)),
    "amount": draft(ingredient("potassium_chloride", "40 furlong / 1000 mL"), doses=(dosage(dose="1000 mL", rate="10 mL/h"),)),
    "diluent": draft(ingredient("phenytoin", "1000 mg / 100 mL"), ingredient(None, active=False, label="Spezial"), doses=(dosage(rate="100 mL/h"),)),
}


@pytest.mark.parametrize("part", NOT_UNDERSTOOD)
def test_an_intravenous_draft_with_a_part_not_understood_is_never_an_empty_answer(part: str) -> None:
    quality_ = made(chart(NOT_UNDERSTOOD[part], result("potassium", "4.5")), LOW_ON_INSULIN)
    assert any(i.indicator == "warning" and part in i.text for i in quality_.items)
    assert quality_.accounts[0].not_understood


def test_at_order_select_a_detail_is_not_missing_but_not_chosen_yet() -> None:
    from cds.logic.criteria import Above, Total
    from tests.logic.scenes import limit

    def summed(p: ParameterSet) -> tuple[Advisory, ...]:
        over = OrderFilter(("potassium_salt",), "either", "intravenous")
        return (advisory(A6, branch("fast", Above(Total("potassium"), limit("20", "mmol/h")), "critical"), kind="order", over=over),)

    bare = draft(ingredient("potassium_chloride", "40 mmol / 1000 mL"), doses=(dosage(),), selected=True)
    assert items(chart(bare, hook="order-select"), knowledge_of(summed)) == []
    assert items(chart(bare), knowledge_of(summed)) == [(UNUSABLE, "potassium per hour", "warning")]


def test_every_draft_is_accounted_for_in_its_seven_parts() -> None:
    quality_ = made(chart(insulin("a"), insulin("b"), result("potassium", "4.5")), LOW_ON_INSULIN)
    assert [a.ref for a in quality_.accounts] == ["MedicationRequest/a", "MedicationRequest/b"]
    assert [name for name, _, _ in quality_.accounts[0].parts] == ["drug", "route", "line", "amount", "volume", "rate", "diluent"]


# Age, newborns, what broke -----------------------------------------------------------------------------------------------------------


def test_met_1_1_an_unknown_age_is_asked_for() -> None:
    held = chart(result("potassium", "3.1"), patient=Patient("female", None), hook="patient-view")
    assert items(held, result_code()) == [(MISSING, "age", "info")]
    waits = knowledge_of(lambda p: (over_drafts(p, without_age=False),))
    assert (MISSING, "age", "warning") in items(chart(insulin(), result("potassium", "3.1"), patient=Patient("female", None)), waits)


def test_f_20_a_newborn_gets_no_list_of_gaps() -> None:
    import datetime as dt

    day = dt.datetime.fromtimestamp(NOW / 1000, dt.UTC).date()
    newborn = Patient("female", (day, day))
    neonatal = knowledge_of(lambda p: (over_drafts(p, neonate=True),))
    assert items(chart(insulin(), patient=newborn), neonatal) == []
    assert items(chart(insulin(), problem("potassium"), patient=newborn), neonatal) == [(UNUSABLE, "potassium", "warning")]


def test_hz_32_what_broke_is_said_at_every_hook() -> None:
    from tests.assess.test_judging import BROKEN, one_breaks

    held = chart(result("potassium", "4.0"))
    found = made(held, knowledge_of(one_breaks, BROKEN)).items
    assert [(i.item, i.indicator) for i in found] == [(A5, "warning"), (A7, "info")]
    assert "error of its own" in found[0].text


# Several ---------------------------------------------------------------------------------------------------------------------------


def test_the_codes_of_section_e_with_their_highest_indicator() -> None:
    held = chart(insulin(), problem("potassium"), result("ph", "7.10", method="gas"), result("pco2", "40", method="gas"), result("bicarbonate", "24", method="gas"))
    assert made(held, LOW_ON_INSULIN).codes() == {UNUSABLE: "warning", GAS: "warning"}


def test_what_is_said_is_ranked_and_does_not_depend_on_the_order_of_problems() -> None:
    first, second = problem("potassium", ref="Observation/1"), problem("potassium", ref="Observation/2")
    assert made(chart(insulin(), first, second), LOW_ON_INSULIN) == made(chart(insulin(), second, first), LOW_ON_INSULIN)


def test_hz_01_another_patients_result_is_no_unusable_result_of_this_one() -> None:
    foreign = Problem(Trouble.OTHER_PATIENT, "", "prefetch.results.entry[3].resource", "potassium", "potassium: belongs to another patient")
    held = chart(insulin(), foreign, other_patient_items=1)
    assert items(held, LOW_ON_INSULIN) == [(MISSING, "potassium", "warning"), (UNUSABLE, "other patient", "warning")]
