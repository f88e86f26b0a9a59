"""Cultures and susceptibilities as laboratories send them.

Which answers mean S, I and R stands in the vocabulary (HL7 v3 interpretations, LOINC answers); which words mean growth is our own list. How an organism
and its susceptibilities are linked (hasMember from the organism) is the form of the Belgian laboratory guide (HL7 Belgium, ObservationLaboratory).
"""

from __future__ import annotations

import re
from typing import Any
from unittest import mock

import pytest

from cds.chart import Chart, Culture, Feed, Trouble
from cds.intake import cultures, record_lists, subjects, words
from cds.intake.subjects import Whose
from tests.intake.payloads import LOINC, OTHER, OURS, SNOMED, at, bundle, quantity, read, request

Json = dict[str, Any]
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
BLOOD, URINE, CSF, PUS = "600-7", "630-4", "606-4", "6463-4"
MEROPENEM, CIPROFLOXACIN, AMOXICILLIN, CEFOXITIN = "18943-1", "18906-8", "18861-5", "18888-8"


def coded(code: str, system: str = SNOMED, **more: Any) -> Json:
    return {"coding": [{"system": system, "code": code, **more}]}


def said(letter: str) -> list[Json]:
    return [coded(letter, INTERPRETATION)]


def grown(code: str = BLOOD, value: str | Json = "", status: str = "final", **more: Any) -> Json:
    found: Json = {"resourceType": "Observation", "id": "c1", "status": status, "subject": OURS, "effectiveDateTime": at(600), "code": coded(code, LOINC)}
    if value:
        found["valueCodeableConcept" if isinstance(value, dict) else "valueString"] = value
    found.update(more)
    return {key: each for key, each in found.items() if each is not ...}


def of_drug(code: str = MEROPENEM, letter: str = "R", **more: Any) -> Json:
    return grown(code, **{"id": "t1", "interpretation": said(letter), **more})


def chart_of(*sent: Any) -> Chart:
    """The chart of a request with these cultures."""
    return read(request(prefetch={"cultures": bundle(*sent)})).chart


def refer(*ids: str) -> list[Json]:
    return [{"reference": f"Observation/{each}"} for each in ids]


# Growth ----------------------------------------------------------------------------------------------------------------------------------

GROWTH: dict[str, tuple[Json, str, tuple[str, ...]]] = {
    "growth": (grown(value="Escherichia coli"), "positive", ("Escherichia coli",)),
    "an organism by code and name": (grown(value=coded("112283007", display="E. coli (organism)")), "positive", ("E. coli (organism)",)),
    "an organism by code alone": (grown(value=coded("3092008")), "positive", ("Staphylococcus aureus",)),
    "an organism that nobody knows": (grown(value=coded("999999999")), "pending", ()),
    "Gram-negative rods": (grown(value="Gram-negative rods"), "positive", ("Gram-negative rods",)),
    "coagulase-negative staphylococci": (grown(value="Coagulase negative staphylococcus"), "positive", ("Coagulase negative staphylococcus",)),
    "no growth": (grown(value="No growth after 48 h"), "negative", ()),
    "no growth of two kinds": (grown(value="No aerobic or anaerobic growth"), "negative", ()),
    "no growth yet": (grown(value="No growth to date", status="preliminary"), "negative", ()),
    "no growth in one bottle": (grown(value="No growth in the anaerobic bottle. Aerobic bottle: E. coli"), "positive", ("No growth in the anaerobic bottle. Aerobic bottle: E. coli",)),
    "negative": (grown(value="Negative"), "negative", ()),
    "no growth by code": (grown(value=coded("264868006")), "negative", ()),
    "positive without an organism": (grown(value=coded("10828004", display="Positive")), "positive", ()),
    "awaited": (grown(status="registered"), "pending", ()),
    "final without a word": (grown(), "pending", ()),
    "mixed": (grown(URINE, "Mixed growth of three organisms"), "mixed", ("Mixed growth of three organisms",)),
    "contaminated": (grown(value="Coagulase-negative staphylococci, probable contaminant"), "contaminated", ()),
    "no contaminant": (grown(value="Staphylococcus epidermidis, not a contaminant"), "positive", ("Staphylococcus epidermidis, not a contaminant",)),
    "coded negative": (grown(interpretation=said("NEG")), "negative", ()),
    "coded positive": (grown(interpretation=said("POS")), "positive", ()),
}


@pytest.mark.parametrize("name", GROWTH)
def test_what_a_culture_shows(name: str) -> None:
    sent, result, organisms = GROWTH[name]
    (found,) = chart_of(sent).cultures
    assert (found.result, found.organisms) == (result, organisms)


