"""Three-valued truth (strong Kleene). UNKNOWN is a value of its own and can never be used as a bool."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from typing import NoReturn


class Truth(Enum):
    """TRUE, FALSE, or UNKNOWN because a needed input is missing, stale or unusable."""

    TRUE = "true"
    FALSE = "false"
    UNKNOWN = "unknown"

    def __bool__(self) -> NoReturn:
        raise TypeError("a Truth has three values: compare with `is`")


TRUE, FALSE, UNKNOWN = Truth.TRUE, Truth.FALSE, Truth.UNKNOWN


def truth_of(answer: bool | None) -> Truth:
    """None is UNKNOWN."""
    return UNKNOWN if answer is None else TRUE if answer else FALSE


def negated(truth: Truth) -> Truth:
    """Kleene negation: UNKNOWN stays UNKNOWN."""
    return FALSE if truth is TRUE else TRUE if truth is FALSE else UNKNOWN


def all_of(truths: Iterable[Truth]) -> Truth:
    """FALSE if one is FALSE, else UNKNOWN if one is UNKNOWN, else TRUE."""
    result = TRUE
    for truth in truths:
        if truth is FALSE:
            return FALSE
        if truth is UNKNOWN:
            result = UNKNOWN
    return result


def any_of(truths: Iterable[Truth]) -> Truth:
    """TRUE if one is TRUE, else UNKNOWN if one is UNKNOWN, else FALSE."""
    result = FALSE
    for truth in truths:
        if truth is TRUE:
            return TRUE
        if truth is UNKNOWN:
            result = UNKNOWN
    return result


def at_least(count: int, truths: Iterable[Truth]) -> Truth:
    """TRUE when `count` are TRUE, FALSE when even the UNKNOWN ones could not make `count`."""
    sure = possible = 0
    for truth in truths:
        sure += truth is TRUE
        possible += truth is not FALSE
    return TRUE if sure >= count else UNKNOWN if possible >= count else FALSE
