"""One dangerous order in two to five parts gives the same verdict as the whole (HZ-38): every part is on the list, and the sum is what runs into the vein.

"Same" is each code with its indicator and the total; the words may name another part (F-2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cds.advisory import rank
from cds.assess import assess
from cds.chart import NO_MEMORY, Chart, Condition, Order, Result
from cds.logic import working
from cds.logic.criteria import Total
from cds.logic.scene import Number
from cds.orders import substances, totals
from tests.charts import chart, order, result
from tests.topics.table import knowledge

CODES = frozenset(
    {
        "potassium-rate-exceeds-line-limit", "potassium-given-as-push", "potassium-with-hyperkalaemia-or-oliguria", "potassium-in-dextrose",
        "phosphate-with-low-calcium", "magnesium-excess-risk", "concentrated-fluid-through-peripheral-line", "calcium-with-phosphate-or-bicarbonate-line",
        "fluid-volume-check", "potassium-raising-drugs-stacked", "hypokalaemia-with-qt-drug",
    }
)  # fmt: skip
Piece = Callable[[Decimal], Order]


def bag(drug: str, amount: str, unit: str, volume: str, rate: str, diluent: str = "sodium_chloride", line: str | None = "peripheral", also: str = "") -> Piece:
    """A drafted bag, of which a share is a bag of the same strength at that share of the rate."""

    def piece(share: Decimal) -> Order:
        drugs = (drug, also) if also else (drug,)
        return order(
            *drugs, drafted=True, line=line, contents=((drug, f"{Decimal(amount) * share:f}", unit),), diluent=diluent, volume=f"{Decimal(volume) * share:f}",
            rate=(f"{Decimal(rate) * share:f}", "mL/h"),
        )  # fmt: skip

    return piece


def push(drug: str, amount: str, unit: str) -> Piece:
    """A drafted push, of which a share is a smaller push."""
    return lambda share: order(drug, drafted=True, push=True, dose=(f"{Decimal(amount) * share:f}", unit))


@dataclass(frozen=True)
class Danger:
    """A dangerous order, what else is on the chart, and what the whole raises."""

    name: str
    piece: Piece
    beside: tuple[Result | Condition | Order, ...]
    raises: tuple[str, ...]
    substance: str = "potassium"

    def __str__(self) -> str:
        return self.name


K34, DAY = (result("potassium", "3.4", age=300),), "potassium-rate-exceeds-line-limit critical"
RUNNING = order(
    "potassium_chloride",
    contents=(("potassium_chloride", "16", "mmol"),),
    diluent="sodium_chloride",
    volume="500",
    rate=("250", "mL/h"),
    ref="MedicationRequest/runs",
)
DANGERS = (
    Danger("21 mmol/h, peripheral", bag("potassium_chloride", "42", "mmol", "1050", "525"), K34, (DAY,)),
    Danger("41 mmol/h, central", bag("potassium_chloride", "82", "mmol", "2050", "1025", line="central"), K34, (DAY,)),
    Danger("12 mmol/h, peripheral", bag("potassium_chloride", "24", "mmol", "600", "300"), K34, ("potassium-rate-exceeds-line-limit warning",)),
    Danger("phosphate: 15 mmol/h of it hold 22 of potassium", bag("potassium_phosphate", "30", "mmol", "1500", "750"), K34, (DAY,)),
    Danger(
        "phosphate beside chloride: 8 and 4.4 to 4.7 mmol/h", bag("potassium_phosphate", "6", "mmol", "500", "250"), (*K34, RUNNING),
        ("potassium-rate-exceeds-line-limit warning",),
    ),
    Danger(
        "potassium at 6.2", bag("potassium_chloride", "20", "mmol", "500", "125"), (result("potassium", "6.2", age=300),),
        ("potassium-with-hyperkalaemia-or-oliguria critical",),
    ),
    Danger("a push", push("potassium_chloride", "20", "mmol"), K34, ("potassium-given-as-push critical",)),
    Danger(
        "in glucose at 2.4", bag("potassium_chloride", "20", "mmol", "500", "125", "glucose"), (result("potassium", "2.4", age=300), result("glucose", "6", age=60)),
        ("potassium-in-dextrose critical",),
    ),
    Danger(
        "phosphate with a low calcium", bag("sodium_phosphate", "20", "mmol", "250", "40"), (result("calcium_ionised", "1.0", age=300),),
        ("phosphate-with-low-calcium warning",), "phosphate",
    ),
    Danger(
        "magnesium with failing kidneys", bag("magnesium_sulfate", "5000", "mg", "1000", "83"), (result("creatinine", "180", age=300),),
        ("magnesium-excess-risk warning",), "magnesium",
    ),
    Danger("glucose 20 %", bag("glucose", "100000", "mg", "500", "50", diluent=""), (result("glucose", "6", age=60),), ("concentrated-fluid-through-peripheral-line warning",), "glucose"),
    Danger(
        "3 % saline", bag("sodium_chloride", "15000", "mg", "500", "30", diluent=""), (), ("concentrated-fluid-through-peripheral-line warning",), "sodium",
    ),
    Danger(
        "calcium and bicarbonate in one bag", bag("calcium_gluconate", "1000", "mg", "100", "50", also="sodium_bicarbonate"), (),
        ("calcium-with-phosphate-or-bicarbonate-line critical",), "bicarbonate",
    ),
)  # fmt: skip
PARTS = st.lists(st.integers(1, 9), min_size=2, max_size=5)


def chart_of(danger: Danger, shares: Sequence[Decimal]) -> Chart:
    return chart(*danger.beside, *(danger.piece(share) for share in shares))


def verdict(held: Chart) -> list[str]:
    """Each code that the answer carries, with the highest of its indicators."""
    found: dict[str, str] = {}
    made = assess(held, NO_MEMORY, knowledge(), only=CODES)
    for finding in (*(finding for group in made.groups for finding in group.findings), *made.folded):
        if rank(finding.indicator) >= rank(found.get(finding.code, "info")):
            found[finding.code] = finding.indicator
    return sorted(f"{code} {indicator}" for code, indicator in found.items())


def total(held: Chart, substance: str) -> Any:
    number = knowledge().population("adult").scene(held).number(Total(substance))
    assert isinstance(number, Number)
    return number.candidates[0].value


def shares_of(weights: Sequence[int]) -> list[Decimal]:
    """Shares of 1 that add up to it, each exact to four places."""
    whole = sum(weights)
    shares = [(Decimal(weight) / whole).quantize(Decimal("0.0001")) for weight in weights[1:]]
    return [1 - sum(shares, Decimal(0)), *shares]


def same_in_parts(danger: Danger, weights: Sequence[int]) -> None:
    whole, parts = chart_of(danger, [Decimal(1)]), chart_of(danger, shares_of(weights))
    assert verdict(parts) == verdict(whole)
    assert total(parts, danger.substance) == total(whole, danger.substance)


@pytest.mark.parametrize("danger", DANGERS, ids=str)
def test_hz_38_the_whole_is_dangerous(danger: Danger) -> None:
    """What the parts are compared with is no silence."""
    assert set(danger.raises) <= set(verdict(chart_of(danger, [Decimal(1)])))


@pytest.mark.parametrize("parts", [2, 3, 4, 5])
@pytest.mark.parametrize("danger", DANGERS, ids=str)
def test_hz_38_equal_parts_give_the_same_verdict(danger: Danger, parts: int) -> None:
    same_in_parts(danger, [1] * parts)


@pytest.mark.parametrize("danger", DANGERS, ids=str)
@settings(max_examples=10, deadline=None, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow])
@given(weights=PARTS)
def test_hz_38_any_parts_give_the_same_verdict(danger: Danger, weights: list[int]) -> None:
    same_in_parts(danger, weights)


def test_hz_04_potassium_of_phosphate_counts() -> None:
    """8 mmol/h of chloride alone is silent; 3 mmol/h of phosphate beside it brings 4.4 to 4.7 of potassium (US label)."""
    assert verdict(chart(*K34, RUNNING)) == []
    both = chart(*K34, RUNNING, bag("potassium_phosphate", "6", "mmol", "500", "250")(Decimal(1)))
    assert (total(both, "potassium").low, total(both, "potassium").high) == (Decimal("12.4"), Decimal("12.7"))


def test_control_hz_38_each_order_by_itself_goes_red() -> None:
    """With the sum switched off, so that only the first order counts, five small bags look harmless."""
    real = totals.total

    def first_alone(picture: Any, *rest: Any, **more: Any) -> Any:
        return real(replace(picture, running=picture.running[:1], if_signed=picture.if_signed[:1]), *rest, **more)

    same_in_parts(DANGERS[0], [1] * 5)
    with patch.object(working, "total", first_alone), pytest.raises(AssertionError):
        same_in_parts(DANGERS[0], [1] * 5)


def test_control_hz_38_phosphate_without_its_potassium_goes_red() -> None:
    """With the table of salts taken to hold no potassium in phosphate, its bags are not seen."""
    known = substances.facts(knowledge().population("adult").p)
    salts = {key: salt for key, salt in known.salts.items() if key != ("potassium_phosphate", "potassium")}
    blind = replace(known, salts=salts)
    with patch("cds.orders.totals.facts", lambda p: blind), patch("cds.orders.reading.facts", lambda p: blind), pytest.raises(AssertionError):
        test_hz_04_potassium_of_phosphate_counts()
