"""A suggested dose is worked out for this patient: never above its maximum, never from a weight that nobody knows, and judged before it is offered (HZ-05, HZ-37)."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import candidates, proposed
from cds.advisory import Advisory, Give, Trigger
from cds.candidates import Change
from cds.chart import Allergy, Chart, Feed, Order, Problem, Result, Trouble
from cds.knowledge import Knowledge
from cds.logic.criteria import Above, Figure, HasAllergy, HasCondition, Latest, Lesser, OrderFilter, Ratio, Scaled, Total
from cds.orders.reading import read_order
from cds.parameters import Parameter, ParameterSet
from tests.assess.making import A6, A7, B3, advisory, branch, knowledge_of, potassium_below
from tests.candidates.reading import rows
from tests.candidates.test_candidates import LOW, changes, offered, proposing
from tests.logic.scenes import chart, condition, dosage, ingredient, limit, no_figure, order, parameters, result

WINDOW = limit("43200", "min")
DAY_MINUTES = 1440


def figure(text: str) -> Any:
    number, _, unit = text.partition(" ")
    return limit(number, unit)


def by_weight(factor: str, most: str = "", *, drug: str = "levetiracetam", unit: str = "mg", step: str = "", **more: Any) -> Give:
    """A dose by weight, at most `most`."""
    number = figure(factor)
    amount: Any = Scaled(Latest("weight", WINDOW), number, number.unit.removesuffix("/kg"))
    if most:
        amount = Lesser((amount, Figure(figure(most))))
    return Give(f"Give {drug}", drug, amount, unit, round_to=figure(step) if step else None, **more)


def weighed(text: str) -> tuple[Result | Problem, ...]:
    if text in ("", "failed"):
        return ()
    if text == "unusable":
        return (Problem(Trouble.UNIT_MISSING, "Observation/w", "x", "weight", "Observation/w: no unit"),)
    number, unit, *age = text.split()
    return (result("weight", number, int(age[0].removesuffix("d")) * DAY_MINUTES if age else 60, unit=unit),)


def patient(weight: str) -> Chart:
    feeds = {"results": Feed.FAILED} if weight == "failed" else {}
    return chart(LOW, *weighed(weight), feeds=feeds)


# The table -------------------------------------------------------------------------------------------------------------------------------


def worked_out(row: dict[str, str]) -> str:
    """ "4200 mg", or "not: why"."""
    give = by_weight(row["by weight"], row["most"], drug=row["drug"], unit=row["unit"], step=row["step"])
    scene = knowledge_of(lambda p: ()).population("adult").scene(patient(row["weight"]))
    made = proposed.given(give, B3, scene, None)
    if isinstance(made, proposed.Unfit):
        return f"not: {made.reason}"
    assert made.dose is not None and made.label.endswith(f": {made.dose.text} intravenous")
    return made.dose.text


@pytest.mark.parametrize("row", rows("doses.md"), ids=lambda row: row["case"])
def test_hz_05_a_dose_is_what_its_table_says(row: dict[str, str]) -> None:
    assert worked_out(row) == row["expect"]


NEVER_WEIGHED = next(row for row in rows("doses.md") if row["case"] == "never weighed")


def test_control_hz_05_without_asking_for_every_part_the_maximum_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proposed, "_missing", lambda *_: None)
    with pytest.raises(AssertionError):
        assert worked_out(NEVER_WEIGHED) == NEVER_WEIGHED["expect"]


BETWEEN_STEPS = next(row for row in rows("doses.md") if row["case"] == "a maximum between two steps")


def test_control_hz_05_rounded_up_a_dose_would_pass_its_maximum(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proposed, "ROUND_DOWN", "ROUND_UP")
    with pytest.raises(AssertionError):
        assert worked_out(BETWEEN_STEPS) == BETWEEN_STEPS["expect"]


def test_hz_07_what_is_not_offered_for_want_of_a_weight_is_told_and_the_others_stand() -> None:
    from cds.advisory import Measure

    made = offered(chart(LOW), proposing(by_weight("60 mg/kg", "4500 mg"), Measure("magnesium", "Measure magnesium")))
    assert [(d.label, d.reason) for d in made.dropped] == [("Give levetiracetam", "weight not known (none recorded)")]
    assert [c.kind for c in made.by_problem[B3]] == ["test"]


@pytest.mark.parametrize("part", ["amount", "by weight", "most", "minutes", "times_a_day"])
def test_hz_17_without_a_figure_for_this_age_it_is_not_offered_and_nobody_is_troubled(part: str) -> None:
    give = by_weight("60 mg/kg", "4500 mg")
    weight = Latest("weight", WINDOW)
    by_part = {
        "amount": replace(give, amount=no_figure()),
        "by weight": replace(give, amount=Scaled(weight, no_figure(), "mg")),
        "most": replace(give, amount=Lesser((Scaled(weight, limit("60", "mg/kg"), "mg"), Figure(no_figure())))),
        "minutes": replace(give, minutes=no_figure()),
        "times_a_day": replace(give, times_a_day=no_figure()),
    }
    made = offered(chart(LOW, result("weight", "25")), proposing(by_part[part]))
    assert (made.by_problem[B3], made.dropped) == ((), ())


# Properties ------------------------------------------------------------------------------------------------------------------------------

numbers = st.decimals("0.3", "350", places=3)


@settings(max_examples=150, deadline=None)
@given(kg=numbers, per_kg=st.decimals("0.05", "100", places=2), most=st.decimals("1", "5000", places=1), step=st.sampled_from(["", "0.5 mg", "1 mg", "25 mg", "0.05 g"]))
def test_hz_05_for_no_weight_is_the_dose_above_its_maximum(kg: Decimal, per_kg: Decimal, most: Decimal, step: str) -> None:
    scene = knowledge_of(lambda p: ()).population("adult").scene(chart(LOW, result("weight", str(kg))))
    made = proposed.given(by_weight(f"{per_kg} mg/kg", f"{most} mg", step=step), B3, scene, None)
    wanted = min(kg * per_kg, most)
    size = {"": wanted / 100, "0.05 g": Decimal(50)}.get(step) or Decimal(step.split()[0])
    if isinstance(made, proposed.Unfit):
        assert step and wanted < size
        return
    assert made.dose is not None and made.dose.value.exact is not None
    assert wanted - size < made.dose.value.exact <= wanted
    assert "E" not in str(made.dose.value.exact)


@settings(max_examples=60, deadline=None)
@given(kg=numbers, mg_per_minute=st.decimals("0.5", "150", places=1))
def test_hz_05_for_no_weight_is_it_given_faster_than_allowed(kg: Decimal, mg_per_minute: Decimal) -> None:
    dose = Scaled(Latest("weight", WINDOW), limit("20", "mg/kg"), "mg")
    give = Give("Give", "phenytoin", dose, "mg", minutes=Ratio(dose, Figure(limit(str(mg_per_minute), "mg/min"))))
    scene = knowledge_of(lambda p: ()).population("adult").scene(chart(LOW, result("weight", str(kg))))
    made = proposed.given(give, B3, scene, None)
    assert isinstance(made, proposed.Proposed) and made.dose is not None and made.minutes is not None
    assert made.minutes == made.minutes.to_integral_value()
    assert made.dose.value.exact is not None and made.dose.value.exact <= mg_per_minute * made.minutes
    assert (made.minutes - 1) * mg_per_minute < kg * 20


@pytest.mark.parametrize(
    ("dose", "rate", "minutes"),
    [
        ("1500 mg", "150 mg/min", "10"), ("1501 mg", "150 mg/min", "11"), ("1499 mg", "150 mg/min", "10"), ("1.5 g", "150 mg/min", "10"),
        ("1500 mg", "9 g/h", "10"), ("1500 mg{PE}", "150 mg{PE}/min", "10"), ("20 [iU]", "10 [iU]/h", "120"),
    ],
)  # fmt: skip
def test_hz_05_a_dose_over_a_rate_is_a_time_in_any_unit(dose: str, rate: str, minutes: str) -> None:
    amount = figure(dose)
    give = Give("Give", "phenytoin", amount, amount.unit, minutes=Ratio(Figure(amount), Figure(figure(rate))))
    made = proposed.given(give, B3, knowledge_of(lambda p: ()).population("adult").scene(chart(LOW)), None)
    assert isinstance(made, proposed.Proposed) and made.minutes == Decimal(minutes)


def test_control_hz_05_rounded_down_a_time_would_be_too_short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proposed, "ROUND_CEILING", "ROUND_FLOOR")
    with pytest.raises(AssertionError):
        test_hz_05_a_dose_over_a_rate_is_a_time_in_any_unit("1501 mg", "150 mg/min", "11")


# Forms -----------------------------------------------------------------------------------------------------------------------------------


def single(**more: Any) -> Give:
    return Give("Give it", more.pop("drug", "levetiracetam"), limit("1500", "mg"), "mg", **more)


FORMS = {
    "one dose": (single(), "Give it: 1500 mg intravenous", None),
    "over minutes": (single(minutes=limit("15", "min")), "Give it: 1500 mg intravenous over 15 min", "15"),
    "over hours": (single(hours=limit("2", "h")), "Give it: 1500 mg intravenous over 2 h", "120"),
    "by mouth twice a day": (single(route="oral", times_a_day=limit("2", "1")), "Give it: 1500 mg oral twice a day", None),
    "every second day": (single(route="oral", times_a_day=limit("0.5", "1")), "Give it: 1500 mg oral once in 2 days", None),
    "under the skin": (single(drug="insulin_glargine", route="subcutaneous", times_a_day=limit("1", "1")), "Give it: 1500 mg subcutaneous once a day", None),
    "a bag over hours": (
        single(diluent="sodium_chloride", volume_ml=limit("100", "mL"), hours=limit("0.5", "h")), "Give it: 1500 mg intravenous in 100 mL over 30 min", "30",
    ),
    "a bag over minutes": (
        single(diluent="sodium_chloride", volume_ml=limit("100", "mL"), minutes=limit("15", "min")), "Give it: 1500 mg intravenous in 100 mL over 15 min", "15",
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_each_form_says_its_dose_and_is_read_as_it(form: str) -> None:
    give, label, minutes = FORMS[form]
    (change,) = changes(chart(LOW), proposing(give))
    assert (change.kind, change.label, change.recommended) == ("new order", label, False)
    assert change.order is not None
    reading = read_order(change.order, weight_kg=None, p=parameters().for_population("adult"))
    dose = reading.substance(f"drug:{give.drug}")
    assert dose is not None and dose.amount is not None and dose.amount.exact == 1500
    assert reading.understood and reading.once is (give.times_a_day is None)
    assert reading.per_day == (give.times_a_day.number if isinstance(give.times_a_day, Parameter) else None)
    assert (None if reading.duration_minutes is None else reading.duration_minutes.exact) == (None if minutes is None else Decimal(minutes))


@pytest.mark.parametrize(
    ("label", "said"),
    [
        ("Give levetiracetam 1500 mg", "Give levetiracetam 1500 mg"),
        ("Give levetiracetam 11500 mg", "Give levetiracetam 11500 mg: 1500 mg intravenous"),
        ("Give levetiracetam 1500 mg/kg", "Give levetiracetam 1500 mg/kg: 1500 mg intravenous"),
    ],
)
def test_hz_30_a_label_that_does_not_hold_the_dose_gets_it(label: str, said: str) -> None:
    (change,) = changes(chart(LOW), proposing(replace(single(), label=label)))
    assert change.label == said


def test_a_rate_that_does_not_end_is_rounded_down() -> None:
    give = single(diluent="sodium_chloride", volume_ml=limit("1000", "mL"), hours=limit("7", "h"))
    (change,) = changes(chart(LOW), proposing(give))
    assert change.rate_ml_h == Decimal("142.8")


# Judged before it is offered -------------------------------------------------------------------------------------------------------------


def asked_by_filter(p: ParameterSet) -> tuple[Advisory, ...]:
    """Levetiracetam is wrong in pregnancy here; the advisory's trigger names no drug, only the diagnosis."""
    wrong = branch("pregnant", HasCondition(("pregnancy",)), "critical")
    return (
        advisory(B3, replace(branch("low", potassium_below("low", p), "critical"), proposals=(by_weight("60 mg/kg", "4500 mg"),))),
        advisory(A6, wrong, kind="order", over=OrderFilter(("levetiracetam",), "either"), trigger=Trigger((("condition:pregnancy",),)), always=()),
    )


