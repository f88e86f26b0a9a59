"""Allergies as EHRs send them: to what, how grave, and whether anybody asked (HZ-19).

Codes of reactions and of "none known": SNOMED CT; 716186003 and 409137002 as in the national guides of Israel and England, the absent codes as in
the International Patient Summary (HL7, CodeSystem absent-unknown-uv-ips). What a group means for an order is signed in tests/topics.
"""

from __future__ import annotations

from typing import Any
from unittest import mock

import pytest

from cds.chart import Allergy, Chart, Feed, Trouble
from cds.intake import allergies, record_lists, subjects
from cds.intake.subjects import Whose
from cds.vocabulary.care import REACTIONS
from tests.intake.payloads import ATC, OTHER, OURS, RXNORM, SNOMED, bundle, condition, read, request

Json = dict[str, Any]
PENICILLIN = {"coding": [{"system": SNOMED, "code": "91936005"}], "text": "Penicillin"}
AMOXICILLIN = {"coding": [{"system": RXNORM, "code": "723"}], "text": "Amoxicillin"}
VERIFIED = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
CLINICAL = "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"
IPS = "http://hl7.org/fhir/uv/ips/CodeSystem/absent-unknown-uv-ips"


def coded(code: str, system: str = SNOMED, **more: Any) -> Json:
    return {"coding": [{"system": system, "code": code, **more}]}


NONE_KNOWN = coded("716186003", display="No known allergy")


def allergy(code: Json | None = AMOXICILLIN, *reactions: Json, **more: Any) -> Json:
    found: Json = {"resourceType": "AllergyIntolerance", "id": "a1", "patient": OURS, "code": code, "reaction": list(reactions), **more}
    return {key: each for key, each in found.items() if each is not None}


def reaction(*manifestations: str | Json, **more: Any) -> Json:
    """Of codes ("39579001"), words ("rash") or whole concepts."""
    return {"manifestation": [each if isinstance(each, dict) else coded(each) if each.isdigit() else {"text": each} for each in manifestations], **more}


def status(word: str) -> Json:
    if word in ("refuted", "entered-in-error", "unconfirmed", "confirmed"):
        return {"verificationStatus": coded(word, VERIFIED)}
    return {"clinicalStatus": coded(word, CLINICAL)}


def chart_of(*sent: Any, **lists: Any) -> Chart:
    """The chart of a request with these allergies; the diagnoses were sent empty."""
    return read(request(prefetch={"conditions": bundle(), "allergies": bundle(*sent), **lists})).chart


def one(*sent: Json) -> Allergy:
    (found,) = chart_of(*sent).allergies
    return found


# How grave -------------------------------------------------------------------------------------------------------------------------------

GROUPS: dict[str, tuple[list[Json], str]] = {
    "anaphylaxis": ([reaction("39579001")], "severe immediate"),
    "angioedema": ([reaction("41291007")], "severe immediate"),
    "bronchospasm": ([reaction("4386001")], "severe immediate"),
    "low pressure": ([reaction("45007003")], "severe immediate"),
    "urticaria without a time (R-n77)": ([reaction("126485001")], "severe immediate"),
    "Stevens-Johnson syndrome": ([reaction("73442001")], "severe delayed"),
    "skin necrolysis": ([reaction("768962006")], "severe delayed"),
    "eosinophilia and systemic symptoms": ([reaction("702809001")], "severe delayed"),
    "haemolysis": ([reaction("61261009")], "severe delayed"),
    "rash, coded": ([reaction("271807003")], "mild"),
    "itch, coded": ([reaction("418290006")], "mild"),
    "rash, coded, called severe": ([reaction("271807003", severity="severe")], "unknown"),
    "rash, coded, called mild": ([reaction("271807003", severity="mild")], "mild"),
    "rash, in words": ([reaction("rash")], "unknown"),
    "anaphylaxis, in words": ([reaction("Anaphylactic shock 1998")], "severe immediate"),
    "Stevens-Johnson, in words": ([reaction("Stevens-Johnson")], "severe delayed"),
    "serum sickness, in the description": ([reaction("rash", description="Serum sickness a week later")], "severe delayed"),
    "anaphylaxis denied": ([reaction("271807003", description="Rash, no anaphylaxis")], "mild"),
    "anaphylaxis after a denial": ([reaction("no rash, anaphylaxis")], "severe immediate"),
    "a wound dressing is no drug reaction": ([reaction("Itch under the dressing")], "unknown"),
    "nausea, coded": ([reaction("422587007")], "not allergy"),
    "headache, coded": ([reaction("25064002")], "not allergy"),
    "nausea, coded, called severe": ([reaction("422587007", severity="severe")], "unknown"),
    "nausea, in words": ([reaction("nausea")], "unknown"),
    "nausea with what nobody understands": ([reaction("422587007", "999999999")], "unknown"),
    "nausea, and another reaction of words": ([reaction("422587007"), reaction("unwell")], "unknown"),
    "nausea, and anaphylaxis another time": ([reaction("422587007"), reaction("39579001")], "severe immediate"),
    "both severe groups": ([reaction("73442001", "39579001")], "severe immediate"),
    "no reaction": ([], "unknown"),
    "a reaction without a word": ([{"manifestation": []}], "unknown"),
    "a code that nobody knows": ([reaction("999999999")], "unknown"),
}


