"""Pieces of criteria about one dose or infusion in hand: how much for the weight, how fast, and whether it is given now. Everything here returns data.

A drug's own unit is mg; of fosphenytoin it is mg PE, which never meets milligrams of a salt.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    DosePerWeight,
    Expression,
    Figure,
    Greater,
    HasCondition,
    HookIs,
    Latest,
    Lesser,
    Not,
    NotComputable,
    OfOrder,
    OrderIs,
    OrderReason,
    RatePerWeight,
    Ratio,
    Scaled,
    State,
)
from cds.parameters import Absent, Limit, Parameter, ParameterSet
from cds.states.parts import both, computable, either, row_limit

PERCENT = Decimal(100)
SEIZURES = ("seizure", "status_epilepticus", "eclampsia")
Row = Mapping[str, Any]


def unit_of(drug: str) -> str:
    """The unit in which doses of a drug are counted."""
    return "mg{PE}" if drug == "fosphenytoin" else "mg"


def amount(drug: str) -> OfOrder:
    """How much of a drug the order in hand gives."""
    return OfOrder("amount", f"drug:{drug}")


def per_hour(drug: str) -> OfOrder:
    """How much of a drug the order in hand gives in an hour."""
    return OfOrder("per_hour", f"drug:{drug}")


def per_kg(drug: str) -> DosePerWeight:
    """How much of a drug the order in hand gives for each kg."""
    return DosePerWeight(f"drug:{drug}")


def share(p: ParameterSet, key: str = "") -> Decimal:
    """A percentage of the figures as a factor; one without a key. TypeError where the population has none."""
    if not key:
        return Decimal(1)
    found = p[key]
    if isinstance(found, Absent):
        raise TypeError(f"{key}: no figure for this population")
    return found.number / PERCENT


def row_figure(p: ParameterSet, row: Row, column: str, unit: str, factor: Decimal = Decimal(1)) -> Parameter:
    """A cell of a table as a limit, times a factor. TypeError when the cell is no number."""
    value = row[column]
    if not isinstance(value, Decimal):
        raise TypeError(f"{row['drug']}: {column} must be a number")
    name = f"{row['drug']} {column}".replace("_", " ")
    return row_limit(p, f"{name} x {factor}" if factor != 1 else name, name, value * factor, unit, row)


# How much ----------------------------------------------------------------------------------------------------------------------------


def too_little(p: ParameterSet, row: Row, key: str = "", per_kg_column: str = "least_per_kg") -> Criterion:
    """Under a share (`key`, percent) of the lower end: the lesser of the amount for the weight and the maximum, so that at any weight some dose passes."""
    drug, factor = str(row["drug"]), share(p, key)
    unit = unit_of(drug)
    parts: list[Criterion] = []
    if per_kg_column in row:
        parts.append(Below(per_kg(drug), row_figure(p, row, per_kg_column, f"{unit}/kg", factor)))
    fixed = "least" if "least" in row else "most"
    if fixed in row:
        parts.append(Below(amount(drug), row_figure(p, row, fixed, unit, factor)))
    return both(parts)


def too_much(p: ParameterSet, row: Row, key: str, most_key: str) -> Criterion:
    """Above a share (`key`) of the upper end for the weight, or above a share (`most_key`) of the maximum."""
    drug = str(row["drug"])
    unit = unit_of(drug)
    parts: list[Criterion] = []
    if "most" in row:
        parts.append(Above(amount(drug), row_figure(p, row, "most", unit, share(p, most_key))))
    if "most_per_kg" in row:
        parts.append(Above(per_kg(drug), row_figure(p, row, "most_per_kg", f"{unit}/kg", share(p, key))))
    return either(parts)


def highest(rows: Sequence[Row]) -> Row:
    """The highest maximum among rows, as a row that asks for no age and no weight."""
    row = max(rows, key=lambda each: Decimal(each["most"]))
    return {name: row[name] for name in ("drug", "most", "source", "verified")}


def weight(p: ParameterSet) -> Latest:
    """The body weight that is shown beside a dose."""
    return Latest("weight", p["weight_age"])


def bound(p: ParameterSet, row: Row, column: str) -> Expression:
    """The lower ("least") or upper ("most") end of the range for this patient, as an amount."""
    unit = unit_of(str(row["drug"]))
    parts: list[Expression] = []
    if f"{column}_per_kg" in row:
        parts.append(Scaled(weight(p), row_figure(p, row, f"{column}_per_kg", f"{unit}/kg"), unit))
    for cell in dict.fromkeys((column, "most")):
        if cell in row:
            parts.append(Figure(row_figure(p, row, cell, unit)))
    return parts[0] if len(parts) == 1 else Lesser(tuple(parts))


# How fast ----------------------------------------------------------------------------------------------------------------------------


def faster(p: ParameterSet, row: Row) -> Criterion:
    """The order in hand runs faster than the row allows: above one of its rates, or in less than its time. FALSE where it states neither rate nor time.

    An infusion whose rate cannot be worked out (no weight, no strength) leaves it open.
    """
    drug = str(row["drug"])
    if "least_minutes" in row:
        minutes = OfOrder("duration_minutes", f"drug:{drug}")
        return computable(minutes, Below(minutes, row_figure(p, row, "least_minutes", "min")))
    unit, rates = unit_of(drug), []
    if "per_minute" in row:
        rates.append(Above(per_hour(drug), row_figure(p, row, "per_minute", f"{unit}/min")))
    if "per_kg_minute" in row:
        rates.append(Above(RatePerWeight(f"drug:{drug}"), row_figure(p, row, "per_kg_minute", f"{unit}/kg/min")))
    return AllOf((AnyOf((Not(NotComputable(per_hour(drug))), OrderIs("infusion"))), either(rates)))


def rate_limit(p: ParameterSet, row: Row) -> Expression:
    """The fastest rate of a row for this patient, per minute."""
    unit = unit_of(str(row["drug"]))
    parts: list[Expression] = []
    if "per_minute" in row:
        parts.append(Figure(row_figure(p, row, "per_minute", f"{unit}/min")))
    if "per_kg_minute" in row:
        parts.append(Scaled(weight(p), row_figure(p, row, "per_kg_minute", f"{unit}/kg/min"), f"{unit}/min"))
    return parts[0] if len(parts) == 1 else Lesser(tuple(parts))


def shortest(p: ParameterSet, row: Row, dose: Expression | None = None) -> Expression:
    """The shortest time, min, in which a row allows a dose (default: that of the order in hand)."""
    drug = str(row["drug"])
    if "least_minutes" in row:
        return Figure(row_figure(p, row, "least_minutes", "min"))
    unit = unit_of(drug)
    of = amount(drug) if dose is None else dose
    parts: list[Expression] = []
    if "per_minute" in row:
        parts.append(Scaled(Ratio(of, Figure(row_figure(p, row, "per_minute", f"{unit}/min"))), p["same_number"], "min"))
    if "per_kg_minute" in row:
        each = per_kg(drug) if dose is None else Scaled(Ratio(dose, weight(p)), p["same_number"], f"{unit}/kg")
        parts.append(Scaled(Ratio(each, Figure(row_figure(p, row, "per_kg_minute", f"{unit}/kg/min"))), p["same_number"], "min"))
    return parts[0] if len(parts) == 1 else Greater(tuple(parts))


def per_minute(p: ParameterSet, drug: str) -> Expression:
    """The rate of the order in hand as it is said: per minute. For showing only; limits are compared with the rate per hour, which is exact."""
    return Scaled(per_hour(drug), p["minute_of_an_hour"], f"{unit_of(drug)}/min")


# What is given now, and what it is -----------------------------------------------------------------------------------------------------


def given_now(p: ParameterSet) -> Criterion:
    """The order in hand is a draft; or, when the chart is opened, an infusion that still runs by its length, or began lately (R-n2)."""
    started, length = OfOrder("started_minutes", ""), OfOrder("duration_minutes", "")
    lasting = AllOf((Not(NotComputable(length)), Below(Ratio(started, length), p["infusing_share"])))
    unknown = AllOf((NotComputable(length), AtMostValue(started, p["infusing_unknown_length"])))
    running = AllOf((HookIs(("patient-view",)), Not(OrderIs("drafted")), Not(NotComputable(started)), AnyOf((lasting, unknown))))
    return AnyOf((OrderIs("drafted"), running))


def load(drug: str) -> Criterion:
    """A loading order of a drug: one dose by vein beside a seizure, or for one by its reason (own rule 0.4)."""
    return AllOf((OrderIs("one-off"), OrderIs("intravenous"), AnyOf((State("seizure now"), OrderReason(SEIZURES))), chosen(drug)))


def chosen(drug: str) -> Criterion:
    """The dose is stated, or should be: while an order is still being chosen an absent dose is no gap (F-11)."""
    return AnyOf((OrderIs("detail expected"), Not(NotComputable(amount(drug)))))


def frail_heart(p: ParameterSet, age_key: str) -> Criterion:
    """Elderly, or heart disease on record (R-n34)."""

    limit: Limit = p[age_key]
    return AnyOf((AtLeastValue(Age(), limit), HasCondition(("heart_disease",), standing="recorded")))
