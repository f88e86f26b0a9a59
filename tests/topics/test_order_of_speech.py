"""When several speak about one order: the solution first, then rate, heart, liver and pregnancy, valproate, seizure threshold and kidneys, dose, glucose
(own rule T4; common practice: what cannot be infused at all is said before how much of it)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from cds.advisory import rank
from cds.assess import assess
from cds.chart import NO_MEMORY, Chart
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge

SPOKEN = (
    "asm-diluent-incompatible",
    "asm-cardiac-contraindication",
    "asm-hepatic-or-pregnancy-contraindication",
    "carbapenem-with-valproate",
    "seizure-threshold-lowering-order",
    "renally-cleared-neurotoxic-antibiotic",
    # Ours: after what forbids the medicine, since "slower" would be signed (scenario 34).
    "asm-infusion-rate-check",
    "asm-loading-dose-check",
    "phenytoin-worsens-hyperglycaemia",
)
# Orders that several codes speak about at once, and the codes that must be among them.
CASES: dict[str, tuple[tuple[Any, ...], set[str]]] = {
    "phenytoin in glucose, too fast, too much, slow heart, glucose high": (
        (
            order("phenytoin", drafted=True, diluent="glucose", volume="250", dose=("2500", "mg"), minutes="20"),
            result("heart_rate", "45", age=10), result("glucose", "18", age=20), condition("seizure", onset=20),
        ),
        {
            "asm-diluent-incompatible", "asm-infusion-rate-check", "asm-cardiac-contraindication", "asm-loading-dose-check",
            "phenytoin-worsens-hyperglycaemia",
        },
    ),
    "valproate too fast and too much, cirrhosis": (
        (order("valproate", drafted=True, dose=("6000", "mg"), minutes="5"), condition("cirrhosis"), condition("seizure", onset=20)),
        {"asm-infusion-rate-check", "asm-hepatic-or-pregnancy-contraindication", "asm-loading-dose-check"},
    ),
    "imipenem beside valproate, epilepsy, kidneys failing": (
        (
            order("imipenem", drafted=True, dose=("1000", "mg"), per_day="4"), order("valproate", route="oral", dose=("500", "mg"), per_day="2"),
            result("creatinine", "400", age=200), result("creatinine", "395", age=1600), result("height", "165", "cm", age=600), condition("epilepsy"),
        ),
        {"carbapenem-with-valproate", "seizure-threshold-lowering-order"},
    ),
    "meropenem beside valproate, kidneys failing": (
        (
            order("meropenem", drafted=True, dose=("2000", "mg"), per_day="3"), order("valproate", route="oral", dose=("500", "mg"), per_day="2"),
            result("creatinine", "400", age=200), result("creatinine", "395", age=1600), result("height", "165", "cm", age=600), condition("epilepsy"),
        ),
        {"carbapenem-with-valproate", "renally-cleared-neurotoxic-antibiotic"},
    ),
}  # fmt: skip


def spoken(held: Chart) -> list[tuple[str, str]]:
    """(indicator, code) of the codes of the list, in the order of the cards and, on a card, of its lines."""
    made = assess(held, NO_MEMORY, knowledge())
    return [(finding.indicator, finding.code) for group in made.groups for finding in group.findings if finding.code in SPOKEN]


def in_order(said: list[tuple[str, str]]) -> bool:
    """Critical before warning before info, and among equals as the list has it."""
    keys = [(-rank(indicator), SPOKEN.index(code)) for indicator, code in said]
    return all(one <= other for one, other in pairwise(keys))


@pytest.mark.parametrize("name", CASES)
def test_codes_about_one_order_are_said_in_the_order_of_the_list(name: str) -> None:
    items, codes = CASES[name]
    said = spoken(chart(*items))
    assert codes <= {code for _, code in said}
    assert in_order(said)


def test_every_code_of_the_list_has_its_place() -> None:
    """The place of each code in the knowledge itself, whatever fires together."""
    adult = knowledge().adult
    place = {code: number for number, code in enumerate(adult.by_code)}
    assert sorted(SPOKEN, key=lambda code: (adult.advisory(code).speak_order, place[code])) == list(SPOKEN)


def test_control_two_codes_the_other_way_round_are_noticed() -> None:
    said = spoken(chart(*CASES["phenytoin in glucose, too fast, too much, slow heart, glucose high"][0]))
    assert not in_order(said[::-1])
