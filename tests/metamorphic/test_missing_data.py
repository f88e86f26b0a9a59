"""What happens to an answer when something is taken away (HZ-07) or cut off (HZ-14).

The rule. Before, an advisory stood above info; after one input is taken away it may
  1. stand as before;
  2. be open, and said to be open: an item of "could not be judged" waits for it, or a code that stands asks for the same datum itself;
  3. give way to another code of the same problem that is at least as urgent (insulin without any recent potassium, where there was a low one);
  4. stand lower, where the datum that would raise it is named with its verdict;
  5. go, when what was taken away was the danger itself: the order in hand, an order or a diagnosis that the card rested on. A list that was
     sent whole and does not hold it says that there is none.
Nothing else. Cases in which a specialist finds the loss right for another reason stand in BY_HAND, one by one, with that reason.
A list that was not sent, or failed, says nothing at all: there the fifth way is closed.
An overview tells what the advisories found; each of those is judged here itself.
"""

from __future__ import annotations

import copy
import itertools
import json
import random
import re
from collections.abc import Iterator
from unittest.mock import patch

import pytest

from cds.advisory import rank
from cds.call import Answer
from cds.overviews import TITLES as VIEWS
from tests.synthetic.judging import FOLDERS, Json, body_of, drafts_of, judge, knowledge, lists_of, not_judged, request_of, rules_of

CHART = {folder.name[:2]: request_of(folder) for folder in FOLDERS}
every_chart = pytest.mark.parametrize("number", sorted(CHART))
OUTCOME: Json = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout", "diagnostics": "did not finish"}]}

KIDNEY = "without a clearance the grade stands alone (D1, Missing), and the card says that the clearance is not known"
GAS = "a gas without its third part cannot contradict itself"
PART = "a part of the early-warning score that was not measured is not counted (D7); the level before is too old to hold"
HANDED = "at signing it speaks beside the antibacterial in hand, and that was taken out"
SHOWN = "the fall is followed in a hyperosmolar state that is shown; whether there is one waits for this datum, and that is said"
NOT_TOUCHED = "the order in hand was what touched it; at patient-view it is said"
BY_HAND: dict[tuple[str, str, str], str] = {
    ("08", "s08-creatinine-us-2", "seizure-threshold-lowering-order"): KIDNEY,
    ("08", "s08-weight-1", "seizure-threshold-lowering-order"): KIDNEY,
    ("08", "renal", "seizure-threshold-lowering-order"): KIDNEY,
    ("08", "body", "seizure-threshold-lowering-order"): KIDNEY,
    ("08", "patient", "seizure-threshold-lowering-order"): KIDNEY + "; it needs age and sex",
    ("10", "s10-ph-venous-1", "dka-criteria-met"): "one of pH and bicarbonate is enough to judge (A1, Needs); the bicarbonate of 18.6 mmol/L is not below 18",
    ("10", "s10-ph-venous-1", "blood-gas-inconsistent"): GAS,
    ("10", "s10-pco2-blood-1", "blood-gas-inconsistent"): GAS,
    ("10", "s10-bicarbonate-gas-1", "blood-gas-inconsistent"): GAS,
    ("10", "acid_base", "blood-gas-inconsistent"): GAS,
    ("18", "medications", "potassium-falling-on-insulin"): "without the orders nobody knows when insulin began, and over the whole series potassium does not fall",
    ("22", "glucose", "osmolality-falling-too-fast"): SHOWN,
    ("22", "renal", "osmolality-falling-too-fast"): SHOWN,
    ("01", "s01-order-meropenem-1", "sepsis-screen-positive"): NOT_TOUCHED,
    ("04", "s04-order-lorazepam-1", "provoked-seizure-cause"): NOT_TOUCHED,
    ("06", "s06-order-phenytoin-1", "high-anion-gap-without-ketosis"): NOT_TOUCHED,
    ("06", "s06-chloride-1", "high-anion-gap-without-ketosis"): "without a chloride there is no gap to speak of (A4, Missing)",
    ("06", "s06-ph-venous-1", "high-anion-gap-without-ketosis"): "the bicarbonate of 19.2 mmol/L alone is not below 18: no acid blood is shown",
    ("06", "s06-bicarbonate-gas-1", "high-anion-gap-without-ketosis"): "without a bicarbonate there is no gap to speak of (A4)",
    ("06", "s06-lactate-1", "high-anion-gap-without-ketosis"): "critical by the lactate alone; without it a warning, a line that asks for ketones and lactate",
    ("22", "s21-gcs-7", "osmolality-falling-too-fast"): "the newest coma score is then 13, a fall of one: fast, and not drowsier",
    ("24", "s24-chloride-2", "high-anion-gap-without-ketosis"): "without a chloride there is no gap to speak of (A4, Missing); metformin's card names the acidosis",
    ("24", "s24-order-metformin-2", "high-anion-gap-without-ketosis"): NOT_TOUCHED,
    ("25", "s25-sodium-6", "sodium-correction-too-fast"): "then no sodium is current, and there is nothing to judge (B13, Needs)",
    ("25", "s25-order-potassium-1", "sodium-correction-too-fast"): NOT_TOUCHED,
    ("26", "s26-potassium-3", "potassium-replacement-missing"): "a potassium of two days ago asks for none; the rhythm card stands by magnesium and asks for it",
    ("26", "s26-magnesium-1", "magnesium-low"): "what was never measured is not low; the rhythm card stands by potassium and asks for it",
    ("26", "s26-order-haloperidol-1", "potassium-replacement-missing"): NOT_TOUCHED,
    ("26", "s26-order-haloperidol-1", "magnesium-low"): NOT_TOUCHED,
    ("31", "s31-gcs-4", "sepsis-screen-positive"): PART,
    ("32", "s32-order-tazobactam-1", "sepsis-screen-positive"): HANDED,
    ("10", "electrolytes", "input-unusable"): "what was set aside stood in this list; without it no potassium is known, and that is said",
}  # fmt: skip


