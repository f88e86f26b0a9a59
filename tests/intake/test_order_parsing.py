"""MedicationRequest R4 to orders: product, ingredients, dosage, each read, not stated, or not understood."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from unittest import mock

import pytest

from cds.chart import Feed, Order, Trouble
from cds.intake import orders as intake_orders
from cds.numbers import UNBOUNDED, Interval, point
from tests.intake.payloads import (
    ATC,
    INSULIN,
    IV,
    MINUTE,
    NOW,
    OURS,
    RXNORM,
    SALINE,
    SNOMED,
    UCUM,
    at,
    bundle,
    condition,
    draft,
    order,
    quantity,
    read,
    request,
)

D = Decimal
POTASSIUM = {"coding": [{"system": RXNORM, "code": "8591"}], "text": "potassium chloride"}


def parsed(sent: dict[str, Any], *others: Any, hook: str = "order-sign") -> Order:
    (found,) = read(request([sent, *others], hook=hook)).chart.orders
    return found


def refused(sent: dict[str, Any]) -> Any:
    chart = read(request([sent])).chart
    assert chart.orders == () and chart.source("medications").feed is not Feed.WHOLE
    (problem,) = chart.problems
    assert problem.item == "medications"
    return problem


def dosage(**more: Any) -> Any:
    return parsed(draft(dosageInstruction=[{"route": IV, **more}])).dosages[0]


def medication(**more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Medication",
        "id": "bag",
        "code": {"text": "potassium chloride 40 mmol in 1 L sodium chloride 0.9 %"},
        "amount": {"numerator": quantity(1000, "mL"), "denominator": quantity(1, "{bag}")},
        "ingredient": [
            {"itemCodeableConcept": POTASSIUM, "isActive": True, "strength": {"numerator": quantity(40, "mmol"), "denominator": quantity(1000, "mL")}},
            {"itemCodeableConcept": SALINE, "isActive": False},
        ],
        **more,
    }


def referring(reference: Any = "#bag", **more: Any) -> dict[str, Any]:
    return draft(medicationCodeableConcept=..., medicationReference={"reference": reference, "display": "potassium bag"}, **more)


def test_ch_56_contained_same_bundle_and_prefetched_medications_are_the_same() -> None:
    bag = medication()
    ways = [
        read(request([referring(contained=[bag])])),
        read(request([referring("Medication/bag"), bag])),
        read(request([referring("https://ehr.example/fhir/Medication/bag/_history/2"), bag])),
        read(request([referring("Medication/bag")], {"medications": bundle(bag)})),
    ]
    wrapped = request([referring("urn:uuid:1b")], {"medications": bundle(bag)})
    wrapped["prefetch"]["medications"]["entry"][0]["fullUrl"] = "urn:uuid:1b"
    ways.append(read(wrapped))
    for found in ways:
        (each,) = found.chart.orders
        potassium, saline = each.ingredients
        assert each.drugs == ("potassium_chloride",) and each.unrecognised == () and each.problems == ()
        assert potassium.strength is not None and potassium.strength.value == point(D(40)) and potassium.strength.unit == "mmol"
        assert potassium.per is not None and potassium.per.value == point(D(1000)) and potassium.per.unit == "mL"
        assert not saline.active and saline.drug == "sodium_chloride"
        assert each.volume is not None and each.volume.value == point(D(1000)) and each.volume.unit == "mL"


@pytest.mark.parametrize("reference", ["Medication/gone", "#gone", "", "urn:uuid:9"])
def test_ch_56_a_medication_that_was_not_sent_is_named_and_never_computed_with(reference: str) -> None:
    found = parsed(referring(reference))
    assert found.drugs == () and found.unrecognised == ("potassium bag",) and found.label == "potassium bag"
    assert [each.trouble for each in found.problems] == [Trouble.REFERENCE]


@pytest.mark.parametrize(
    ("concept", "drugs", "troubles"),
    [
        (INSULIN, ("insulin_soluble",), []),
        ({"coding": [{"system": "urn:local", "code": "X"}, {"system": RXNORM, "code": "253182"}]}, ("insulin_soluble",), []),
        ({"coding": [{"system": RXNORM, "code": "253182"}, {"system": ATC, "code": "A10AB01"}]}, ("insulin_soluble",), []),
        ({"coding": [{"system": RXNORM, "code": "253182"}, {"system": ATC, "code": "J01DH02"}]}, ("insulin_soluble", "meropenem"), [Trouble.CONFLICT]),
        ({"text": "soluble insulin"}, (), [Trouble.DRUG_UNKNOWN]),
        ({"coding": [{"system": RXNORM, "code": "0", "display": "insulin"}]}, (), [Trouble.DRUG_UNKNOWN]),
    ],
)
def test_hz_11_identity_comes_from_codes_only(concept: dict[str, Any], drugs: tuple[str, ...], troubles: list[Trouble]) -> None:
    found = parsed(draft(medicationCodeableConcept=concept))
    assert found.drugs == drugs and [each.trouble for each in found.problems] == troubles
    assert bool(found.unrecognised) == (not drugs)


def test_an_active_ingredient_that_is_not_known_is_named() -> None:
    bag = medication(ingredient=[{"itemCodeableConcept": POTASSIUM}, {"itemCodeableConcept": {"text": "additive X"}}])
    found = parsed(referring(contained=[bag]))
    assert found.drugs == ("potassium_chloride",) and found.unrecognised == ("additive X",)


def test_a_medication_without_ingredients_is_known_by_its_code() -> None:
    assert parsed(referring(contained=[medication(code=POTASSIUM, ingredient=[])])).drugs == ("potassium_chloride",)


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"medicationCodeableConcept": ..., "medication": {"concept": INSULIN}}, Trouble.RELEASE),  # R5 (F-23)
        ({"medication": {"reference": {"reference": "#bag"}}}, Trouble.RELEASE),
        ({"status": "bogus"}, Trouble.STATUS),
        ({"status": ""}, Trouble.STATUS),
        ({"intent": "wish"}, Trouble.STATUS),
        ({"modifierExtension": [{"url": "urn:not"}]}, Trouble.MODIFIER),
        ({"implicitRules": "urn:x"}, Trouble.MODIFIER),
        ({"dosageInstruction": [{"modifierExtension": [{"url": "urn:not"}]}]}, Trouble.MODIFIER),
        ({"dosageInstruction": [{"timing": {"modifierExtension": [{"url": "urn:not"}]}}]}, Trouble.MODIFIER),
        ({"medicationReference": {"reference": "#x"}}, Trouble.STRUCTURE),
        ({"medicationCodeableConcept": ...}, Trouble.STRUCTURE),
    ],
)
def test_ch_54_orders_that_cannot_be_read_right_are_refused_with_the_reason(change: dict[str, Any], trouble: Trouble) -> None:
    assert refused(draft(**change)).trouble is trouble


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"modifierExtension": [{"url": "urn:not"}]}, Trouble.MODIFIER),
        ({"ingredient": [{"itemCodeableConcept": POTASSIUM, "modifierExtension": [{"url": "urn:not"}]}]}, Trouble.MODIFIER),
        ({"ingredient": [{"item": {"concept": POTASSIUM}}]}, Trouble.RELEASE),
        ({"totalVolume": quantity(1, "L")}, Trouble.RELEASE),
        ({"status": "entered-in-error"}, Trouble.STATUS),
    ],
)
def test_a_medication_that_changes_the_meaning_refuses_the_order(change: dict[str, Any], trouble: Trouble) -> None:
    assert refused(referring(contained=[medication(**change)])).trouble is trouble


def test_control_ch_54_an_r5_order_would_be_half_read() -> None:
    sent = draft(medication={"concept": POTASSIUM})
    with mock.patch.object(intake_orders, "_refused", lambda *given: None), pytest.raises(AssertionError):
        assert read(request([sent])).chart.orders == ()


@pytest.mark.parametrize("status", sorted(intake_orders.STATUSES))
@pytest.mark.parametrize("intent", ["order", "proposal", "option"])
def test_ch_51_every_status_and_intent_of_fhir_is_kept(status: str, intent: str) -> None:
    found = parsed(draft(status=status, intent=intent))
    assert (found.status, found.intent, found.drafted) == (status, intent, True)


@pytest.mark.parametrize(
    ("given", "dose", "rate", "per"),
    [
        ({"doseQuantity": quantity(40, "mmol")}, "40 mmol", None, None),
        ({"rateQuantity": quantity(100, "mL/h")}, None, "100 mL/h", None),
        ({"rateRatio": {"numerator": quantity(600, "mg"), "denominator": quantity(30, "min")}}, None, "600 mg", "30 min"),
        ({"rateRatio": {"numerator": quantity(600, "mg"), "denominator": {"unit": "h"}}}, None, "600 mg", "h"),
        ({"doseRange": {"low": quantity(10, "mg"), "high": quantity(20, "mg")}}, "10 mg to 20 mg", None, None),
        ({"rateRange": {"low": quantity(10, "mL/h"), "high": quantity(20, "mL/h")}}, None, "10 mL/h to 20 mL/h", None),
    ],
)
def test_hz_05_amounts_are_kept_with_number_unit_and_text(given: dict[str, Any], dose: str | None, rate: str | None, per: str | None) -> None:
    found = dosage(doseAndRate=[given])
    assert [each and each.text for each in (found.dose, found.rate, found.rate_per)] == [dose, rate, per]
    assert found.not_understood == ()


def test_a_range_holds_both_ends() -> None:
    found = dosage(doseAndRate=[{"doseRange": {"low": quantity(10, "mg"), "high": quantity(20, "mg")}}])
    assert found.dose is not None and found.dose.value == Interval(D(10), D(20)) and found.dose.unit == "mg"


@pytest.mark.parametrize("spelling", ["IU/h", "U/h", "units/h", "[IU]/h", "[iU]/h", "unit/hr"])
def test_spellings_of_units_in_orders(spelling: str) -> None:
    found = dosage(doseAndRate=[{"rateQuantity": {"value": 6, "unit": spelling}}])
    assert found.rate is not None and found.rate.unit == "[iU]/h"


@pytest.mark.parametrize(
    ("given", "part"),
    [
        ([{"doseQuantity": {"value": 40}}], "dose"),
        ([{"doseQuantity": {"value": 40, "unit": "furlongs"}}], "dose"),
        ([{"doseQuantity": quantity("40", "mmol")}], "dose"),
        ([{"doseQuantity": quantity(40, "mmol", comparator="<")}], "dose"),
        ([{"doseQuantity": quantity(40, "mmol")}, {"doseQuantity": quantity(20, "mmol")}], "dose"),
        ([{"doseRange": {"low": quantity(20, "mg"), "high": quantity(10, "mg")}}], "dose"),
        ([{"doseRange": {"low": quantity(20, "mg"), "high": quantity(10, "g")}}], "dose"),
        ([{"rateQuantity": quantity(1, "mL/h"), "rateRatio": {"numerator": quantity(1, "mL"), "denominator": quantity(1, "h")}}], "rate"),
        ([{"rateRatio": {"numerator": quantity(600, "mg")}}], "rate"),
        ([{"rateRatio": {"numerator": quantity(600, "mg"), "denominator": {"value": 60, "unit": "minutes", "system": SNOMED, "code": "258702006"}}}], "rate"),
        ([{"rateQuantity": {"value": 6, "unit": "mL/h", "system": UCUM, "code": "mL/min"}}], "rate"),
    ],
    ids=range(11),
)
def test_hz_05_what_is_not_understood_is_said(given: list[Any], part: str) -> None:
    found = parsed(draft(dosageInstruction=[{"route": IV, "doseAndRate": given}]))
    assert part in found.dosages[0].not_understood
    assert Trouble.NOT_UNDERSTOOD in [each.trouble for each in found.problems]


def test_a_number_that_is_not_read_is_unbounded() -> None:
    found = dosage(doseAndRate=[{"doseQuantity": quantity("40", "mmol")}])
    assert found.dose is not None and found.dose.value == UNBOUNDED and found.dose.unit is None


def test_ordered_goes_before_calculated() -> None:
    kinds = [{"type": {"coding": [{"code": kind}]}, "doseQuantity": quantity(value, "mg")} for kind, value in (("calculated", 15), ("ordered", 1000))]
    found = dosage(doseAndRate=kinds)
    assert found.dose is not None and found.dose.text == "1000 mg" and found.not_understood == ()


@pytest.mark.parametrize(
    ("given", "route", "stated", "line", "from_text", "unclear"),
    [
        ({}, None, False, None, False, ()),
        ({"route": IV}, "intravenous", True, None, False, ()),
        ({"route": {"coding": [{"system": SNOMED, "code": "418114005"}]}}, "intravenous", True, "central", False, ()),
        ({"route": {"coding": [{"system": SNOMED, "code": "419993007"}]}}, "intravenous", True, "peripheral", False, ()),
        ({"route": {"text": "IV"}}, "intravenous", True, None, False, ()),
        ({"route": {"text": "by carrier pigeon"}}, None, True, None, False, ("route",)),
        ({"route": IV, "site": {"text": "central venous catheter"}}, "intravenous", True, "central", True, ()),
        ({"route": IV, "text": "via peripheral cannula"}, "intravenous", True, "peripheral", True, ()),
        ({"route": IV, "text": "not via central line"}, "intravenous", True, None, False, ()),
    ],
)
def test_route_and_line(given: Any, route: str | None, stated: bool, line: str | None, from_text: bool, unclear: tuple[str, ...]) -> None:
    found = parsed(draft(dosageInstruction=[given])).dosages[0]
    assert (found.route, found.route_stated, found.line, found.line_from_text, found.not_understood) == (route, stated, line, from_text, unclear)


@pytest.mark.parametrize(
    ("text", "push"),
    [("20 mmol IV push", True), ("give as intravenous bolus", True), ("NOT for IV push", False), ("do not push", False), ("infuse", False)],
)
def test_push_in_text(text: str, push: bool) -> None:
    assert dosage(text=text).push is push


@pytest.mark.parametrize(
    ("timing", "per_day", "once", "minutes", "unclear"),
    [
        ({}, None, True, None, ()),
        ({"repeat": {"frequency": 3, "period": 1, "periodUnit": "d"}}, "3", False, None, ()),
        ({"repeat": {"frequency": 1, "period": 8, "periodUnit": "h"}}, "3", False, None, ()),
        ({"repeat": {"frequency": 1, "frequencyMax": 2, "period": 1, "periodUnit": "d"}}, "2", False, None, ()),
        ({"repeat": {"period": 6, "periodUnit": "h"}}, "4", False, None, ()),
        ({"repeat": {"timeOfDay": ["08:00:00", "20:00:00"]}}, "2", False, None, ()),
        ({"repeat": {"count": 1, "frequency": 1, "period": 1, "periodUnit": "d"}}, None, True, None, ()),
        ({"code": {"coding": [{"code": "BID"}]}}, "2", False, None, ()),
        ({"code": {"text": "when the moon is full"}}, None, True, None, ("frequency",)),
        ({"repeat": {"frequency": 1, "period": 1, "periodUnit": "fortnight"}}, None, False, None, ("frequency",)),
        ({"repeat": {"frequency": "3", "period": 1, "periodUnit": "d"}}, None, False, None, ("frequency",)),
        ({"repeat": {"frequency": 1, "period": 0, "periodUnit": "d"}}, None, False, None, ("frequency",)),
        ({"repeat": {"duration": 30, "durationUnit": "min"}}, None, True, (30, 30), ()),
        ({"repeat": {"duration": 1, "durationMax": 2, "durationUnit": "h"}}, None, True, (60, 120), ()),
        ({"repeat": {"duration": 30}}, None, True, None, ("duration",)),
        ({"event": ["soon"]}, None, True, None, ("timing",)),
    ],
    ids=range(16),
)
def test_timing(timing: Any, per_day: str | None, once: bool, minutes: tuple[int, int] | None, unclear: tuple[str, ...]) -> None:
    found = dosage(timing=timing)
    assert found.per_day == (None if per_day is None else D(per_day)) and found.once is once and found.not_understood == unclear
    assert (found.duration_minutes and (found.duration_minutes.low, found.duration_minutes.high)) == minutes


def test_bounds_and_events() -> None:
    found = dosage(timing={"event": [at(90)], "repeat": {"boundsPeriod": {"start": at(60), "end": at(-60)}}})
    assert [each and each.latest for each in (found.start, found.end)] == [NOW - 60 * MINUTE, NOW + 60 * MINUTE]
    assert [each.latest for each in found.events] == [NOW - 90 * MINUTE]
    course = dosage(timing={"event": [at(90)], "repeat": {"boundsDuration": quantity(2, "h")}})
    assert course.end is not None and course.end.latest == NOW + 30 * MINUTE


def test_diluents_in_text_are_kept_apart_from_ingredients() -> None:
    found = dosage(text="in 250 mL glucose 5 %")
    assert found.diluents_in_text and all("glucose" in each for each in found.diluents_in_text)


def test_chains_reasons_and_flags() -> None:
    sent = order(
        doNotPerform=True,
        reportedBoolean=True,
        category=[{"coding": [{"system": intake_orders.CATEGORY, "code": "community"}]}],
        priorPrescription={"reference": "https://ehr.example/fhir/MedicationRequest/m0"},
        basedOn=[{"reference": "CarePlan/1"}],
        groupIdentifier={"system": "urn:g", "value": "7"},
        identifier=[{"system": "urn:i", "value": "8"}],
        reasonCode=[{"coding": [{"system": SNOMED, "code": "91175000"}]}],
        reasonReference=[{"reference": "Condition/c9"}],
    )
    other = condition("84757009", id="c9")
    (found,) = read(request(prefetch={"medications": bundle(sent), "conditions": bundle(other)})).chart.orders
    assert found.do_not_perform and found.reported and found.community and found.reason_stated
    assert (found.prior, found.based_on, found.group, found.identifiers) == ("MedicationRequest/m0", ("CarePlan/1",), "urn:g|7", ("urn:i|8",))
    assert "seizure" in found.reasons and "epilepsy" in found.reasons


def test_hz_12_copies_of_a_listed_order_are_one_and_the_newest_stands() -> None:
    sent = [order(meta={"lastUpdated": at(20)}), order(meta={"lastUpdated": at(10)}, status="stopped"), order(meta={"lastUpdated": at(20)})]
    (found,) = read(request(prefetch={"medications": bundle(*sent)})).chart.orders
    assert found.status == "stopped"


def test_hz_12_drafts_with_different_ids_are_never_merged_and_one_may_share_the_id_of_a_running_order() -> None:
    found = read(request([draft(), draft(id="d2"), draft(id="m1")], {"medications": bundle(order())})).chart.orders
    assert [(each.ref, each.drafted) for each in found] == [
        ("MedicationRequest/d1", True), ("MedicationRequest/d2", True), ("MedicationRequest/m1", True), ("MedicationRequest/m1", False)
    ]  # fmt: skip


def given(**more: Any) -> dict[str, Any]:
    return {
        "resourceType": "MedicationAdministration", "id": "g1", "status": "in-progress", "subject": OURS, "medicationCodeableConcept": INSULIN,
        "request": {"reference": "MedicationRequest/m1"}, "effectivePeriod": {"start": at(60)}, **more,
    }  # fmt: skip


def test_hz_13_administrations_name_their_order() -> None:
    (found,) = read(request(prefetch={"administrations": bundle(given())})).chart.administrations
    assert (found.order, found.status, found.drugs) == ("MedicationRequest/m1", "in-progress", ("insulin_soluble",))
    assert found.start is not None and found.start.latest == NOW - 60 * MINUTE and found.end is None


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"status": "running"}, Trouble.STATUS),
        ({"subject": None}, Trouble.STRUCTURE),
        ({"effectivePeriod": {"start": "?"}}, Trouble.TIME_UNREADABLE),
        ({"occurencePeriod": {"start": at(1)}}, Trouble.RELEASE),
        ({"medicationReference": {"reference": "#x"}}, Trouble.STRUCTURE),
    ],
)
def test_administrations_that_cannot_be_read_are_set_aside(change: dict[str, Any], trouble: Trouble) -> None:
    sent = {key: each for key, each in given(**change).items() if each is not None}
    chart = read(request(prefetch={"administrations": bundle(sent)})).chart
    expected = Trouble.NO_SUBJECT if "subject" not in sent else trouble
    assert chart.administrations == () and chart.problems[0].trouble is expected and chart.source("administrations").feed is Feed.PARTIAL
