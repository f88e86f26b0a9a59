"""What holds for every advisory: words that fit a card, figures that exist and are used, sources, and what may never be recommended."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from cds import topics
from cds.advisory import Advisory, Branch, Fact, Withdraw, Words
from cds.assess import knowledge_of
from cds.cards.words import fill, summary
from cds.logic.criteria import Age, DayTotal, Formula, Latest, Limit, OfOrder, Since, Total
from cds.parameters import ADULT_PROFILES, CHILD_PROFILES, SEIZURE_PROFILES, Absent, Parameter, ParameterSet
from cds.states import STATES
from cds.topics import CATALOGUE, TOPICS
from cds.vocabulary import DRUGS
from tests.topics.table import CDS, files, parameters

PROFILES = (*ADULT_PROFILES, *CHILD_PROFILES, *SEIZURE_PROFILES)
HERE = Path(topics.__file__).parent
MODULES = sorted(path for path in HERE.glob("*.py") if path.name not in ("__init__.py", "catalogue.py"))

# The longest that each kind of number usually shows; a longer one loses only its last words, never drug, direction or number.
LONGEST: dict[type, str] = {
    Latest: ">33.3 mmol/L",
    Formula: "123 mL/min/1.73 m2",
    Since: "120 to 1440 min",
    Total: "at least 120 mmol/h",
    DayTotal: "1200 to 1400 mmol in 24 h",
    OfOrder: "100.25 mmol/L",
    Age: "100 years",
}
ORDER = "Meropenem 1 g in 100 mL every 8 hours, iv"
DIRECTIONS = re.compile(
    r"\b([Gg]ive|[Mm]easure|[Ss]low|[Ss]top|[Cc]hoose|[Dd]ilute|[Cc]heck|[Pp]ause|[Rr]eplace|[Tt]reat|[Ss]tate|[Cc]all|[Ww]rite|[Uu]se|[Aa]dd|[Dd]ecide|[Rr]educe|confirm|"
    r"[Ll]ook for|[Rr]epeat|[Kk]eep|[Rr]aise|[Ll]ower|[Ww]ait|[Ss]tart|"
    r"potassium only|only with potassium|now|may be normal|may lower|will fall|falls fast|lowers the|common for a load|a senior confirms|keep the insulin)\b"
)


def each(profile: str = "") -> Iterator[tuple[ParameterSet, Advisory, Branch]]:
    """Every branch of every advisory, for adults and children."""
    for population in ("adult", "child"):
        p = parameters(profile).for_population("child" if population == "child" else "adult")
        for topic in TOPICS:
            for advisory in topic.advisories(p):
                for branch in advisory.branches:
                    yield p, advisory, branch


def longest(words: Words, advisory: Advisory, p: ParameterSet) -> dict[str, Fact]:
    """A fact of the longest usual text for each name."""
    facts = {name: Fact(LONGEST.get(type(expression), "123.45 mmol/L"), "1439 min ago") for name, expression in words.facts.items()}
    if advisory.table:
        facts |= {column: Fact(str(text)) for row in p.table(advisory.table) for column, text in row.items() if isinstance(text, str)}
    return facts


BRANCHES = [pytest.param(*found, id=f"{found[0].population} {found[1].code}: {found[2].name}") for found in each()]


@pytest.mark.parametrize(("p", "advisory", "branch"), BRANCHES)
def test_hz_30_summary_stands_in_its_first_hundred_characters(p: ParameterSet, advisory: Advisory, branch: Branch) -> None:
    """Under 140 characters at its longest; every number and every "not" before the cut at 100."""
    facts = longest(branch.words, advisory, p)
    text = fill(branch.words.summary, facts, p, ORDER, markdown=False)
    assert len(text) < 140, text
    assert summary(branch.words.summary, facts, p, ORDER) == text
    assert DIRECTIONS.search(text[:100]), text
    for name in _names(branch.words.summary):
        if name in facts:
            shown = re.sub(r"\{[^}]*\}", "", branch.words.summary[: branch.words.summary.index("{" + name + "}")])
            assert len(shown) <= 100, name
    assert not re.search(r"\b(not|no|never|unless|without|except)\b", text[100:]), text


@pytest.mark.parametrize(("p", "advisory", "branch"), BRANCHES)
def test_hz_40_every_template_resolves(p: ParameterSet, advisory: Advisory, branch: Branch) -> None:
    """No template names a fact or a figure that is not there, and none shows "no figure for this age"."""
    facts = longest(branch.words, advisory, p)
    words = branch.words
    for template in (words.summary, *words.found, *words.do, *words.cautions, *words.differs):
        text = fill(template, facts, p, ORDER)
        assert "no figure for this age" not in text, template
        assert not re.search(r"\s{2}|\{|\}", text), text


@pytest.mark.parametrize(("p", "advisory", "branch"), BRANCHES)
def test_hz_34_every_card_defers_warns_and_cites(p: ParameterSet, advisory: Advisory, branch: Branch) -> None:
    """Something to do, that defers to local protocol or asks a person to look; a caution; a source; and a trigger."""
    assert branch.words.do and branch.words.cautions and advisory.sources and advisory.trigger.clauses and advisory.purpose
    assert any(re.search(r"local|[Dd]ecide|Look|Ask|State|[Ff]ollow", line) for line in branch.words.do), branch.words.do


@pytest.mark.parametrize("profile", PROFILES)
def test_hz_48_knowledge_is_whole_under_every_profile(profile: str) -> None:
    """Every profile builds, and its summaries keep under 140 characters."""
    knowledge_of(parameters(profile))
    for p, advisory, branch in each(profile):
        assert len(fill(branch.words.summary, longest(branch.words, advisory, p), p, ORDER, markdown=False)) < 140


def test_hz_36_nothing_life_saving_is_recommended_away() -> None:
    """Withdrawing is recommended for an SGLT2 inhibitor and for bicarbonate that a ketoacidosis does not need."""
    recommended = {a.code for _, a, b in each() for proposal in b.proposals if isinstance(proposal, Withdraw) and proposal.recommended}
    assert recommended == {"sglt2-inhibitor-in-ketoacidosis", "bicarbonate-without-indication"}


def test_codes_are_of_the_catalogue_and_ours_alone() -> None:
    """Each code once in the catalogue; precedence names only codes of it."""
    assert len(set(CATALOGUE)) == len(CATALOGUE)
    for _, advisory, _ in each():
        assert advisory.code in CATALOGUE
        assert {row.code for row in advisory.precedence} <= set(CATALOGUE)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_hz_22_no_number_stands_in_a_topic(path: Path) -> None:
    """Figures live in parameter files: no numeric literal but 0, 1, 2, and no Decimal (F-51)."""
    assert offences(path.read_text()) == []


def test_control_hz_22_a_number_in_a_topic_is_found() -> None:
    """The check above sees a literal and a Decimal."""
    with pytest.raises(AssertionError):
        assert offences("limit = 3.5\n") == []
    with pytest.raises(AssertionError):
        assert offences("from decimal import Decimal\nlimit = Decimal('3.5')\n") == []


def offences(source: str) -> list[str]:
    """Numeric literals other than 0, 1, 2, and uses of Decimal."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool) and node.value not in (0, 1, 2):
            found.append(f"line {node.lineno}: {node.value}")
        if isinstance(node, ast.Name) and node.id == "Decimal":
            found.append(f"line {node.lineno}: Decimal")
    return found


