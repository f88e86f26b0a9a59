"""Overviews of small charts, and tables of what they say. The cells of a table are read as those of tests/topics; a row adds

    outcome     of the overview's verdict: fired, not_met, unknown, not_applicable, out_of_scope
    indicator   of the card; - where there is none
    says        "part: words" entries parted by ";" that must stand in a line of that part ("head: words" for the summary)
    never       words that may stand nowhere on the card
"""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Outcome
from cds.assess import assess
from cds.call import Flips
from cds.candidates import offers
from cds.cards.build import Call, Cards, CardSettings, build
from cds.chart import NO_MEMORY, Chart, Memory
from cds.gaps import quality
from cds.overviews import Overview, Overviews, checked, overviews, without_broken
from tests.topics.table import Row, knowledge, rows

PARTS = {
    "what": "What and how bad", "running": "Now running", "trend": "Trend", "due": "Due", "next": "Next step and its gate", "gaps": "Could not be judged",
    "against": "Speaks against leaving", "unknown": "Not known", "fits": "Fits", "ask": "Not in what this service reads: to be confirmed by a person",
}  # fmt: skip


def views(held: Chart, memory: Memory = NO_MEMORY, *, profile: str = "", off: frozenset[str] = frozenset()) -> Overviews:
    """The overviews of a chart, as a call makes them."""
    known = knowledge(profile)
    promised = checked(held, memory, known)
    left = without_broken(memory, promised)
    made = assess(held, left, known, off=off)
    return overviews(held, made, quality(held, made, known), left, promised, known, off)


def cards(held: Chart, memory: Memory = NO_MEMORY, *, profile: str = "") -> Cards:
    """The whole answer."""
    known = knowledge(profile)
    promised = checked(held, memory, known)
    left = without_broken(memory, promised)
    made = assess(held, left, known)
    missing = quality(held, made, known)
    shown = overviews(held, made, missing, left, promised, known)
    call = Call("00000000-0000-4000-8000-000000000001", "pat-1", "enc-1", lambda _: None)
    flips = Flips(held, known.population(made.population), made.scene)
    return build(held, made, offers(held, made, known), missing, known, call, flips.of, CardSettings(), shown.cards)


def card(made: Overviews, code: str) -> Overview | None:
    """The card of a code, if there is one."""
    return next((view for view in made.cards if view.code == code), None)


def outcome(made: Overviews, code: str) -> Outcome:
    """What became of a code."""
    return next(verdict.outcome for verdict in made.verdicts if verdict.code == code)


def told(view: Overview) -> dict[str, list[str]]:
    """The lines of each part; a finding counts as its code."""
    made = {part.title: [line.text or str(line.finding and line.finding.code) for line in part.lines] for part in view.parts}
    return {**made, "head": [view.summary]}


def says(view: Overview, entry: str) -> bool:
    """Whether "part: words" stands on the card."""
    part, words = entry.split(":", 1)
    return any(words.strip() in line for line in told(view).get(PARTS.get(part.strip(), part.strip()), []))


def faults(row: Row, code: str, hook: str) -> list[str]:
    """Where a row and the overview differ; nothing when they agree."""
    held = replace(row.chart(), hook=row.cell("hook") or hook)
    made = views(held, profile=row.profile)
    view, found = card(made, code), outcome(made, code).value
    wrong = [] if found == row.cell("outcome") else [f"outcome {found}"]
    indicator = "" if view is None else view.indicator
    if indicator != row.cell("indicator"):
        wrong.append(f"indicator {indicator}")
    if view is not None:
        text = told(view)
        wrong += [f"does not say '{entry}': {text}" for entry in entries(row, "says") if not says(view, entry)]
        wrong += [f"says '{words}'" for words in entries(row, "never") if any(words in line for lines in text.values() for line in lines)]
    elif entries(row, "says"):
        wrong.append("no card")
    return wrong


def entries(row: Row, column: str) -> list[str]:
    """The entries of a cell."""
    return [entry.strip() for entry in row.cell(column).split(";") if entry.strip()]


def table(name: str) -> list[Row]:
    """The rows of a table of this folder."""
    return rows(f"../overviews/{name}")