def test_hz_10_an_answer_that_is_an_unknown_code_is_named() -> None:
    chart = chart_of(GROWTH["an organism that nobody knows"][0])
    assert [each.trouble for each in chart.problems] == [Trouble.NOT_UNDERSTOOD] and chart.source("cultures").feed is Feed.PARTIAL


def test_kind_and_finality() -> None:
    sent = [grown(code, "Escherichia coli", id=f"c{number}") for number, code in enumerate((BLOOD, URINE, CSF, PUS))]
    assert [each.kind for each in chart_of(*sent).cultures] == ["blood", "urine", "csf", "other"]
    assert [chart_of(grown(status=each)).cultures[0].final for each in ("preliminary", "final", "corrected")] == [False, True, True]


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error", "unknown"])
def test_hz_20_what_does_not_count_is_not_read_and_leaves_no_doubt(status: str) -> None:
    chart = chart_of(grown(value="Escherichia coli", status=status))
    assert chart.cultures == () and chart.source("cultures").feed is Feed.WHOLE


# Resistance of a class that words state ---------------------------------------------------------------------------------------------------------

MARKED: dict[str, tuple[Json, tuple[str, ...]]] = {
    "in the organism": (grown(value="Escherichia coli, ESBL"), ("esbl",)),
    "in the organism, Gram-negative": (grown(value="ESBL-producing Gram-negative rods"), ("esbl",)),
    "in a note": (grown(value="Klebsiella pneumoniae", note=[{"text": "Extended-spectrum beta-lactamase detected."}]), ("esbl",)),
    "not detected": (grown(value="Escherichia coli", note=[{"text": "ESBL not detected"}]), ()),
    "negative": (grown(value="Escherichia coli", note=[{"text": "ESBL: negative"}]), ()),
    "one is, one is not": (grown(value="Klebsiella", note=[{"text": "ESBL positive, carbapenemase negative"}]), ("esbl",)),
    "carbapenemase": (grown(value="Klebsiella pneumoniae, KPC"), ("carbapenemase",)),
    "methicillin": (grown(value="MRSA"), ("oxacillin",)),
    "methicillin, by code": (grown(value=coded("115329001")), ("oxacillin",)),
    "methicillin-sensitive": (grown(value="Staphylococcus aureus (MSSA)"), ()),
    "nothing grew": (grown(value="No growth", note=[{"text": "ESBL screen set up"}]), ()),
    "only the name of the test": (grown(value="Escherichia coli") | {"code": {**coded(BLOOD, LOINC), "text": "Culture incl. ESBL"}}, ()),
}


def marked(name: str) -> tuple[str, ...]:
    return tuple(each.drug for each in chart_of(MARKED[name][0]).susceptibilities if each.result == "R")


@pytest.mark.parametrize("name", MARKED)
def test_resistance_in_words(name: str) -> None:
    assert marked(name) == MARKED[name][1]
    assert len(chart_of(MARKED[name][0]).cultures) == 1


def test_control_without_what_stains_deny_the_table_is_red() -> None:
    with mock.patch.object(words, "_STAINS", re.compile(r"(?!)")):
        assert marked("in the organism, Gram-negative") == ()


# Susceptibilities ------------------------------------------------------------------------------------------------------------------------

SUSCEPTIBILITY: dict[str, tuple[Json, tuple[str, str] | None]] = {
    "by interpretation": (of_drug(), ("meropenem", "R")),
    "by coded answer": (of_drug(interpretation=..., valueCodeableConcept=coded("LA24225-7", LOINC)), ("meropenem", "S")),
    "in words": (of_drug(CIPROFLOXACIN, interpretation=..., valueString="Resistant"), ("ciprofloxacin", "R")),
    "increased exposure": (of_drug(CIPROFLOXACIN, "I"), ("ciprofloxacin", "I")),
    "the interpretation before the answer": (of_drug(valueCodeableConcept=coded("LA24225-7", LOINC)), ("meropenem", "R")),
    "a concentration with its interpretation": (of_drug(valueQuantity=quantity(8, "mg/L")), ("meropenem", "R")),
    "a concentration alone": (of_drug(interpretation=..., valueQuantity=quantity(8, "mg/L")), None),
    "a concentration in words": (of_drug(interpretation=..., valueString=">= 16"), None),
    "two that contradict each other": (of_drug(interpretation=[*said("S"), *said("R")]), None),
    "not understood": (of_drug("18943-1", "NS"), None),
}


@pytest.mark.parametrize("name", SUSCEPTIBILITY)
def test_susceptibility(name: str) -> None:
    sent, expected = SUSCEPTIBILITY[name]
    chart = chart_of(sent)
    assert [(each.drug, each.result) for each in chart.susceptibilities] == ([] if expected is None else [expected])
    assert [each.item for each in chart.problems] == ([] if expected else ["cultures"])
    assert chart.source("cultures").feed is (Feed.WHOLE if expected else Feed.PARTIAL)