def groups_hold(names: Any = GROUPS) -> bool:
    return all(one(allergy(AMOXICILLIN, *GROUPS[name][0])).group == GROUPS[name][1] for name in names)


@pytest.mark.parametrize("name", GROUPS)
def test_hz_19_the_group_of_a_reaction(name: str) -> None:
    reactions, group = GROUPS[name]
    assert one(allergy(AMOXICILLIN, *reactions)).group == group


@pytest.mark.parametrize(("sent", "group"), [("271807003", "unknown"), ("422587007", "unknown"), ("39579001", "severe immediate")])
def test_an_allergy_of_high_risk_is_never_mild(sent: str, group: str) -> None:
    assert one(allergy(AMOXICILLIN, reaction(sent), criticality="high")).group == group


def test_control_hz_19_without_the_rule_for_the_unread_a_nausea_would_clear_it() -> None:
    def only_known(concept: Any) -> str:
        found = REACTIONS.get((concept.coding[0].system, concept.coding[0].code)) if concept.coding else None
        return found or "not allergy"

    unread = [name for name, (_, group) in GROUPS.items() if group == "unknown"]
    assert groups_hold(unread)
    with mock.patch.object(allergies, "_of_manifestation", only_known):
        assert not groups_hold(unread)


# To what ---------------------------------------------------------------------------------------------------------------------------------

ALLERGENS: dict[str, tuple[Json, str, str]] = {
    "a class by code": (PENICILLIN, "", "penicillin"),
    "a drug by RxNorm": (AMOXICILLIN, "amoxicillin", "penicillin"),
    "a drug by ATC": (coded("J01CA04", ATC), "amoxicillin", "penicillin"),
    "a class in words where no code tells": ({"text": "Penicillins"}, "", "penicillin"),
    "a drug in words": ({"text": "Amoxicillin 500 mg capsules"}, "amoxicillin", "penicillin"),
    "a combination in words": ({"text": "co-amoxiclav"}, "clavulanate", "penicillin"),
    "an unknown code with a name": (coded("372687004", display="Amoxicillin"), "amoxicillin", "penicillin"),
    "a cephalosporin by its drug": (coded("2193", RXNORM), "ceftriaxone", "side_chain_methoxyimino"),
    "another spelling": ({"text": "Cephalexin"}, "cefalexin", "cephalosporin"),
}


@pytest.mark.parametrize("name", ALLERGENS)
def test_what_the_allergy_is_to(name: str) -> None:
    code, drug, group = ALLERGENS[name]
    found = one(allergy(code))
    assert group in found.classes and (not drug or drug in found.drugs)


def test_a_substance_of_the_reaction_counts_too() -> None:
    found = one(allergy({"text": "Antibiotics"}, reaction("39579001", substance=AMOXICILLIN)))
    assert found.drugs == ("amoxicillin",) and found.group == "severe immediate"


def test_an_allergy_on_the_list_of_conditions_counts() -> None:
    for code, system in (("Z88.0", "http://hl7.org/fhir/sid/icd-10-cm"), ("91936005", SNOMED)):
        chart = chart_of(conditions=bundle(condition(code, system)))
        assert [(each.classes, each.group) for each in chart.allergies] == [(("penicillin",), "unknown")]


NOT_MEDICINES: dict[str, tuple[Json, bool]] = {
    "a food by its category": (allergy({"text": "Peanut"}, category=["food"]), True),
    "pollen by its category": (allergy({"text": "Grass"}, category=["environment"]), True),
    "a code with a name": (allergy(coded("91935009", display="Allergy to peanut")), True),
    "words alone": (allergy({"text": "the white tablets"}), False),
    "words alone, refuted": (allergy({"text": "the white tablets"}, **status("refuted")), True),
    "a code without a name": (allergy(coded("91935009")), False),
    "nothing": (allergy(None), False),
}


@pytest.mark.parametrize("name", NOT_MEDICINES)
def test_hz_10_an_allergy_to_what_nobody_understands_leaves_the_list_open(name: str) -> None:
    sent, whole = NOT_MEDICINES[name]
    chart = chart_of(sent)
    assert chart.allergies[0].drugs == () and chart.allergies[0].classes == ()
    assert chart.source("allergies").feed is (Feed.WHOLE if whole else Feed.PARTIAL)
    assert [each.trouble for each in chart.problems] == ([] if whole else [Trouble.NOT_UNDERSTOOD])


# Whether anybody asked (HZ-19, the whole table) ----------------------------------------------------------------------------------------------

