"""Comparing: comparators as intervals over every threshold (HZ-03), order totals (F-1), printed pairs (F-3), two results of one moment (MET 1.3), issue time
only (F-6), and every value on the display grid across a threshold in each unit (HZ-28)."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from itertools import pairwise

import pytest

from cds.chart import MINUTE, Chart, Moment
from cds.knowledge import Knowledge
from cds.logic.compare import Candidate, KnowledgeError, Number, compare, is_above, is_at_least, is_at_most, is_below
from cds.logic.compiled import TESTS
from cds.logic.criteria import Above, AllOf, AtLeastValue, AtMostValue, Below, Between, Criterion, Latest, NoneWithin, Total
from cds.logic.evaluate import evaluate
from cds.logic.flip import Edge
from cds.logic.reason import GapState, Seen
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from cds.numbers import Interval
from cds.parameters import Parameter
from cds.service.knowledge import load_knowledge
from cds.units import analyte_factor
from cds.vocabulary import ANALYTES
from tests.logic.scenes import NOW, chart, dosage, ingredient, limit, order, result, scene, span

AGE = limit("240", "min", "age")
SEEN = Seen("result", "x", "x")
NODES = {Below: "<", AtMostValue: "<=", Above: ">", AtLeastValue: ">="}


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load_knowledge()


def thresholds(knowledge: Knowledge) -> list[tuple[str, Parameter]]:
    """Every figure with which a shipped advisory compares an analyte, for adults and children."""
    found: dict[tuple[str, str, Decimal], Parameter] = {}
    for population in (knowledge.adult, knowledge.child):
        for ready in population.ready:
            for analyte, edges in ready.edges.items():
                for edge in edges:
                    found[(analyte, edge.limit.key, edge.limit.number)] = edge.limit
    return [(analyte, figure) for (analyte, _, _), figure in found.items()]


# HZ-03 -------------------------------------------------------------------------------------------------------------------------------

STEP = Decimal("0.01")


def by_hand(node: type, sign: str, bound: Decimal, figure: Decimal) -> bool | None:
    """What "<bound" and its like say of `value node figure`, by trying the values that the comparator allows."""
    inside = {"<": [bound - STEP, bound - 1000], "<=": [bound, bound - 1000], ">": [bound + STEP, bound + 1000], ">=": [bound, bound + 1000]}[sign]
    holds: dict[type, Callable[[Decimal], bool]] = {
        Below: lambda v: v < figure, AtMostValue: lambda v: v <= figure, Above: lambda v: v > figure, AtLeastValue: lambda v: v >= figure,
    }  # fmt: skip
    answers = {holds[node](value) for value in inside}
    return answers.pop() if len(answers) == 1 else None


def wrong_about_comparators(test_of: Callable[[type], Callable[[Interval, Decimal, bool], bool | None]], figures: list[Decimal]) -> list[str]:
    faults = []
    for figure in figures:
        for node in NODES:
            for sign in ("<", "<=", ">", ">="):
                for bound in (figure - 1, figure, figure + 1):
                    number = Number((Candidate(span(f"{sign}{bound}"), None, "mmol/L", SEEN),), "mmol/L")
                    if compare(number, limit(str(figure), "mmol/L"), test_of(node)) is not by_hand(node, sign, bound, figure):
                        faults.append(f"{sign}{bound} {NODES[node]} {figure}")
    return faults


def test_hz_03_all_comparators_over_all_thresholds(knowledge: Knowledge) -> None:
    figures = sorted({figure.number for _, figure in thresholds(knowledge)})
    assert len(figures) > 20
    assert wrong_about_comparators(lambda node: TESTS[node], figures) == []


def test_control_hz_03_a_bound_read_as_a_value_is_noticed() -> None:
    def as_point(node: type) -> Callable[[Interval, Decimal, bool], bool | None]:
        def test(value: Interval, figure: Decimal, total: bool) -> bool | None:
            bound = value.low if value.low is not None else value.high
            assert bound is not None
            return TESTS[node](Interval(bound, bound), figure, total)

        return test

    with pytest.raises(AssertionError):
        assert wrong_about_comparators(as_point, [Decimal("3.5")]) == []


# F-1 ---------------------------------------------------------------------------------------------------------------------------------

TOTALS = [
    # low, high (None: one bag could not be computed), above, at least, below, at most, against 10
    ("8", "9", False, False, True, True), ("8", "10", False, True, False, True), ("8", "12", True, True, False, False), ("12", "15", True, True, False, False),
    ("8", None, None, None, False, False), ("10", None, None, True, False, False), ("12", None, True, True, False, False), ("0", "0", False, False, True, True),
]  # fmt: skip


@pytest.mark.parametrize("row", TOTALS, ids=str)
def test_f_01_a_total_too_much_looks_at_its_upper_end(row: tuple[str, str | None, bool | None, bool | None, bool, bool]) -> None:
    low, high, *expect = row
    value, figure = Interval(Decimal(low), None if high is None else Decimal(high)), Decimal(10)
    assert [is_above(value, figure, True), is_at_least(value, figure, True), is_below(value, figure, True), is_at_most(value, figure, True)] == expect


def test_f_01_none_ordered_asks_whether_the_upper_end_is_zero() -> None:
    none = AtMostValue(Total("potassium"), limit("0", "mmol/h"))
    assert evaluate(none, scene(chart())).truth is TRUE
    blind = order(ingredient("potassium_chloride", "40 mmol / 1000 mL"), drafted=True, doses=(dosage(),))
    assert evaluate(none, scene(chart(blind))).truth is FALSE


def test_a_measured_interval_is_not_a_total() -> None:
    assert is_above(Interval(Decimal(8), Decimal(12)), Decimal(10), False) is None


def test_met_1_5_balanced_fluid_alone_never_counts_as_potassium() -> None:
    ringer = order(ingredient("electrolyte_solution", "1000 mL / 1000 mL"), ref="MedicationRequest/rl", doses=(dosage(dose="1000 mL", rate="1000 mL/h"),))
    bag = order(ingredient("potassium_chloride", "20 mmol / 1000 mL"), ref="MedicationRequest/k", doses=(dosage(dose="1000 mL", rate="100 mL/h"),))
    over = Above(Total("potassium"), limit("3", "mmol/h"))
    assert evaluate(over, scene(chart(ringer))).truth is FALSE
    assert evaluate(over, scene(chart(ringer, bag))).truth is TRUE


# F-3 ---------------------------------------------------------------------------------------------------------------------------------

PAIRS = [
    # value, unit, glucose at least 13.9 mmol/L (250 mg/dL)
    ("13.8", "mmol/L", FALSE), ("13.89", "mmol/L", FALSE), ("13.9", "mmol/L", TRUE), ("249", "mg/dL", FALSE), ("250", "mg/dL", TRUE), ("251", "mg/dL", TRUE),
]  # fmt: skip


@pytest.mark.parametrize("row", PAIRS, ids=str)
def test_f_03_the_figure_printed_for_the_reported_unit_decides(row: tuple[str, str, Truth]) -> None:
    value, unit, expect = row
    node = AtLeastValue(Latest("glucose", AGE), limit("13.9", "mmol/L", also=(("250", "mg/dL"),)))
    assert evaluate(node, scene(chart(result("glucose", value, unit=unit)))).truth is expect


def test_control_f_03_without_the_printed_pair_250_mg_dl_would_be_below() -> None:
    node = AtLeastValue(Latest("glucose", AGE), limit("13.9", "mmol/L"))
    with pytest.raises(AssertionError):
        assert evaluate(node, scene(chart(result("glucose", "250", unit="mg/dL")))).truth is TRUE


def test_a_unit_that_no_source_prints_is_compared_in_the_kept_unit() -> None:
    node = Below(Latest("potassium", AGE), limit("3.5", "mmol/L"))
    assert evaluate(node, scene(chart(result("potassium", "3.4", unit="meq/L")))).truth is TRUE
    assert evaluate(node, scene(chart(result("potassium", "3.5", unit="meq/L")))).truth is FALSE


def test_a_limit_of_another_kind_is_refused() -> None:
    with pytest.raises(KnowledgeError, match="mmol/h"):
        evaluate(Below(Latest("potassium", AGE), limit("3.5", "mmol/h")), scene(chart(result("potassium", "3.4"))))


# F-6, ages ---------------------------------------------------------------------------------------------------------------------------


def issued_only(minutes: int) -> Moment:
    return Moment(None, NOW - minutes * MINUTE, "issued only")


def wrong_about_issue_time(held: Chart) -> list[str]:
    faults = []
    low = Below(Latest("potassium", AGE), limit("3.5", "mmol/L"))
    reason = evaluate(low, scene(held))
    if reason.truth is not UNKNOWN or reason.gaps[0].state is not GapState.STALE:
        faults.append(f"an issue time alone made it {reason.truth}")
    if evaluate(NoneWithin(("potassium",), AGE), scene(held)).truth is not TRUE:
        faults.append("an issue time alone counted as a recent result")
    return faults


def test_f_06_hz_06_issued_alone_can_prove_stale_and_never_current() -> None:
    assert wrong_about_issue_time(chart(result("potassium", "3.1", at=issued_only(10)))) == []


def test_control_f_06_the_issue_time_taken_as_the_draw_time_is_noticed() -> None:
    drawn = Moment(NOW - 10 * MINUTE, NOW - 10 * MINUTE)
    with pytest.raises(AssertionError):
        assert wrong_about_issue_time(chart(result("potassium", "3.1", at=drawn))) == []


@pytest.mark.parametrize(("minutes", "truth"), [(239, TRUE), (240, TRUE), (241, UNKNOWN)])
def test_hz_06_a_result_at_its_age_limit_is_current(minutes: int, truth: Truth) -> None:
    low = Below(Latest("potassium", AGE), limit("3.5", "mmol/L"))
    assert evaluate(low, scene(chart(result("potassium", "3.1", minutes)))).truth is truth


# MET 1.3 -----------------------------------------------------------------------------------------------------------------------------

TOGETHER = limit("15", "min", "together")
MOMENT = [
    # newest, older by so many minutes, below 3.5?, above 3.4?
    ("3.6", "3.4", 15, TRUE, TRUE), ("3.6", "3.4", 16, FALSE, TRUE), ("3.4", "3.6", 15, TRUE, TRUE), ("3.4", "3.3", 10, TRUE, FALSE), ("3.6", "3.7", 10, FALSE, TRUE),
]  # fmt: skip


@pytest.mark.parametrize("row", MOMENT, ids=str)
def test_met_1_3_of_two_results_of_one_moment_the_less_safe_decides(row: tuple[str, str, int, Truth, Truth]) -> None:
    newest, older, apart, low, high = row
    held = scene(chart(result("potassium", newest, 20), result("potassium", older, 20 + apart, method="gas")))
    item = Latest("potassium", AGE, TOGETHER)
    assert evaluate(Below(item, limit("3.5", "mmol/L")), held).truth is low
    assert evaluate(Above(item, limit("3.4", "mmol/L")), held).truth is high


def test_without_together_the_newest_alone_decides() -> None:
    held = scene(chart(result("potassium", "3.6", 20), result("potassium", "3.4", 25)))
    assert evaluate(Below(Latest("potassium", AGE), limit("3.5", "mmol/L")), held).truth is FALSE


# HZ-28 -------------------------------------------------------------------------------------------------------------------------------


def units_of(analyte: str, figure: Parameter) -> list[str]:
    """The units in which the figure is printed and a result may be reported."""
    return [unit for unit in (figure.unit, *(a.unit for a in figure.also)) if analyte_factor(analyte, unit) is not None]


def grid_faults(analyte: str, figure: Parameter, read: Callable[[Decimal], str] = str) -> list[str]:
    """Every value within 30 display steps of a figure, in each unit: the decision must agree with the figure as it is printed for that unit."""
    faults = []
    for unit in units_of(analyte, figure):
        printed = figure.in_unit(unit)
        assert printed is not None
        places = max(ANALYTES[analyte].decimals if unit == ANALYTES[analyte].unit else 0, -int(printed.as_tuple().exponent))
        step = Decimal(1).scaleb(-places)
        for count in range(-30, 31):
            value = printed + count * step
            if value <= 0:
                continue
            held = scene(chart(result(analyte, read(value), unit=unit)))
            for node, expect in ((Below, value < printed), (AtLeastValue, value >= printed), (Above, value > printed), (AtMostValue, value <= printed)):
                if evaluate(node(Latest(analyte, AGE), figure), held).truth is not (TRUE if expect else FALSE):
                    faults.append(f"{analyte} {value} {unit} {NODES[node]} {printed}")
    return faults


def test_hz_28_every_value_on_the_display_grid_in_each_unit(knowledge: Knowledge) -> None:
    faults: list[str] = []
    for analyte, figure in thresholds(knowledge):
        faults += grid_faults(analyte, figure)
    assert faults == []


def test_control_hz_28_a_conversion_through_binary_fractions_is_noticed() -> None:
    """13.9 mmol/L by way of 250 mg/dL / 18: the step on the line falls on the other side."""
    with pytest.raises(AssertionError):
        assert grid_faults("glucose", limit("13.9", "mmol/L"), lambda v: str(Decimal(float(v) * 18.016 / 18.0))) == []


def test_an_edge_is_where_a_comparison_changes() -> None:
    assert Edge(limit("3.5", "mmol/L"), True) != Edge(limit("3.5", "mmol/L"), False)


BANDS = [limit(v, "mmol/L", v) for v in ("2.5", "3.0", "3.5", "5.0")]


def bands_of(value: str, between: Callable[[Parameter, Parameter], Criterion]) -> int:
    """How many bands of a chain, with the open ends, hold a value."""
    item = Latest("potassium", AGE)
    chain = [Below(item, BANDS[0]), *(between(a, b) for a, b in pairwise(BANDS)), AtLeastValue(item, BANDS[-1])]
    held = scene(chart(result("potassium", value)))
    return sum(evaluate(node, held).truth is TRUE for node in chain)


@pytest.mark.parametrize("value", ["2.4", "2.49", "2.5", "2.99", "3.0", "3.01", "3.5", "4.99", "5.0", "5.1"])
def test_hz_23_every_value_lies_in_exactly_one_band(value: str) -> None:
    assert bands_of(value, lambda low, high: Between(Latest("potassium", AGE), low, high)) == 1


def test_control_hz_23_bands_with_both_ends_closed_overlap() -> None:
    item = Latest("potassium", AGE)
    with pytest.raises(AssertionError):
        assert bands_of("3.0", lambda low, high: AllOf((AtLeastValue(item, low), AtMostValue(item, high)))) == 1
