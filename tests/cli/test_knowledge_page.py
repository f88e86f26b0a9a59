"""`trivet knowledge`: everything that judges stands on the page."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest

from cds.assess import Knowledge
from cds.cli import reference
from cds.cli.knowledge import QUALITY, markdown
from cds.formulas import FORMULAS
from cds.gaps import GAS, MISSING, STALE, UNUSABLE
from cds.logic.tabulate import limits_of, tabulate
from cds.numbers import shown
from cds.service.knowledge import load_knowledge
from cds.service.settings import Settings
from tests.cli.command import Trivet


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load_knowledge(Settings())


@pytest.fixture(scope="module")
def page(knowledge: Knowledge) -> str:
    return markdown(knowledge)


def cells(page: str) -> set[str]:
    return {cell.strip() for line in page.splitlines() if line.startswith("|") for cell in line.strip("|").split(" | ")}


def test_every_figure_of_every_profile_has_its_source_and_how_it_was_read(knowledge: Knowledge, page: str) -> None:
    text = page.partition("## Figures\n")[2]
    for key in knowledge.parameters:
        for row in knowledge.parameters.rows(key):
            source = re.escape(" ".join(row.source.replace("|", "\\|").replace("<", "&lt;").split()))
            assert re.search(rf"\| {row.profile} \| {row.population} \| .*\| {row.since} \| {source}.*\| {row.verified} \|", text), (key, row.profile)


def test_every_branch_stands_there_for_adults_and_children(knowledge: Knowledge) -> None:
    for code in knowledge.codes:
        rows = reference.criteria_of(knowledge, code)
        for people, population in (("adults", knowledge.adult), ("children", knowledge.child)):
            advisory = population.advisory(code)
            wanted = [(branch.name, row.criteria) for branch in advisory.branches for row in tabulate(branch.when)]
            assert [(row.branch, row.parts) for row in rows if people in row.people] == wanted, code


def test_every_figure_that_an_advisory_uses_stands_with_it(knowledge: Knowledge, page: str) -> None:
    for ready in (*knowledge.adult.ready, *knowledge.child.ready):
        section = page.partition(f"### {ready.advisory.code}\n")[2].partition("\n### ")[0]
        for branch in ready.advisory.branches:
            for limit in limits_of(branch.when):  # a limit made of a drug table's row stands in the criteria's words
                assert limit.key not in knowledge.parameters or f"`{limit.key}`" in section, (ready.advisory.code, limit.key)


def test_section_e_formulas_windows_and_tables_are_there(knowledge: Knowledge, page: str) -> None:
    found = cells(page)
    assert {f"`{code}`" for code in (MISSING, UNUSABLE, GAS, STALE)} == {f"`{code}`" for code, *_ in QUALITY} <= found
    assert {f"`{name}`" for name in FORMULAS} <= found
    windows = page.partition("## Look-back windows")[2].partition("\n## ")[0]
    assert re.search(r"\| potassium \| `potassium_age_to_start` \| 120 min \| 120 min \|", windows)
    for name in knowledge.parameters.table_names:
        assert f"### Table {name}" in page


def test_f_3_n_07_figures_in_two_units_that_differ_are_listed(knowledge: Knowledge, page: str) -> None:
    """70 mg/dL of glucose (180.16 g/mol) are 3.886 mmol/L; the source prints 3.9 beside it."""
    band = next(b for b in reference.bands_of(knowledge) if b.row.key == "hypoglycaemia_below" and b.row.profile == "consensus-2024")
    assert band.row.number == Decimal("3.9")
    assert shown(band.converted, 3) == "3.886"
    assert "| 3.886 to 3.9 mmol/L |" in page
    pairs = {(row.key, row.profile) for key in knowledge.parameters for row in knowledge.parameters.rows(key) if row.also}
    listed = {(band.row.key, band.row.profile) for band in reference.bands_of(knowledge)}
    assert listed <= pairs
    # Potassium in meq/L is the same number as in mmol/L: no band.
    assert not any(band.analyte == "potassium" for band in reference.bands_of(knowledge))


def test_tables_are_well_formed(page: str) -> None:
    width = 0
    for line in page.splitlines():
        if not line.startswith("|"):
            width = 0
            continue
        columns = len(re.findall(r"(?<!\\)\|", line)) - 1
        assert columns == (width or columns), line[:200]
        width = columns


def test_the_command_prints_the_page(trivet: Trivet, page: str) -> None:
    assert trivet("knowledge", "--markdown").out == page


def test_one_advisory_for_a_person(trivet: Trivet) -> None:
    adult, child = trivet("knowledge", "--code", "insulin-with-low-potassium").out, trivet("knowledge", "--code", "insulin-with-low-potassium", "--child").out
    for text in ("insulin_needs_potassium_at_least", "consensus-2024", "3.5 mmol/L", "us-2009", "3.3 mmol/L", "Source:"):
        assert text in adult, text
    assert "paediatric-2022" in child and "consensus-2024" not in child
    assert trivet("knowledge", "--markdown", "--code", "insulin-with-low-potassium").out.startswith("### insulin-with-low-potassium")


def test_an_unknown_code_is_refused(trivet: Trivet) -> None:
    said = trivet("knowledge", "--code", "nothing")
    assert (said.code, "there is no advisory 'nothing'" in said.err) == (2, True)


def test_the_overview_lists_every_code(trivet: Trivet, knowledge: Knowledge) -> None:
    out = trivet("knowledge").out
    assert [code for code in (*knowledge.codes, MISSING, UNUSABLE, GAS, STALE) if code not in out] == []


def test_a_site_s_figure_stands_on_its_page(trivet: Trivet, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(
        '[[insulin_needs_potassium_at_least.value]]\npopulation = "adult"\nsince = 2026-01-01\nis = 3.6\nsource = "drug committee"\nverified = "ours"\n',
        encoding="utf-8",
    )
    monkeypatch.setenv("TRIVET_SITE_PARAMETERS", str(site))
    assert "| site | adult | 3.6 mmol/L |" in trivet("knowledge", "--markdown").out