def labels(held: Chart, knowledge: Knowledge) -> list[str]:
    return [change.label for change in changes(held, knowledge)]


PREGNANT = (LOW, result("weight", "70"), condition("pregnancy"))


def test_hz_37_an_advisory_that_only_asks_about_such_orders_judges_the_suggestion_too() -> None:
    assert labels(chart(*PREGNANT[:2]), knowledge_of(asked_by_filter)) == ["Give levetiracetam: 4200 mg intravenous"]
    assert labels(chart(*PREGNANT), knowledge_of(asked_by_filter)) == []


def test_control_hz_37_asked_by_trigger_alone_the_suggestion_would_be_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    def by_trigger(asked: Advisory, suggested: Order) -> bool:
        return any(f"drafted:{drug}" in clause for clause in asked.trigger.clauses for drug in suggested.drugs)

    monkeypatch.setattr(candidates, "_concerns", by_trigger)
    with pytest.raises(AssertionError):
        test_hz_37_an_advisory_that_only_asks_about_such_orders_judges_the_suggestion_too()


def test_control_hz_37_a_computed_dose_that_nobody_judges_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates, "_objection", lambda *_: "")
    with pytest.raises(AssertionError):
        assert labels(chart(*PREGNANT), knowledge_of(asked_by_filter)) == []