def test_a_susceptibility_that_is_still_awaited_is_no_result_and_no_problem() -> None:
    chart = chart_of(of_drug(interpretation=..., status="registered"))
    assert chart.susceptibilities == () and chart.problems == ()


def test_a_preliminary_one_counts_and_says_so() -> None:
    assert [each.preliminary for each in chart_of(of_drug(status="preliminary")).susceptibilities] == [True]


# Whose susceptibility it is ----------------------------------------------------------------------------------------------------------------

COLI = grown(URINE, "Escherichia coli", id="coli")
AUREUS = grown(BLOOD, "Staphylococcus aureus", id="aureus")
TUBE: Json = {"specimen": {"reference": "Specimen/tube"}}
LINKED: dict[str, tuple[list[Json], tuple[str, str]]] = {
    "as a component": ([grown(URINE, "Escherichia coli", component=[{"code": coded(MEROPENEM, LOINC), "interpretation": said("R")}])], ("Escherichia coli", "urine")),
    "as a member": ([COLI | {"hasMember": refer("t1")}, AUREUS, of_drug()], ("Escherichia coli", "urine")),
    "as a member by an absolute address": ([COLI | {"hasMember": [{"reference": "https://ehr.example/fhir/Observation/t1/_history/2"}]}, of_drug()], ("Escherichia coli", "urine")),
    "as a member of its panel": ([COLI | {"hasMember": refer("panel")}, grown("29576-6", id="panel", hasMember=refer("t1")), AUREUS, of_drug()], ("Escherichia coli", "urine")),
    "derived from it": ([COLI, AUREUS, of_drug(derivedFrom=refer("aureus"))], ("Staphylococcus aureus", "blood")),
    "by the specimen": ([COLI | TUBE, AUREUS, of_drug(**TUBE)], ("Escherichia coli", "urine")),
    "by the specimen, two organisms": ([COLI | TUBE, grown(URINE, "Proteus", id="proteus", **TUBE), of_drug(**TUBE)], ("", "urine")),
    "by the specimen, of which another culture shows nothing": ([COLI | TUBE, grown(URINE, "No growth", id="none", **TUBE), of_drug(**TUBE)], ("Escherichia coli", "urine")),
    "a member of two": ([COLI | {"hasMember": refer("t1")}, AUREUS | {"hasMember": refer("t1")}, of_drug()], ("", "other")),
    "not linked": ([COLI, AUREUS, of_drug()], ("", "other")),
    "a link that is not readable": ([COLI | {"hasMember": 7}, of_drug()], ("", "other")),
}


def linked(name: str) -> tuple[str, str]:
    found = next(each for each in chart_of(*LINKED[name][0]).susceptibilities if each.drug == "meropenem")
    return found.organism, found.specimen


@pytest.mark.parametrize("name", LINKED)
def test_which_organism_a_susceptibility_is_of(name: str) -> None:
    assert linked(name) == LINKED[name][1]


def test_control_without_links_the_table_is_red() -> None:
    with mock.patch.object(cultures._Links, "culture_of", lambda self, each, of: None):
        assert [name for name in LINKED if linked(name) != LINKED[name][1]]


SCREENS: dict[str, tuple[Json, bool]] = {
    "a screen": (grown(PUS, "Escherichia coli, ESBL", specimen={"display": "Rectal swab"}), True),
    "a note on carriage": (grown(PUS, "MRSA", note=[{"text": "Consistent with colonisation"}]), True),
    "a wound swab is an infection's": (grown(PUS, "MRSA", specimen={"display": "Wound swab"}), False),
    "not carriage": (grown(PUS, "MRSA", note=[{"text": "Not colonisation: heavy growth in a wound"}]), False),
}


@pytest.mark.parametrize("name", SCREENS)
def test_a_screen_for_carriage_is_marked(name: str) -> None:
    sent, carried = SCREENS[name]
    assert [each.colonisation for each in chart_of(sent).susceptibilities] == [carried]


def test_what_belongs_to_a_screen_is_marked_with_it() -> None:
    screen = grown(PUS, "Escherichia coli", id="screen", specimen={"display": "Rectal swab"}, hasMember=refer("t1"))
    assert [each.colonisation for each in chart_of(screen, of_drug()).susceptibilities] == [True]


# Reports ---------------------------------------------------------------------------------------------------------------------------------


def report(conclusion: str = "", **more: Any) -> Json:
    found: Json = {
        "resourceType": "DiagnosticReport", "id": "r1", "status": "final", "subject": OURS, "effectiveDateTime": at(700), "code": coded(BLOOD, LOINC), "conclusion": conclusion,
    }  # fmt: skip
    found.update(more)
    return found