def test_topics_do_not_import_one_another() -> None:
    """What two topics share moves down to cds.states."""
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom):
                assert not (node.module or "").startswith("cds.topics"), path.name


class Recorder(Mapping[str, Limit]):
    """A parameter set that remembers which keys and tables were asked for."""

    def __init__(self, inner: ParameterSet, asked: set[str]) -> None:
        self.inner, self.asked = inner, asked

    def __getitem__(self, key: str) -> Limit:
        self.asked.add(key)
        return self.inner[key]

    def __contains__(self, key: object) -> bool:
        return key in self.inner

    def __iter__(self) -> Iterator[str]:
        return iter(self.inner)

    def __len__(self) -> int:
        return len(self.inner)

    def table(self, name: str) -> Any:
        self.asked.add(f"table.{name}")
        return self.inner.table(name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)


def test_every_figure_is_used_and_every_used_figure_exists() -> None:
    """No key stands in a topic's or state's file without being read by a criterion, a word or the code that judges."""
    asked: set[str] = set()
    for profile in PROFILES:
        for population in ("adult", "child"):
            p: Any = Recorder(parameters(profile).for_population("child" if population == "child" else "adult"), asked)
            STATES(p)
            for topic in TOPICS:
                for advisory in topic.advisories(p):
                    for branch in advisory.branches:
                        words = branch.words
                        for template in (words.summary, *words.found, *words.do, *words.cautions, *words.differs):
                            asked |= {name[2:] for name in _names(template) if name.startswith("p.")}
    code = "\n".join(path.read_text() for path in sorted(CDS.rglob("*.py")) if "topics" not in path.parts)
    ours = [name for name in files() if (CDS / "topics" / name).exists() or (CDS / "states" / name).exists()]
    keys = {key for name in ours for key in files()[name] if key not in ("about", "table")}
    unused = {key for key in keys - asked if f'"{key}"' not in code and not key.startswith("refire_")}
    assert unused == set()
    assert asked - {key for key in asked if key.startswith("table.")} <= set(parameters())


def _names(template: str) -> list[str]:
    return [name for _, name, _, _ in string.Formatter().parse(template) if name]


def test_hz_11_the_threshold_table_is_whole() -> None:
    """Every drug of the class has its row (flumazenil has a code of its own), and every row's drug is known."""
    p = parameters().for_population("adult")
    table = {str(row["drug"]) for row in p.table("t1")}
    assert table <= set(DRUGS)
    assert {name for name, drug in DRUGS.items() if "seizure_threshold_lowering" in drug.classes} - {"flumazenil"} == table
    for row in p.table("t1"):
        assert row["grade"] in ("A", "B", "C") and row["grade_ongoing"] in ("A", "B", "C") and row["grade_epilepsy"] in ("A", "B", "C")
        assert row["source"] and row["verified"]


def test_hz_17_a_child_has_figures_of_its_own_or_none() -> None:
    """No adult dose or limit reaches a child but by a row that says so."""
    adult, child = (parameters().for_population(name) for name in ("adult", "child"))
    assert isinstance(child["potassium_offer_amount"], Absent)
    assert isinstance(child["hypoglycaemia_glucose_20"], Absent)
    mine = {name for name in files() if (CDS / "topics" / name).exists() or (CDS / "states" / name).exists()}
    for key in child:
        found = child[key]
        if isinstance(found, Parameter) and found.table in mine and found.population == "adult":
            raise AssertionError(f"{key}: an adult's row for a child")
        if isinstance(found, Parameter) and found.same_as is not None:
            assert isinstance(adult[key], Parameter) and "same as adult" in found.source


def test_states_have_names_definitions_and_no_circle() -> None:
    """Each state is a criterion or a function, with words for a committee."""
    for population in ("adult", "child"):
        for name, state in STATES(parameters().for_population("child" if population == "child" else "adult")).items():
            assert name == state.name and state.means and state.source
            assert (state.node is None) != (state.compute is None)

