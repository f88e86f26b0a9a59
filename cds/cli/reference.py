"""What the reference page and the tables of `trivet knowledge` are made of: read out of the knowledge itself, so that they cannot differ from it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from decimal import Decimal
from typing import Any

from cds import units
from cds.advisory import Advisory, Precedence
from cds.assess import Knowledge, Population
from cds.logic.criteria import Change, Extreme, Formula, Latest, NoneWithin, Slope
from cds.logic.tabulate import limits_of, tabulate
from cds.logic.wording import in_words, limit_in_words
from cds.numbers import shown
from cds.parameters import Absent, Limit, Parameter, ParameterSet
from cds.vocabulary import ANALYTES

_IN_WORDS = re.compile(r"\{p\.(\w+)\}")
_HOW = {"absorbs": "takes up as a line", "silences": "silences", "lowers": "lowers to warning at most"}
NO_FIGURE = "no figure"


@dataclass(frozen=True, slots=True)
class Criteria:
    """One way to meet a branch: whom it is for ("adults", "children" or both), and the parts that must all hold."""

    branch: str
    indicator: str
    people: str
    parts: tuple[str, ...]


def criteria_of(knowledge: Knowledge, code: str) -> list[Criteria]:
    """The branches of an advisory in the order in which they are tried, adults and children in one row where the words are the same."""
    rows = {
        people: [(b.name, b.indicator, row.criteria) for b in population.advisory(code).branches for row in tabulate(b.when)]
        for people, population in (("adults", knowledge.adult), ("children", knowledge.child))
    }
    shared = [row for row in rows["adults"] if row in rows["children"]]
    if shared != [row for row in rows["children"] if row in shared]:
        shared = []  # tried in another order: one list each
    found: list[Criteria] = []
    left = list(rows["children"])
    for row in rows["adults"]:
        if row in shared:
            while left[0] != row:
                found.append(_criteria(left.pop(0), "children"))
            found.append(_criteria(left.pop(0), "adults and children"))
        else:
            found.append(_criteria(row, "adults"))
    return [*found, *(_criteria(row, "children") for row in left)]


def _criteria(row: tuple[str, str, tuple[str, ...]], people: str) -> Criteria:
    name, indicator, parts = row
    return Criteria(name, indicator, people, parts)


def keys_of(advisory: Advisory, p: ParameterSet) -> list[str]:
    """Every figure that an advisory compares with, proposes or prints, in reading order."""
    limits = list(limits_of((advisory.over, advisory.satisfied, advisory.quiet, advisory.always_when, advisory.refire_minutes)))
    words: list[str] = []
    for branch in advisory.branches:
        limits += [*limits_of(branch.when), *limits_of(tuple(branch.words.facts.values())), *limits_of(tuple(branch.proposals))]
        for text in (branch.words.summary, *branch.words.found, *branch.words.do, *branch.words.cautions, *branch.words.differs):
            words += _IN_WORDS.findall(text)
    return [key for key in dict.fromkeys((*(limit.key for limit in limits), *words)) if key in p]


def rows_of(parameters: ParameterSet, key: str, population: str | None = None) -> list[Parameter]:
    """Every figure on file for a key: of all profiles and dates, or those that may hold for one population."""
    return [row for row in parameters.rows(key) if population is None or row.population in (population, "any")]


def figure(limit: Limit) -> str:
    """A figure with its unit, and what the source prints in another unit; in words where it is words; "as adults" where a row says so."""
    if isinstance(limit, Absent):
        return NO_FIGURE
    if limit.same_as is not None:
        return "as adults"
    if isinstance(limit.value, tuple):
        return ", ".join(shown(part) if isinstance(part, Decimal) else part for part in limit.value)
    return limit_in_words(limit)


def room_of(row: Parameter) -> str:
    """How far a site may move a figure."""
    return "" if row.range is None else f"{shown(row.range[0])} to {shown(row.range[1])}"


def precedence_in_words(row: Precedence) -> str:
    """What happens to another code when this one fires."""
    for_order = " for the same order" if row.scope == "order" else ""
    when = "" if len(row.at) == 3 else f" when {' or '.join(row.at)}"
    branch = f" (branch {', '.join(row.branches)})" if row.branches else ""
    return f"{_HOW[row.how]} `{row.code}`{for_order}{when}{branch}"


def nodes_of(population: Population) -> Iterator[Any]:
    """Every node of every criterion of a population, those of shared states too."""
    for ready in population.ready:
        advisory = ready.advisory
        yield from _walk((advisory.over, advisory.satisfied, advisory.quiet, advisory.always_when))
        for branch in advisory.branches:
            yield from _walk((branch.when, *branch.words.facts.values()))
    for state in population.states.values():
        yield from _walk(state.node)


def _walk(node: Any) -> Iterator[Any]:
    if isinstance(node, tuple):
        for part in node:
            yield from _walk(part)
    elif is_dataclass(node) and not isinstance(node, (type, Parameter, Absent)):
        yield node
        for field in fields(node):
            yield from _walk(getattr(node, field.name))


def windows_of(knowledge: Knowledge) -> dict[tuple[str, str], list[str]]:
    """Look-back windows: by what is looked for and the window's key, the windows of adults and of children in words."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for population in (knowledge.adult, knowledge.child):
        for node in nodes_of(population):
            match node:
                case Latest(analyte, within, _) | Slope(analyte, within) | Change(analyte, within) | Extreme(analyte, within):
                    wanted = [(analyte.replace("_", " "), within)]
                case Formula(name, within):
                    wanted = [(f"inputs of {name.replace('_', ' ')}", within)]
                case NoneWithin(analytes, within):
                    wanted = [(analyte.replace("_", " "), within) for analyte in analytes]
                case _:
                    continue
            for item, window in wanted:
                found.setdefault((item, window.key), {})[population.name] = figure(window)
    return {key: [figures.get("adult", ""), figures.get("child", "")] for key, figures in sorted(found.items())}


