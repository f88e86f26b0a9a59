"""Pieces of criteria that states and topics share: limits that know whether they are included, and insulin by vein.

Everything here returns data. Numbers come from the parameter set of one population.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any

from cds.chart import Result
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderIs,
    RatePerWeight,
    State,
)
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Missing, Number, Scene, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.numbers import shown
from cds.parameters import Absent, Limit, Parameter, ParameterSet

POTASSIUM_ORDERS = ("potassium_salt", "potassium_phosphate")
# A draft of one of these touches a potassium problem (Q-M01, row B8 to B11; Q-M02).
POTASSIUM_TOUCHES = (
    "potassium_salt", "potassium_phosphate", "magnesium_sulfate", "calcium_salt", "sodium_phosphate", "qt_prolonging", "digoxin", "furosemide", "insulin",
)  # fmt: skip
# A draft of one of these touches a crisis (Q-M01, row A1).
CRISIS_TOUCHES = (
    "insulin", "crystalloid", "glucose_fluid", "potassium_salt", "potassium_phosphate", "bicarbonate", "sglt2_inhibitor", "metformin", "phenytoin",
    "fosphenytoin", "glucocorticoid",
)  # fmt: skip


def word(p: ParameterSet, key: str) -> str:
    """A parameter that is a word; "" where the population has none."""
    found = p[key] if key in p else None
    return str(found.value) if isinstance(found, Parameter) and isinstance(found.value, str) else ""


def held(p: ParameterSet, key: str) -> bool:
    """Whether the population has a figure for this key, so that a criterion may be built on it."""
    return key in p and isinstance(p[key], Parameter)


def figure_of(p: ParameterSet, key: str) -> str:
    """A figure with its unit, for a label that is fixed when the knowledge is built."""
    found = p[key]
    return f"{shown(found.number)} {found.unit}" if isinstance(found, Parameter) else "no figure for this age"


def guidelines_print(p: ParameterSet, key: str) -> str:
    """What each guideline for this population prints: "3.5 mmol/L (consensus-2024, uk-2023), 3.3 mmol/L (us-2009)". Where a source says how it compares
    (`key_compare`), that stands before the figure."""
    compares = {row.profile: str(row.value) for row in _for_population(p, f"{key}_compare")} if f"{key}_compare" in p else {}
    by_figure: dict[str, list[str]] = {}
    for row in _for_population(p, key):
        if row.value == "":
            continue
        figure = f"{shown(row.number)} {row.unit}".removesuffix(" 1") if isinstance(row.value, Decimal) else str(row.value)
        names = by_figure.setdefault(f"{compares.get(row.profile, '')} {figure}".strip(), [])
        if row.profile not in names:
            names.append(row.profile)
    return ", ".join(f"{figure} ({', '.join(names)})" for figure, names in by_figure.items())


def _for_population(p: ParameterSet, key: str) -> list[Parameter]:
    return [row for row in p.rows(key) if row.population in (p.population, "any")]


def reaches(item: Expression, p: ParameterSet, key: str) -> Criterion:
    """item at or above the limit; above it where the source excludes the limit itself (`key_compare`)."""
    return Above(item, p[key]) if word(p, f"{key}_compare") == "above" else AtLeastValue(item, p[key])


def falls_under(item: Expression, p: ParameterSet, key: str) -> Criterion:
    """item below the limit; at or below it where the source includes the limit itself (`key_compare`)."""
    return AtMostValue(item, p[key]) if word(p, f"{key}_compare") == "at most" else Below(item, p[key])


def if_known(analyte: str, within: Limit, criterion: Criterion) -> Criterion:
    """The criterion where the analyte has a current result, FALSE where it was not measured: that is not counted. UNKNOWN where its list was not read."""
    return AllOf((Not(NoneWithin((analyte,), within, read=True)), criterion))


def computable(item: Expression, criterion: Criterion) -> Criterion:
    """The criterion where the number can be computed from what the orders state, else FALSE: another branch says what is not stated."""
    return AllOf((Not(NotComputable(item)), criterion))


def measured(scene: Scene, analytes: tuple[str, ...], window: str, still_matters: Callable[[Result], bool] | None = None) -> StateValue:
    """Whether one of the analytes is current. FALSE when none was measured, or the last is old: then nothing is asked.

    UNKNOWN when a list failed, was not sent or holds only what could not be used, and when an old value would matter if it still held.
    """
    limit = scene.p[window]
    if isinstance(limit, Absent):
        return StateValue(UNKNOWN, gaps=(Gap(analytes[0], GapState.OUT_OF_SCOPE, "no window for this age"),))
    gaps: list[Gap] = []
    for analyte in analytes:
        found = scene.latest(analyte, limit.number)
        if not isinstance(found, Missing):
            return StateValue(TRUE, partial(_seen_of, found))
        last = scene.newest(analyte)
        old = last is not None and still_matters is not None and still_matters(last)
        gaps += [gap for gap in found.gaps if gap.state not in (GapState.NOT_MEASURED, GapState.STALE) or (gap.state is GapState.STALE and old)]
    return StateValue(UNKNOWN if gaps else FALSE, gaps=tuple(gaps))


def _seen_of(number: Number) -> tuple[Seen, ...]:
    return number.seen


def either(parts: Sequence[Criterion]) -> Criterion:
    """AnyOf, or the one part alone."""
    return parts[0] if len(parts) == 1 else AnyOf(tuple(parts))


def both(parts: Sequence[Criterion]) -> Criterion:
    """AllOf, or the one part alone."""
    return parts[0] if len(parts) == 1 else AllOf(tuple(parts))


def row_limit(p: ParameterSet, name: str, row_means: str, value: Decimal, unit: str, row: object) -> Parameter:
    """A figure of a table row as a limit that criteria can hold; its source is the row's."""
    source, verified = "", "ours"
    if hasattr(row, "get"):
        source, verified = str(row.get("source", "")), str(row.get("verified", "ours"))
    return Parameter(
        key=name, means=row_means, unit=unit, value=value, also=(), range=None, profile="any", population=p.population or "any",
        since="", source=source, verified=verified, table="",
    )  # fmt: skip