def test_a_report_whose_results_were_not_sent_is_a_culture() -> None:
    (found,) = chart_of(report("Escherichia coli")).cultures
    assert found == Culture("DiagnosticReport/r1", "blood", "positive", BLOOD, ("Escherichia coli",), found.at, True, "prefetch.cultures.entry[0].resource")


def test_a_report_adds_nothing_to_a_culture_that_was_sent() -> None:
    assert [each.ref for each in chart_of(report(result=refer("c1")), grown(value="Escherichia coli")).cultures] == ["Observation/c1"]


@pytest.mark.parametrize(("more", "trouble"), [({"status": "weird"}, Trouble.STATUS), ({"subject": None}, Trouble.NO_SUBJECT), ({"effectiveDateTime": "yesterday"}, Trouble.TIME_UNREADABLE)])
def test_a_report_that_cannot_be_used_is_named(more: Json, trouble: Trouble) -> None:
    chart = chart_of({key: each for key, each in report("Escherichia coli", **more).items() if each is not None})
    assert chart.cultures == () and [each.trouble for each in chart.problems] == [trouble] and chart.source("cultures").feed is Feed.PARTIAL


# Times, versions, and one bad one ------------------------------------------------------------------------------------------------------------


def test_an_issue_time_alone_says_drawn_before() -> None:
    (found,) = chart_of(grown(value="Escherichia coli", effectiveDateTime=..., issued=at(60))).cultures
    assert found.at is not None and found.at.earliest is None and found.at.mark == "issued only"


def test_a_culture_without_a_time_is_kept_without_one() -> None:
    assert chart_of(grown(value="Escherichia coli", effectiveDateTime=...)).cultures[0].at is None


SET_ASIDE: dict[str, tuple[Json, Trouble]] = {
    "a time that is not readable": (grown(effectiveDateTime="yesterday"), Trouble.TIME_UNREADABLE),
    "a time in the future": (grown(effectiveDateTime=at(-120)), Trouble.FUTURE),
    "a status that nobody knows": (grown(status="done"), Trouble.STATUS),
    "a modifier": (grown(modifierExtension=[{"url": "https://x.example", "valueBoolean": True}]), Trouble.MODIFIER),
    "no patient": (grown(subject=...), Trouble.NO_SUBJECT),
    "a value that is a number": (grown(valueString=7), Trouble.STRUCTURE),
    "a code that is a number": (grown() | {"code": 7}, Trouble.STRUCTURE),
}


@pytest.mark.parametrize("name", SET_ASIDE)
def test_hz_07_one_bad_culture_hides_nothing_and_leaves_the_list_incomplete(name: str) -> None:
    sent, trouble = SET_ASIDE[name]
    chart = chart_of({**sent, "id": "bad"}, grown(value="Escherichia coli"))
    assert [each.organisms for each in chart.cultures] == [("Escherichia coli",)]
    assert chart.source("cultures").feed is Feed.PARTIAL
    problems = [*chart.problems, *chart.results.problems("cultures")]
    assert [(each.trouble, each.item, each.path) for each in problems] == [(trouble, "cultures", "prefetch.cultures.entry[0].resource")]


def test_control_hz_07_without_the_doubt_the_list_would_look_whole() -> None:
    with mock.patch.object(record_lists.RecordLists, "_set_aside", lambda self, problem: None):
        assert chart_of({**SET_ASIDE["a modifier"][0], "id": "bad"}).source("cultures").feed is Feed.WHOLE


def nothing_of_another() -> bool:
    chart = chart_of(grown(value="Escherichia coli", subject=OTHER), of_drug(subject=OTHER), report("Escherichia coli", subject=OTHER))
    return chart.cultures == () and chart.susceptibilities == () and chart.other_patient_items == 3


def test_hz_01_of_another_patient_nothing_is_read() -> None:
    assert nothing_of_another()


def test_control_hz_01_without_the_subject_check_it_would_be_read() -> None:
    with mock.patch.object(subjects.Subjects, "_compare", lambda self, text: Whose.OURS):
        assert not nothing_of_another()


def test_of_two_versions_the_newer_counts_in_any_order() -> None:
    old = of_drug(letter="S", meta={"lastUpdated": "2026-11-01T08:00:00Z"})
    new = of_drug(letter="R", status="corrected", meta={"lastUpdated": "2026-11-20T08:00:00Z"})
    for sent in ((old, new), (new, old)):
        assert [each.result for each in chart_of(*sent).susceptibilities] == ["R"]


def test_of_two_versions_without_update_times_the_further_status_counts() -> None:
    for sent in ((of_drug(letter="S", status="preliminary"), of_drug()), (of_drug(), of_drug(letter="S", status="preliminary"))):
        assert [each.result for each in chart_of(*sent).susceptibilities] == ["R"]