def test_hz_37_what_cannot_be_judged_with_it_is_not_excused_by_another_order() -> None:
    """A running levetiracetam could not be judged for want of a sodium; the suggested one cannot either."""

    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        high = branch("high", Above(Latest("sodium", p["age"]), limit("150", "mmol/L")), "critical")
        return (
            advisory(B3, replace(branch("low", potassium_below("low", p), "critical"), proposals=(single(),))),
            advisory(A6, high, kind="order", over=OrderFilter(("levetiracetam",), "either"), always=()),
        )

    runs = order(ingredient("levetiracetam"), ref="MedicationRequest/r", doses=(dosage(dose="500 mg"),))
    for held in (chart(LOW), chart(LOW, runs)):
        assert [d.reason for d in offered(held, knowledge_of(made)).dropped] == [f"'{A6}' could not be judged with it"]
    assert labels(chart(LOW, runs, result("sodium", "140")), knowledge_of(made)) == ["Give it: 1500 mg intravenous"]


# Alternatives ----------------------------------------------------------------------------------------------------------------------------


def combined(p: ParameterSet) -> tuple[Advisory, ...]:
    from cds.advisory import OneOf

    def give(drug: str) -> Give:
        return Give(f"Give {drug}", drug, limit("1000", "mg"), "mg", minutes=limit("30", "min"))

    def against(code: str, drug: str, when: Any, indicator: str = "critical") -> Advisory:
        return advisory(code, branch("yes", when, indicator), kind="order", over=OrderFilter((drug,), "drafted"), always=())

    bag = Give("Add potassium 20 mmol", "potassium_chloride", limit("20", "mmol"), "mmol", "sodium_chloride", limit("500", "mL"), limit("2", "h"))
    proposals = (
        OneOf("Another antibacterial", tuple(map(give, ("ceftriaxone", "ciprofloxacin", "gentamicin", "vancomycin")))),
        OneOf("Another medicine against seizures", (give("valproate"), by_weight("60 mg/kg", "4500 mg", minutes=limit("15", "min")), give("lacosamide"))),
        bag,
    )
    return (
        advisory(B3, replace(branch("low", potassium_below("low", p), "critical"), proposals=proposals)),
        against(A6, "cephalosporin", HasAllergy(("cephalosporin",), ("severe immediate",))),
        against(A7, "fluoroquinolone", HasCondition(("seizure",)), "warning"),
        against("calcium-low", "aminoglycoside", Above(Latest("creatinine", p["age"]), limit("300", "umol/L"))),
        against("phosphate-low", "valproate", HasCondition(("pregnancy",))),
        advisory(
            "hyperkalaemia", branch("fast", Above(Total("potassium"), limit("10", "mmol/h")), "warning"), kind="order",
            over=OrderFilter(("potassium_salt",), "either", "intravenous"), trigger=Trigger((("drafted:potassium_salt", "running:potassium_salt"),)), always=(),
        ),
    )  # fmt: skip


