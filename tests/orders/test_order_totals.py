"""What the orders add up to, as ranges."""

from __future__ import annotations

from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import cds.orders.amounts
import cds.orders.totals
from cds.chart import Administration, Feed, Order
from cds.numbers import Interval, point
from cds.orders.identity import identify
from cds.orders.reading import Reading
from cds.orders.totals import Total, day_amount, total
from tests.orders.builders import at, bag, chart, dosage, dose, ingredient, order, parameters, read

KCL = "potassium_chloride"


def potassium(*orders: Order, scope: str = "if signed", lines: str = "any", **more: object) -> Total:
    """Potassium per hour over a chart of orders."""
    picture = identify(chart(*orders, **more))  # type: ignore[arg-type]
    return total(picture, read, "potassium", p=parameters(), scope=scope, lines=lines)


def ref(number: int) -> str:
    """An id."""
    return f"MedicationRequest/{number}"


def test_worked_examples() -> None:
    """By hand: 10 + 10 = 20 mmol/h; 10 + 10 + a balanced fluid at 250 mL/h (4 to 5 mmol/L) = 21 to 21.25."""
    two = potassium(bag("40", "250"), order(ingredient(KCL), ref=ref(2), drafted=True, doses=(dosage(dose="20 mmol", minutes="120"),)))
    assert (two.interval, two.shown(), two.unit) == (point(D("20.000000000")), "20 mmol/h", "mmol/h")
    three = potassium(
        bag("20", "500"),
        order(ingredient(KCL), ref=ref(2), doses=(dosage(dose="10 mmol", minutes="60"),)),
        order(ingredient("electrolyte_solution"), ref=ref(3), doses=(dosage(dose="1000 mL", rate="250 mL/h"),)),
    )
    assert three.interval == Interval(D(21), D("21.25"))
    assert three.trigger_total == point(D(20))
    assert [part.balanced for part in three.parts] == [False, False, True]


def test_balanced_fluid_alone_triggers_nothing() -> None:
    """Four litres an hour would be 16 to 20 mmol/h, and 0 to trigger."""
    alone = potassium(order(ingredient("electrolyte_solution"), doses=(dosage(dose="1 L", rate="4 L/h"),)))
    assert (alone.interval, alone.trigger) == (Interval(D(16), D(20)), point(D(0)))


def test_scopes_and_lines() -> None:
    """Running, if signed; central only by code (Q-M14)."""
    orders = (
        bag("40", "100", line="central"),
        bag("40", "200", ref=ref(2)),
        bag("40", "300", ref=ref(3), drafted=True, line="central", line_from_text=True),
        bag("40", "400", ref=ref(4), drafted=True, line="peripheral"),
    )
    expected = {
        ("running", "any"): 12, ("running", "central"): 4, ("running", "not central"): 8,
        ("if signed", "any"): 40, ("if signed", "central"): 4, ("if signed", "not central"): 36,
    }  # fmt: skip
    for (scope, lines), mmol in expected.items():
        assert potassium(*orders, scope=scope, lines=lines).interval == point(D(mmol)), (scope, lines)
    with pytest.raises(ValueError, match="no total"):
        potassium(*orders, scope="everything")


def test_oral_does_not_count_and_no_route_is_named() -> None:
    """Tablets are no infusion; an ampoule without a route may be one."""
    tablets = order(ingredient(KCL), doses=(dosage(route="oral", dose="20 mmol"),))
    assert potassium(tablets).interval == point(D(0))
    unrouted = potassium(order(ingredient(KCL), doses=(dosage(route=None, route_stated=False, dose="20 mmol"),)))
    assert unrouted.interval == Interval(D(0), None)
    assert unrouted.uncounted[0].reason == "route not stated"


def asked_for(substance: str, *orders: Order) -> list[str]:
    """The orders that a total reads."""
    asked: list[str] = []

    def reading(given: Order) -> Reading:
        asked.append(given.ref.rpartition("/")[2])
        return read(given)

    total(identify(chart(*orders)), reading, substance, p=parameters())
    return asked


