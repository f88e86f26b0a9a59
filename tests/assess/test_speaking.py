"""Who speaks at which hook, over whom, how long an override holds, and how many cards there are (MET 1.7, C-05, N-08 to N-10, Q-M01, F-10)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cds.advisory import Advisory, Precedence
from cds.chart import NO_MEMORY, Chart, Memory, Override
from cds.knowledge import Knowledge
from cds.logic.criteria import AllOf, Below, Latest, OrderFilter, OrderIs
from cds.parameters import ParameterSet
from tests.assess.making import A1, A5, A6, A7, B3, P, advisory, branch, insulin, judged, knowledge_of, outcomes, over_drafts, override, potassium_below
from tests.logic.scenes import NOW, chart, condition, dosage, ingredient, order, result

LOW = result("potassium", "3.2")


def one(indicator: str, **more: object) -> Knowledge:
    return knowledge_of(lambda p: (advisory(A5, branch("low", potassium_below("low", p), indicator), **{"always": (), **more}),))


# Hooks -------------------------------------------------------------------------------------------------------------------------------

RESULT_CODE = [
    # hook, indicator, always, draft, where it is heard
    ("patient-view", "info", (), None, "card"), ("patient-view", "warning", (), None, "card"), ("encounter-discharge", "info", (), None, "card"),
    ("order-sign", "critical", (), None, ""), ("order-sign", "critical", ("critical",), None, "card"), ("order-sign", "warning", ("critical",), None, ""),
    ("order-sign", "critical", (), "insulin", "card"), ("order-sign", "warning", (), "insulin", "line"), ("order-sign", "info", (), "insulin", "line"),
    ("order-sign", "critical", (), "paracetamol", ""), ("order-select", "critical", (), "insulin", "card"),
]  # fmt: skip


@pytest.mark.parametrize("row", RESULT_CODE, ids=str)
def test_q_m01_who_speaks_at_each_hook(row: tuple[str, str, tuple[str, ...], str | None, str]) -> None:
    hook, indicator, always, draft, expect = row
    drafts = {None: (), "insulin": (insulin(),), "paracetamol": (order(ingredient(None, label="p"), ref="MedicationRequest/p", drafted=True, doses=(dosage(),)),)}
    made = judged(chart(LOW, *drafts[draft], hook=hook), one(indicator, always=always, touches=("insulin",)))
    heard = "card" if made.groups else "line" if made.folded else ""
    assert heard == expect
    assert outcomes(made)[A5] == {"card": "fired", "line": "folded", "": "not_applicable"}[expect]


def test_q_m01_the_order_that_a_draft_stops_touches_too() -> None:
    stop = insulin("i", status="stopped")
    made = judged(chart(LOW, insulin("i", drafted=False), stop), one("critical", touches=("insulin",)))
    assert made.groups


def test_n_10_an_info_about_the_order_in_hand_is_a_line() -> None:
    made = judged(chart(LOW, insulin()), knowledge_of(lambda p: (over_drafts(p, indicator="info"),)))
    assert not made.groups and [f.code for f in made.folded] == [A6]


def test_order_select_speaks_on_what_was_just_selected() -> None:
    knowledge = knowledge_of(lambda p: (over_drafts(p),))
    assert judged(chart(LOW, insulin(selected=True), hook="order-select"), knowledge).groups
    made = judged(chart(LOW, insulin(selected=False), hook="order-select"), knowledge)
    assert not made.groups and made.verdicts[0].why == "this hook"
    assert judged(chart(LOW, insulin(selected=False), hook="order-sign"), knowledge).groups


def test_a_code_is_silent_at_a_hook_that_it_does_not_name() -> None:
    assert not judged(chart(LOW, hook="patient-view"), one("critical", hooks=("order-sign",))).groups


def test_c_01_untreated_is_said_whatever_the_draft() -> None:
    from cds.logic.criteria import NoOrder

    untreated = NoOrder(OrderFilter(("insulin",), "either", "intravenous"))
    knowledge = one("critical", always=("critical",), always_when=untreated)
    assert judged(chart(LOW), knowledge).groups
    assert not judged(chart(LOW, insulin(drafted=False)), knowledge).groups


# Precedence --------------------------------------------------------------------------------------------------------------------------


def pair(row: Precedence, first: str = "critical", second: str = "critical", **more: object) -> Knowledge:
    """A6 over B3, of two problems."""
    return knowledge_of(
        lambda p: (
            advisory(A6, branch("a", potassium_below("low", p), first), precedence=(row,)),
            advisory(B3, branch("b", potassium_below("low", p), second), branch("c", potassium_below("high", p), second), **more),
        )
    )


def test_silences_is_recorded_and_not_said() -> None:
    made = judged(chart(LOW), pair(Precedence("silences", B3)))
    assert outcomes(made) == {A6: "fired", B3: "absorbed"} and made.verdict(B3).why == A6
    assert made.codes() == (A6,)


def test_absorbs_becomes_a_line_of_the_card() -> None:
    made = judged(chart(LOW), pair(Precedence("absorbs", B3)))
    assert [f.code for f in made.groups[0].absorbed] == [B3] and len(made.groups) == 1
    assert made.codes() == (A6, B3)


def test_lowers_makes_it_a_warning_and_says_by_what() -> None:
    made = judged(chart(LOW), pair(Precedence("lowers", B3)))
    lowered = next(g.lead for g in made.groups if g.lead.code == B3)
    assert (lowered.indicator, lowered.lowered_by) == ("warning", A6)
    assert [g.lead.code for g in made.groups] == [A6, B3]


def test_lowering_never_raises() -> None:
    made = judged(chart(LOW), pair(Precedence("lowers", B3), second="info"))
    assert {f.indicator for g in made.groups for f in g.findings if f.code == B3} == {"info"}


@pytest.mark.parametrize(
    ("row", "silenced"),
    [
        (Precedence("silences", B3, at=("critical",)), True), (Precedence("silences", B3, at=("warning",)), False),
        (Precedence("silences", B3, branches=("a",)), True), (Precedence("silences", B3, branches=("z",)), False),
        (Precedence("silences", B3, other_branches=("b",)), True), (Precedence("silences", B3, other_branches=("c",)), False),
        # By order: neither of the two is about an order here.
        (Precedence("silences", B3, scope="order"), False),
    ],
    ids=str,
)  # fmt: skip
def test_precedence_is_limited_to_what_it_names(row: Precedence, silenced: bool) -> None:
    assert (outcomes(judged(chart(LOW), pair(row)))[B3] == "absorbed") is silenced


def by_order(p: ParameterSet) -> tuple[Advisory, ...]:
    """A6 is about new insulin at 6 mL/h or more; A7 about every drafted insulin."""
    from cds.logic.criteria import AtLeastValue, OfOrder
    from tests.logic.scenes import limit

    fast = AllOf((OrderIs("drafted"), AtLeastValue(OfOrder("per_hour", "insulin"), limit("6", "[iU]/h"))))
    over = OrderFilter(("insulin",), "either", "intravenous")
    return (
        advisory(A6, branch("fast", fast, "critical"), kind="order", over=over, precedence=(Precedence("silences", A7, scope="order"),)),
        over_drafts(p, code=A7, indicator="warning"),
    )


def test_met_1_7_for_that_order_means_that_order_only() -> None:
    made = judged(chart(LOW, insulin("a", rate="6 mL/h"), insulin("b", rate="2 mL/h")), knowledge_of(by_order))
    said = [(f.code, f.order) for g in made.groups for f in g.findings]
    assert said == [(A6, "MedicationRequest/a"), (A7, "MedicationRequest/b")]
    assert outcomes(made) == {A6: "fired", A7: "fired"}


def test_what_is_taken_over_twice_ends_with_the_last() -> None:
    def chain(p: ParameterSet) -> tuple[Advisory, ...]:
        low = branch("b", potassium_below("low", p), "critical")
        return (
            advisory(A6, low, problem="one", precedence=(Precedence("absorbs", A7),)),
            advisory(A7, low, problem="two", precedence=(Precedence("absorbs", A5),)),
            advisory(A5, low, problem="three"),
        )

    made = judged(chart(LOW), knowledge_of(chain))
    assert outcomes(made) == {A6: "fired", A7: "absorbed", A5: "absorbed"}
    assert made.verdict(A5).why == A6


def test_a_code_that_is_not_heard_takes_nothing_over() -> None:
    """A result code below its hook silences nobody: else both would be lost."""
    knowledge = knowledge_of(
        lambda p: (
            advisory(A1, branch("a", potassium_below("low", p), "warning"), always=(), precedence=(Precedence("silences", A6),)),
            over_drafts(p),
        )
    )
    assert outcomes(judged(chart(LOW, insulin()), knowledge)) == {A1: "not_applicable", A6: "fired"}


# Cards -------------------------------------------------------------------------------------------------------------------------------


def test_f_10_codes_of_one_problem_share_a_card_led_by_the_highest() -> None:
    def three(p: ParameterSet) -> tuple[Advisory, ...]:
        low = potassium_below("low", p)
        return (
            advisory(A5, branch("b", low, "warning"), problem="potassium", speak_order=1),
            advisory(A7, branch("b", low, "critical"), problem="potassium", speak_order=3),
            advisory(A6, branch("b", low, "critical"), problem="potassium", speak_order=2),
            advisory(A1, branch("b", low, "warning"), problem="other"),
        )

    made = judged(chart(LOW), knowledge_of(three))
    assert [(g.lead.code, [f.code for f in g.others]) for g in made.groups] == [(A6, [A7, A5]), (A1, [])]


CODES = (A6, A7, B3, A5, A1, "magnesium-low", "phosphate-low", "calcium-low")


def many(critical: int, warning: int) -> Knowledge:
    indicators = ["critical"] * critical + ["warning"] * warning
    return knowledge_of(lambda p: tuple(advisory(code, branch("b", potassium_below("low", p), i)) for code, i in zip(CODES, indicators, strict=False)))


@pytest.mark.parametrize(("critical", "warning", "cards", "folded"), [(2, 3, 5, 0), (2, 6, 5, 3), (7, 0, 7, 0), (7, 1, 7, 1), (5, 1, 5, 1), (0, 8, 5, 3)])
def test_n_09_hz_35_every_critical_card_and_five_in_all(critical: int, warning: int, cards: int, folded: int) -> None:
    made = judged(chart(LOW), many(critical, warning))
    assert (len(made.groups), len(made.folded)) == (cards, folded)
    assert sum(g.indicator == "critical" for g in made.groups) == critical
    assert {v.outcome.value for v in made.verdicts} <= {"fired", "folded"}
    assert len(made.codes()) == critical + warning


# Overrides ---------------------------------------------------------------------------------------------------------------------------


def held_back(held: Chart, knowledge: Knowledge, minutes: int, *, later: Chart | None = None, **more: str) -> bool:
    """Whether a card that was overridden so many minutes ago stays away."""
    finding = judged(held, knowledge).verdicts[0].findings[0]
    memory = override(finding, minutes=minutes, now=NOW, **more)
    return outcomes(judged(later or held, knowledge, memory))[finding.code] == "held_back"


@pytest.mark.parametrize(
    ("indicator", "minutes", "held"),
    [("critical", 119, True), ("critical", 120, False), ("warning", 719, True), ("warning", 720, False), ("info", 100_000, True)],
)
def test_n_08_an_override_holds_for_its_time(indicator: str, minutes: int, held: bool) -> None:
    assert held_back(chart(LOW, hook="patient-view"), one(indicator), minutes) is held


def test_n_08_a_code_may_have_a_shorter_time_for_critical() -> None:
    knowledge = one("critical", refire_minutes=P["refire_own"])
    assert held_back(chart(LOW, hook="patient-view"), knowledge, 59)
    assert not held_back(chart(LOW, hook="patient-view"), knowledge, 60)


def test_c_05_hz_46_a_new_result_fires_at_once_also_with_the_same_number() -> None:
    again = result("potassium", "3.2", 5, ref="Observation/new")
    assert not held_back(chart(LOW, hook="patient-view"), one("critical"), 10, later=chart(LOW, again, hook="patient-view"))


def test_c_05_time_alone_changes_no_fingerprint() -> None:
    older = replace(chart(LOW, hook="patient-view"), now=NOW + 30 * 60_000)
    assert held_back(chart(LOW, hook="patient-view"), one("critical"), 0, later=older)


def test_c_05_another_rate_of_the_order_fires_at_once() -> None:
    knowledge = knowledge_of(lambda p: (over_drafts(p),))
    assert held_back(chart(LOW, insulin()), knowledge, 10)
    assert not held_back(chart(LOW, insulin()), knowledge, 10, later=chart(LOW, insulin(rate="8 mL/h")))


def test_c_05_hz_38_another_bag_in_the_sum_fires_at_once() -> None:
    from cds.logic.criteria import Above, Total
    from tests.logic.scenes import limit

    def summed(p: ParameterSet) -> tuple[Advisory, ...]:
        return (advisory(A5, branch("fast", Above(Total("potassium"), limit("5", "mmol/h")), "critical")),)

    def bag(ref: str) -> object:
        return order(ingredient("potassium_chloride", "40 mmol / 1000 mL"), ref=f"MedicationRequest/{ref}", doses=(dosage(dose="1000 mL", rate="200 mL/h"),))

    one_bag, two = chart(bag("a"), hook="patient-view"), chart(bag("a"), bag("b"), hook="patient-view")  # type: ignore[arg-type]
    assert held_back(one_bag, knowledge_of(summed), 10)
    assert not held_back(one_bag, knowledge_of(summed), 10, later=two)


def test_c_05_an_override_of_a_warning_never_holds_a_critical_one_back() -> None:
    assert not held_back(chart(LOW, hook="patient-view"), one("critical"), 10, indicator="warning")
    assert held_back(chart(LOW, hook="patient-view"), one("warning"), 10, indicator="critical")


def test_c_05_an_override_of_other_inputs_or_another_code_counts_for_nothing() -> None:
    assert not held_back(chart(LOW, hook="patient-view"), one("critical"), 10, inputs="0" * 32)
    finding = judged(chart(LOW, hook="patient-view"), one("critical")).verdicts[0].findings[0]
    other = Memory((Override(A1, "critical", finding.inputs, NOW, "u"),))
    assert outcomes(judged(chart(LOW, hook="patient-view"), one("critical"), other)) == {A5: "fired"}


def test_an_override_from_the_future_holds_nothing_back() -> None:
    assert not held_back(chart(LOW, hook="patient-view"), one("critical"), -10)


def test_control_c_05_an_override_without_inputs_would_hide_a_new_danger(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were the inputs not compared, a lower potassium would stay hidden behind the old override."""
    from cds import advisory as module

    monkeypatch.setattr(module, "fingerprint", lambda code, why: "same")
    lower = result("potassium", "2.4", 1, ref="Observation/lower")
    with pytest.raises(AssertionError):
        assert not held_back(chart(LOW, hook="patient-view"), one("critical"), 10, later=chart(LOW, lower, hook="patient-view"))


def test_what_an_override_holds_back_still_takes_over_what_it_would() -> None:
    knowledge = pair(Precedence("silences", B3))
    finding = judged(chart(LOW, hook="patient-view"), knowledge).verdict(A6).findings[0]
    made = judged(chart(LOW, hook="patient-view"), knowledge, override(finding, minutes=5, now=NOW))
    assert outcomes(made) == {A6: "held_back", B3: "absorbed"} and not made.groups


def test_a_diagnosis_among_the_inputs_is_part_of_the_fingerprint() -> None:
    from cds.logic.criteria import HasCondition

    def dated(p: ParameterSet) -> tuple[Advisory, ...]:
        both = AllOf((HasCondition(("epilepsy",)), Below(Latest("potassium", p["age"]), p["low"])))
        return (advisory(A5, branch("b", both, "critical")),)

    first = judged(chart(LOW, condition("epilepsy"), hook="patient-view"), knowledge_of(dated)).verdicts[0].findings[0]
    then = judged(chart(LOW, condition("epilepsy", ref="Condition/2"), hook="patient-view"), knowledge_of(dated), NO_MEMORY).verdicts[0].findings[0]
    assert first.inputs != then.inputs
