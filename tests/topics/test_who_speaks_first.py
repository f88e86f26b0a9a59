"""Which branch decides where two dangers meet on one chart: the card must not point at the thing that harms (scenarios 30, 32, 33, 34 and 36).

The rows are common practice: magnesium first in eclampsia (MAGPIE 2002), no penicillin after anaphylaxis to one (Khan 2022), no medicine that the
laboratory reports resistant, the poison before the regular tablets (flumazenil label, boxed warning).
"""

from __future__ import annotations

from typing import Any
from unittest.mock import patch

import pytest

from cds.assess import Knowledge, assess
from cds.candidates import offers
from cds.chart import NO_MEMORY
from cds.logic.criteria import HasAllergy, HasCondition
from cds.service.knowledge import load_knowledge
from cds.service.settings import Settings
from tests.charts import allergy, chart, condition, culture, order, result, susceptibility
from tests.topics.table import knowledge

SHOCK = (condition("septic_shock", onset=75), condition("pyelonephritis", onset=900))
PENICILLIN = order("piperacillin", "tazobactam", drafted=True, dose=("4500", "mg"), per_day="3")
CEFTRIAXONE = order("ceftriaxone", drafted=True, dose=("2000", "mg"), per_day="1")
SEIZING = result("glucose", "6", age=4)
ESBL = (
    condition("bacteraemia", onset=2000), condition("pyelonephritis", onset=3000), condition("epilepsy"),
    order("valproate", route="oral", dose=("500", "mg"), per_day="2", reasons=("epilepsy",)),
    order("ciprofloxacin", dose=("400", "mg"), per_day="2", start=2700), result("creatinine", "78", age=200), result("creatinine", "80", age=1600),
    result("height", "165", "cm", age=600), culture("blood", "positive", organisms=("Escherichia coli",)), susceptibility("ciprofloxacin", "R", "blood"),
    susceptibility("meropenem", "S", "blood"), susceptibility("ertapenem", "S", "blood"), susceptibility("gentamicin", "S", "blood"),
)  # fmt: skip

# case: items, code, the branch that decides
CASES: dict[str, tuple[tuple[Any, ...], str, str]] = {
    "shock, a penicillin drafted after anaphylaxis": (
        (*SHOCK, PENICILLIN, allergy("penicillin", "severe immediate")), "antibiotic-delayed-in-septic-shock", "shock, drafted against an allergy"),
    "shock, a penicillin drafted after a severe late reaction": (
        (*SHOCK, PENICILLIN, allergy("penicillin", "severe delayed")), "antibiotic-delayed-in-septic-shock", "shock, drafted against an allergy"),
    "shock, a penicillin drafted after a mild rash": (
        (*SHOCK, PENICILLIN, allergy("penicillin", "mild")), "antibiotic-delayed-in-septic-shock", "shock, drafted and not started"),
    "shock, a reaction that nobody described holds up no first dose": (
        (*SHOCK, PENICILLIN, allergy("penicillin", "unknown")), "antibiotic-delayed-in-septic-shock", "shock, drafted and not started"),
    "shock, ceftriaxone drafted beside the penicillin": (
        (*SHOCK, PENICILLIN, CEFTRIAXONE, allergy("penicillin", "severe immediate")), "antibiotic-delayed-in-septic-shock", "shock, drafted and not started"),
    "convulsing, eclampsia on record": ((SEIZING, condition("eclampsia", onset=6)), "status-epilepticus-stage", "first step, magnesium due"),
    "convulsing, pregnant": ((SEIZING, condition("pregnancy"), condition("seizure", onset=6)), "status-epilepticus-stage", "first step, magnesium due"),
    "convulsing, eclampsia, magnesium drafted": (
        (SEIZING, condition("eclampsia", onset=6), order("magnesium_sulfate", drafted=True, dose=("4", "g"), minutes="15")), "status-epilepticus-stage", "first step"),
    "convulsing, neither": ((SEIZING, condition("seizure", onset=6)), "status-epilepticus-stage", "first step"),
    "phenytoin at 80 mg/min in heart disease": (
        (order("phenytoin", drafted=True, dose=("1000", "mg"), minutes="12.5"), condition("heart_disease"), condition("seizure", onset=20)),
        "asm-infusion-rate-check", "phenytoin critical, frail heart"),
    "phenytoin at 80 mg/min, heart sound": (
        (order("phenytoin", drafted=True, dose=("1000", "mg"), minutes="12.5"), condition("seizure", onset=20)), "asm-infusion-rate-check", "phenytoin critical"),
    "flumazenil, tricyclic poisoning, regular diazepam": (
        (condition("poisoning_tricyclic", onset=120), order("diazepam", route="oral", dose=("5", "mg"), per_day="2", start=40000, authored=40000, home=True),
         order("flumazenil", drafted=True, push=True, dose=("0.3", "mg"))), "flumazenil-with-seizure-risk", "proconvulsant"),
}  # fmt: skip


def decided(items: tuple[Any, ...], code: str, known: Knowledge) -> set[str]:
    """The branches by which a code fired."""
    verdict = assess(chart(*items, years=30), NO_MEMORY, known).verdict(code)
    return {finding.branch.name for finding in verdict.findings}


def offered(items: tuple[Any, ...]) -> str:
    """What the card about the culture offers, in one string."""
    held = chart(*items)
    made = assess(held, NO_MEMORY, knowledge())
    return " ".join(change.label for change in offers(held, made, knowledge()).by_problem.get("antibacterial choice", ()))


@pytest.mark.parametrize("case", CASES)
def test_hz_36_the_branch_that_points_away_from_harm_decides(case: str) -> None:
    items, code, branch = CASES[case]
    assert decided(items, code, knowledge()) == {branch}


def test_control_hz_36_without_the_allergy_the_drafted_penicillin_would_be_hurried() -> None:
    items, code, branch = CASES["shock, a penicillin drafted after anaphylaxis"]
    with patch("cds.topics.antibacterial_delay.forbidden", lambda p: HasAllergy(("carbapenem",), ("severe immediate",))):
        assert decided(items, code, load_knowledge(Settings())) != {branch}


def test_control_hz_36_without_the_question_magnesium_would_not_be_named() -> None:
    items, code, branch = CASES["convulsing, eclampsia on record"]
    with patch("cds.topics.seizure.magnesium_due", lambda p: HasCondition(("meningitis",))):
        assert decided(items, code, load_knowledge(Settings())) != {branch}


def test_what_the_laboratory_reports_resistant_or_did_not_test_is_not_offered() -> None:
    assert offered((*ESBL, susceptibility("sulfamethoxazole", "R", "blood"))).startswith("Gentamicin")
    assert offered(ESBL).startswith("Gentamicin")


def test_control_the_combination_that_tests_susceptible_is_offered() -> None:
    """With susceptible results for both, the first of the list is offered again: the two rows above fail for no other reason."""
    both = (susceptibility("sulfamethoxazole", "S", "blood"), susceptibility("trimethoprim", "S", "blood"))
    assert offered((*ESBL, *both)).startswith("Trimethoprim")
