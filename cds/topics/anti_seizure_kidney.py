"""Maintenance of anti-seizure medicines above what the kidneys clear (C10). A load is never reduced for the kidneys."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.advisory import Advisory, Amend, Branch, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    Figure,
    Formula,
    HasOrder,
    Latest,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    Ratio,
    Scaled,
    State,
)
from cds.numbers import shown
from cds.parameters import Limit, Parameter, ParameterSet
from cds.states.kidney import clearance, clearance_unit, daily_dose, daily_limit
from cds.states.parts import both, column_limit, computable
from cds.vocabulary import DRUGS

SOURCES = (
    "Labels by creatinine clearance; each row's source stands in the table of these limits",
    "The step to critical above twice the limit is our own: a pharmacist signs it",
)
DRUG_NAMES = ("levetiracetam", "lacosamide", "gabapentin", "pregabalin", "topiramate")
TABLE = "anti_seizure_kidney"
Row = Mapping[str, Any]


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Limits and sources: anti_seizure_kidney.toml."""
    rows = tuple(p.table(TABLE))
    return (
        Advisory(
            code="asm-renal-adjustment",
            title="Anti-seizure medicine above the kidney limit",
            problem="anti-seizure medicine order",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running", "listed") for drug in DRUG_NAMES),)),
            over=OrderFilter(DRUG_NAMES, "active"),
            branches=_branches(p, rows) if rows else _child(p),
            sources=SOURCES,
            # A load is exempt; what a draft of the same medicine replaces is judged as the draft (R-n63).
            quiet=AnyOf((OrderIs("one-off"), *_replaced())),
            touches=("anti_seizure",),
            hazards=("HZ-17", "HZ-19"),
            purpose="Drowsiness, jerks and confusion from a medicine that poor kidneys do not clear.",
        ),
    )


def _replaced() -> tuple[Criterion, ...]:
    return tuple(AllOf((OrderHas((drug,), "active"), Not(OrderIs("drafted")), HasOrder(OrderFilter((drug,), "drafted")))) for drug in DRUG_NAMES)


def _in_band(p: ParameterSet, row: Row, within: Limit) -> Criterion:
    rate = Formula("cockcroft_gault", within)
    low, high = (column_limit(p, row, column, clearance_unit(p)) for column in ("from_clearance", "below_clearance"))
    parts: list[Criterion] = [] if low is None else [AtLeastValue(rate, low)]
    if high is not None:
        parts.append(Below(rate, high))
    return both(parts)


def _within(p: ParameterSet, row: Row) -> Criterion:
    """The clearance lies in the row's band, or the patient is dialysed and it is the lowest. In a patient who is not acutely ill an older creatinine serves (N-01)."""
    ill, injured, dialysed = State("acutely ill for the kidneys"), State("kidney injury"), State("on dialysis")
    band = AnyOf(
        (
            AllOf((Not(ill), Not(injured), _in_band(p, row, p["creatinine_window_maintenance"]))),
            AllOf((ill, Not(injured), _in_band(p, row, p["creatinine_window_acute"]))),
            AllOf((injured, _in_band(p, row, p["creatinine_window_kidney_injury"]))),
        )
    )
    return AnyOf((dialysed, band)) if "from_clearance" not in row else AllOf((Not(dialysed), band))


def _branches(p: ParameterSet, rows: tuple[Row, ...]) -> tuple[Branch, ...]:
    """Critical above twice the limit, else a warning; a row may hold a dose up to which it is a line."""
    critical: list[Branch] = []
    warning: list[Branch] = []
    line: list[Branch] = []
    for row in rows:
        drug, limit, daily = str(row["drug"]), daily_limit(p, row), daily_dose(p, row)
        above = AllOf((OrderHas((drug,), "active"), computable(daily, Above(daily, limit)), _within(p, row)))
        name = f"{drug}, {row['printed']}"
        words, offer = _words(p, row, limit, daily), _offer(p, row)
        if row["grave"] != "no":
            critical.append(Branch(f"{name}, far above", AllOf((above, Above(Ratio(daily, Figure(limit)), p["asm_kidney_far_above"]))), "critical", words, offer))
        mild = column_limit(p, row, "line_mg_a_day", "mg")
        if mild is not None:
            line.append(Branch(f"{name}, a little above", AllOf((above, AtMostValue(daily, mild))), "info", words, offer))
            above = AllOf((above, Above(daily, mild)))
        warning.append(Branch(name, above, "warning", words, offer))
    return (*critical, *warning, *line)


def _words(p: ParameterSet, row: Row, limit: Parameter, daily: Expression) -> Words:
    facts: dict[str, Expression] = {
        "daily": daily, "clearance": Formula("cockcroft_gault", p["creatinine_window_maintenance"]), "creatinine": Latest("creatinine", p["creatinine_window_maintenance"]),
        "weight": Latest("weight", p["weight_age"]),
    }  # fmt: skip
    drug, most = DRUGS[str(row["drug"])].label, f"{shown(limit.number)} {limit.unit}"
    dialysis = (
        ("On dialysis: count the clearance as the lowest, and add a dose after each session (ask pharmacy how much).",) if "from_clearance" not in row else ()
    )
    return Words(
        f"Reduce {drug}: {{daily}} a day, at most {most} at clearance {{clearance}}",
        (
            f"{{order}}: {{daily}} a day. Clearance {row['printed']}: at most {most} a day.",
            "Clearance {clearance} (Cockcroft-Gault) from creatinine {creatinine}, {creatinine.age}, and weight {weight}.",
        ),
        ("By local protocol or with pharmacy: the next doses by clearance; look again when creatinine moves.", *dialysis),
        (
            "Drowsiness or jerks mean that it is building up: EEG if in doubt.",
            "A load is not reduced, and no dose is left out after a seizure: only what is repeated builds up.",
            "The clearance is an estimate: while creatinine rises it is too high.",
        ),
        ("The EMA product information of lacosamide allows less than the US label at a clearance of {p.lacosamide_clearance_low} or below.",) if row["drug"] == "lacosamide" else (),
        facts=facts,
    )


def _offer(p: ParameterSet, row: Row) -> tuple[Proposal, ...]:
    """The row's own regimen, where it is one dose a whole number of times a day."""
    times, dose = column_limit(p, row, "times_a_day", "1"), column_limit(p, row, "dose_mg", "mg")
    if times is None or dose is None:
        return ()
    return (Amend("Maintenance by the label's row for this clearance", drug=str(row["drug"]), dose=Figure(dose), times_a_day=times),)


def _child(p: ParameterSet) -> tuple[Branch, ...]:
    """A child has no printed limit here: poor filtration asks for a look, and no more."""
    rate = clearance(p)
    facts: dict[str, Expression] = {"rate": rate, "share": Scaled(Ratio(rate, Figure(p["asm_kidney_child_full"])), p["asm_kidney_percent"], "%")}
    return (
        Branch(
            "child",
            Below(rate, p["asm_kidney_child_below"]),
            "info",
            Words(
                "Check the maintenance dose, {order}: estimated filtration {rate}",
                ("Estimated filtration {rate} by height and creatinine, about {share} of full.",),
                ("By local protocol or with pharmacy: the next doses in proportion to kidney function; a load is not reduced.",),
                ("The estimate is too high while creatinine rises.",),
                facts=facts,
            ),
        ),
    )
