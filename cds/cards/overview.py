"""The card of an overview: its parts as titled lists, what a finding says in its own words, and the data that it shows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from cds.advisory import Finding
from cds.cards.parts import clock, pruned, section
from cds.cards.words import literal, plain, readable, sentence
from cds.chart import MINUTE
from cds.overviews import Line, Overview

Told = Callable[[Finding], str]
_MOST_SOURCES = 5
_LONGEST = 400


def summary_of(view: Overview) -> str:
    """One sentence of at most 139 characters that stands alone in its first hundred."""
    return sentence(readable(view.summary))


def detail_of(view: Overview, told: Told, closing: str) -> str:
    """The parts in their order, the sources and the closing line. Text from outside stands in it as it is (HZ-40)."""
    parts = [section(part.title, [_line(line, told) for line in part.lines]) for part in view.parts]
    parts += [section("Sources", view.sources[:_MOST_SOURCES]), closing]
    return "\n\n".join(part for part in parts if part)


def _line(line: Line, told: Told) -> str:
    if line.finding is not None:
        return told(line.finding)
    return literal(readable(line.text), _LONGEST)


def entry_of_view(view: Overview) -> dict[str, Any]:
    """The overview as the extension lists it. What it shows of other codes is under `shows_of`: those have their own cards."""
    return {"code": view.code, "indicator": view.indicator, "role": "lead"}


def shows_of(view: Overview) -> list[dict[str, Any]]:
    """The codes whose findings it tells, each once."""
    found = {line.finding.code: line.finding.indicator for part in view.parts for line in part.lines if line.finding is not None}
    return [{"code": code, "indicator": indicator} for code, indicator in found.items()]


def inputs_of(view: Overview, now: int) -> list[dict[str, Any]]:
    """Each datum that its own lines show, with the resource that it is from."""
    made: dict[tuple[str, str, str], dict[str, Any]] = {}
    for seen in view.seen:
        for each in (seen, *seen.parts):
            if not each.ref or (each.ref, each.item, each.text) in made:
                continue
            entry: dict[str, Any] = {"item": each.item, "resource": each.ref, "value": plain(each.text, 160), "method": each.method}
            if each.at is not None:
                entry["at"] = clock(each.at.latest)
                entry["age-minutes"] = max(0, (now - each.at.latest) // MINUTE)
            made[each.ref, each.item, each.text] = pruned(entry)
    return list(made.values())
