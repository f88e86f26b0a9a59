"""Criteria as rows that a committee can read and sign: no patient, every figure with its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from cds.logic.criteria import AnyOf, Criterion
from cds.logic.wording import in_words
from cds.parameters import Absent, Parameter
from cds.vocabulary import ANALYTES


@dataclass(frozen=True, slots=True)
class Row:
    """One way in which a branch is met: its criteria in words, and the figures that they use."""

    criteria: tuple[str, ...]
    figures: tuple[Parameter, ...]
    absent: tuple[Absent, ...]


def tabulate(node: Criterion) -> tuple[Row, ...]:
    """A row for each alternative at the top of a criterion; a conjunction gives its parts as separate cells."""
    alternatives = node.parts if isinstance(node, AnyOf) else (node,)
    return tuple(_row(alternative) for alternative in alternatives)


def _row(node: Criterion) -> Row:
    parts = getattr(node, "parts", None) if type(node).__name__ == "AllOf" else None
    cells = tuple(in_words(part) for part in parts) if parts else (in_words(node),)
    limits = tuple(dict.fromkeys(limits_of(node)))
    return Row(cells, tuple(x for x in limits if isinstance(x, Parameter)), tuple(x for x in limits if isinstance(x, Absent)))


def limits_of(node: Any) -> Iterator[Parameter | Absent]:
    """Every figure that a criterion, an expression or an order filter uses, in reading order."""
    if isinstance(node, (Parameter, Absent)):
        yield node
    elif is_dataclass(node) and not isinstance(node, type):
        for field in fields(node):
            yield from limits_of(getattr(node, field.name))
    elif isinstance(node, tuple):
        for part in node:
            yield from limits_of(part)


def analytes_of(node: Any) -> Iterator[str]:
    """Every analyte that a criterion reads itself (not through a state)."""
    if isinstance(node, tuple):
        for part in node:
            yield from analytes_of(part)
    elif is_dataclass(node) and not isinstance(node, (type, Parameter, Absent)):
        found = getattr(node, "analyte", None) or getattr(node, "of", None)
        if isinstance(found, str) and found in ANALYTES:
            yield found
        for field in fields(node):
            value = getattr(node, field.name)
            if field.name == "analytes" and isinstance(value, tuple):
                yield from value
            else:
                yield from analytes_of(value)
