"""Numbers over series, over what was given, and arithmetic: each row worked by hand from the samples beside it."""

from __future__ import annotations

from decimal import Decimal

import pytest

from cds.chart import MINUTE, Administration, Chart, Feed, Moment, Order
from cds.logic.compare import Missing
from cds.logic.criteria import (
    AllOf,
    AnyOrder,
    AtLeastValue,
    AtMostValue,
    Change,
    CountOrders,
    Extreme,
    Figure,
    Formula,
    Given,
    Greater,
    HasOrder,
    Latest,
    Lesser,
    Minus,
    NoOrder,
    OfOrder,
    OrderFilter,
    OrderIs,
    Plus,
    Ratio,
    Scaled,
    SinceStart,
    Slope,
    Total,
)
from cds.logic.evaluate import evaluate
from cds.logic.expressions import Expression
from cds.logic.scene import Number
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from tests.logic.scenes import NOW, chart, dosage, ingredient, limit, order, result, scene

DAY, SIX, HOUR = limit("1440", "min", "day"), limit("360", "min", "six hours"), limit("60", "min", "hour")
APART = limit("15", "min", "apart")


def at(minutes: int) -> Moment:
    return Moment(NOW - minutes * MINUTE, NOW - minutes * MINUTE)


def value(held: Chart, expression: Expression, on: Order | None = None) -> str:
    """The number as "low" or "low..high", or "gap"."""
    found = scene(held).number(expression, on)
    if isinstance(found, Missing):
        return "gap"
    span = found.candidates[0].value
    return f"{span.exact:f}" if span.exact is not None else f"{span.low}..{'' if span.high is None else span.high}"


SODIUM = tuple(result("sodium", text, minutes) for text, minutes in (("121", 30), ("114", 600), ("112", 1200), ("118", 1300)))
GLUCOSE = tuple(result("glucose", text, minutes) for text, minutes in (("20.4", 0), ("29.8", 60), ("26.5", 120), ("30.0", 180)))

SERIES = {
    # 9 mmol/L up from the lowest: the sheet's example of a rise (112 to 121)
    "rise from the lowest": (SODIUM, Change("sodium", DAY, "lowest"), "9"),
    "fall from the highest": (SODIUM, Change("sodium", DAY, "highest"), "3"),
    "newest less oldest": (SODIUM, Change("sodium", DAY), "3"),
    "one result has no change": (SODIUM[:1], Change("sodium", DAY, "lowest"), "gap"),
    "what is older does not count": (SODIUM, Change("sodium", HOUR, "lowest"), "gap"),
    "lowest": (SODIUM, Extreme("sodium", DAY, "lowest"), "112"),
    "highest": (SODIUM, Extreme("sodium", DAY, "highest"), "121"),
    "oldest": (SODIUM, Extreme("sodium", DAY, "oldest"), "118"),
    "no extreme of nothing": ((), Extreme("sodium", DAY, "oldest"), "gap"),
    # Sen 1968, the sheet's second example: slopes -9.4, -3.5, -3.2, -3.05, -0.1, 3.3, median -3.125
    "median of slopes": (GLUCOSE, Slope("glucose", SIX, HOUR, APART), "-3.125"),
    # 2 x Na + glucose at each sodium: 2 x 140 + 40 = 320, then 2 x 140 + 30 = 310 two hours later
    "slope of a formula": (
        (result("sodium", "140", 120), result("sodium", "140", 0), result("glucose", "40", 120), result("glucose", "30", 5)),
        Slope("effective_osmolality", SIX, HOUR, APART),
        "-5",
    ),
    "a draw without its pair is left out": (
        (result("sodium", "140", 300), result("sodium", "140", 120), result("sodium", "140", 0), result("glucose", "40", 110), result("glucose", "30", 5)),
        Extreme("effective_osmolality", SIX, "highest"),
        "320",
    ),
}


@pytest.mark.parametrize("name", SERIES)
def test_series(name: str) -> None:
    results, expression, expected = SERIES[name]
    found = value(chart(*results), expression)
    assert found == expected if expected == "gap" else Decimal(found) == Decimal(expected)


def test_hz_21_methods_are_not_pooled() -> None:
    meter = result("glucose", "9.0", 100, method="meter")
    assert value(chart(*GLUCOSE, meter), Extreme("glucose", DAY, "lowest")) == "20.4"
    # Control: of one method, it is the lowest.
    assert value(chart(*GLUCOSE, result("glucose", "9.0", 100)), Extreme("glucose", DAY, "lowest")) == "9.0"


