"""Computed doses as FHIR R4: a proposed order is valid, and our own intake reads it back as what was judged; a draft gets another dose, duration or frequency with
nothing else touched (CH-69 to CH-78, C8 of the integration notes)."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given as any_of_these
from hypothesis import settings
from hypothesis import strategies as st
from msgspec.json import Encoder

from cds.advisory import Advisory, Amend, Branch, Give, OneOf, Trigger, Words
from cds.candidates import Change
from cds.cards import fhir
from cds.chart import Measure, Order
from cds.logic.criteria import AllOf, Latest, OfOrder, OrderFilter, OrderIs, Scaled
from cds.numbers import point
from cds.orders.reading import read_order
from cds.parameters import ParameterSet
from cds.proposed import Proposed, given
from cds.vocabulary import DRUGS, ROUTE_CODES
from tests.assess.making import A6, B3, advisory, knowledge_of, potassium_below
from tests.cards.making import Json, cards_of
from tests.cards.test_card_suggestions import LOW, differences, faults_of, read_back
from tests.logic.scenes import chart, dosage, ingredient, limit, order, parameters, result

NOBODY = knowledge_of(lambda p: ()).population("adult").scene(chart(LOW))


def sent(resource: Json) -> Json:
    """The resource as a client reads it."""
    return json.loads(Encoder(decimal_format="number").encode(resource), parse_float=Decimal)


def proposed_by(give: Give) -> Order:
    made = given(give, B3, NOBODY, None)
    assert isinstance(made, Proposed)
    return made.order


def told(order: Order) -> dict[str, Any]:
    """What an order orders, for comparing what was judged with what was read back."""
    reading = read_order(order, weight_kg=None, p=parameters().for_population("adult"))
    doses = {d.substance: (d.unit, d.amount, d.per_hour, d.concentration) for d in reading.doses}
    return {
        "drugs": order.drugs, "doses": doses, "minutes": reading.duration_minutes, "per day": reading.per_day, "once": reading.once, "push": reading.push,
        "route": order.dosages[0].route, "diluents": _around(order, reading.diluents), "volume": reading.volume_ml, "as needed": reading.as_needed, "gaps": reading.gaps,
    }  # fmt: skip


def _around(order: Order, diluents: tuple[str, ...]) -> tuple[str, ...]:
    """Diluents around the drug: intake also finds the name of a fluid that is the drug itself."""
    return tuple(name for name in diluents if name not in order.drugs)


WRITABLE = sorted(name for name, drug in DRUGS.items() if drug.rxnorm or drug.atc)
FORMS: dict[str, dict[str, Any]] = {
    "one dose": {},
    "over minutes": {"minutes": limit("15", "min")},
    "over hours": {"hours": limit("1.5", "h")},
    "every day": {"times_a_day": limit("3", "1")},
    "every second day": {"times_a_day": limit("0.5", "1")},
    "by mouth": {"route": "oral", "times_a_day": limit("2", "1")},
    "under the skin": {"route": "subcutaneous", "times_a_day": limit("1", "1")},
    "into a muscle": {"route": "intramuscular"},
    "a bag over hours": {"diluent": "sodium_chloride", "volume_ml": limit("250", "mL"), "hours": limit("2", "h")},
    "a bag over minutes": {"diluent": "sodium_chloride", "volume_ml": limit("100", "mL"), "minutes": limit("30", "min"), "times_a_day": limit("2", "1")},
    "in a diluent without a volume": {"diluent": "sodium_chloride", "minutes": limit("30", "min")},
    "a fluid by its amount": {"volume_ml": limit("150", "mL"), "minutes": limit("15", "min")},
}


def give(drug: str, form: str, amount: str = "1500", unit: str = "mg") -> Give:
    if form == "a fluid by its amount":
        drug, amount, unit = "glucose", "15", "g"
    return Give("Give it", drug, limit(amount, unit), unit, **FORMS[form])


@pytest.mark.parametrize("form", FORMS)
def test_f_27_hz_37_every_form_is_valid_and_read_back_as_what_was_judged(form: str) -> None:
    order = proposed_by(give("levetiracetam", form))
    made = sent(fhir.medication_request(order, "pat-1", "enc-1"))
    assert faults_of(made) == []
    assert (made["status"], made["intent"], made["subject"], made["encounter"]) == ("draft", "order", {"reference": "Patient/pat-1"}, {"reference": "Encounter/enc-1"})
    assert ("contained" in made, "medicationReference" in made, "medicationCodeableConcept" in made) == (
        (True, True, False) if "diluent" in FORMS[form] or "volume_ml" in FORMS[form] else (False, False, True)
    )
    assert told(read_back({**made, "id": "n1"})) == told(order)


def test_control_f_27_a_duration_without_its_unit_is_noticed() -> None:
    """The invariant of a timing is not in the schema; intake notices it."""
    order = proposed_by(give("levetiracetam", "over minutes"))
    made = sent(fhir.medication_request(order, "pat-1", ""))
    made["dosageInstruction"][0]["timing"]["repeat"].pop("durationUnit")
    with pytest.raises(AssertionError):
        assert told(read_back({**made, "id": "n1"})) == told(order)


def test_control_hz_37_a_dose_ten_times_too_high_is_noticed() -> None:
    order = proposed_by(give("levetiracetam", "one dose"))
    made = sent(fhir.medication_request(order, "pat-1", ""))
    made["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]["value"] *= 10
    with pytest.raises(AssertionError):
        assert told(read_back({**made, "id": "n1"})) == told(order)


@settings(max_examples=60, deadline=None)
@any_of_these(
    drug=st.sampled_from(WRITABLE), amount=st.decimals("0.001", "9000", places=3), unit=st.sampled_from(["mg", "g", "ug", "mmol", "[iU]", "mg{PE}"]),
    form=st.sampled_from(sorted(FORMS)),
)
def test_hz_37_whatever_is_proposed_is_read_back_as_what_was_judged(drug: str, amount: Decimal, unit: str, form: str) -> None:
    order = proposed_by(give(drug, form, str(amount), unit))
    back = read_back({**sent(fhir.medication_request(order, "pat-1", "")), "id": "n1"})
    assert told(back) == told(order)


@pytest.mark.parametrize("route", sorted(ROUTE_CODES))
def test_every_route_is_read_back(route: str) -> None:
    order = proposed_by(replace(give("levetiracetam", "one dose"), route=route))
    back = read_back({**sent(fhir.medication_request(order, "pat-1", "")), "id": "n1"})
    assert (back.dosages[0].route, back.dosages[0].line) == (route, "peripheral" if route == "intraosseous" else None)


@pytest.mark.parametrize("drug", WRITABLE)
def test_hz_37_every_drug_that_may_be_proposed_is_read_back_as_itself(drug: str) -> None:
    order = proposed_by(give(drug, "one dose"))
    assert read_back({**sent(fhir.medication_request(order, "pat-1", "")), "id": "n1"}).drugs == (drug,)


def test_au_40_units_are_spelled_out_beside_their_code() -> None:
    made = sent(fhir.medication_request(proposed_by(give("insulin_soluble", "under the skin", "7", "[iU]")), "pat-1", ""))
    (dosage,) = made["dosageInstruction"]
    assert dosage["doseAndRate"] == [{"doseQuantity": {"value": 7, "unit": "units", "system": fhir.UCUM, "code": "[iU]"}}]
    assert (dosage["text"], dosage["timing"]) == ("7 units subcutaneous once a day", {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}})


# A draft as received ---------------------------------------------------------------------------------------------------------------------

DRAFT: dict[str, Any] = {
    "resourceType": "MedicationRequest",
    "id": "d",
    "meta": {"versionId": "3"},
    "extension": [{"url": "https://ehr.example/x", "valueDecimal": 1.50}],
    "status": "draft",
    "intent": "order",
    "medicationCodeableConcept": {"coding": [{"system": fhir.RXNORM, "code": "114477"}], "text": "levetiracetam"},
    "subject": {"reference": "Patient/pat-1"},
    "dosageInstruction": [
        {
            "sequence": 1,
            "text": "4000 mg over 10 min twice a day",
            "patientInstruction": "two tablets",
            "timing": {
                "repeat": {
                    "boundsPeriod": {"start": "2026-03-14"}, "duration": 10, "durationMax": 12, "durationUnit": "min", "frequency": 2, "frequencyMax": 3, "period": 1,
                    "periodUnit": "d",
                },
                "code": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", "code": "BID"}]},
            },
            "route": {"text": "IV"},
            "doseAndRate": [
                {
                    "doseQuantity": {"value": 4000, "unit": "mg", "system": fhir.UCUM, "code": "mg"},
                    "rateRatio": {"numerator": {"value": 400, "unit": "mg"}, "denominator": {"value": 1, "unit": "min"}},
                }
            ],
        }
    ],
}  # fmt: skip
DOSE = Measure(point(Decimal(1500)), "mg", "1500 mg")
D = ".dosageInstruction[0]"
WORDS = [f"{D}.patientInstruction", f"{D}.text"]


def changed(draft: Json = DRAFT, **what: Any) -> Json | None:
    made = fhir.amended(json.dumps(draft).encode(), Change("amend", "x", "x", "MedicationRequest/d", **what))
    return None if made is None else sent(made)


def test_ch_75_another_dose_changes_nothing_else() -> None:
    made = changed(dose=DOSE)
    assert made is not None and faults_of(made) == []
    assert differences(DRAFT, made) == [f"{D}.doseAndRate[0].doseQuantity.value", *WORDS]
    assert made["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"] == {"value": 1500, "unit": "mg", "system": fhir.UCUM, "code": "mg"}


def test_ch_75_another_duration_takes_the_old_rate_away_and_changes_nothing_else() -> None:
    made = changed(minutes=Decimal(30))
    assert made is not None and faults_of(made) == []
    repeat = f"{D}.timing.repeat"
    assert differences(DRAFT, made) == [f"{D}.doseAndRate[0].rateRatio", WORDS[0], WORDS[1], f"{repeat}.duration", f"{repeat}.durationMax"]


def test_ch_75_another_frequency_takes_the_old_code_away_and_changes_nothing_else() -> None:
    made = changed(times_a_day=Decimal("0.5"))
    assert made is not None and faults_of(made) == []
    repeat = f"{D}.timing.repeat"
    assert differences(DRAFT, made) == [*WORDS, f"{D}.timing.code", f"{repeat}.frequency", f"{repeat}.frequencyMax", f"{repeat}.period"]
    assert (made["dosageInstruction"][0]["timing"]["repeat"]["frequency"], made["dosageInstruction"][0]["timing"]["repeat"]["period"]) == (1, 2)


def test_control_ch_75_a_route_that_is_lost_is_noticed() -> None:
    made = changed(dose=DOSE)
    assert made is not None
    made["dosageInstruction"][0].pop("route")
    with pytest.raises(AssertionError):
        assert differences(DRAFT, made) == [f"{D}.doseAndRate[0].doseQuantity.value", *WORDS]


def test_hz_37_an_amended_draft_is_read_back_with_the_new_numbers() -> None:
    made = changed(dose=DOSE, minutes=Decimal(30), times_a_day=Decimal(1))
    assert made is not None
    reading = read_order(read_back(made), weight_kg=None, p=parameters().for_population("adult"))
    dose = reading.substance("drug:levetiracetam")
    assert dose is not None and dose.amount is not None and reading.duration_minutes is not None
    assert (dose.amount.exact, reading.duration_minutes.exact, reading.per_day, reading.understood) == (1500, 30, 1, True)


def test_a_range_becomes_the_one_dose() -> None:
    draft = copy.deepcopy(DRAFT)
    entry = draft["dosageInstruction"][0]["doseAndRate"][0]
    entry["doseRange"] = {"low": {"value": 3000, "unit": "mg"}, "high": entry.pop("doseQuantity")}
    made = changed(draft, dose=DOSE)
    assert made is not None and faults_of(made) == [] and "doseRange" not in made["dosageInstruction"][0]["doseAndRate"][0]


def test_a_draft_without_a_timing_gets_one() -> None:
    draft = copy.deepcopy(DRAFT)
    draft["dosageInstruction"][0].pop("timing")
    made = changed(draft, minutes=Decimal(30))
    assert made is not None and made["dosageInstruction"][0]["timing"] == {"repeat": {"duration": 30, "durationUnit": "min"}}


def dosage_of(draft: Json) -> Json:
    return draft["dosageInstruction"][0]


UNSAFE: dict[str, tuple[Callable[[Json], Any], dict[str, Any]]] = {
    "nothing to change": (lambda d: None, {}),
    "two dosages": (lambda d: d["dosageInstruction"].append(copy.deepcopy(dosage_of(d))), {"dose": DOSE}),
    "no dosage": (lambda d: d.pop("dosageInstruction"), {"dose": DOSE}),
    "two doses": (lambda d: dosage_of(d)["doseAndRate"].append(copy.deepcopy(dosage_of(d)["doseAndRate"][0])), {"dose": DOSE}),
    "no dose": (lambda d: dosage_of(d)["doseAndRate"][0].pop("doseQuantity"), {"dose": DOSE}),
    "times that are named": (lambda d: dosage_of(d)["timing"].update(event=["2026-03-14T09:00:00Z"]), {"dose": DOSE}),
    "hours of the day": (lambda d: dosage_of(d)["timing"]["repeat"].update(timeOfDay=["08:00:00"]), {"times_a_day": Decimal(1)}),
    "days of the week": (lambda d: dosage_of(d)["timing"]["repeat"].update(dayOfWeek=["mon"]), {"times_a_day": Decimal(1)}),
    "meals": (lambda d: dosage_of(d)["timing"]["repeat"].update(when=["ACM"]), {"times_a_day": Decimal(1)}),
    "a count": (lambda d: dosage_of(d)["timing"]["repeat"].update(count=1), {"times_a_day": Decimal(1)}),
}


@pytest.mark.parametrize("name", UNSAFE)
def test_a_form_without_a_safe_place_is_left_alone(name: str) -> None:
    spoil, what = UNSAFE[name]
    draft = copy.deepcopy(DRAFT)
    spoil(draft)
    assert changed(draft, **what) is None


def halving(p: ParameterSet) -> tuple[Advisory, ...]:
    half = Amend("Halve it", drug="levetiracetam", dose=Scaled(OfOrder("amount", "drug:levetiracetam"), limit("0.5", "1")))
    low = Branch("low", AllOf((OrderIs("drafted"), potassium_below("low", p))), "critical", Words("Half is enough"), (half,))
    return (advisory(A6, low, kind="order", over=OrderFilter(("levetiracetam",), "drafted"), always=()),)


def halved(raw: Json) -> Json:
    held = chart(LOW, order(ingredient("levetiracetam"), ref="MedicationRequest/d", drafted=True, doses=(dosage(dose="4000 mg", minutes="10"),)))
    return cards_of(held, knowledge_of(halving), raw={"MedicationRequest/d": json.dumps(raw).encode()}.get).body["cards"][0]


def test_f_40_a_change_that_has_no_place_in_the_draft_is_said_in_words() -> None:
    card = halved(DRAFT)
    assert [s["label"] for s in card["suggestions"]] == ["Halve it: 2000 mg"] and "Not offered" not in card["detail"]
    two = copy.deepcopy(DRAFT)
    two["dosageInstruction"] *= 2
    card = halved(two)
    assert "suggestions" not in card
    assert "- Halve it: 2000 mg: the form of the order leaves no safe place for it; to be changed by hand" in card["detail"]


# On the card -----------------------------------------------------------------------------------------------------------------------------


def alternatives(p: ParameterSet) -> tuple[Advisory, ...]:
    dose = Scaled(Latest("weight", limit("1440", "min")), limit("60", "mg/kg"), "mg")
    choices = (
        Give("Levetiracetam", "levetiracetam", dose, "mg", minutes=limit("15", "min")),
        Give("Valproate", "valproate", limit("2000", "mg"), "mg", minutes=limit("10", "min")),
        Give("Lacosamide", "lacosamide", limit("400", "mg"), "mg", minutes=limit("15", "min")),
    )
    over = OrderFilter(("valproate",), "drafted")
    return (
        advisory(B3, Branch("low", potassium_below("low", p), "critical", Words("Another medicine is needed"), (OneOf("Another medicine", choices),))),
        advisory(
            A6, Branch("never", potassium_below("low", p), "critical", Words("No valproate")), title="Valproate is wrong here", kind="order", over=over,
            trigger=Trigger((("drafted:valproate",),)), always=(),
        ),
    )  # fmt: skip


def test_the_card_offers_the_first_alternative_that_passes_and_names_the_others_with_the_reason() -> None:
    (card,) = cards_of(chart(LOW), knowledge_of(alternatives)).body["cards"]
    assert [(s["label"], s.get("isRecommended")) for s in card["suggestions"]] == [("Lacosamide: 400 mg intravenous over 15 min", None)]
    assert "- Levetiracetam: weight not known (none recorded)" in card["detail"]
    assert "- Valproate: 2000 mg intravenous over 10 min: it would raise 'Valproate is wrong here' (critical)" in card["detail"]


def test_the_computed_dose_stands_in_the_label_and_in_the_order() -> None:
    (card,) = cards_of(chart(LOW, result("weight", "61.7")), knowledge_of(alternatives)).body["cards"]
    (suggestion,) = card["suggestions"]
    (action,) = suggestion["actions"]
    assert suggestion["label"] == "Levetiracetam: 3700 mg intravenous over 15 min"
    assert action["resource"]["dosageInstruction"][0]["doseAndRate"][0]["doseQuantity"]["value"] == Decimal(3700)
    assert action["resource"]["dosageInstruction"][0]["text"] == "3700 mg intravenous over 15 min"
