"""Potassium orders, high potassium, QT and minerals: every medicine of a list, order of speech, both figures where guidelines differ, and the controls."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from decimal import Decimal
from typing import Any
from unittest.mock import patch

import pytest

from cds.assess import Knowledge, assess, knowledge_of
from cds.candidates import offers
from cds.cards.words import fill
from cds.chart import NO_MEMORY, Chart
from cds.logic.criteria import HasCondition
from cds.logic.scene import StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import parameter_set
from cds.states import minerals, potassium_level
from cds.topics import minerals_order, qt
from cds.vocabulary import class_members
from tests.charts import chart, condition, insulin, order, potassium_bag, result
from tests.topics.table import Row, files, knowledge, parameters, rows

QT, STACKED, HIGH, SAMPLE = "hypokalaemia-with-qt-drug", "potassium-raising-drugs-stacked", "hyperkalaemia", "potassium-sample-suspect"
PUSH, LEVEL, RATE, GLUCOSE = "potassium-given-as-push", "potassium-with-hyperkalaemia-or-oliguria", "potassium-rate-exceeds-line-limit", "potassium-in-dextrose"


def row(table: str, case: str) -> Row:
    """The row of a table by its case."""
    return next(each for each in rows(table) if str(each).endswith(f": {case}"))


def spoken(held: Chart, known: Knowledge | None = None, *codes: str) -> dict[str, str]:
    """Code to indicator of everything on a card or folded."""
    made = assess(held, NO_MEMORY, known or knowledge(), only=frozenset(codes) if codes else None)
    found = [finding for group in made.groups for finding in group.findings]
    return {finding.code: finding.indicator for finding in (*found, *made.folded)}


def details(held: Chart, code: str, known: Knowledge | None = None) -> str:
    """All the words of a code's finding."""
    made = assess(held, NO_MEMORY, known or knowledge())
    finding = next(f for group in made.groups for f in group.findings if f.code == code)
    words, p = finding.branch.words, (known or knowledge()).population(made.population).p
    return " ".join(fill(text, finding.facts, p, "") for text in (words.summary, *words.found, *words.do, *words.cautions, *words.differs))


def red(table: str, case: str, known: Knowledge) -> bool:
    """Whether a row fails under other knowledge."""
    each = row(table, case)
    made = assess(each.chart(), NO_MEMORY, known, only=each.codes)
    found = {f.code: f.indicator for group in made.groups for f in (*group.absorbed, *group.others, group.lead)} | {f.code: f.indicator for f in made.folded}
    return found != {code: word for code, word in each.expect().items() if word != "unknown"}


# Lists -------------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drug", sorted(class_members("qt_prolonging")))
def test_hz_11_every_qt_medicine_is_seen(drug: str) -> None:
    """Labels; the starter list of own rule B8."""
    low = result("potassium", "2.9", age=300)
    assert spoken(chart(low, order(drug, drafted=True, route="oral", dose=("5", "mg"))), None, QT) == {QT: "critical"}
    assert spoken(chart(result("potassium", "4.0", age=300), order(drug, drafted=True, route="oral", dose=("5", "mg"))), None, QT) == {}


@pytest.mark.parametrize("drug", sorted(class_members("potassium_raising")))
def test_hz_11_every_raiser_counts(drug: str) -> None:
    """Labels: each beside potassium at 5.1; alone it is silent."""
    raised, raiser = result("potassium", "5.1", age=300), order(drug, route="oral", dose=("5", "mg"), per_day="1")
    salt = order("potassium_chloride", route="oral", dose=("20", "mmol"), per_day="3")
    assert spoken(chart(raised, raiser, salt), None, STACKED) == {STACKED: "warning"}
    assert spoken(chart(raised, raiser), None, STACKED) == {}


def test_hz_11_every_raiser_has_a_kind() -> None:
    """No member of the class falls through the kinds that are counted."""
    kinds = {drug for kind in potassium_level.RAISERS for drug in (*class_members(kind), kind)}
    assert set(class_members("potassium_raising")) <= kinds


# Order of speech and both sides --------------------------------------------------------------------------------------------------------


