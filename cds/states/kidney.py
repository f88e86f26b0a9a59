"""Kidneys: too little urine for potassium, and doses above what the clearance allows."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Change,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderHas,
    State,
)
from cds.logic.reason import Seen
from cds.logic.scene import Missing, Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import computable, either, row_limit

_STOPS = ("anuria_oliguria", "dialysis", "end_stage_renal")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about the kidneys, for one population."""
    return (
        StateDef(
            "little urine", "anuria, oliguria, dialysis or end-stage disease on record, or a urine output below the limit",
            compute=_little_urine, source="KDIGO AKI 2012; Q-M16",
        ),
    )  # fmt: skip


def _little_urine(scene: Scene) -> StateValue:
    """TRUE when it is shown; what is not recorded does not show it, and the advisory says to confirm the urine output first."""
    for condition in scene.conditions(_STOPS):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", condition.concepts[0], condition.label, condition.ref, path=condition.path),))
    window, limit = scene.p["urine_output_age"], scene.p["little_urine_below"]
    weight = scene.weight_kg()
    if isinstance(window, Parameter) and isinstance(limit, Parameter) and weight is not None:
        output = scene.latest("urine_output", window.number)
        if not isinstance(output, Missing) and output.candidates[0].value.over(weight).below(limit.number) is True:
            return StateValue(TRUE, output.seen)
        if not isinstance(output, Missing):
            return StateValue(FALSE, output.seen)
    return StateValue(FALSE, note="urine output not recorded")


def clearance(p: ParameterSet) -> Expression:
    """Creatinine clearance of an adult (Cockcroft-Gault, mL/min); a child's is estimated by height (Schwartz)."""
    return Formula("schwartz" if p.population == "child" else "cockcroft_gault", p["creatinine_window"])


def clearance_unit(p: ParameterSet) -> str:
    """The unit in which `clearance` is given."""
    return "mL/min/1.73 m2" if p.population == "child" else "mL/min"


def above_kidney_limit(p: ParameterSet) -> Criterion | None:
    """The order in hand gives more a day than the clearance allows (table renal_limits; bands run to the next printed bound).

    None where the table has no rows for the population.
    """
    rows = p.table("renal_limits")
    return either([_above(p, row) for row in rows]) if rows else None


def clearance_known(p: ParameterSet) -> Criterion:
    """The clearance can be computed, from a creatinine that is young enough for how ill the patient is (N-01)."""
    rise = Change("creatinine", p["creatinine_window"])
    acute = AnyOf((HasCondition(("sepsis", "septic_shock", "eclampsia")), State("crisis shown")))
    injured = AnyOf((HasCondition(("acute_kidney_injury",)), computable(rise, AtLeastValue(rise, p["creatinine_rise"]))))
    return AllOf(
        (
            Not(NotComputable(clearance(p))),
            Not(AllOf((NoneWithin(("creatinine",), p["creatinine_window_acute"]), acute))),
            Not(AllOf((NoneWithin(("creatinine",), p["creatinine_window_kidney_injury"]), injured))),
        )
    )


def low_clearance(p: ParameterSet, rows: tuple[Mapping[str, Any], ...]) -> Criterion | None:
    """The order in hand is of a drug whose row names a clearance (`kidney_below`), and the patient's is lower. None without such a row."""
    parts = [
        AllOf((OrderHas((str(row["drug"]),), "active"), Below(clearance(p), _limit(p, row, "kidney_below", clearance_unit(p)))))
        for row in rows
        if "kidney_below" in row
    ]
    return either(parts) if parts else None


def _above(p: ParameterSet, row: Mapping[str, Any]) -> Criterion:
    drug = str(row["drug"])
    daily = OfOrder("per_day", f"drug:{drug}")
    parts: list[Criterion] = [
        OrderHas((drug,), "active"),
        computable(daily, Above(daily, _limit(p, row, "most_mg_a_day", "mg"))),
    ]
    unit = clearance_unit(p)
    if "from_clearance" in row:
        parts.append(AtLeastValue(clearance(p), _limit(p, row, "from_clearance", unit)))
    if "below_clearance" in row:
        parts.append(Below(clearance(p), _limit(p, row, "below_clearance", unit)))
    return AllOf(tuple(parts))


def _limit(p: ParameterSet, row: Mapping[str, Any], column: str, unit: str) -> Parameter:
    value = row[column]
    if not isinstance(value, Decimal):
        raise TypeError(f"{row['drug']}: {column} must be a number")
    return row_limit(p, f"{row['drug']} {column}".replace("_", " "), f"{row['drug']}: {column}".replace("_", " "), value, unit, row)