ASKED: dict[str, tuple[list[Json], Feed]] = {
    "empty": ([], Feed.UNSTATED),
    "explicitly none known": ([allergy(NONE_KNOWN)], Feed.WHOLE),
    "no known drug allergy": ([allergy(coded("409137002"))], Feed.WHOLE),
    "none known, as the patient summary says it": ([allergy(coded("no-known-allergies", IPS))], Feed.WHOLE),
    "no information": ([allergy(coded("no-allergy-info", IPS, display="No information about allergies"))], Feed.UNSTATED),
    "none known in words: text clears nothing": ([allergy({"text": "NKDA"})], Feed.UNSTATED),
    "no known food allergy": ([allergy(coded("429625007", display="No known food allergy"))], Feed.UNSTATED),
    "none known, entered in error": ([allergy(NONE_KNOWN, **status("entered-in-error"))], Feed.UNSTATED),
    "none known, no longer": ([allergy(NONE_KNOWN, **status("inactive"))], Feed.UNSTATED),
    "an allergy": ([allergy()], Feed.WHOLE),
    "an allergy, refuted": ([allergy(**status("refuted"))], Feed.WHOLE),
    "an allergy, entered in error": ([allergy(**status("entered-in-error"))], Feed.UNSTATED),
}


def asked_holds() -> bool:
    return all(chart_of(*sent).source("allergies").feed is feed for sent, feed in ASKED.values())


@pytest.mark.parametrize("name", ASKED)
def test_hz_19_an_empty_list_is_not_none_known(name: str) -> None:
    sent, feed = ASKED[name]
    assert chart_of(*sent).source("allergies").feed is feed


def test_hz_19_null_and_a_list_that_was_not_sent_are_no_none_known_either() -> None:
    assert chart_of(allergies=None).source("allergies").feed is Feed.UNSTATED
    assert read(request(prefetch={})).chart.source("allergies").feed is Feed.ABSENT


def test_control_hz_19_were_an_empty_list_taken_as_none_known_the_table_is_red() -> None:
    with mock.patch.object(record_lists.RecordLists, "allergies_stated", mock.PropertyMock(return_value=True), create=True):
        assert not asked_holds()
    with mock.patch.object(allergies, "NONE_KNOWN", frozenset()):
        assert not asked_holds()


STANDS = {"active": True, "unconfirmed": True, "confirmed": True, "refuted": False, "inactive": False, "resolved": False}


@pytest.mark.parametrize("word", STANDS)
def test_hz_20_a_refuted_or_inactive_allergy_does_not_stand(word: str) -> None:
    assert one(allergy(**status(word))).stands is STANDS[word]


def test_an_allergy_that_was_entered_in_error_is_none() -> None:
    assert chart_of(allergy(**status("entered-in-error"))).allergies == ()


# One bad one, another patient's, and versions -----------------------------------------------------------------------------------------------


def ours_alone() -> bool:
    chart = chart_of(allergy(patient=OTHER))
    return chart.allergies == () and chart.other_patient_items == 1


def test_hz_01_another_patients_allergy_is_set_aside_and_said() -> None:
    assert ours_alone()
    assert [each.item for each in chart_of(allergy(patient=OTHER)).problems] == ["allergies"]


def test_control_hz_01_without_the_subject_check_it_would_be_read() -> None:
    with mock.patch.object(subjects.Subjects, "_compare", lambda self, text: Whose.OURS):
        assert not ours_alone()


BROKEN: dict[str, Json] = {
    "a reaction that is a number": {"resourceType": "AllergyIntolerance", "patient": OURS, "reaction": 7},
    "a modifier": allergy(modifierExtension=[{"url": "https://x.example", "valueBoolean": True}]),
    "no patient": allergy(patient=None),
    "substance in words alone": allergy({"text": "tablets"}),
}


@pytest.mark.parametrize("name", BROKEN)
def test_hz_07_one_bad_allergy_hides_nothing_and_leaves_the_list_incomplete(name: str) -> None:
    chart = chart_of({**BROKEN[name], "id": "bad"}, allergy(PENICILLIN))
    assert "Penicillin" in [each.label for each in chart.allergies]
    assert chart.source("allergies").feed is Feed.PARTIAL
    (problem,) = chart.problems
    assert problem.item == "allergies" and problem.path == "prefetch.allergies.entry[0].resource"


def test_control_hz_07_without_the_doubt_the_list_would_look_whole() -> None:
    with mock.patch.object(record_lists.RecordLists, "_set_aside", lambda self, problem: None):
        assert chart_of({**BROKEN["a modifier"], "id": "bad"}, allergy(PENICILLIN)).source("allergies").feed is Feed.WHOLE


def versions(first: str, second: str) -> tuple[bool, ...]:
    old, new = {"meta": {"lastUpdated": "2026-11-01T08:00:00Z"}}, {"meta": {"lastUpdated": "2026-11-20T08:00:00Z"}}
    sent = [allergy(**status(first), **old), allergy(**status(second), **new)]
    return tuple(chart_of(*order).allergies[0].stands for order in (sent, sent[::-1]))


def test_of_two_versions_the_newer_counts_in_any_order() -> None:
    assert versions("active", "refuted") == (False, False)
    assert versions("refuted", "active") == (True, True)
