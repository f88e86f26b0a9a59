"""Medicines for a seizure beyond their tables: the shapes in which an order may come, what is offered, who takes over whose words, and what each protection hangs on."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any

import pytest

from cds.advisory import Assessment, Outcome
from cds.assess import Knowledge, assess, knowledge_of
from cds.candidates import offers
from cds.cards.words import fill
from cds.chart import NO_MEMORY, Chart
from cds.numbers import point
from cds.parameters import parameter_set
from tests.charts import chart, condition, given, order, result
from tests.intake.payloads import IV, RXNORM, SALINE, UCUM, at, bundle, draft, observation, quantity, read, request
from tests.intake.payloads import condition as fhir_condition
from tests.topics.table import Row, files, knowledge, rows

RATE, LOAD, DOSE = "asm-infusion-rate-check", "asm-loading-dose-check", "benzodiazepine-dose-check"
HEART, LIVER, GLUCOSE, CAUSE = "asm-cardiac-contraindication", "asm-hepatic-or-pregnancy-contraindication", "phenytoin-worsens-hyperglycaemia", "provoked-seizure-cause"
SEIZING = condition("seizure", onset=30)
PHENYTOIN = {"coding": [{"system": RXNORM, "code": "8183"}], "text": "phenytoin"}
FOSPHENYTOIN = {"coding": [{"system": RXNORM, "code": "72236"}], "text": "fosphenytoin"}


def judged(made: Chart, *codes: str, known: Knowledge | None = None) -> Assessment:
    return assess(made, NO_MEMORY, known or knowledge(), only=frozenset(codes) if codes else None)


def said(made: Assessment) -> dict[str, str]:
    """Code to indicator of everything on a card or folded."""
    found = [finding for group in made.groups for finding in group.findings]
    return {f.code: f.indicator for f in (*made.folded, *found)}


# Shapes of an order --------------------------------------------------------------------------------------------------------------------


def phenytoin(*dosages: dict[str, Any], drug: dict[str, Any] | None = None, **more: Any) -> dict[str, Any]:
    return draft(medicationCodeableConcept=drug or PHENYTOIN, dosageInstruction=[{"route": IV, **dosage} for dosage in dosages], **more)


def in_bag(strength: dict[str, Any], volume: int = 100) -> dict[str, Any]:
    """A contained Medication: the drug in a bag of saline."""
    ml = quantity(volume, "mL")
    return {
        "resourceType": "Medication", "id": "bag", "amount": {"numerator": ml, "denominator": {"value": 1}},
        "ingredient": [{"itemCodeableConcept": PHENYTOIN, "strength": strength}, {"itemCodeableConcept": SALINE, "isActive": False}],
    }  # fmt: skip


def dose(value: float, unit: str = "mg", **more: Any) -> dict[str, Any]:
    return {"doseAndRate": [{"doseQuantity": quantity(value, unit), **more}]}


def over(minutes: float) -> dict[str, Any]:
    return {"timing": {"repeat": {"duration": minutes, "durationUnit": "min"}}}


def verdicts(resource: dict[str, Any]) -> Assessment:
    """The order as drafted for a woman of 68 kg, through the real intake."""
    weight = observation(68, "kg", "29463-7", id="w1", effectiveDateTime=at(600))
    rhythm = observation(80, "/min", "8867-4", id="h1", effectiveDateTime=at(10))
    sent = {name: bundle() for name in ("medications", "administrations", "conditions")}
    made = read(request([resource], {"body": bundle(weight), "vitals": bundle(rhythm), **sent, "conditions": bundle(fhir_condition(onsetDateTime=at(30)))}))
    return judged(made.chart, RATE, LOAD)


FAST: dict[str, str] = {RATE: "critical"}
RIGHT: dict[str, str] = {}
SHAPES = [
    pytest.param(phenytoin({**dose(1200), **over(20)}), FAST, id="dose over a duration, 60 mg/min"),
    pytest.param(phenytoin({**dose(1200), **over(40)}), RIGHT, id="dose over a duration, 30 mg/min"),
    pytest.param(phenytoin(dose(1200, rateQuantity=quantity(60, "mg/min"))), FAST, id="rateQuantity"),
    pytest.param(phenytoin(dose(1200, rateQuantity=quantity(3600, "mg/h"))), FAST, id="rateQuantity per hour"),
    pytest.param(phenytoin(dose(1200, rateQuantity=quantity(0.9, "mg/kg/min"))), FAST, id="rateQuantity by weight, 61.2 mg/min"),
    pytest.param(phenytoin(dose(1200, rateRatio={"numerator": quantity(1200, "mg"), "denominator": quantity(20, "min")})), FAST, id="rateRatio"),
    pytest.param(phenytoin(dose(1200, rateRange={"low": quantity(30, "mg/min"), "high": quantity(60, "mg/min")})), FAST, id="rateRange: its upper end"),
    pytest.param(phenytoin(dose(1.2, "g", rateQuantity=quantity(30, "mg/min"))), RIGHT, id="dose in grams"),
    pytest.param(phenytoin({**dose(18, "mg/kg"), **over(20)}), FAST, id="dose by weight, 61.2 mg/min"),
    pytest.param(phenytoin({**dose(1200, rateQuantity=quantity(30, "mg/min")), **over(10)}), FAST, id="rate and duration disagree"),
    pytest.param(
        draft(medicationCodeableConcept=..., medicationReference={"reference": "#bag"}, contained=[in_bag({"numerator": quantity(1200, "mg"), "denominator": quantity(100, "mL")})],
              dosageInstruction=[{"route": IV, **dose(100, "mL", rateQuantity=quantity(300, "mL/h"))}]), FAST, id="contained bag at 300 mL/h, 60 mg/min"),
    pytest.param(
        draft(medicationCodeableConcept=..., medicationReference={"reference": "#bag"}, contained=[in_bag({"numerator": quantity(12, "mg"), "denominator": quantity(1, "mL")})],
              dosageInstruction=[{"route": IV, **dose(100, "mL"), **over(40)}]), RIGHT, id="contained bag of 12 mg/mL over 40 min"),
    pytest.param(phenytoin({**dose(1200), "timing": {"repeat": {"duration": 20, "durationUnit": "min", "count": 1}}}), FAST, id="counted once"),
    pytest.param(
        phenytoin({**dose(1200), "timing": {"event": [at(0)], "repeat": {"duration": 20, "durationUnit": "min", "boundsDuration": quantity(1, "h")}}}), FAST, id="with boundsDuration"),
    pytest.param(phenytoin({**dose(1600, "mg{PE}"), **over(10)}, drug=FOSPHENYTOIN), {RATE: "critical", LOAD: "warning"}, id="fosphenytoin in mg PE, 160 mg PE/min, 23.5 mg PE/kg"),
    pytest.param(phenytoin({**dose(1600), **over(10)}, drug=FOSPHENYTOIN), {RATE: "critical", LOAD: "warning"}, id="fosphenytoin in mg is read as PE"),
    pytest.param(phenytoin({"text": "1200 mg iv now"}), {RATE: "warning"}, id="text alone: no rate is read"),
]  # fmt: skip


@pytest.mark.parametrize(("resource", "expect"), SHAPES)
def test_hz_05_every_shape_of_an_order_is_read(resource: dict[str, Any], expect: dict[str, str]) -> None:
    """FHIR R4 leaves open how a dose and its speed are written; each way gives the same milligrams a minute."""
    assert said(verdicts(resource)) == expect


def test_hz_07_a_text_alone_is_not_computed_and_is_said() -> None:
    """The load is not judged from words; what is missing is named."""
    verdict = verdicts(phenytoin({"text": "1200 mg iv over 20 min"})).verdict(LOAD)
    assert verdict.outcome is Outcome.UNKNOWN and any("amount" in gap.item for gap in verdict.gaps)


def test_hz_05_a_course_is_no_load() -> None:
    """A frequency makes it maintenance, by period or by code."""
    for timing in ({"repeat": {"frequency": 2, "period": 1, "periodUnit": "d", "duration": 20, "durationUnit": "min"}}, {"code": {"coding": [{"code": "BID"}]}}):
        made = verdicts(phenytoin({**dose(300), "timing": timing}))
        assert LOAD not in said(made), timing


def test_control_hz_05_without_the_faster_end_a_disagreement_is_missed() -> None:
    """The stated rate alone is allowed: it is the duration that makes the order dangerous."""
    assert said(verdicts(phenytoin(dose(1200, rateQuantity=quantity(30, "mg/min"))))) == {}


def test_a_unit_of_equivalents_never_meets_milligrams() -> None:
    """A phenytoin limit is in mg, a fosphenytoin limit in mg PE."""
    (drip,) = read(request([phenytoin({**dose(1500, "mg{PE}"), **over(10)}, drug=FOSPHENYTOIN)])).chart.orders
    scene = verdicts(phenytoin({**dose(1500, "mg{PE}"), **over(10)}, drug=FOSPHENYTOIN)).scene
    assert scene is not None
    given = scene.reading(drip).substance("drug:fosphenytoin")
    assert given is not None and given.unit == "mg{PE}" and given.amount == point(Decimal(1500))
    assert UCUM in str(dose(1))


# What is offered -------------------------------------------------------------------------------------------------------------------------


def offered(made: Chart, *codes: str) -> tuple[list[str], list[str]]:
    """Labels of what is offered, and reasons of what is dropped."""
    assessment = judged(made, *codes)
    found = offers(made, assessment, knowledge())
    return [change.label for changes in found.by_problem.values() for change in changes], [each.reason for each in found.dropped]


def test_hz_05_a_fast_infusion_is_offered_over_its_shortest_time() -> None:
    """1502 mg PE at 150 mg PE/min take 10.01 min: 11 whole ones, never 10."""
    drip = order("fosphenytoin", drafted=True, dose=("1502", "mg{PE}"), minutes="10")
    assert offered(chart(result("heart_rate", "80"), result("glucose", "6"), drip), RATE)[0] == ["Same order over the shortest allowed time: over 11 min"]


def test_hz_18_a_small_load_is_offered_for_the_weight() -> None:
    """60 mg/kg at 68 kg are 4080 mg (Kapur 2019); at 90 kg the maximum of 4500 mg."""
    for kg, label in (("68", "4080 mg over 10 min"), ("90", "4500 mg over 10 min")):
        drip = order("levetiracetam", drafted=True, dose=("1000", "mg"), minutes="15")
        assert offered(chart(SEIZING, drip, weight=kg), LOAD)[0] == [f"Change to the usual load for this patient: {label}"]


def test_hz_18_without_a_weight_no_dose_is_offered() -> None:
    drip = order("levetiracetam", drafted=True, dose=("7000", "mg"), minutes="15")
    labels, reasons = offered(chart(SEIZING, drip, weight=None), LOAD)
    assert labels == [] and any("weight not known" in reason for reason in reasons)


def test_a_contraindicated_load_is_offered_as_levetiracetam() -> None:
    drip = order("phenytoin", drafted=True, dose=("1300", "mg"), minutes="40")
    labels, _ = offered(chart(SEIZING, condition("av_block"), result("heart_rate", "80"), drip))
    assert any("Levetiracetam load instead" in label and "4080 mg" in label for label in labels)


# Who takes over whose words -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("items", "owner"),
    [
        pytest.param((result("glucose", "2.8", age=10), result("gcs", "9", age=5)), "hypoglycaemia", id="glucose"),
        pytest.param((result("sodium", "122", age=10), result("glucose", "6", age=10)), "hyponatraemia-with-seizure", id="sodium"),
        pytest.param((result("magnesium", "0.45", age=10), result("glucose", "6", age=10)), "magnesium-low", id="magnesium"),
        pytest.param((result("calcium_ionised", "0.85", age=10), result("glucose", "6", age=10)), "calcium-low", id="calcium"),
    ],
)
def test_hz_24_a_contributor_is_a_line_of_the_code_that_owns_it(items: tuple[Any, ...], owner: str) -> None:
    """Tier 2 has no card of its own beside its owner (N-05)."""
    made = judged(chart(SEIZING, *items))
    assert owner in said(made)
    assert made.verdict(CAUSE).outcome is Outcome.ABSORBED and made.verdict(CAUSE).why == owner


def test_control_hz_24_a_published_cause_keeps_its_card() -> None:
    """Tier 1 speaks beside the owner of its value."""
    made = judged(chart(SEIZING, result("glucose", "1.8", age=10), result("gcs", "9", age=5)))
    assert made.verdict(CAUSE).outcome is Outcome.FIRED and said(made)[CAUSE] == "critical" and "hypoglycaemia" in said(made)


def test_control_a_high_glucose_keeps_its_card_beside_the_crisis() -> None:
    """O-N04: the cause of a hyperosmolar seizure is named."""
    made = judged(chart(SEIZING, result("glucose", "40", age=10), result("sodium", "150", age=10), result("beta_hydroxybutyrate", "0.3", age=10), result("ph", "7.38", age=10)))
    assert made.verdict(CAUSE).outcome is Outcome.FIRED and "hhs-criteria-met" in said(made)


def test_hz_35_glucose_is_a_line_of_a_critical_diluent_or_heart() -> None:
    """C13 goes onto the card that is critical on the same order."""
    high = result("glucose", "20", age=10)
    mixed = order("phenytoin", drafted=True, contents=(("phenytoin", "1000", "mg"),), diluent="glucose", volume="100", rate=("150", "mL/h"))
    made = judged(chart(high, result("heart_rate", "80"), mixed))
    assert made.verdict(GLUCOSE).why == "asm-diluent-incompatible"
    drip = order("phenytoin", drafted=True, dose=("1000", "mg"), minutes="40")
    assert judged(chart(high, result("heart_rate", "45"), drip)).verdict(GLUCOSE).why == HEART
    assert judged(chart(high, result("heart_rate", "80"), drip)).verdict(GLUCOSE).outcome is Outcome.FIRED


def test_hz_35_one_order_has_one_card() -> None:
    """Diluent, heart, rate and glucose of one draft share a card, led by the highest."""
    drip = order("phenytoin", drafted=True, contents=(("phenytoin", "1000", "mg"),), diluent="glucose", volume="100", rate=("600", "mL/h"))
    made = judged(chart(SEIZING, result("glucose", "20", age=10), result("heart_rate", "45"), drip), RATE, LOAD, HEART, GLUCOSE, "asm-diluent-incompatible")
    (group,) = made.groups
    assert [f.code for f in (group.lead, *group.others)] == ["asm-diluent-incompatible", HEART, RATE]
    assert {f.code for f in group.absorbed} == {GLUCOSE}


def test_a_pregnant_patient_hears_of_valproate_once() -> None:
    """C9 speaks; the general list of pregnancy is silent on the drugs that it spoke on (O-N10)."""
    pill = order("valproate", drafted=True, route="oral", dose=("500", "mg"), per_day="2")
    made = judged(chart(condition("pregnancy"), pill, years=30))
    assert made.verdict(LIVER).outcome is Outcome.FIRED
    assert made.verdict("pregnancy-unsafe-order").outcome is not Outcome.FIRED


# What each protection hangs on ---------------------------------------------------------------------------------------------------------


def changed(key: str, value: str) -> Knowledge:
    """The knowledge with one figure changed for everybody."""
    made: Any = copy.deepcopy(files())
    for table in made.values():
        for each in table.get(key, {}).get("value", ()):
            each.pop("same_as", None)
            each.pop("also", None)
            each["is"] = Decimal(value)
    return knowledge_of(parameter_set(made))


def red(table: str, case: str, known: Knowledge) -> bool:
    """Whether a row fails under other knowledge."""
    (row,) = [each for each in rows(table) if each.name == f"{table[:-3]}: {case}"]
    assert isinstance(row, Row)
    return said(judged(row.chart(), *row.codes, known=known)) != {code: word for code, word in row.expect().items() if word != "unknown"}


@pytest.mark.parametrize(
    ("key", "value", "table", "case"),
    [
        ("load_over_warning", "111", "anti_seizure_dose.md", "levetiracetam 4489 mg"),
        ("load_over_critical", "151", "anti_seizure_dose.md", "levetiracetam 6121 mg"),
        ("load_again_within", "1441", "anti_seizure_dose.md", "second load later"),
        ("elderly_from", "66", "anti_seizure_dose.md", "25.1 mg/min at 65"),
        ("magnesium_maintenance_rate", "3.2", "anti_seizure_dose.md", "magnesium 3.1 g/h"),
        ("infusing_unknown_length", "59", "anti_seizure_dose.md", "runs, length not stated"),
        ("benzodiazepine_under", "72", "benzodiazepine.md", "lorazepam 2.9 mg"),
        ("benzodiazepine_doses", "3", "benzodiazepine.md", "two full doses"),
        ("benzodiazepine_apart", "4", "benzodiazepine.md", "one dose 4 min ago"),
        ("benzodiazepine_breathing_low", "9", "benzodiazepine.md", "two full doses, breathing 9"),
        ("phenytoin_slow_heart_critical", "49", "anti_seizure_contraindication.md", "phenytoin, rate 49"),
        ("valproate_inr_above", "1.6", "anti_seizure_contraindication.md", "valproate, INR 1.6"),
        ("phenytoin_glucose_above", "14.1", "anti_seizure_contraindication.md", "glucose 14.0"),
        ("seizure_cause_window", "1439", "seizure_cause.md", "sodium 112 of 24 h before the onset"),
        ("seizure_sodium_very_low", "114", "seizure_cause.md", "na 114 mmol/L"),
    ],
)
def test_control_hz_22_a_moved_figure_turns_its_row_red(key: str, value: str, table: str, case: str) -> None:
    assert not red(table, case, knowledge())
    assert red(table, case, changed(key, value))


def test_control_hz_36_without_the_emergency_a_pushed_magnesium_is_critical() -> None:
    """The cap of the first dose hangs on what it is for."""
    push = order("magnesium_sulfate", drafted=True, dose=("4", "g"), minutes="4")
    assert said(judged(chart(condition("eclampsia", onset=10), push, years=30), RATE)) == {RATE: "warning"}
    assert said(judged(chart(push, years=30), RATE)) == {RATE: "critical"}


def test_control_hz_19_without_the_diagnoses_nobody_is_free_of_a_block() -> None:
    """A list that was not sent leaves the heart open; sent whole and empty it does not."""
    drip = order("phenytoin", drafted=True, dose=("1000", "mg"), minutes="40")
    items = (result("heart_rate", "80"), result("glucose", "6"), drip)
    assert judged(chart(*items, not_sent=("conditions",)), HEART).verdict(HEART).outcome is Outcome.UNKNOWN
    assert judged(chart(*items), HEART).verdict(HEART).outcome is Outcome.NOT_MET


def test_hz_36_the_last_resort_is_the_seniors() -> None:
    """After benzodiazepines and a second-line load have failed, valproate stays critical and is not taken away; before that another is offered."""
    first = order("levetiracetam", status="completed", dose=("4000", "mg"), minutes="10")
    doses = (given(("lorazepam",), 55), given(("lorazepam",), 45))
    draft_ = order("valproate", drafted=True, dose=("2500", "mg"), minutes="15")
    status, liver = condition("status_epilepticus", onset=60), condition("cirrhosis")
    failed = judged(chart(status, liver, first, *doses, given(("levetiracetam",), 30, of=first), draft_), LIVER)
    (finding,) = failed.verdict(LIVER).findings
    assert finding.indicator == "critical" and "last resort" in finding.branch.name and finding.branch.proposals == ()
    (earlier,) = judged(chart(status, liver, *doses, draft_), LIVER).verdict(LIVER).findings
    assert "last resort" not in earlier.branch.name and earlier.branch.proposals


# Where guidelines differ -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drip", "years", "kg", "profile", "code", "other", "own"),
    [
        pytest.param(order("phenytoin", drafted=True, dose=("2000", "mg"), minutes="60"), 40, "100", "", LOAD, "2000 mg", "1500 mg", id="phenytoin 2000 mg: UK passes it"),
        pytest.param(order("phenytoin", drafted=True, dose=("900", "mg"), minutes="30"), 40, "68", "", LOAD, "10 mg/kg", "15 mg/kg", id="phenytoin 13 mg/kg: the US label passes it"),
        pytest.param(order("phenytoin", drafted=True, dose=("800", "mg"), minutes="17"), 40, "40", "uk", RATE, "50 mg/min whatever", "40 mg/min", id="phenytoin 47 mg/min at 40 kg"),
        pytest.param(order("fosphenytoin", drafted=True, dose=("400", "mg{PE}"), minutes="8"), 7, "20", "", RATE, "3 mg PE/kg/min", "40 mg PE/min", id="fosphenytoin 2.5 mg PE/kg/min"),
        pytest.param(order("phenobarbital", drafted=True, dose=("1300", "mg"), minutes="60"), 40, "68", "uk", LOAD, "15 to 20 mg/kg", "1000 mg", id="phenobarbital 1300 mg in the UK"),
    ],
)
def test_hz_25_both_figures_stand_on_the_card(drip: Any, years: int, kg: str, profile: str, code: str, other: str, own: str) -> None:
    """An order between two guidelines raises the one that holds, and the card names the other."""
    known = knowledge(profile)
    made = judged(chart(SEIZING, drip, years=years, weight=kg), code, known=known)
    finding = next(f for f in (*(f for group in made.groups for f in group.findings), *made.folded) if f.code == code)
    words, p = finding.branch.words, known.population(made.population).p
    text = " ".join(fill(line, finding.facts, p, "") for line in (words.summary, *words.found, *words.differs))
    assert other in text and own in text
