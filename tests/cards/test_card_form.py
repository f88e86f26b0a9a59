"""The form of cards: the clauses of CDS Hooks group H over every shipped scenario, what every card must carry, and the same bytes twice (CH-61 to CH-84, F-41)."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from typing import Any

import pytest

from cds.advisory import Precedence
from cds.cards.build import CLOSING, CardSettings
from cds.chart import Feed, Patient
from cds.overviews import COURSE, DISCHARGE
from tests.assess.making import A1, A5, A6, B3, advisory, branch, insulin, knowledge_of, over_drafts, potassium_below
from tests.cards.making import Json, answer_of, body_of, cards_of, every_card
from tests.conformance.checks import check_response
from tests.logic.scenes import NOW, chart, result
from tests.logic.shipped import SCENARIOS, intake_of, knowledge

LOW = result("potassium", "3.1")
every_scenario = pytest.mark.parametrize("name", SCENARIOS, ids=lambda name: name[:2])


@every_scenario
def test_group_h_over_every_scenario(name: str) -> None:
    assert check_response(answer_of(name), intake_of(name).envelope.patient_id) == []


def local_cases() -> dict[str, Json]:
    """Cases that the scenarios do not hold: folded, absorbed, lowered, several orders, unknown age, newborn."""
    low = knowledge_of(lambda p: (over_drafts(p),))
    absorbing = knowledge_of(
        lambda p: (
            advisory(A6, branch("a", potassium_below("low", p), "critical"), precedence=(Precedence("absorbs", B3), Precedence("lowers", A1))),
            advisory(B3, branch("b", potassium_below("low", p), "critical")),
            advisory(A1, branch("c", potassium_below("low", p), "critical")),
            advisory(A5, branch("d", potassium_below("low", p), "info")),
        )
    )
    import datetime as dt

    day = dt.datetime.fromtimestamp(NOW / 1000, dt.UTC).date()
    return {
        "two orders": body_of(chart(LOW, insulin("a"), insulin("b")), low),
        "absorbed and lowered": body_of(chart(LOW), absorbing),
        "nothing": body_of(chart(), low),
        "a gap": body_of(chart(insulin()), low),
        "a gap at patient-view": body_of(chart(feeds={"results": Feed.FAILED}, hook="patient-view"), absorbing),
        "age unknown": body_of(chart(LOW, patient=Patient("", None)), absorbing),
        "newborn": body_of(chart(LOW, patient=Patient("", (day, day))), absorbing),
        "a client's time": body_of(chart(LOW), absorbing, settings=CardSettings(client_time=True, note="Test system.")),
    }


@pytest.mark.parametrize("name", local_cases())
def test_group_h_over_local_cases(name: str) -> None:
    assert check_response(local_cases()[name], "pat-1") == []


def test_control_group_h_finds_a_summary_that_is_too_long_and_a_lost_behaviour() -> None:
    broken = copy.deepcopy(answer_of(SCENARIOS[0]))
    broken["cards"][0]["summary"] = "x" * 140
    del broken["cards"][0]["selectionBehavior"]
    with pytest.raises(AssertionError):
        assert check_response(broken) == []


# What every card carries ---------------------------------------------------------------------------------------------------------------


def lacking(card: Json) -> list[str]:
    """What a card must carry and does not (HZ-34)."""
    extension = card["extension"]
    faults = []
    if not card["detail"].rstrip("_").endswith(("comes first.", "system.")) or CLOSING not in card["detail"]:
        faults.append("no deferral to local protocol and the treating clinician")
    if not card["source"]["label"]:
        faults.append("no source")
    if set(extension["example.trivet.knowledge"]) != {"digest", "profiles"}:
        faults.append("no knowledge version")
    if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", extension["example.trivet.evaluated-at"]):
        faults.append("no time of judgement")
    if not re.search(r"Judged (at|as of) \d{4}-", card["detail"]):
        faults.append("the detail does not say when it was judged")
    leads = [entry for entry in extension["example.trivet.advisories"] if entry["role"] in ("lead", "with")]
    about_input = leads and not {"example.trivet.not-judged"} & set(extension) and card["source"]["label"] != "Trivet: scope"
    if about_input:
        inputs = extension.get("example.trivet.inputs", [])
        if not inputs:
            faults.append("no inputs")
        dated = [entry for entry in inputs if "at" in entry]
        if any("age-minutes" not in entry for entry in dated):
            faults.append("an input without its age")
        if "**Sources**" not in card["detail"]:
            faults.append("the detail names no sources")
        # The course and the readiness to leave are pictures: what can be overridden has its own card.
        if card["source"]["topic"]["code"] not in (COURSE, DISCHARGE) and not 1 <= len(card.get("overrideReasons", ())) <= 5:
            faults.append("override reasons: none, or more than five")
    return faults


def test_hz_34_every_card_carries_inputs_ages_sources_and_who_decides() -> None:
    assert [f"{name[:2]} {card['source']['topic']['code']}: {fault}" for name, card in every_card() for fault in lacking(card)] == []


def test_control_hz_34_a_card_without_them_is_noticed() -> None:
    _, card = every_card()[0]
    bare = copy.deepcopy(card)
    bare["extension"].pop("example.trivet.inputs")
    bare["detail"] = "Give potassium."
    with pytest.raises(AssertionError):
        assert lacking(bare) == []


def test_f_35_a_time_that_the_request_gave_is_named_on_every_card() -> None:
    assert all("(time given by the request)" in card["detail"] for _, card in every_card())
    assert "time given by the request" not in body_of(chart(LOW, insulin()), knowledge_of(lambda p: (over_drafts(p),)))["cards"][0]["detail"]


def test_c_08_a_card_says_that_the_age_is_not_known() -> None:
    details = [card["detail"] for card in local_cases()["age unknown"]["cards"]]
    assert details and all("Age not known: adult thresholds were used" in detail for detail in details)


def test_f_20_a_newborns_answer_says_the_scope() -> None:
    (card,) = local_cases()["newborn"]["cards"]
    assert card["indicator"] == "info" and card["summary"].startswith("Age under 28 days")


# Several codes -------------------------------------------------------------------------------------------------------------------------


def test_f_10_every_code_keeps_its_own_indicator_in_the_extension() -> None:
    cards = local_cases()["absorbed and lowered"]["cards"]
    entries = {e["code"]: (e["indicator"], e["role"]) for card in cards for e in card["extension"]["example.trivet.advisories"]}
    assert entries == {A6: ("critical", "lead"), B3: ("critical", "absorbed"), A1: ("warning", "lead"), A5: ("info", "lead")}
    assert [card["indicator"] for card in cards] == ["critical", "warning", "info"]
    lowered = next(card for card in cards if card["source"]["topic"]["code"] == A1)
    assert "at most a warning, because of" in lowered["detail"]


def test_f_29_further_orders_of_a_code_are_on_its_card() -> None:
    made = cards_of(chart(LOW, insulin("a"), insulin("b")), knowledge_of(lambda p: (over_drafts(p),)))
    (card,) = made.body["cards"]
    (entry,) = card["extension"]["example.trivet.advisories"]
    assert entry["orders"] == ["MedicationRequest/a", "MedicationRequest/b"]
    # An override of the card counts for each order, so each fingerprint is kept.
    rows = made.by_uuid[card["uuid"]]
    assert len(rows) == 2 and len({inputs for _, _, inputs in rows}) == 2


def test_the_codes_of_the_record_are_those_of_the_cards() -> None:
    made = cards_of(chart(LOW, insulin()), knowledge_of(lambda p: (over_drafts(p),)))
    assert dict(made.codes) == {A6: "critical"} and made.uuids == tuple(card["uuid"] for card in made.body["cards"])
    assert made.cited == ((f"prefetch.{LOW.ref}", LOW.ref),)


# Bytes ---------------------------------------------------------------------------------------------------------------------------------


def empties(value: Any, path: str = "") -> Iterator[str]:
    """Every null, empty string, empty list (but cards) and empty object."""
    if value is None or value == "" or value == {} or (value == [] and path != ".cards"):
        yield path
    elif isinstance(value, dict):
        for key, each in value.items():
            yield from empties(each, f"{path}.{key}")
    elif isinstance(value, list):
        for number, each in enumerate(value):
            yield from empties(each, f"{path}[{number}]")


def test_no_answer_holds_a_null_or_an_empty_value() -> None:
    assert [f"{name} {path}" for name in SCENARIOS for path in empties(answer_of(name))] == []
    assert [f"{name} {path}" for name, body in local_cases().items() for path in empties(body)] == []


def test_f_41_the_same_request_gives_the_same_answer_uuids_included() -> None:
    held, made = chart(LOW, insulin()), knowledge_of(lambda p: (over_drafts(p),))
    assert body_of(held, made) == body_of(held, made)
    other = body_of(held, made, request_id="00000000-0000-4000-8000-000000000002")
    assert other["cards"][0]["uuid"] != body_of(held, made)["cards"][0]["uuid"]


def test_ch_68_no_uuid_comes_twice() -> None:
    found = []
    for name in SCENARIOS:
        for card in answer_of(name)["cards"]:
            found += [card["uuid"], *(s["uuid"] for s in card.get("suggestions", ()))]
        assert len(found) == len(set(found)), name
        found = []


def test_cards_are_ranked() -> None:
    for name in SCENARIOS:
        ranks = [("critical", "warning", "info").index(card["indicator"]) for card in answer_of(name)["cards"]]
        assert ranks == sorted(ranks)


def test_f_18_at_order_hooks_gaps_that_are_no_warning_are_a_section_of_the_further_points() -> None:
    mild = knowledge_of(lambda p: (over_drafts(p, indicator="warning"),))
    (card,) = body_of(chart(insulin()), mild)["cards"]
    assert card["summary"].startswith("Further points") and "**Could not be judged**" in card["detail"]
    urgent = knowledge_of(lambda p: (over_drafts(p),))
    (card,) = body_of(chart(insulin()), urgent)["cards"]
    assert card["indicator"] == "warning" and card["summary"].startswith("Could not be judged: potassium")


def test_the_canonical_base_is_a_setting() -> None:
    made = knowledge_of(lambda p: (over_drafts(p),))
    (card,) = body_of(chart(LOW, insulin()), made, settings=CardSettings(base="https://hospital.example/fhir"))["cards"]
    assert card["source"]["topic"]["system"] == "https://hospital.example/fhir/CodeSystem/advisory"
    assert all(reason["system"].startswith("https://hospital.example/") for reason in card["overrideReasons"])
    assert knowledge().codes


def test_hz_33_a_card_of_gaps_says_that_silence_is_no_all_clear() -> None:
    gaps = [card for _, card in every_card() if "example.trivet.not-judged" in card["extension"] and card["indicator"] == "warning"]
    assert gaps and all("No advice on these points is not a sign that all is well." in card["detail"] for card in gaps)


def test_hz_25_where_guidelines_differ_at_this_value_both_figures_stand_on_the_card() -> None:
    """Potassium 3.3: insulin waits below 3.5 by consensus 2024, below 3.3 by the US statement of 2009."""
    (card,) = (c for c in answer_of(next(n for n in SCENARIOS if n.startswith("14")))["cards"] if c["summary"].startswith("Potassium"))
    differ = card["detail"].partition("**Where guidelines differ**")[2].partition("**")[0]
    assert "3.5 mmol/L" in differ and "3.3 mmol/L" in differ
    firm = answer_of(SCENARIOS[0])["cards"][0]["detail"]
    assert "**Where guidelines differ**" not in firm
