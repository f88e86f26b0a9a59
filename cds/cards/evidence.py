"""What a card rests on, in lines that a tired reader takes in: one line for each result, diagnosis, order and computed number that decided."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal

from cds.advisory import NOT_KNOWN, Finding
from cds.cards.words import ago, literal, readable
from cds.chart import MINUTE
from cds.logic.criteria import NoneWithin
from cds.logic.reason import GapState, Seen
from cds.logic.truth import TRUE
from cds.vocabulary import ANALYTES

_DAYS_TOLD_AS_AGE = 2 * 24 * 60
RECORDS = {"susceptibility": "Culture", "culture": "Culture", "allergy": "Allergy", "procedure": "Procedure", "investigation": "Ordered"}


def evidence_lines(findings: Iterable[Finding], now: int, *, together_minutes: Decimal, said: Iterable[str] = ()) -> list[str]:
    """The lines: results first, those that the words name before the others. Only what speaks for the findings: what merely speaks against another branch is
    in the machine-readable part. Of several results of one analyte those drawn together with the newest are told; one that a line of `said` tells is left out.
    """
    findings = tuple(findings)
    facts = [seen for finding in findings for fact in finding.facts.values() if fact.text != NOT_KNOWN for seen in fact.seen]
    told, named = {seen.text for seen in facts}, {seen.item for seen in facts}
    results: dict[str, list[Seen]] = {}
    absent: dict[str, str] = {}
    numbers: dict[str, Seen] = {}
    conditions: dict[str, Seen] = {}
    orders: dict[str, list[Seen]] = {}
    records: dict[str, Seen] = {}
    lines = " ".join(said)
    for seen in facts:
        if seen.kind == "result" and seen.text not in lines:
            same = results.setdefault(seen.item, [])
            if seen not in same:
                same.append(seen)
    for finding in findings:
        for leaf in finding.why.leaves:
            if leaf.truth is not TRUE:
                continue
            for gap in leaf.gaps if isinstance(leaf.node, NoneWithin) else ():
                # An advisory that fires because something is not there names what became of it (F-9).
                if gap.state is not GapState.STALE or gap.last is None or gap.last.text not in told:
                    absent.setdefault(gap.item, capital(literal(gap.detail)))
            for seen in leaf.seen:
                if seen.kind == "result":
                    same = results.setdefault(seen.item, [])
                    if seen not in same:
                        same.append(seen)
                elif seen.kind == "condition":
                    conditions.setdefault(seen.ref or seen.text, seen)
                elif seen.kind in RECORDS:
                    records.setdefault(seen.ref or seen.text, seen)
                elif seen.kind in ("order", "administration") and seen.ref:
                    orders.setdefault(seen.ref, []).append(seen)
                elif seen.kind in ("formula", "total", "series", "event"):
                    numbers.setdefault(seen.item, seen)
    made = list(absent.values())
    made += [_results(item, results[item], now, together_minutes) for item in sorted(results, key=lambda item: item not in named)]
    made += [_number(seen, now) for seen in numbers.values() if seen.text not in told]
    made += [_record(seen, now) for seen in records.values()]
    made += [_condition(seen, now) for seen in conditions.values()]
    made += [_order(found) for found in orders.values()]
    return made


def label_of(item: str) -> str:
    """An analyte as a card calls it; other items without underscores."""
    return ANALYTES[item].label if item in ANALYTES else literal(item.replace("_", " "))


def _results(item: str, found: list[Seen], now: int, together_minutes: Decimal) -> str:
    newest = sorted(found, key=lambda s: (-_drawn(s), s.ref))
    floor = _drawn(newest[0]) - int(together_minutes * MINUTE)
    texts = [f"{literal(readable(s.text))} ({_marks(s, now)})" for s in newest if _drawn(s) >= floor]
    return f"{capital(label_of(item))} {'; '.join(texts)}"


def _drawn(seen: Seen) -> int:
    return 0 if seen.at is None else seen.at.latest


def _marks(seen: Seen, now: int) -> str:
    # The mark of the time is told with the age, not twice.
    notes = [note for note in seen.note.split("; ") if note and (seen.at is None or note != seen.at.mark)]
    return ", ".join(filter(None, (ago(now, seen), seen.method, *(literal(note) for note in notes))))


def _number(seen: Seen, now: int) -> str:
    if seen.kind == "event":
        return f"{capital(literal(seen.item))} {ago(now, seen)}"
    text = f"{capital(literal(seen.item))} {literal(readable(seen.text))}"
    return f"{text} (from {literal(readable(seen.note), 200)})" if seen.note else text


def _condition(seen: Seen, now: int) -> str:
    extra = [literal(seen.note)] if seen.note else []
    if seen.at is not None:
        minutes = max(0, (now - seen.at.latest) // MINUTE)
        if minutes <= _DAYS_TOLD_AS_AGE:
            extra.insert(0, ago(now, seen))
        else:
            # The year as it was sent: the end of a year is another year in UTC.
            year = seen.at.text[:4] or f"{dt.datetime.fromtimestamp(seen.at.latest / 1000, dt.UTC):%Y}"
            extra.insert(0, f"since {year}")
    return f"{literal(seen.text)} ({', '.join(extra)})" if extra else literal(seen.text)


def _record(seen: Seen, now: int) -> str:
    """What a laboratory reported, an allergy, or what was done or asked for."""
    text, kind = _condition(seen, now), RECORDS[seen.kind]
    return text if text.lower().startswith(kind.lower()) else f"{kind}: {text}"


def _order(found: list[Seen]) -> str:
    """The label once, with where it stands and what was computed of it."""
    label = next((s.text for s in found if s.note), found[0].item)
    notes = list(dict.fromkeys(s.note for s in found if s.note))
    figures = list(dict.fromkeys(readable(s.text) for s in found if s.value is not None))
    text = f"Order: {literal(label)}"
    if notes:
        text += f" ({', '.join(literal(note) for note in notes)})"
    return f"{text}: {literal('; '.join(figures), 200)}" if figures else text


def capital(text: str) -> str:
    """The first letter large."""
    # "pH" keeps its first letter.
    return text if text[1:2].isupper() else text[:1].upper() + text[1:]
