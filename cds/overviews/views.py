"""What an overview is: a card that reads other advisories' verdicts and the chart, part by part (F-49). The words of times that all of them share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from cds.advisory import Finding, Verdict
from cds.chart import MINUTE, Moment
from cds.logic.reason import Seen
from cds.numbers import shown
from cds.parameters import Parameter, ParameterSet

COURSE, DISCHARGE, PROMISE = "crisis-course", "discharge-readiness", "promised-check-overdue"
TITLES = {
    COURSE: "Course of the crisis",
    DISCHARGE: "Readiness for discharge",
    PROMISE: "A promised check is overdue",
}
_HOUR, _DAY = 60, 24 * 60


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its words, or those of a finding, and the data that it shows."""

    text: str = ""
    seen: tuple[Seen, ...] = ()
    finding: Finding | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A titled list of lines. One without lines is not shown."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """One card. `inputs` is a fingerprint of what decided, for cards that can be overridden; "" for those that cannot. `first`: before all others."""

    code: str
    indicator: str
    summary: str
    parts: tuple[Part, ...]
    sources: tuple[str, ...]
    inputs: str = ""
    first: bool = False
    test: str = ""

    @property
    def seen(self) -> tuple[Seen, ...]:
        """Everything that its own lines show, without repeats."""
        return tuple(dict.fromkeys(seen for part in self.parts for line in part.lines for seen in line.seen))


@dataclass(frozen=True, slots=True)
class Overviews:
    """The overviews of one call: a verdict for each code, also for the silent ones, and the cards."""

    verdicts: tuple[Verdict, ...] = ()
    cards: tuple[Overview, ...] = ()


def spell(minutes: int) -> str:
    """A length of time as it is said at the bedside: "45 min", "3 h 20 min", "6 days"."""
    if minutes < 2 * _HOUR:
        return f"{minutes} min"
    if minutes < 2 * _DAY:
        hours, rest = divmod(minutes, _HOUR)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    return f"{minutes // _DAY} days"


def minutes_to(instant: int, now: int) -> int:
    """Whole minutes from `now` to an instant (epoch ms); negative when it has passed, never rounded in its favour."""
    return (instant - now) // MINUTE


def clock_time(instant: int, now: int) -> str:
    """An instant (epoch ms) as a time of day in UTC, with the date where it is another day."""
    at, today = (dt.datetime.fromtimestamp(each / 1000, dt.UTC) for each in (instant, now))
    return f"{at:%H:%M} UTC" if at.date() == today.date() else f"{at:%Y-%m-%d %H:%M} UTC"


def how_long(moment: Moment, now: int) -> str:
    """ "for 6 h", "for at least 40 min" where only the latest instant is known, "since 2026-03-13 (date only)" where the day alone is."""
    age = spell(max(0, (now - moment.latest) // MINUTE))
    return f"for {age}" if moment.exact else f"for at least {age}"


def ago(moment: Moment | None, now: int) -> str:
    """ "25 min ago", with what is not exact about it; "time not recorded"."""
    if moment is None:
        return "time not recorded"
    text = f"{spell(max(0, (now - moment.latest) // MINUTE))} ago"
    return text if moment.exact else f"{text} or earlier ({moment.mark or 'time not exact'})"


def minutes_of(p: ParameterSet, key: str) -> int | None:
    """A figure in whole minutes; None where this population has none."""
    found = p[key]
    return int(found.number) if isinstance(found, Parameter) else None


def figure_text(p: ParameterSet, key: str) -> str:
    """A figure with its unit, for a line. "no figure for this age" where there is none."""
    found = p[key]
    if not isinstance(found, Parameter):
        return "no figure for this age"
    if isinstance(found.value, str):
        return found.value
    if found.unit == "min":
        return spell(int(found.number))
    return f"{shown(found.number)} {found.unit}" if found.unit != "1" else shown(found.number)


def count_of(lines: Iterable[object], one: str, many: str) -> str:
    """ "1 item", "3 items"."""
    number = sum(1 for _ in lines)
    return f"{number} {one if number == 1 else many}"