SALINE = order(ingredient("sodium_chloride", "9 g / 1000 mL"), ref="MedicationRequest/s", doses=(dosage(dose="1000 mL", rate="500 mL/h", start=at(90)),))
UNDATED = order(ingredient("sodium_chloride", "9 g / 1000 mL"), ref="MedicationRequest/u", doses=(dosage(dose="1000 mL", rate="500 mL/h"),))
LORAZEPAM = order(ingredient("lorazepam", "4 mg / 1 mL"), ref="MedicationRequest/l", status="completed", doses=(dosage(dose="4 mg", push=True),))
LATE = order(ingredient("lorazepam", "4 mg / 1 mL"), ref="MedicationRequest/m", doses=(dosage(dose="4 mg", push=True),), authored=at(200))
BENZO = OrderFilter(("benzodiazepine",), "given", started_within=HOUR)


def dose(ref: str, minutes: int, *, status: str = "completed", drugs: tuple[str, ...] = ("lorazepam",), name: str = "a") -> Administration:
    return Administration(f"MedicationAdministration/{name}", ref or None, status, drugs, at(minutes), at(minutes))


GIVEN = {
    # 500 mL/h for 90 min
    "volume since a start": (chart(SALINE), Given("fluid", DAY), "750"),
    "volume in the last hour": (chart(SALINE), Given("fluid", HOUR), "500"),
    "without a start it may be anything up to the bag": (chart(UNDATED), Given("fluid", DAY), "0..1000"),
    "a list sent in part leaves it open": (chart(SALINE, feeds={"medications": Feed.PARTIAL}), Given("fluid", DAY), "750.0.."),
    "doses counted from administrations": (
        chart(LORAZEPAM, administrations=(dose("MedicationRequest/l", 20), dose("MedicationRequest/l", 10, name="b"))), CountOrders(BENZO), "2"
    ),
    "an old dose does not count": (chart(LORAZEPAM, administrations=(dose("MedicationRequest/l", 61),)), CountOrders(BENZO), "0"),
    "exactly at the window counts": (chart(LORAZEPAM, administrations=(dose("MedicationRequest/l", 60),)), CountOrders(BENZO), "1"),
    "a dose without an order counts": (chart(administrations=(dose("", 5, drugs=("midazolam",)),)), CountOrders(BENZO), "1"),
    "a dose that was not given does not": (chart(administrations=(dose("", 5, status="not-done"),)), CountOrders(BENZO), "0"),
    "an order whose dose nobody dated may count": (chart(LATE), CountOrders(BENZO), "0..1"),
    "a home medicine is no dose": (
        chart(order(ingredient("lorazepam", "4 mg / 1 mL"), doses=(dosage(dose="4 mg"),), community=True, authored=at(5))), CountOrders(BENZO), "0"
    ),
    "with a condition on each dose": (
        chart(LORAZEPAM, administrations=(dose("MedicationRequest/l", 20),)),
        CountOrders(BENZO, AtLeastValue(OfOrder("amount", "drug:lorazepam"), limit("5", "mg"))),
        "0",
    ),
    "the newest dose": (
        chart(LORAZEPAM, administrations=(dose("MedicationRequest/l", 20), dose("MedicationRequest/l", 10, name="b"))), SinceStart(BENZO), "10"
    ),
    "no dose, no time": (chart(), SinceStart(BENZO), "gap"),
}


@pytest.mark.parametrize("name", GIVEN)
def test_what_was_given(name: str) -> None:
    held, expression, expected = GIVEN[name]
    found = value(held, expression)
    assert found == expected or Decimal(found) == Decimal(expected)


BASAL = order(ingredient("insulin_glargine", "100 [iU] / 1 mL"), ref="MedicationRequest/g", doses=(dosage(dose="20 [iU]", route="subcutaneous"),))
STARTS = {
    "inside": (at(120), TRUE),
    "exactly an hour ago": (at(60), TRUE),
    "too late": (at(59), FALSE),
    "too long ago": (at(1441), FALSE),
    "exactly a day ago": (at(1440), TRUE),
    "not recorded": (None, UNKNOWN),
    "some time today": (Moment(NOW - 100 * MINUTE, NOW, "date only"), UNKNOWN),
}