def column_limit(p: ParameterSet, row: Mapping[str, Any], column: str, unit: str) -> Parameter | None:
    """A number of a table row as a limit; None where the row leaves it out. TypeError for what is no number."""
    value = row.get(column)
    if value is None:
        return None
    name = row.get("name", row.get("drug", "row"))
    if not isinstance(value, Decimal):
        raise TypeError(f"{name}: {column} must be a number")
    return row_limit(p, f"{name} {column}".replace("_", " "), f"{name}: {column}".replace("_", " "), value, unit, row)


# Insulin by vein ---------------------------------------------------------------------------------------------------------------------


def insulin_by_vein(where: str) -> OrderFilter:
    """Intravenous insulin, "drafted", "running" or "either"."""
    return OrderFilter(("insulin",), where, "intravenous")


def full_rate_insulin(p: ParameterSet) -> Criterion:
    """The insulin in hand is not a variable-rate infusion of a patient outside a crisis (1.5, M-06).

    TRUE also where the rate cannot be told: only a low rate that is shown makes the rules milder.
    """
    per_hour = OfOrder("per_hour", "insulin")
    no_weight = NoneWithin(("weight",), p["weight_age"])
    return AnyOf(
        (
            State("crisis shown"),
            OrderIs("push"),
            NotComputable(per_hour),
            AllOf((Not(no_weight), AtLeastValue(RatePerWeight("insulin"), p["low_rate_insulin_per_kg"]))),
            AllOf((no_weight, AtLeastValue(per_hour, p["low_rate_insulin"]))),
        )
    )


def low_rate_insulin(p: ParameterSet) -> Criterion:
    """The insulin in hand is a variable-rate infusion of a patient in whom no crisis is shown."""
    return Not(full_rate_insulin(p))


def insulin_running() -> Criterion:
    """Insulin runs by vein."""
    return HasOrder(insulin_by_vein("running"))


# Potassium ---------------------------------------------------------------------------------------------------------------------------


def potassium_in_crisis(p: ParameterSet) -> Latest:
    """Potassium as it counts in a crisis and with intravenous insulin; the less safe of two results of one moment."""
    return Latest("potassium", p["potassium_age_in_crisis"], p["together"])


def potassium_on_the_ward(p: ParameterSet) -> Latest:
    """Potassium as it counts outside a crisis."""
    return Latest("potassium", p["potassium_age_on_the_ward"], p["together"])


def in_band_between_guidelines(item: Expression, p: ParameterSet, key: str) -> Criterion | None:
    """item lies below the limit that holds but not below the lowest one that a guideline for this population prints.

    None where all guidelines agree. Used to name the difference only where it decides.
    """
    chosen = p[key]
    if isinstance(chosen, Absent):
        return None
    others = [row for row in p.rows(key) if row.population in (chosen.population, "any") and isinstance(row.value, Decimal)]
    lowest = min(others, key=lambda row: row.number, default=None)
    if lowest is None or lowest.number >= chosen.number:
        return None
    return AllOf((AtLeastValue(item, replace(lowest)), Below(item, chosen)))