def standing(made: Answer) -> dict[str, str]:
    """Codes above info, with their indicators."""
    return {code: indicator for code, indicator in made.codes.items() if indicator != "info"}


def losses(before: Answer, after: Answer) -> list[str]:
    """Codes that stood above info and now stand lower, or not at all, in none of the ways 1 to 4."""
    assert after.status == 200, after.body
    population = knowledge().population(json.loads(after.rules)["population"])
    advisories = {code: ready.advisory for code, ready in population.by_code.items()}
    said = {wait["code"] for item in not_judged(after) for wait in item.get("waits", [])}
    asked = {item for code in after.codes if code in advisories for item in advisories[code].asks_itself}
    rules, found = rules_of(after), []
    for code, indicator in standing(before).items():
        if rank(after.codes.get(code, "info")) >= rank(indicator):
            continue
        row = rules.get(code, {})
        if code in VIEWS or (code in after.codes and row.get("gaps")):
            continue
        if row.get("outcome") == "unknown" and (code in said or any(gap["item"] in asked for gap in row.get("gaps", []))):
            continue
        problem = advisories[code].problem if code in advisories else ""
        if problem and any(rank(now) >= rank(indicator) for other, now in after.codes.items() if other in advisories and advisories[other].problem == problem):
            continue
        found.append(code)
    return found


def rests_on(made: Answer, code: str) -> set[str]:
    """Orders and diagnoses that a card which carries the code rests on, as references."""
    found: set[str] = set()
    for card in body_of(made)["cards"]:
        entries = [entry for entry in card["extension"]["example.trivet.advisories"] if entry["code"] == code]
        if entries:
            found |= {ref for entry in entries for ref in entry.get("orders", [])}
            found |= {each["resource"] for each in card["extension"].get("example.trivet.inputs", []) if not each["resource"].startswith("Observation/")}
    return found


def places(request: Json) -> Iterator[tuple[str, int]]:
    """Where every resource stands: prefetch key and index; "" for the drafts."""
    for key, bundle in lists_of(request):
        yield from ((key, index) for index in range(len(bundle["entry"])))
    yield from (("", index) for index in range(len(drafts_of(request))))


def without(request: Json, *taken: tuple[str, int]) -> tuple[Json, list[Json]]:
    """The request less these resources, as a chart in which they were never recorded; and the resources."""
    made, gone = copy.deepcopy(request), []
    for key, index in sorted(taken, reverse=True):
        bundle = made["prefetch"][key] if key else made["context"]["draftOrders"]
        gone.append(bundle["entry"].pop(index)["resource"])
        if "total" in bundle:
            bundle["total"] -= 1
    return made, gone


