"""Nothing delays what saves a life (0.5a, N-19): no critical card stands on such an order unless the list of exemptions names its code."""

from __future__ import annotations

from typing import Any

import pytest

from cds.assess import Assessment, assess
from cds.chart import NO_MEMORY
from cds.speaking import in_hand
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge

# One drug of each class of the list, as it is given in the emergency, at a dose that is right.
GIVEN: dict[str, list[Any]] = {
    "benzodiazepine": [order("lorazepam", drafted=True, dose=("4", "mg"), minutes="2")],
    "glucose_fluid": [order("glucose", drafted=True, contents=(("glucose", "20", "g"),), volume="100", rate=("400", "mL/h"))],
    "glucagon": [order("glucagon", drafted=True, route="intramuscular", dose=("1", "mg"))],
    "calcium_salt": [order("calcium_gluconate", drafted=True, dose=("3000", "mg"), minutes="10")],
    "magnesium_sulfate": [order("magnesium_sulfate", drafted=True, dose=("4000", "mg"), minutes="15")],
    "antibacterial": [
        order("ceftriaxone", drafted=True, dose=("2000", "mg"), per_day="1"), order("meropenem", drafted=True, dose=("2000", "mg"), per_day="3"),
        order("gentamicin", drafted=True, dose=("400", "mg")), order("levofloxacin", drafted=True, dose=("500", "mg")),
        order("piperacillin", "tazobactam", drafted=True, dose=("4000", "mg"), per_day="4"), order("doxycycline", drafted=True, dose=("200", "mg")),
    ],
    "aciclovir": [order("aciclovir", drafted=True, dose=("700", "mg"), per_day="3")],
    "tranexamic_acid": [order("tranexamic_acid", drafted=True, dose=("1000", "mg"), minutes="10")],
    "adrenaline": [order("adrenaline", drafted=True, route="intramuscular", dose=("0.5", "mg"))],
}  # fmt: skip
# Everything that could speak against an order at once, beside the emergency itself.
SICK = (
    result("potassium", "2.6"), result("magnesium", "0.45"), result("creatinine", "520"), result("qtc", "520"), result("glucose", "2.4", age=5),
    result("calcium_ionised", "0.85"), result("sodium", "118"), result("phosphate", "0.3"), result("systolic", "82", age=10), result("lactate", "6"),
    result("respiratory_rate", "24", age=10), result("spo2", "93", age=10), result("gcs", "13", age=5), result("ph", "7.15"), result("bicarbonate", "11"),
    result("chloride", "104"), result("heart_rate", "120", age=10),
    condition("epilepsy"), condition("pregnancy"), condition("heart_failure"), condition("alcohol_use_disorder"), condition("sepsis", onset=90),
)  # fmt: skip


def rows() -> list[Any]:
    return list(knowledge().parameters.for_population("adult").table("never_delay"))


def cases() -> list[Any]:
    found = []
    for row in rows():
        for name in row["classes"]:
            for each in GIVEN[str(name)]:
                for concept in row["concepts"] or ("",):
                    found.append(pytest.param(row, each, str(concept), id=f"{row['order']}: {each.drugs[0]}, {concept or 'any'}"))
    return found


def judged(draft: Any, concept: str) -> Assessment:
    emergency = () if concept in ("", "hypoglycaemia", "hyperkalaemia", "hypocalcaemia") else (condition(concept, onset=20),)
    return assess(chart(*SICK, *emergency, draft, years=34, weight="70", hook="order-sign"), NO_MEMORY, knowledge())


def against(made: Assessment) -> dict[str, str]:
    """Critical findings about the order in hand, by code."""
    assert made.scene is not None
    found = [finding for group in made.groups for finding in (*group.findings,)] + list(made.folded)
    return {f.code: f.branch.name for f in found if f.indicator == "critical" and f.order is not None and in_hand((f.order,), made.scene)}


@pytest.mark.parametrize(("row", "draft", "concept"), cases())
def test_hz_36_no_critical_card_stands_on_what_saves_a_life(row: Any, draft: Any, concept: str) -> None:
    assert set(against(judged(draft, concept))) <= set(map(str, row["exempt"]))


def test_hz_36_every_class_of_the_list_is_tried() -> None:
    assert {str(name) for row in rows() for name in row["classes"]} == set(GIVEN)


def test_control_hz_36_an_order_that_is_not_on_the_list_does_get_one() -> None:
    """The same patient, and an order that nobody needs at once: the search above sees its critical cards."""
    assert against(judged(order("ciprofloxacin", drafted=True, route="oral", dose=("500", "mg"), per_day="2"), ""))