@pytest.mark.parametrize("name", STARTS)
def test_when_an_order_was_started(name: str) -> None:
    start, expected = STARTS[name]
    begun = () if start is None else (Administration("MedicationAdministration/a", "MedicationRequest/g", "in-progress", ("insulin_glargine",), start),)
    between = OrderFilter(("insulin",), "running", started_within=DAY, started_before=HOUR)
    held = chart(BASAL, administrations=begun)
    assert evaluate(HasOrder(between), scene(held)).truth is expected
    assert evaluate(NoOrder(between), scene(held)).truth is {TRUE: FALSE, FALSE: TRUE, UNKNOWN: UNKNOWN}[expected]


def test_an_order_that_a_draft_ends_is_the_order_in_hand() -> None:
    pump = order(ingredient("insulin_soluble", "50 [iU] / 50 mL"), ref="MedicationRequest/i", doses=(dosage(dose="50 mL", rate="6 mL/h"),))
    stop = order(ingredient("insulin_soluble", "50 [iU] / 50 mL"), ref="MedicationRequest/i", drafted=True, status="stopped", doses=pump.dosages)
    ends = AnyOrder(OrderFilter(("insulin",), "stopping"), AllOf((OrderIs("infusion"), AtLeastValue(OfOrder("per_hour", "insulin"), limit("6", "[iU]/h")))))
    assert evaluate(ends, scene(chart(pump, stop))).truth is TRUE
    assert evaluate(ends, scene(chart(pump))).truth is FALSE


K, NA = Latest("potassium", DAY), Latest("sodium", DAY)
SUMS = {
    "plus": ((result("potassium", "3.1"), result("sodium", "140")), Plus((K, NA)), "143.1"),
    "a gap in a part": ((result("potassium", "3.1"),), Plus((K, NA)), "gap"),
    "minus": ((result("potassium", "3.1"), result("sodium", "140")), Minus(NA, K), "136.9"),
    "minus a comparator": ((result("potassium", "<3"), result("sodium", "140")), Minus(NA, K), "137.."),
    "ratio": ((result("potassium", "3.5"), result("sodium", "140")), Ratio(NA, K), "40"),
    "ratio with a gap": ((result("potassium", "3.5"),), Ratio(NA, K), "gap"),
    "scaled": ((result("potassium", "3.5"),), Scaled(K, limit("2", "1")), "7"),
    "figure": ((), Figure(limit("2", "1")), "2"),
    "lesser": ((result("potassium", "3.5"), result("sodium", "140")), Lesser((K, NA)), "3.5"),
    "lesser of what is there": ((result("sodium", "140"),), Lesser((K, NA)), "140"),
    "greater": ((result("potassium", "3.5"), result("sodium", "140")), Greater((K, NA)), "140"),
    "nothing there": ((), Greater((K, NA)), "gap"),
    # Katz 1973: 1.6 for each 100 mg/dL over 100; 33.3 mmol/L is 600 mg/dL: 0.288 x (33.3 - 5.55)
    "formula and result": ((result("sodium", "130"), result("glucose", "33.3")), Minus(Formula("sodium_corrected_katz", DAY), NA), "7.992"),
}


@pytest.mark.parametrize("name", SUMS)
def test_arithmetic(name: str) -> None:
    results, expression, expected = SUMS[name]
    found = value(chart(*results), expression)
    assert found == expected or Decimal(found) == Decimal(expected)


def test_hz_04_a_total_in_a_ratio_keeps_its_open_end() -> None:
    blind = order(ingredient("sodium_chloride", "9 g / 1000 mL"), ref="MedicationRequest/b", doses=(dosage(),))
    found = scene(chart(SALINE, blind)).number(Ratio(Total("fluid"), Figure(limit("100", "mL/h"))), None)
    assert isinstance(found, Number) and found.total
    assert found.candidates[0].value.low == 5 and found.candidates[0].value.high is None
    # What could be counted is over the limit: that is enough. What may be over it is UNKNOWN, and never under it.
    assert evaluate(AtLeastValue(Ratio(Total("fluid"), Figure(limit("100", "mL/h"))), limit("5", "1")), scene(chart(SALINE, blind))).truth is TRUE
    assert evaluate(AtMostValue(Ratio(Total("fluid"), Figure(limit("100", "mL/h"))), limit("9", "1")), scene(chart(SALINE, blind))).truth is FALSE