@dataclass(frozen=True, slots=True)
class Band:
    """A figure that its source prints in two units which are not the same amount (N-07, F-3): the second one in the unit of the first, and what lies between."""

    row: Parameter
    analyte: str
    other: str
    converted: Decimal

    @property
    def between(self) -> str:
        """The values that are on one side of the figure in one unit and on the other side in the other."""
        own = self.row.number
        low, high = sorted((own, self.converted))
        return f"{shown(low, 3)} to {shown(high, 3)} {self.row.unit}"


def bands_of(knowledge: Knowledge) -> list[Band]:
    """Every pair of printed figures that differ when one is converted, by key and profile."""
    compared: dict[str, dict[str, None]] = {}
    for population in (knowledge.adult, knowledge.child):
        for node in nodes_of(population):
            item = getattr(node, "item", None)
            of = item.analyte if isinstance(item, Latest) else item.of if isinstance(item, (Change, Extreme)) else ""
            if of in ANALYTES:
                for limit in limits_of(tuple(getattr(node, name) for name in ("limit", "low", "high") if hasattr(node, name))):
                    compared.setdefault(limit.key, {})[of] = None
    found: list[Band] = []
    for key in sorted(knowledge.parameters):
        for row in knowledge.parameters.rows(key):
            for also in row.also:
                for analyte in compared.get(key, {"": None}):
                    converted = _converted(analyte, also.value, also.unit, row.unit)
                    if converted is not None and isinstance(row.value, Decimal) and converted != row.value:
                        found.append(Band(row, analyte, f"{shown(also.value)} {also.unit}", converted))
    return found


def _converted(analyte: str, value: Decimal, unit: str, into: str) -> Decimal | None:
    factors = (units.analyte_factor(analyte, unit), units.analyte_factor(analyte, into)) if analyte else (None, None)
    if factors[0] is not None and factors[1] is not None:
        return value * factors[0] / factors[1]
    try:
        return units.convert(value, unit, into)
    except units.UnitError:
        return None


def states_of(knowledge: Knowledge) -> list[tuple[str, str, str, str]]:
    """Shared states: name, what it means, its criteria in words for adults and for children ("" where it is a computation)."""
    made = []
    for name, state in knowledge.adult.states.items():
        child = knowledge.child.states[name]
        words = ["" if each.node is None else in_words(each.node) for each in (state, child)]
        made.append((name, state.means, words[0], words[1] if words[1] != words[0] else "as adults" if words[0] else ""))
    return made


def indicators_of(advisory: Advisory) -> str:
    """The indicators that an advisory can have, the worst first."""
    found = {branch.indicator for branch in advisory.branches}
    return ", ".join(name for name in ("critical", "warning", "info") if name in found)


def files_of(parameters: ParameterSet, keys: Iterable[str]) -> dict[str, list[str]]:
    """Keys by the file that holds them."""
    found: dict[str, list[str]] = {}
    for key in keys:
        found.setdefault(parameters.rows(key)[0].table, []).append(key)
    return dict(sorted(found.items()))