def test_only_what_can_hold_the_substance_is_read() -> None:
    """By drug and by stated route: salts, phosphates, balanced fluids, also as a diluent; never a tablet."""
    orders = (
        bag("40", "250"),
        order(ingredient("potassium_phosphate", "15 mmol"), ref=ref(2), doses=(dosage(minutes="240"),)),
        order(ingredient("meropenem", "1 g"), ingredient("electrolyte_solution", "100 mL", active=False), ref=ref(3), doses=(dosage(minutes="30"),)),
        order(ingredient(KCL), ref=ref(4), doses=(dosage(route=None, route_stated=False, dose="20 mmol"),)),
        order(ingredient(KCL), ref=ref(5), doses=(dosage(route="oral", dose="20 mmol"),)),
        order(ingredient("meropenem", "1 g"), ref=ref(6), doses=(dosage(minutes="30"),)),
        order(ingredient(None, label="trace elements"), ref=ref(7), doses=(dosage(rate="50 mL/h"),)),
    )
    assert asked_for("potassium", *orders) == ["1", "2", "3", "4"]
    assert asked_for("drug:meropenem", *orders) == ["3", "6"]
    assert asked_for("crystalloid", *orders) == ["1", "3"]
    assert asked_for("fluid", *orders) == ["1", "2", "3", "4", "6", "7"]


def test_control_only_what_can_hold_the_substance_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the look at drugs and routes everything would be read."""
    monkeypatch.setattr(cds.orders.totals, "may_give", lambda *_: True)
    monkeypatch.setattr(cds.orders.totals, "_elsewhere", lambda *_: False)
    with pytest.raises(AssertionError):
        test_only_what_can_hold_the_substance_is_read()


def test_hz_04_a_bag_that_cannot_be_counted() -> None:
    """At least the others; the upper end is open; the bag and its reason are named."""
    found = potassium(
        bag("40", "250"),
        bag("60", "250", ref=ref(2)),
        order(ingredient(KCL), ref=ref(3), drafted=True, label="KCl ampoule", doses=(dosage(rate="50 mL/h"),)),
    )
    assert found.interval == Interval(D(25), None)
    assert found.shown() == "at least 25 mmol/h; one bag could not be counted"
    assert [(u.label, u.reason) for u in found.uncounted] == [("KCl ampoule", "strength of potassium_chloride not stated")]
    assert found.interval.above(D(20)) is True
    assert found.interval.above(D(30)) is None


def test_control_hz_04(monkeypatch: pytest.MonkeyPatch) -> None:
    """If what cannot be counted did not open the range, the total would look whole."""
    real = cds.orders.totals._add
    monkeypatch.setattr(cds.orders.totals, "_add", lambda counted, pairs, own, open_end: real(counted, pairs, own=own, open_end=False))
    with pytest.raises(AssertionError):
        test_hz_04_a_bag_that_cannot_be_counted()


# HZ-12: doubles ----------------------------------------------------------------------------------------------------------------------


def test_hz_12_exact_double_changes_nothing() -> None:
    """The same entry twice."""
    one = bag("40", "250")
    assert potassium(one, one).interval == potassium(one).interval == point(D(10))


@pytest.mark.parametrize("drafted", [False, True])
def test_hz_12_near_double_widens(drafted: bool) -> None:
    """Never lowers the upper end; says that two entries may be one."""
    found = potassium(bag("40", "250"), bag("40", "250", ref=ref(2), drafted=drafted), bag("40", "500", ref=ref(3)))
    assert found.interval == Interval(D(30), D(40))
    assert found.shown() == "30 to 40 mmol/h; two entries may be one bag"


def test_hz_12_fewest_bags_that_the_pairs_allow() -> None:
    """Two drafts are two bags, whichever of them the running entry is."""
    found = potassium(bag("40", "250"), bag("40", "250", ref=ref(2), drafted=True), bag("40", "250", ref=ref(3), drafted=True))
    assert found.interval == Interval(D(20), D(30))


def test_hz_12_doubt_and_a_gap() -> None:
    """Both doubts are said."""
    found = potassium(bag("40", "250"), bag("40", "250", ref=ref(2)), order(ingredient(KCL), ref=ref(3), doses=(dosage(rate="9 mL/h"),)))
    assert found.interval == Interval(D(10), None)
    assert found.shown() == "at least 10 to 20 mmol/h; two entries may be one bag; one bag could not be counted"


# HZ-13, HZ-14 ------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("minute", range(-2, 3))
def test_hz_13_total_at_each_minute(minute: int) -> None:
    """A bag that ends at minute m counts until then."""
    running = potassium(bag("40", "250", start=at(-60), end=at(minute)), bag("40", "500", ref=ref(2)))
    assert running.interval == point(D(30 if minute > 0 else 20))


def test_hz_14_partial_list() -> None:
    """No total without its qualification."""
    found = potassium(bag("40", "250"), feed=Feed.PARTIAL)
    assert (found.partial, found.interval) == (True, Interval(D(10), None))
    assert found.shown() == "at least 10 mmol/h; the list of orders was not complete"


def test_hz_14_given_without_an_order() -> None:
    """Potassium by the administration record, no order: at least."""
    event = Administration("MedicationAdministration/b", None, "in-progress", (KCL,), at(-10), label="KCl bag")
    found = potassium(bag("40", "250"), administrations=(event,))
    assert found.interval == Interval(D(10), None)
    assert found.uncounted[0].label == "KCl bag"


# HZ-38: splitting --------------------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    whole=st.integers(1, 80),
    shares=st.lists(st.integers(1, 9), min_size=2, max_size=6),
    by=st.sampled_from(["rate", "amount", "duration"]),
)
def test_hz_38_split_gives_the_same_total(whole: int, shares: list[int], by: str) -> None:
    """One order in two to six parts: the same total, and on the same side of every limit."""

    def potassium_order(number: int, mmol_h: D) -> Order:
        if by == "rate":
            return bag("40", str(mmol_h * 25), ref=ref(number), drafted=True)
        if by == "amount":
            return order(ingredient(KCL), ref=ref(number), drafted=True, doses=(dosage(rate=f"{mmol_h} mmol/h"),))
        return order(ingredient(KCL), ref=ref(number), drafted=True, doses=(dosage(dose=f"{mmol_h * 3} mmol", minutes="180"),))

    one = potassium(potassium_order(1, D(whole)))
    parts = potassium(*(potassium_order(n, D(whole) * share / sum(shares)) for n, share in enumerate(shares, 1)))
    assert parts.interval == one.interval == point(D(whole))
    for limit in (10, 20, 40, whole):
        assert parts.interval.above(D(limit)) is one.interval.above(D(limit)) is (whole > limit)


def test_hz_38_sevenths_meet_the_limit_exactly() -> None:
    """20 mmol over 7 h, seven times, is 20 mmol/h and not above it."""
    parts = [order(ingredient(KCL), ref=ref(n), drafted=True, doses=(dosage(dose="20 mmol", minutes="420"),)) for n in range(7)]
    assert potassium(*parts).interval.above(D(20)) is False


def test_control_hz_38(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the dust of division left in, seven sevenths of 20 are above 20."""
    monkeypatch.setattr(cds.orders.totals, "settled_total", lambda value: value)
    monkeypatch.setattr(cds.orders.amounts, "settled", lambda value: value)
    with pytest.raises(AssertionError):
        test_hz_38_sevenths_meet_the_limit_exactly()


