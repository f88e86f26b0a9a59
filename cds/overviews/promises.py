"""Promises: an override "will monitor" has a due time, and the next call looks whether the result came (B14, HZ-47)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from cds.advisory import Outcome, Verdict
from cds.chart import MINUTE, Chart, Feed, Memory, Promise, Result
from cds.knowledge import Knowledge
from cds.logic.reason import Seen
from cds.overviews.views import PROMISE, Line, Overview, Part, clock_time, spell
from cds.parameters import Parameter, ParameterSet
from cds.vocabulary import ANALYTES

WAITING, KEPT, LATE, BROKEN, NOT_KNOWN = "waiting", "kept", "kept late", "broken", "not known"
WILL_MONITOR = "will-monitor"
SOURCES = ("Own rule: a check that was promised is looked for when it is due", "Slight SP et al. 2013: about a third of such promises were kept")


@dataclass(frozen=True, slots=True)
class Promised:
    """One promise as it stands now. `items`: a newer result of one of them keeps it. `due` in epoch ms; `result` is the one that kept it."""

    promise: Promise
    items: tuple[str, ...]
    due: int
    state: str
    result: Result | None = None


def checked(chart: Chart, memory: Memory, knowledge: Knowledge) -> tuple[Promised, ...]:
    """Each promise that can be looked for, of each advisory the newest, in the order in which they are due."""
    if not memory.promises:
        return ()
    p = knowledge.adult.p
    newest: dict[str, Promise] = {}
    for promise in sorted(memory.promises, key=lambda each: (each.at, each.indicator)):
        newest[promise.code] = promise
    made = [found for promise in newest.values() if (found := _checked(chart, promise, p)) is not None]
    return tuple(sorted(made, key=lambda each: (each.due, each.promise.code)))


def _checked(chart: Chart, promise: Promise, p: ParameterSet) -> Promised | None:
    row = _row(p, promise.code)
    remembered = p["promise_remembered"]
    if row is None or not isinstance(remembered, Parameter) or chart.now - promise.at > int(remembered.number) * MINUTE:
        return None
    items = tuple(str(item) for item in row["items"])
    minutes = row["minutes"]
    due = promise.at + int(minutes if isinstance(minutes, Decimal) else 0) * MINUTE
    since = [result for item in items if (result := _first_since(chart, item, promise.at)) is not None]
    if since:
        first = min(since, key=lambda result: (result.at.latest, result.ref))
        return Promised(promise, items, due, KEPT if first.at.latest <= due else LATE, first)
    if chart.now < due:
        return Promised(promise, items, due, WAITING)
    return Promised(promise, items, due, BROKEN if all(_sent(chart, item, promise.at) for item in items) else NOT_KNOWN)


def _row(p: ParameterSet, code: str) -> Mapping[str, Any] | None:
    return next((row for row in p.table("promises") if row["code"] == code), None)


def _first_since(chart: Chart, item: str, at: int) -> Result | None:
    """The first result that was surely drawn after the promise: one that may be older keeps nothing (HZ-06)."""
    found = [r for r in chart.results.since(item, at) if r.at.earliest is not None and at < r.at.earliest and r.at.latest <= chart.now]
    return min(found, key=lambda r: (r.at.latest, r.ref), default=None)


def _sent(chart: Chart, item: str, since: int) -> bool:
    """Whether the lists of an item would show a result of that time: only then may "there is none" be said (HZ-07)."""
    sources = [chart.source(key) for key in chart.item_keys.get(item, ())]
    return all(source.feed is Feed.WHOLE or source.covers(since) for source in sources)


def without_broken(memory: Memory, promised: tuple[Promised, ...]) -> Memory:
    """The memory in which a promise that was not kept holds nothing back any more: what was overridden speaks again."""
    broken = {each.promise.code for each in promised if each.state == BROKEN}
    if not broken:
        return memory
    # Only what rested on the promise: an override for another reason, or one made since, stands.
    gone = {(each.promise.code, each.promise.at) for each in promised if each.state == BROKEN}
    return replace(memory, overrides=tuple(o for o in memory.overrides if o.reason != WILL_MONITOR or (o.code, o.at) not in gone))



def overdue(promised: tuple[Promised, ...]) -> tuple[Promised, ...]:
    """The promises whose time has passed and for which no newer result is there."""
    return tuple(each for each in promised if each.state == BROKEN)


def promise_line(each: Promised, title: str, now: int) -> Line:
    """One promise in words: what was overridden, when, what was due and that nothing came."""
    items = " or ".join(ANALYTES[item].label for item in each.items)
    text = (
        f"'{title}' was overridden {spell(max(0, (now - each.promise.at) // MINUTE))} ago with 'will monitor': {items} was due at {clock_time(each.due, now)}, "
        f"overdue by {spell((now - each.due) // MINUTE)}, and no newer result is on record"
    )
    return Line(text)


def fingerprint(promised: tuple[Promised, ...]) -> str:
    """What the card rests on: the same promises give the same words, a new one another."""
    text = ";".join(f"{each.promise.code}@{each.promise.inputs}" for each in promised)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def card(promised: tuple[Promised, ...], titles: Mapping[str, str], memory: Memory, p: ParameterSet, now: int) -> tuple[Verdict, Overview | None]:
    """The warning about promises that were not kept, and why there is none. Held back like any warning after an override of its own (N-08)."""
    broken = overdue(promised)
    if not broken:
        return Verdict(PROMISE, Outcome.NOT_MET if promised else Outcome.NOT_APPLICABLE, "; ".join(f"{e.promise.code}: {e.state}" for e in promised) or "no promise"), None
    inputs, again = fingerprint(broken), p["refire_warning"]
    if isinstance(again, Parameter):
        floor = now - int(again.number) * MINUTE
        if any(o.code == PROMISE and o.inputs == inputs and o.at > floor for o in memory.overrides):
            return Verdict(PROMISE, Outcome.HELD_BACK, "overridden on the same inputs"), None
    first = broken[0]
    items = " or ".join(ANALYTES[item].label for item in first.items)
    more = f" (+{len(broken) - 1} more)" if len(broken) > 1 else ""
    summary = f"{items[:1].upper()}{items[1:]} check is {spell((now - first.due) // MINUTE)} overdue: 'will monitor' was promised, no newer result{more}"
    lines = tuple(promise_line(each, titles.get(each.promise.code, each.promise.code), now) for each in broken)
    advice = Line(f"By local protocol: measure {items} now, or say who decided that it is no longer needed; then look again at what was overridden.")
    caution = Line("A result that was not sent to this service is not seen here.")
    parts = (Part("Promised and not seen", lines), Part("What to do", (advice,)), Part("Cautions", (caution,)))
    return Verdict(PROMISE, Outcome.FIRED, "overdue"), Overview(PROMISE, "warning", summary, parts, SOURCES, inputs, test=first.items[0])


def seen_of(promised: Promised) -> tuple[Seen, ...]:
    """The result that kept a promise, as evidence."""
    r = promised.result
    return () if r is None else (Seen("result", r.analyte, r.text, r.ref, r.value, at=r.at, path=r.path),)