def unexplained(number: str, before: Answer, after: Answer, gone: list[Json]) -> list[str]:
    """Losses that the rule does not allow."""
    refs = {f"{resource['resourceType']}/{resource['id']}" for resource in gone}
    return [
        code for code in losses(before, after)
        if not refs & rests_on(before, code) and not any((number, resource["id"], code) in BY_HAND for resource in gone)
    ]  # fmt: skip


@every_chart
def test_hz_07_every_single_input_deleted(number: str) -> None:
    before = judge(CHART[number])
    faults = []
    for place in places(CHART[number]):
        changed, gone = without(CHART[number], place)
        after = judge(changed)
        faults += [f"{gone[0]['id']}: {code}" for code in unexplained(number, before, after, gone)]
        if "critical" in standing(before).values() and not body_of(after)["cards"]:
            # Not one word where there was a critical card: only without the order in hand, or without the diagnosis.
            assert gone[0]["resourceType"] in ("MedicationRequest", "Condition"), gone[0]["id"]
    assert faults == []


@every_chart
def test_hz_07_pairs_of_inputs_deleted(number: str) -> None:
    before = judge(CHART[number])
    # Drafts stay: without the order there is nothing to judge. Every pair with a resource that a card rests on, and a sample of the others.
    cited = {each["resource"] for card in body_of(before)["cards"] for each in card["extension"].get("example.trivet.inputs", [])}
    here = [place for place in places(CHART[number]) if place[0]]
    important = [p for p in here if (r := without(CHART[number], p)[1][0]) and f"{r['resourceType']}/{r['id']}" in cited]
    pairs = list(itertools.combinations(important, 2))
    chance = random.Random(int(number))
    sample = chance.sample(pairs, min(len(pairs), 14)) + [tuple(chance.sample(here, 2)) for _ in range(8)]
    faults = []
    for pair in sample:
        changed, gone = without(CHART[number], *pair)
        faults += [f"{[r['id'] for r in gone]}: {code}" for code in unexplained(number, before, judge(changed), gone)]
    assert faults == []


@every_chart
@pytest.mark.parametrize("way", ["not sent", "failed"])
def test_hz_07_every_list_missing(number: str, way: str) -> None:
    """A list that was not sent is not an empty list: what rested on it is open and said, never gone."""
    before = judge(CHART[number])
    faults = []
    for key in CHART[number]["prefetch"]:
        changed = copy.deepcopy(CHART[number])
        if way == "failed":
            changed["prefetch"][key] = OUTCOME
        else:
            del changed["prefetch"][key]
        faults += [f"{key}: {code}" for code in losses(before, judge(changed)) if (number, key, code) not in BY_HAND]
    assert faults == []


def test_exceptions_made_by_hand_are_all_needed() -> None:
    """Every exception is of a case that occurs; one that is no longer needed is taken out."""
    needed = set()
    for number in {number for number, _, _ in BY_HAND}:
        before = judge(CHART[number])
        for place in places(CHART[number]):
            changed, gone = without(CHART[number], place)
            needed |= {(number, gone[0]["id"], code) for code in losses(before, judge(changed))}
        for key in CHART[number]["prefetch"]:
            changed = copy.deepcopy(CHART[number])
            changed["prefetch"][key] = OUTCOME
            needed |= {(number, key, code) for code in losses(before, judge(changed))}
    assert set(BY_HAND) <= needed


def test_hz_07_potassium_deleted_never_reads_as_normal() -> None:
    """Every potassium out of the lead scenario: the insulin is held for want of one."""
    changed, _ = without(CHART["01"], *[(key, i) for key, i in places(CHART["01"]) if key == "electrolytes"])
    assert judge(changed).codes["insulin-without-recent-potassium"] == "critical"


def test_control_a_missing_list_read_as_empty_goes_red() -> None:
    """With every list taken for whole, a failed medication search reads as "no valproate"."""
    from cds.chart import Feed, Source
    from cds.intake import reader as reading

    changed = copy.deepcopy(CHART["01"])
    changed["prefetch"]["medications"] = OUTCOME
    before = judge(CHART["01"])
    assert losses(before, judge(changed)) == []
    with patch.object(reading, "source", lambda found, drawn, times: Source(found.key, Feed.WHOLE)):
        after = judge(changed)
    assert "carbapenem-with-valproate" in losses(before, after)