def held_by(row: dict[str, str]) -> Chart:
    things: list[Any] = [LOW, result("creatinine", "450" if row["kidneys failed"] else "70")]
    things += [condition(name) for name, column in (("seizure", "seizure"), ("pregnancy", "pregnant")) if row[column]]
    if row["weight"]:
        things.append(result("weight", "70"))
    if row["potassium runs"]:
        runs = (dosage(dose="1000 mL", rate="125 mL/h"),)
        things.append(order(ingredient("potassium_chloride", "40 mmol / 1000 mL"), ref="MedicationRequest/r", doses=runs))
    allergy = Allergy("AllergyIntolerance/a", (), ("cephalosporin",), "severe immediate", "cephalosporin", path="x")
    made = chart(*things, allergies=(allergy,) if row["allergy"] == "yes" else ())
    if row["allergy"] == "not sent":
        made = replace(
            made, sources={**made.sources, "allergies": replace(made.sources["conditions"], key="allergies", feed=Feed.ABSENT)},
            item_keys={**made.item_keys, "allergies": ("allergies",)},
        )  # fmt: skip
    return made


def drugs_of(found: list[Change]) -> list[str]:
    return [change.order.drugs[0] for change in found if change.order is not None]


def wanted(row: dict[str, str]) -> list[str]:
    return [row["antibacterial"], row["against seizures"], *(["potassium_chloride"] if row["potassium"] else [])]