def lead_and_others(held: Chart, code: str) -> list[str]:
    """The codes on the card that carries a code, in the order of speech."""
    made = assess(held, NO_MEMORY, knowledge())
    group = next(group for group in made.groups if code in {finding.code for finding in group.findings})
    return [finding.code for finding in (group.lead, *group.others)]


def test_one_potassium_order_speaks_of_push_level_rate_diluent() -> None:
    """M-15: B2, B4, B1, B5, on one card."""
    push = order("potassium_chloride", drafted=True, push=True, dose=("20", "mmol"))
    assert lead_and_others(chart(result("potassium", "6.2", age=60), push), PUSH) == [PUSH, LEVEL]
    fast = potassium_bag("50", "1250", "2", drafted=True)
    assert lead_and_others(chart(result("potassium", "6.2", age=60), fast), LEVEL) == [LEVEL, RATE]
    sweet = potassium_bag("30", "750", "2", drafted=True, diluent="glucose")
    held = chart(result("potassium", "2.9", age=60), result("glucose", "6", age=60), sweet)
    assert lead_and_others(held, RATE) == [RATE, GLUCOSE]


@pytest.mark.parametrize("profile", ["", "uk-2023", "us-2009"])
def test_hz_25_both_figures_stand_where_guidelines_differ(profile: str) -> None:
    """In a crisis potassium is left out above 5.0 (Umpierrez 2024), 5.5 (JBDS 2023) or 5.2 (Kitabchi 2009): the card that speaks names all three."""
    dka = condition("diabetic_ketoacidosis", "ketoacidosis", recorded=60)
    held = chart(result("potassium", "5.4", age=20), dka, potassium_bag("20", "500", "4", drafted=True))
    if profile == "uk-2023":
        assert LEVEL not in spoken(held, knowledge(profile))
        return
    text = details(held, LEVEL, knowledge(profile))
    assert all(figure in text for figure in ("5 mmol/L (consensus-2024)", "5.5 mmol/L (uk-2023)", "5.2 mmol/L (us-2009)")), text


# Suggestions -------------------------------------------------------------------------------------------------------------------------


def offered(held: Chart, problem: str) -> list[str]:
    """The labels that are offered on a problem's card."""
    made = assess(held, NO_MEMORY, knowledge())
    return [change.label for change in offers(held, made, knowledge()).by_problem.get(problem, ())]


def test_hz_37_a_push_is_offered_as_a_bag_only_while_potassium_is_wanted() -> None:
    """The bag that would replace the push is judged itself: at 6.2 it is dropped."""
    push = order("potassium_chloride", drafted=True, push=True, dose=("20", "mmol"))
    assert any("20 mmol in 500 mL" in label for label in offered(chart(result("potassium", "3.0", age=60), push), "potassium infusion"))
    assert not any("20 mmol in 500 mL" in label for label in offered(chart(result("potassium", "6.2", age=60), push), "potassium infusion"))


def test_hz_17_a_child_is_offered_calcium_and_magnesium_by_weight() -> None:
    """0.5 mL/kg of 10 % is 50 mg/kg, at most 2 g (UK children's hospital guide); magnesium 25 mg/kg, at most 2 g (from memory). No weight, no offer."""

    def child(weight: str | None) -> list[str]:
        return offered(chart(result("potassium", "6.8", age=60), years=8, weight=weight), "potassium level")

    assert any("1000 mg" in label for label in child("20"))
    assert any("2000 mg" in label for label in child("60"))
    assert not any("calcium" in label for label in child(None))
    held = chart(result("magnesium", "0.4", age=60), condition("arrhythmia"), years=8, weight="20")
    assert any("500 mg" in label for label in offered(held, "magnesium"))


# Controls ----------------------------------------------------------------------------------------------------------------------------


def test_control_hz_09_without_the_doubt_a_haemolysed_sample_is_critical() -> None:
    with patch.object(potassium_level, "_doubtful", lambda scene: StateValue(FALSE)):
        known = knowledge_of(parameters())
    assert red("hyperkalaemia.md", "hz_09 haemolysed 6.6", known)
    assert red("potassium_order.md", "hz_09 haemolysed 6.5", known)


