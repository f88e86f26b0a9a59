"""Every figure on which guidelines differ, as a pair of judgements of one chart that lies between them; the card names both figures (HZ-25)."""

from __future__ import annotations

import importlib
import re
from dataclasses import replace
from decimal import Decimal

import pytest

from cds.advisory import Finding
from cds.cards import guidelines
from cds.cards.guidelines import GUIDELINES
from cds.parameters import ParameterSet
from cds.states.parts import guidelines_print
from tests.cards.making import body_of
from tests.topics.table import Row, knowledge, parameters, rows

build = importlib.import_module("cds.cards.build")  # the package's own name for it is its function
ROWS = rows("guideline_differences.md")
# Figures that differ and are shown, not compared with a patient's value: each is told in the words of its card.
TOLD = {
    "due_gas", "due_ketones", "due_potassium", "formula_hyperosmolar_fluid_deficit_high", "formula_insulin_total_high", "glucose_beside_insulin",
    "course_insulin_step", "hyperosmolar_fall", "hyperosmolar_fluid", "hyperosmolar_insulin", "hypertonic_saline", "insulin_overlap",
    "insulin_rate_with_glucose", "ketoacidosis_fluid", "ketoacidosis_insulin", "potassium_in_fluid", "potassium_infusion_usual", "sodium_lowering",
    "oedema_treatment", "bicarbonate_given",
}  # fmt: skip


def under(row: Row, side: str) -> Row:
    """The row as judged under one of its two profiles, for the codes that the row names."""
    cells = {**dict(row.cells), "profile": row.cell(side), "expect": re.sub(r", says \w+", "", row.cell(f"expect {side}"))}
    codes = frozenset(re.findall(r"[a-z0-9-]+(?= (?:critical|warning|info))", f"{row.cell('expect one')} {row.cell('expect other')}"))
    return replace(row, name=f"{row.name}, {row.cell(side)}", cells=tuple(cells.items()), codes=codes)


def sides() -> list[Row]:
    return [under(row, side) for row in ROWS for side in ("one", "other")]


def details(row: Row) -> str:
    """Everything that the cards of a row say, summaries and details."""
    cards = body_of(row.chart(), knowledge(row.profile))["cards"]
    return "\n".join(f"{card['summary']}\n{card['detail']}" for card in cards)


def told(row: Row, key: str) -> bool:
    """Whether the cards name both figures. The words of a card are ours, so they stand there as they are made."""
    population = "child" if "y" in row.cell("patient") and int(row.cell("patient").split("y")[0]) < 18 else "adult"
    return guidelines_print(parameters(row.profile).for_population(population), key) in details(row)


@pytest.mark.parametrize("row", sides(), ids=str)
def test_hz_25_each_guideline_judges_by_its_own_figure(row: Row) -> None:
    assert row.found() == row.expect()


@pytest.mark.parametrize("row", [row for row in ROWS if "says" in row.cell("expect one")], ids=str)
def test_hz_25_one_code_is_worded_by_its_own_guideline(row: Row) -> None:
    wanted = [re.findall(r"says (\w+)", row.cell(f"expect {side}"))[0] for side in ("one", "other")]
    said = [details(under(row, side)) for side in ("one", "other")]
    assert wanted[0] in said[0] and wanted[1] in said[1]
    assert said[0].splitlines()[0] != said[1].splitlines()[0]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_hz_25_the_card_names_both_figures(row: Row) -> None:
    shown = [side for side in (under(row, side) for side in ("one", "other")) if side.expect()]
    keys = [key for key in row.cell("figures").split() if not key.endswith("_compare")]
    assert all(any(told(side, key) for side in shown) for key in keys)


@pytest.mark.parametrize("population", ["adult", "child"])
def test_hz_25_no_figure_that_differs_is_left_out(population: str) -> None:
    listed = {key for row in ROWS for key in row.cell("figures").split()}
    assert differing(parameters().for_population(population)) <= listed | TOLD  # type: ignore[arg-type]


def differing(p: ParameterSet) -> set[str]:
    """The figures that guidelines for a population print differently."""
    found = set()
    for key in p:
        printed = {row.value for row in p.rows(key) if row.population in (p.population, "any") and row.profile in GUIDELINES and row.value != ""}
        if len(printed) > 1:
            found.add(key)
    return found


def test_control_hz_25_a_card_that_keeps_silent_about_it_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(finding: Finding, p: ParameterSet) -> list[str]:
        return []

    row = next(under(row, "one") for row in ROWS if row.cell("figures").startswith("ketoacidosis_severe_bicarbonate"))
    assert told(row, "ketoacidosis_severe_bicarbonate")
    monkeypatch.setattr(build, "disagreements", none)
    assert not told(row, "ketoacidosis_severe_bicarbonate")


def test_outside_the_band_nothing_is_said() -> None:
    p = parameters().for_population("adult")
    assert guidelines.printed_between(p, "ketoacidosis_severe_bicarbonate") == (Decimal(5), Decimal(10))
    row = next(under(row, "one") for row in ROWS if row.cell("figures").startswith("ketoacidosis_severe_bicarbonate"))
    cells = dict(row.cells) | {"results": row.cell("results").replace("hco3 7", "hco3 4")}
    assert not told(replace(row, cells=tuple(cells.items())), "ketoacidosis_severe_bicarbonate")