ALTERNATIVES = rows("alternatives.md")


@pytest.mark.parametrize("row", ALTERNATIVES, ids=lambda row: row["case"])
def test_hz_37_of_alternatives_the_first_that_suits_this_patient_is_offered(row: dict[str, str]) -> None:
    assert drugs_of(changes(held_by(row), knowledge_of(combined))) == wanted(row)


def test_control_hz_37_of_alternatives_that_nobody_judges_the_first_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates, "_objection", lambda *_: "")
    row = next(row for row in ALTERNATIVES if row["case"] == "everything at once")
    with pytest.raises(AssertionError):
        assert drugs_of(changes(held_by(row), knowledge_of(combined))) == wanted(row)


def test_each_alternative_that_was_passed_over_is_named_with_its_reason() -> None:
    row = next(row for row in ALTERNATIVES if row["case"] == "everything, not weighed")
    assert [(d.label, d.reason) for d in offered(held_by(row), knowledge_of(combined)).dropped] == [
        ("Give ceftriaxone: 1000 mg intravenous over 30 min", f"it would raise '{A6}' (critical)"),
        ("Give ciprofloxacin: 1000 mg intravenous over 30 min", f"it would raise '{A7}' (warning)"),
        ("Give gentamicin: 1000 mg intravenous over 30 min", "it would raise 'calcium-low' (critical)"),
        ("Give valproate: 1000 mg intravenous over 30 min", "it would raise 'phosphate-low' (critical)"),
        ("Give levetiracetam", "weight not known (none recorded)"),
        ("Add potassium 20 mmol", "it would raise 'hyperkalaemia' (warning)"),
    ]


