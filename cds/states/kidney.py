"""Kidneys: too little urine for potassium, and doses above what the clearance allows."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from cds.chart import MINUTE
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
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderHas,
    OrderIs,
    Ratio,
    State,
)
from cds.logic.reason import Seen
from cds.logic.scene import Missing, Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE
from cds.numbers import shown
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import both, computable, either, row_limit

# Of two labelled ways of dosing one medicine the narrower, which binds only where nothing speaks for the wider.
NARROW = "1 g base"
_STOPS = ("anuria_oliguria", "dialysis", "end_stage_renal")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about the kidneys, for one population."""
    return (
        StateDef(
            "little urine", "anuria, oliguria, dialysis or end-stage disease on record, or a urine output below the limit",
            compute=_little_urine, source="KDIGO AKI 2012; Q-M16",
        ),
        StateDef("on dialysis", "dialysis on record as a diagnosis, or as a procedure that goes on or was done within days", compute=_on_dialysis, source="own rules 0.3, D2"),
        StateDef("acutely ill for the kidneys", "sepsis, septic shock, a hyperglycaemic crisis or eclampsia: a creatinine is soon old (N-01)", _acutely_ill(), source="N-01"),
        StateDef("kidney injury", "acute kidney injury, on record or by the rise of creatinine (N-01)", _injured(p), source="KDIGO AKI 2012; N-01"),
    )  # fmt: skip


def _acutely_ill() -> Criterion:
    return AnyOf((HasCondition(("sepsis", "septic_shock", "eclampsia")), State("crisis shown")))


def _injured(p: ParameterSet) -> Criterion:
    rise = Change("creatinine", p["creatinine_window"])
    return AnyOf((HasCondition(("acute_kidney_injury",)), computable(rise, AtLeastValue(rise, p["creatinine_rise"]))))


def _on_dialysis(scene: Scene) -> StateValue:
    """TRUE when it is shown. What is not recorded does not show it: the dose is then judged by the clearance, which is the stricter question."""
    for condition in scene.conditions(("dialysis",)):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", "dialysis", condition.label, condition.ref, path=condition.path),))
    limit = scene.p["dialysis_age"]
    floor = scene.now - int(limit.number) * MINUTE if isinstance(limit, Parameter) else scene.now
    for care in scene.chart.procedures:
        at = care.end or care.start
        if "dialysis" in care.concepts and (care.status in ("in-progress", "active") or (at is not None and at.latest >= floor)):
            return StateValue(TRUE, (Seen("procedure", "dialysis", care.label, care.ref, at=at, path=care.path),))
    return StateValue(FALSE, note="dialysis not recorded")


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
    rows = [row for row in p.table("renal_limits") if row.get("regimen") != NARROW and "most_mg_a_day" in row]
    return either([_above(p, row) for row in rows]) if rows else None


def within_band(p: ParameterSet, row: Mapping[str, Any]) -> Criterion:
    """The clearance lies in the row's band. UNKNOWN while the creatinine is too old for how ill the patient is, or missing (N-01): an old one never decides."""
    ill, injured = State("acutely ill for the kidneys"), State("kidney injury")
    return AnyOf(
        (
            AllOf((Not(ill), Not(injured), _in_band(p, row, "creatinine_window"))),
            AllOf((ill, Not(injured), _in_band(p, row, "creatinine_window_acute"))),
            AllOf((injured, _in_band(p, row, "creatinine_window_kidney_injury"))),
        )
    )


def daily_dose(p: ParameterSet, row: Mapping[str, Any]) -> Expression:
    """What the order in hand gives a day of the row's drug: mg, or mg/kg where the row is by weight."""
    daily = OfOrder("per_day", f"drug:{row['drug']}")
    return Ratio(daily, Latest("weight", p["weight_age"])) if "most_mg_per_kg_a_day" in row else daily


def daily_limit(p: ParameterSet, row: Mapping[str, Any]) -> Parameter:
    """The most a day of a row, in the unit of `daily_dose`."""
    return _limit(p, row, "most_mg_per_kg_a_day", "mg/kg") if "most_mg_per_kg_a_day" in row else _limit(p, row, "most_mg_a_day", "mg")


def clearance_printed(p: ParameterSet, row: Mapping[str, Any]) -> str:
    """The row's band in words: "30 to 60 mL/min", "below 11 mL/min"."""
    unit, low, high = clearance_unit(p), row.get("from_clearance"), row.get("below_clearance")
    if low is None:
        return f"below {shown(high)} {unit}" if isinstance(high, Decimal) else f"any {unit}"
    return f"{shown(low)} {unit} or more" if high is None else f"{shown(low)} to below {shown(high)} {unit}"


def of_row(row: Mapping[str, Any]) -> tuple[Criterion, ...]:
    """The order in hand is of the row's drug, by the row's route where it names one."""
    route = str(row.get("route", ""))
    return (OrderHas((str(row["drug"]),), "active"), *((OrderIs(route),) if route else ()))


def _in_band(p: ParameterSet, row: Mapping[str, Any], window: str) -> Criterion:
    rate = Formula("schwartz" if p.population == "child" else "cockcroft_gault", p[window])
    unit = clearance_unit(p)
    parts: list[Criterion] = []
    if "from_clearance" in row:
        parts.append(AtLeastValue(rate, _limit(p, row, "from_clearance", unit)))
    if "below_clearance" in row:
        parts.append(Below(rate, _limit(p, row, "below_clearance", unit)))
    return both(parts)


def clearance_known(p: ParameterSet) -> Criterion:
    """The clearance can be computed, from a creatinine that is young enough for how ill the patient is (N-01)."""
    acute, injured = State("acutely ill for the kidneys"), State("kidney injury")
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
        *of_row(row),
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
