"""A draft with another dose, duration or frequency: computed for this patient, judged, and left alone where its form has no one place for it (HZ-37, F-40)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from cds import candidates, proposed
from cds.advisory import Advisory, Amend, Trigger, Withdraw
from cds.chart import Moment, Order
from cds.knowledge import Knowledge
from cds.logic.criteria import Above, AllOf, DosePerWeight, Latest, OfOrder, OrderFilter, OrderIs, Scaled
from cds.parameters import ParameterSet
from tests.assess.making import A5, A6, advisory, branch, knowledge_of, potassium_below
from tests.candidates.reading import rows
from tests.candidates.test_candidates import LOW, changes, draft, offered
from tests.candidates.test_computed_doses import WINDOW, figure
from tests.logic.scenes import chart, dosage, ingredient, limit, result


def drafted(text: str) -> Order:
    """ "phenytoin 1400 mg over 20 min", "phenytoin 1400 mg at 100 mg/min", "phenytoin 1400 mg 3 a day"."""
    drug, _, rest = text.partition(" ")
    words = rest.split()
    made: dict[str, Any] = {}
    if words[0] != "at":
        made["dose"], words = " ".join(words[:2]), words[2:]
    match words:
        case ["over", minutes, "min"]:
            made["minutes"] = minutes
        case ["at", number, unit]:
            made["rate"] = f"{number} {unit}"
        case [times, "a", "day"]:
            made |= {"per_day": Decimal(times), "once": False}
        case _:
            assert not words
    return draft(ingredient(drug), doses=(dosage(text="as written", **made),))


def amend(dose: str = "", minutes: str = "", times: str = "", drug: str = "phenytoin") -> Amend:
    number = figure(dose) if dose else None
    return Amend(
        "Change it", drug=drug, dose=None if number is None else Scaled(Latest("weight", WINDOW), number, "mg"),
        minutes=limit(minutes, "min") if minutes else None, times_a_day=limit(times, "1") if times else None,
    )  # fmt: skip


def amending(*proposals: Any, drugs: tuple[str, ...] = ("phenytoin", "levetiracetam"), most: str = "100") -> Knowledge:
    """Each drafted phenytoin or levetiracetam gets the proposals; phenytoin of more than `most` mg/kg, or none that is known, is another matter."""

    def made(p: ParameterSet) -> tuple[Advisory, ...]:
        when = AllOf((OrderIs("drafted"), potassium_below("low", p)))
        high = Above(DosePerWeight("drug:phenytoin"), limit(most, "mg/kg"))
        return (
            advisory(A6, replace(branch("low", when, "critical"), proposals=proposals), kind="order", over=OrderFilter(drugs, "either"), always=()),
            advisory(A5, branch("high", high, "critical"), kind="order", over=OrderFilter(("phenytoin",), "drafted"), trigger=Trigger((("drafted:phenytoin",),)), always=()),
        )

    return knowledge_of(made)


def outcome(row: dict[str, str]) -> str:
    """ "1400 mg over 28 min", "nothing", or "not: why"."""
    weight = (result("weight", "70"),) if row["weight"] else ()
    knowledge = amending(amend(row["dose"], row["minutes"], row["a day"]))
    found = offered(chart(LOW, *weight, drafted(row["draft"])), knowledge)
    changed = [change for each in found.by_problem.values() for change in each]
    if changed:
        (change,) = changed
        assert (change.kind, change.target, change.recommended) == ("amend", "MedicationRequest/d", False)
        return change.label.removeprefix("Change it: ")
    return f"not: {found.dropped[0].reason}" if found.dropped else "nothing"


@pytest.mark.parametrize("row", rows("amended.md"), ids=lambda row: row["case"])
def test_hz_37_a_draft_is_changed_as_its_table_says(row: dict[str, str]) -> None:
    assert outcome(row) == row["expect"]


KG = result("weight", "70")


def test_the_rest_of_the_draft_stays() -> None:
    before = drafted("phenytoin 2000 mg over 20 min")
    (change,) = changes(chart(LOW, KG, before), amending(amend("20 mg/kg", "28")))
    assert change.order is not None and change.dose is not None
    (was,), (now,) = before.dosages, change.order.dosages
    assert replace(change.order, dosages=()) == replace(before, dosages=())
    assert replace(now, dose=was.dose, duration_minutes=was.duration_minutes, text=was.text) == was
    assert (change.dose.value.exact, change.minutes, change.times_a_day) == (Decimal(1400), Decimal(28), None)


def test_hz_37_a_dose_that_is_still_too_high_is_not_offered() -> None:
    held = chart(LOW, KG, drafted("phenytoin 1000 mg over 20 min"))
    assert [d.reason for d in offered(held, amending(amend("30 mg/kg"), most="20")).dropped] == [f"it would raise '{A5}' (critical)"]
    assert [c.label for c in changes(held, amending(amend("20 mg/kg"), most="20"))] == ["Change it: 1400 mg"]


def test_control_hz_37_an_amended_dose_that_nobody_judges_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates, "_objection", lambda *_: "")
    with pytest.raises(AssertionError):
        test_hz_37_a_dose_that_is_still_too_high_is_not_offered()


def test_the_dose_may_rest_on_the_order_in_hand() -> None:
    half = Amend("Halve it", drug="phenytoin", dose=Scaled(OfOrder("amount", "drug:phenytoin"), limit("0.5", "1")))
    assert [c.label for c in changes(chart(LOW, KG, drafted("phenytoin 1500 mg over 20 min")), amending(half))] == ["Halve it: 750 mg"]


def test_a_running_order_is_not_amended() -> None:
    runs = replace(drafted("phenytoin 2000 mg over 20 min"), drafted=False, status="active")
    assert changes(chart(LOW, KG, runs), amending(amend("20 mg/kg"))) == []


NO_PLACE: dict[str, tuple[Callable[[Order], Order], str]] = {
    "two drugs": (lambda o: replace(o, drugs=("phenytoin", "levetiracetam"), ingredients=(*o.ingredients, ingredient("levetiracetam"))), "one recognised drug"),
    "a drug that nobody knows": (lambda o: replace(o, unrecognised=("x",)), "one recognised drug"),
    "two dosages": (lambda o: replace(o, dosages=o.dosages * 2), "one dosage alone"),
    "a part that was not understood": (lambda o: replace(o, dosages=(replace(o.dosages[0], not_understood=("dose",)),)), "not understood"),
    "a bag by its volume": (lambda o: replace(o, dosages=(dosage(dose="250 mL", minutes="20"),)), "no safe place"),
    "the times of its doses": (lambda o: replace(o, dosages=(replace(o.dosages[0], events=(Moment(0, 0),)),)), "names the times"),
}  # fmt: skip


@pytest.mark.parametrize("name", NO_PLACE)
def test_a_draft_without_one_place_for_a_dose_is_left_alone_and_the_card_says_why(name: str) -> None:
    change, words = NO_PLACE[name]
    found = offered(chart(LOW, KG, change(drafted("phenytoin 2000 mg over 20 min"))), amending(amend("20 mg/kg")))
    assert found.by_problem[A6] == () and [words in d.reason for d in found.dropped] == [True]


def test_a_bag_whose_volume_is_its_dose_may_run_longer() -> None:
    bag = draft(
        ingredient("phenytoin", "1400 mg / 250 mL"), ingredient("sodium_chloride", "250 mL / 250 mL", active=False), doses=(dosage(dose="250 mL", rate="1000 mL/h"),)
    )
    (change,) = changes(chart(LOW, KG, bag), amending(amend(minutes="28")))
    assert change.order is not None and change.label == "Change it: over 28 min"
    assert change.order.dosages[0].rate is None and change.order.dosages[0].duration_minutes is not None


# Never taken away ------------------------------------------------------------------------------------------------------------------------


def test_f_40_hz_34_an_amended_dose_of_a_life_saving_drug_is_offered_and_its_withdrawal_never_ticked() -> None:
    made = changes(
        chart(LOW, KG, drafted("levetiracetam 6000 mg over 15 min")), amending(amend("60 mg/kg", drug="levetiracetam"), Withdraw("Take it out", recommended=True))
    )
    assert [(c.kind, c.label, c.recommended) for c in made] == [("amend", "Change it: 4200 mg", False), ("withdraw", "Take it out", False)]


def test_control_f_40_without_the_list_the_withdrawal_would_be_ticked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(candidates, "_NEVER_RECOMMENDED", frozenset())
    with pytest.raises(AssertionError):
        test_f_40_hz_34_an_amended_dose_of_a_life_saving_drug_is_offered_and_its_withdrawal_never_ticked()


def test_control_without_reading_it_back_a_contradicted_dose_would_be_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    """A strength of 2000 mg a bag beside a dose in mg: the two no longer agree once the dose is another."""
    bag = draft(ingredient("phenytoin", "2000 mg / 250 mL"), doses=(dosage(dose="2000 mg", minutes="20"),), volume="250 mL")
    held, knowledge = chart(LOW, KG, bag), amending(amend("20 mg/kg"))
    safe = [d.reason for d in offered(held, knowledge).dropped]
    monkeypatch.setattr(proposed, "_reads_as_meant", lambda *_: True)
    assert (safe, [c.label for c in changes(held, knowledge)]) == (["the form of the draft leaves no safe place for it"], ["Change it: 1400 mg"])
