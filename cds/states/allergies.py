"""Which cell of the table of beta-lactam allergies an order falls into: asked by more than one topic (D8, D12)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.logic.criteria import AllOf, AnyOf, Criterion, HasAllergy, HasCondition, Not, OrderHas
from cds.parameters import ParameterSet
from cds.states.parts import either

Row = Mapping[str, Any]
GROUPS = {
    "severe_immediate": "severe immediate",
    "severe_delayed": "severe delayed",
    "unknown": "unknown",
    "mild": "mild",
    "not_allergy": "not allergy",
}


def forbidden(p: ParameterSet) -> Criterion:
    """The order in hand meets a severe reaction on record, at once or late. What nobody described holds up no first dose."""
    rows = p.table("beta_lactam")
    return either([cell for group in ("severe_immediate", "severe_delayed") if (cell := cells_of(rows, group, "critical")) is not None])


def cells_of(rows: tuple[Row, ...], group: str, indicator: str) -> Criterion | None:
    """That one row with this indicator for this group of reaction fits the order in hand and the allergies on record."""
    parts = [_cell(row, GROUPS[group]) for row in rows if row[group] == indicator]
    return either(parts) if parts else None


def _cell(row: Row, group: str) -> Criterion:
    index, not_index = _names(row, "index"), _names(row, "index_not")
    drafts, not_drafts = _names(row, "drafts"), _names(row, "drafts_not")
    allergy: Criterion = HasAllergy(index, (group,))
    if group == "unknown" and index == ("penicillin",):
        # A diagnosis of penicillin allergy says nothing of the reaction.
        allergy = AnyOf((allergy, HasCondition(("penicillin_allergy",))))
    parts: list[Criterion] = [OrderHas(drafts, "active")]
    if not_drafts:
        parts.append(Not(OrderHas(not_drafts, "active")))
    parts.append(allergy)
    if not_index:
        parts.append(Not(HasAllergy(not_index, (group,))))
    return AllOf(tuple(parts))


def _names(row: Row, column: str) -> tuple[str, ...]:
    return tuple(str(name) for name in row[column])
