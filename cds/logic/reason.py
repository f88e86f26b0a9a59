"""Why a criterion came out as it did: the tree that every view reads, with the patient's own numbers."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

import msgspec

from cds.chart import Moment
from cds.logic.truth import FALSE, TRUE, Truth
from cds.numbers import Interval

if TYPE_CHECKING:
    from cds.logic.criteria import Criterion


class GapState(Enum):
    """The five states of a missing datum (F-32), and one for a figure that the knowledge does not hold for this age."""

    NOT_MEASURED = "not_measured"
    NOT_SENT = "not_sent"
    FETCH_FAILED = "fetch_failed"
    UNUSABLE = "unusable"
    STALE = "stale"
    OUT_OF_SCOPE = "out_of_scope"


class Seen(msgspec.Struct, frozen=True, gc=False):
    """Something that a leaf looked at: a result, an order, a condition, a total. `kind` names which; `age_minutes` counts back from now; `parts` are
    what a computed number was made of."""

    kind: str
    item: str
    text: str
    ref: str = ""
    value: Interval | None = None
    unit: str = ""
    at: Moment | None = None
    age_minutes: int | None = None
    method: str = ""
    note: str = ""
    path: str = ""
    parts: tuple[Seen, ...] = ()


class Gap(msgspec.Struct, frozen=True, gc=False):
    """A datum that was wanted and is not there: the item, its state, the reason in words, where it was looked for, and a stale value if one exists."""

    item: str
    state: GapState
    detail: str
    keys: tuple[str, ...] = ()
    last: Seen | None = None
    within_minutes: int | None = None


def may_exist(gap: Gap) -> bool:
    """Whether a current value may well exist: its list was not read, or what it holds could not be used."""
    return gap.state not in (GapState.NOT_MEASURED, GapState.STALE)


class Reason(msgspec.Struct, frozen=True, gc=False):
    """One node's truth with its children's reasons, all kept (none is dropped because an earlier one settled it)."""

    truth: Truth
    node: Criterion
    children: tuple[Reason, ...] = ()
    seen: tuple[Seen, ...] = ()
    gaps: tuple[Gap, ...] = ()
    order: str | None = None
    note: str = ""
    witnesses: tuple[str, ...] = ()


def leaves_seen(reason: Reason) -> tuple[Seen, ...]:
    """Everything that the leaves under a reason looked at, without repeats, in reading order."""
    found: dict[Seen, None] = {}
    _collect(reason, found)
    return tuple(found)


def _collect(reason: Reason, found: dict[Seen, None]) -> None:
    for seen in reason.seen:
        found.setdefault(seen)
    for child in reason.children:
        _collect(child, found)


def deciding_gaps(reason: Reason) -> tuple[Gap, ...]:
    """The gaps of the UNKNOWN leaves that keep this reason UNKNOWN; nothing when it is decided."""
    if reason.truth is TRUE or reason.truth is FALSE:
        return ()
    found: dict[tuple[str, GapState], Gap] = {}
    for gap in reason.gaps:
        found.setdefault((gap.item, gap.state), gap)
    for child in reason.children:
        for gap in deciding_gaps(child):
            found.setdefault((gap.item, gap.state), gap)
    return tuple(found.values())