def test_control_hz_09_a_doubt_that_nothing_lifts_explains_a_true_one_away() -> None:
    with patch.object(potassium_level, "_second", lambda scene, highest: False):
        assert red("hyperkalaemia.md", "hz_09 haemolysed 6.6, sound 6.0 an hour before", knowledge_of(parameters()))
    with patch.object(potassium_level, "KIDNEYS", ()):
        assert red("hyperkalaemia.md", "hz_09 haemolysed 6.6 with kidney injury", knowledge_of(parameters()))


def test_control_hz_06_without_the_close_watch_an_old_potassium_counts_in_a_crisis() -> None:
    with patch.object(potassium_level, "_close_watch", lambda scene: StateValue(FALSE)):
        assert red("potassium_order.md", "hz_06 K 6.2, 241 min old in a crisis", knowledge_of(parameters()))


def nowhere(concepts: Sequence[str], *rest: Any, **more: Any) -> HasCondition:
    """A diagnosis that nobody of these charts has."""
    return HasCondition(("porphyria",), *rest, **more)


def test_control_hz_36_without_the_list_a_load_for_eclampsia_is_held_up() -> None:
    with patch.object(minerals_order, "HasCondition", nowhere):
        assert red("minerals_order.md", "hz_36 breaths 11 in eclampsia, the load", knowledge_of(parameters()))


def test_control_hz_36_without_the_list_a_first_antibacterial_is_held_up() -> None:
    with patch.object(qt, "HasCondition", nowhere):
        assert red("qt.md", "hz_36 levofloxacin in septic shock, K 2.9", knowledge_of(parameters()))


def test_control_hz_38_counting_orders_one_medicine_is_two() -> None:
    with patch.object(minerals, "_two_qt_drugs", lambda scene: StateValue(TRUE if len(scene.orders.if_signed) > 1 else FALSE)):
        assert red("qt.md", "hz_38 one in two orders, K 3.4, QTc 480", knowledge_of(parameters()))


def with_figure(key: str, value: str) -> Knowledge:
    """The knowledge with one figure changed for everybody."""
    changed: Any = copy.deepcopy(files())
    for table in changed.values():
        for each in table.get(key, {}).get("value", ()):
            each.pop("same_as", None)
            each["is"] = Decimal(value)
    return knowledge_of(parameter_set(changed))


def test_control_hz_29_without_the_error_of_two_samples_a_projection_is_critical() -> None:
    assert red("potassium_trend.md", "hz_29 4.02 to 3.60 in 1 h: 2.76 ahead", with_figure("potassium_two_samples_differ", "0.1"))


@pytest.mark.parametrize(
    ("key", "value", "table", "case"),
    [
        ("hyperkalaemia_severe_from", "6.6", "hyperkalaemia.md", "6.5"),
        ("hyperkalaemia_moderate_from", "6.1", "hyperkalaemia.md", "6.0"),
        ("hyperkalaemia_mild_from", "5.6", "hyperkalaemia.md", "5.5"),
        ("magnesium_seizure_below", "0.34", "minerals.md", "Mg 0.33"),
        ("phosphate_very_low_below", "0.33", "minerals.md", "phosphate 0.32"),
        ("calcium_ionised_very_low_below", "0.91", "minerals.md", "ionised 0.90"),
        ("potassium_undiluted_from", "2001", "potassium_order.md", "undiluted at 2 mmol/mL"),
        ("magnesium_breaths_below", "13", "minerals_order.md", "breaths 12 while it runs"),
    ],
)
def test_control_hz_22_a_moved_figure_turns_its_row_red(key: str, value: str, table: str, case: str) -> None:
    assert red(table, case, with_figure(key, value))


def test_hz_24_insulin_is_not_told_to_run_and_to_wait_at_once() -> None:
    """A falling potassium is silent where insulin already waits for potassium (MET 1.7)."""
    held = chart(result("potassium", "4.4", age=120), result("potassium", "3.4", age=0), insulin("6", start=300))
    said = spoken(held)
    assert said["insulin-with-low-potassium"] == "critical" and "potassium-falling-on-insulin" not in said
