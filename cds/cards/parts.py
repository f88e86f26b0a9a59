"""Small pieces of cards: entries of the machine-readable part, sections of the detail, and which of several things is told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from cds.advisory import NOT_KNOWN, Advisory, Finding, Group
from cds.cards.words import plain, readable
from cds.chart import Order
from cds.gaps import Item
from cds.logic.criteria import Expression
from cds.logic.flip import Flip, comparisons_of
from cds.logic.reason import Seen
from cds.numbers import shown
from cds.parameters import ParameterSet
from cds.vocabulary import DRUGS


def names_of(part: str, text: str) -> str:
    """Diluents by their labels instead of our names."""
    if part != "diluent":
        return readable(text)
    return ", ".join(DRUGS[name].label if name in DRUGS else name for name in text.split(", "))


def with_parts(seen: Iterable[Seen]) -> Iterable[Seen]:
    """Evidence, and under each computed number what it was made of."""
    for each in seen:
        yield each
        yield from with_parts(each.parts)


def entry_of(finding: Finding, role: str) -> dict[str, Any]:
    """A finding as the extension lists it (F-10)."""
    entry: dict[str, Any] = {"code": finding.code, "indicator": finding.indicator, "role": role, "branch": finding.branch.name}
    orders = finding.orders
    if orders:
        entry["orders"] = list(orders)
    if finding.lowered_by:
        entry["lowered-by"] = finding.lowered_by
    return entry


def says_nothing(line: str, finding: Finding) -> bool:
    """Whether a line is about numbers none of which is known, and what became of them is not told by it or is told by the gaps anyway."""
    named = [fact for name, fact in finding.facts.items() if f"{{{name}}}" in line]
    if not named or any(fact.text != NOT_KNOWN for fact in named):
        return False
    told = {gap.detail for leaf in finding.why.leaves for gap in leaf.gaps}
    return ".age}" not in line or all(fact.age in told for fact in named)


def short_name(order: Order | None) -> str:
    """An order by its drugs: a summary has no room for more, and nothing from outside stands in it where the drug is known."""
    if order is None:
        return ""
    if not order.drugs:
        return order.label
    return " with ".join(DRUGS[drug].label for drug in order.drugs[:2])


def told_apart(group: Group) -> list[Finding]:
    """The findings of a card whose flip is worth telling: the leading one, and those that rest on a number on which no earlier one rests."""
    told: list[Finding] = []
    numbers: set[Expression] = set()
    for finding in (group.lead, *group.others):
        own = {comparison.item for leaf in finding.why.leaves for comparison in comparisons_of(leaf)}
        if finding is group.lead or not own <= numbers:
            told.append(finding)
        numbers |= own
    return told


def distinct(flips: Iterable[Flip | None]) -> list[Flip]:
    """The flips, those that name the same number at the same value once."""
    found: dict[tuple[str, str, str], Flip] = {}
    for flip in flips:
        if flip is not None:
            found.setdefault((flip.item, shown(flip.at), flip.direction), flip)
    return list(found.values())


def item_data(item: Item) -> dict[str, Any]:
    """What could not be judged, for the machine-readable part."""
    data: dict[str, Any] = {
        "code": item.code, "item": item.item, "state": item.state, "indicator": item.indicator, "text": plain(item.text, 300),
        "resource": item.ref, "path": item.path, "if-held": item.if_held,
    }  # fmt: skip
    if item.waits:
        data["waits"] = [{"code": code, "indicator": indicator} for code, indicator in item.waits]
    if item.keys:
        data["looked-for-in"] = list(item.keys)
    return pruned(data)


def pruned(data: dict[str, Any]) -> dict[str, Any]:
    """Without what is empty: an answer never holds a null or an empty value."""
    return {key: value for key, value in data.items() if value not in ("", None, [], {})}


def section(title: str, lines: Iterable[str]) -> str:
    """A titled list in Markdown, each line once; "" without lines."""
    unique = list(dict.fromkeys(line for line in lines if line))
    return "\n".join([f"**{title}**", "", *(f"- {line}" for line in unique)]) if unique else ""


def review_by(advisory: Advisory, p: ParameterSet) -> dt.date:
    """The day by which the sources of an advisory are to be read again."""
    return dt.date.fromisoformat(advisory.reviewed) + dt.timedelta(days=int(p.number("review_after")))


def overdue(advisory: Advisory, p: ParameterSet, now: int) -> str:
    """A line where the sources of an advisory were to be read again before `now` (epoch ms), else "" (HZ-26)."""
    due = review_by(advisory, p)
    if dt.datetime.fromtimestamp(now // 1000, dt.UTC).date() <= due:
        return ""
    return f"{advisory.title}: review of these sources was due by {due}; a newer guideline may hold"


def clock(instant: int) -> str:
    """An instant (epoch ms) as FHIR writes it, in UTC to the second."""
    return f"{dt.datetime.fromtimestamp(instant // 1000, dt.UTC).isoformat()[:19]}Z"