# In 24 hours, other substances -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "mmol"),
    [
        (bag("40", "125"), "40"),  # 8 h
        (bag("40", "25"), "24"),  # 40 h, of which 24
        (order(ingredient(KCL), doses=(dosage(rate="10 mmol/h"),)), None),  # hours not stated: row skipped
        (order(ingredient(KCL), doses=(dosage(rate="10 mmol/h", minutes="600"),)), "100"),
        (order(ingredient(KCL), doses=(dosage(dose="20 mmol", minutes="120", once=False, per_day=D(3)),)), "60"),
        (order(ingredient(KCL), doses=(dosage(dose="20 mmol", once=False, per_day=D(3)),)), "60"),
        (order(ingredient(KCL), doses=(dosage(dose="20 mmol"),)), "20"),
    ],
)
def test_amount_in_24_hours(entry: Order, mmol: str | None) -> None:
    """Rate times the hours ordered; dose times frequency."""
    assert day_amount(read(entry), dose(entry, "potassium")) == (None if mmol is None else point(D(mmol)))


def test_other_substances() -> None:
    """Insulin in units, fluid in mL, a drug in its own unit."""
    orders = (
        order(ingredient("insulin_soluble", "50 [iU] / 50 mL"), doses=(dosage(rate="6 mL/h"),)),
        order(ingredient("sodium_chloride", "0.9 %"), ref=ref(2), volume="1 L", doses=(dosage(rate="500 mL/h"),)),
        order(ingredient("phenytoin"), ref=ref(3), doses=(dosage(rate="50 mg/min"),)),
    )
    picture = identify(chart(*orders))
    shown = {name: total(picture, read, name, p=parameters()).shown() for name in ("insulin", "crystalloid", "drug:phenytoin", "potassium")}
    assert shown == {
        "insulin": "6 units/h",
        "crystalloid": "500 mL/h",
        "drug:phenytoin": "3000 mg/h",
        "potassium": "0 mmol/h",
    }