# HZ-14: lists cut at a page boundary ---------------------------------------------------------------------------------------------------

# Scenarios in which a potassium sum over the running orders is judged at signing.
SUMS = ("02", "03", "11")


def cut(request: Json, key: str, keep: int, how: str) -> Json:
    """The list cut after `keep` entries: with a link to the next page, with the true count only, or without any sign (the page size tells)."""
    made = copy.deepcopy(request)
    bundle = made["prefetch"][key]
    total = len(bundle["entry"])
    bundle["entry"] = bundle["entry"][:keep]
    bundle["total"] = total
    if how == "link":
        bundle["link"] = [{"relation": "next", "url": "https://ehr.example/fhir/next"}]
        del bundle["total"]
    return made


def shown_totals(made: Answer) -> list[str]:
    """Every place of a card that prints what the potassium orders add up to now."""
    cards = body_of(made)["cards"]
    return [found for card in cards for text in (card["summary"], card["detail"]) for found in re.findall(r"(?i)\bnow\b[^\n.;,]*? mmol/h", text)]


@pytest.mark.parametrize("number", SUMS)
@pytest.mark.parametrize("how", ["link", "count"])
def test_hz_14_cut_order_list_gives_no_unqualified_total(number: str, how: str) -> None:
    for keep in range(len(CHART[number]["prefetch"]["medications"]["entry"])):
        made = judge(cut(CHART[number], "medications", keep, how))
        said = [item for item in not_judged(made) if "medications" in item["text"] or "medications" in item.get("looked-for-in", [])]
        assert said, (keep, made.codes)
        assert all("at least" in each for each in shown_totals(made)), (keep, shown_totals(made))


def test_control_total_of_a_whole_list_is_not_qualified() -> None:
    """What the test above looks for is there: of the whole list 02 prints a plain total."""
    printed = shown_totals(judge(CHART["02"]))
    assert printed and not any("at least" in each for each in printed)


@every_chart
def test_hz_14_every_list_cut_at_every_page_boundary(number: str) -> None:
    """What stood above info before still stands, is open and said, or gave way within its problem: a cut list never silences (F-39)."""
    before = judge(CHART[number])
    faults = []
    for key, bundle in lists_of(CHART[number]):
        count = len(bundle["entry"])
        for keep in sorted({0, 1, 2, count // 2, count - 1} - {count}):
            if keep < 0:
                continue
            after = judge(cut(CHART[number], key, keep, "link"))
            gone = [entry["resource"]["id"] for entry in bundle["entry"][keep:]]
            lost = [code for code in losses(before, after) if not any((number, name, code) in BY_HAND for name in (key, *gone))]
            faults += [f"{key} after {keep}: {code}" for code in lost]
    assert faults == []


def test_hz_14_silence_ends_when_the_order_list_is_cut() -> None:
    """Three bags through a central line and a bag exchanged are right to be silent only while every order is known."""
    for number in ("03", "11"):
        assert standing(judge(CHART[number])) == {}
        assert standing(judge(cut(CHART[number], "medications", 1, "link"))) != {}


def test_control_page_links_ignored_goes_red() -> None:
    """With the link to the next page not looked at, a cut order list reads as whole and is silent."""
    from cds.chart import Feed, Source
    from cds.intake import reader as reading

    changed = cut(CHART["03"], "medications", 1, "link")
    # The administration record is a second way to notice: a bag that is given and stands in no order. Not here.
    changed["prefetch"]["administrations"] = {"resourceType": "Bundle", "type": "searchset", "total": 0}
    assert set(standing(judge(changed))) - {"magnesium-low"}
    with patch.object(reading, "source", lambda found, drawn, times: Source(found.key, Feed.WHOLE)):
        made = judge(changed)
    # The magnesium that runs is behind the cut too: that a low one is named then says nothing of the bags.
    with pytest.raises(AssertionError):
        assert {code: word for code, word in standing(made).items() if code != "magnesium-low"} != {}