@pytest.mark.parametrize(
    ("status", "more", "offered_drug"),
    [
        ("draft", {"drafted": True}, "ciprofloxacin"), ("active", {}, "ciprofloxacin"), ("completed", {}, "ceftriaxone"),
        ("active", {"community": True}, "ceftriaxone"),
    ],
)  # fmt: skip
def test_hz_12_what_is_ordered_already_is_no_alternative(status: str, more: dict[str, Any], offered_drug: str) -> None:
    """A medicine taken at home may still be given here; one that is drafted or runs is not another one."""
    held = held_by({**dict.fromkeys(ALTERNATIVES[0], ""), "weight": "yes"})
    has = order(ingredient("ceftriaxone"), ref="MedicationRequest/c", status=status, doses=(dosage(dose="2 g", per_day=Decimal(1), once=False),), **more)
    found = offered(replace(held, orders=(*held.orders, has)), knowledge_of(combined))
    assert drugs_of(list(found.by_problem[B3]))[0] == offered_drug
    assert [d.reason for d in found.dropped] == ([candidates.ORDERED] if offered_drug == "ciprofloxacin" else [])


def test_control_hz_12_without_looking_what_is_ordered_the_same_drug_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates._Judging, "_ordered", lambda _: frozenset())
    with pytest.raises(AssertionError):
        test_hz_12_what_is_ordered_already_is_no_alternative("draft", {"drafted": True}, "ciprofloxacin")


def test_hz_37_suggestions_are_judged_at_every_hook() -> None:
    row = next(row for row in ALTERNATIVES if row["case"] == "everything at once")
    for hook in ("patient-view", "order-select", "order-sign"):
        assert drugs_of(changes(replace(held_by(row), hook=hook), knowledge_of(combined))) == wanted(row), hook


def test_where_no_alternative_is_left_the_card_can_say_so() -> None:
    from cds.advisory import OneOf

    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        only = OneOf("Another medicine against seizures", (by_weight("60 mg/kg"), replace(single(drug="levetiracetam"), label="Give half")))
        return (
            advisory(B3, replace(branch("low", potassium_below("low", p), "critical"), proposals=(only,))),
            advisory(A6, branch("always", potassium_below("low", p), "warning"), kind="order", over=OrderFilter(("levetiracetam",), "drafted"), always=()),
        )

    found = offered(chart(LOW), knowledge_of(made))
    assert found.by_problem[B3] == ()
    assert [d.label for d in found.dropped] == ["Give levetiracetam", "Give half: 1500 mg intravenous", "Another medicine against seizures"]
    assert found.dropped[-1].reason == candidates.NONE_LEFT


def test_alternatives_count_as_one_suggestion_and_the_trials_of_a_call_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    row = next(row for row in ALTERNATIVES if row["case"] == "everything at once")
    monkeypatch.setattr(candidates, "MOST", 2)
    assert drugs_of(changes(held_by(row), knowledge_of(combined))) == ["vancomycin", "levetiracetam"]
    monkeypatch.setattr(candidates, "MOST_TRIED", 5)
    found = offered(held_by(row), knowledge_of(combined))
    assert drugs_of([c for each in found.by_problem.values() for c in each]) == ["vancomycin"]
    assert found.dropped[-2].reason == found.dropped[-1].reason == candidates.TOO_MANY
