"""Antibacterials and aciclovir that go out through the kidneys and harm the brain when they stay: more a day than the clearance allows (D2)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.advisory import Advisory, Amend, Branch, Precedence, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Below,
    Criterion,
    Expression,
    Figure,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    Ratio,
    Scaled,
    State,
)
from cds.numbers import shown
from cds.parameters import Parameter, ParameterSet
from cds.states.kidney import NARROW, clearance, clearance_printed, daily_dose, daily_limit, of_row, within_band
from cds.states.parts import column_limit, computable, if_known
from cds.vocabulary import DRUGS, class_members

SOURCES = (
    "Labels by creatinine clearance; each row's source stands in the table of these limits",
    "FDA drug safety communication on cefepime and non-convulsive status, 2012 (second hand)",
    "The step to critical at twice the limit is our own: a pharmacist signs it",
)
WIDE = "2 g base"
# What the wider dosing of meropenem is labelled for; recorded on the order, or as one of these diagnoses (R-n64).
FOR_WIDE = ("meningitis", "encephalitis", "cns_infection", "cystic_fibrosis", "ventilator_pneumonia", "esbl_resistance", "carbapenem_resistance")
DIAGNOSED_WIDE = ("meningitis", "cystic_fibrosis", "ventilator_pneumonia")
CANNOT_WAIT = ("septic_shock", "meningitis", "encephalitis")
Row = Mapping[str, Any]


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Limits: states/kidney.toml; the rest: antibacterial_kidney.toml."""
    every = _rows(p)
    drugs = tuple(dict.fromkeys(str(row["drug"]) for row in every)) or (
        "cefepime",
        "meropenem",
        "imipenem",
        "aciclovir",
        "levofloxacin",
        "ciprofloxacin",
        "piperacillin",
    )
    return (
        Advisory(
            code="renally-cleared-neurotoxic-antibiotic",
            title="Antibacterial above the kidney limit",
            problem="seizure-threshold order",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running") for drug in drugs),)),
            over=OrderFilter(drugs, "either"),
            branches=_branches(p, every) if every else _child(p),
            sources=SOURCES,
            # A running order that the draft replaces is judged as the draft (R-n63); a single dose never fires.
            quiet=AnyOf((OrderIs("one-off"), *_replaced(drugs))),
            touches=("antibacterial", "aciclovir"),
            always=("critical",),
            precedence=(Precedence("absorbs", "seizure-threshold-lowering-order", "order", other_branches=("grade B, predisposed", "grade A, predisposed")),),
            hazards=("HZ-11", "HZ-19", "HZ-36"),
            purpose="Confusion, jerks and non-convulsive status from a dose that poor kidneys do not clear.",
        ),
    )


def _rows(p: ParameterSet) -> tuple[Row, ...]:
    """The rows of antibacterials and aciclovir; the table also holds other medicines."""
    members = class_members("antibacterial")
    return tuple(row for row in p.table("renal_limits") if row["drug"] in members or row["drug"] == "aciclovir")


def _replaced(drugs: tuple[str, ...]) -> tuple[Criterion, ...]:
    return tuple(AllOf((OrderHas((drug,), "active"), Not(OrderIs("drafted")), HasOrder(OrderFilter((drug,), "drafted")))) for drug in drugs)


def _worse(p: ParameterSet) -> Criterion:
    """The brain is at risk, or already shows it: a seizure now or before, a lowered coma score, new confusion."""
    unclear = if_known("gcs", p["consciousness_age"], Below(Latest("gcs", p["consciousness_age"]), p["renal_coma_below"]))
    return AnyOf((State("seizure now"), State("seizure history"), unclear, HasCondition(("confusion", "delirium"))))


def _regimen(row: Row) -> tuple[Criterion, ...]:
    """The row's way of dosing is the one to compare with: the wider where something recorded speaks for it."""
    wide = AnyOf((OrderReason(FOR_WIDE), HasCondition(DIAGNOSED_WIDE)))
    if row.get("regimen") == NARROW:
        return (Not(wide),)
    return (wide,) if row.get("regimen") == WIDE else ()


def _may_be_critical(row: Row) -> tuple[Criterion, ...]:
    """Meropenem is judged in earnest only where the order says what it is for (R-n64)."""
    if row.get("regimen") == NARROW:
        return (OrderIs("reason stated"),)
    return (OrderReason(FOR_WIDE),) if row.get("regimen") == WIDE else ()


def _branches(p: ParameterSet, every: tuple[Row, ...]) -> tuple[Branch, ...]:
    worse = _worse(p)
    cannot_wait = AnyOf((HasCondition(CANNOT_WAIT), OrderReason(CANNOT_WAIT)))
    charted = AnyOrder(OrderFilter(("antibacterial", "aciclovir"), "given", started_within=p["infection_dose_charted"]))
    # The first dose is not delayed: until one is charted the card is a warning (0.5a, R-n61).
    free = AnyOf((Not(cannot_wait), charted))
    critical: list[Branch] = []
    warning: list[Branch] = []
    for row in every:
        limit, daily = daily_limit(p, row), daily_dose(p, row)
        above = AllOf((*of_row(row), *_regimen(row), Not(State("on dialysis")), within_band(p, row), computable(daily, Above(daily, limit))))
        far = (AtLeastValue(Ratio(daily, Figure(limit)), p["renal_far_above"]),) if limit.number else ()
        grave = AnyOf((worse, *far))
        name = " ".join(str(row[part]) for part in ("drug", "regimen", "route") if part in row) + f", {clearance_printed(p, row)}"
        words, offer = _words(p, row, limit, daily), _offer(p, row)
        critical.append(Branch(f"{name}, critical", AllOf((above, *_may_be_critical(row), grave, free)), "critical", words, offer))
        warning.append(Branch(name, above, "warning", words, offer))
    lowest = _lowest(every)
    dialysed: list[Branch] = []
    for row in lowest:
        limit, daily = daily_limit(p, row), daily_dose(p, row)
        shared = (*of_row(row), *_regimen(row), State("on dialysis"))
        above = AllOf((*shared, computable(daily, Above(daily, limit))))
        name = " ".join(str(row[part]) for part in ("drug", "regimen", "route") if part in row)
        words = _on_dialysis(row, limit, daily)
        unclear = AnyOf(
            (
                State("seizure now"),
                if_known("gcs", p["consciousness_age"], Below(Latest("gcs", p["consciousness_age"]), p["renal_coma_below"])),
                HasCondition(("confusion", "delirium")),
            )
        )
        critical.append(Branch(f"{name} on dialysis, critical", AllOf((above, *_may_be_critical(row), unclear, free)), "critical", words))
        warning.append(Branch(f"{name} on dialysis", above, "warning", words))
        dialysed.append(Branch(f"{name} on dialysis, within the lowest row", AllOf(shared), "info", words))
    return (*critical, *warning, *dialysed)


def _lowest(every: tuple[Row, ...]) -> tuple[Row, ...]:
    """Of each drug, route and way of dosing the row for the poorest kidneys that prints a dose."""
    found: dict[tuple[str, ...], tuple[Any, Row]] = {}
    for row in every:
        key = tuple(str(row.get(part, "")) for part in ("drug", "route", "regimen"))
        low, most = row.get("from_clearance", 0), row.get("most_mg_a_day", row.get("most_mg_per_kg_a_day"))
        if most and (key not in found or low < found[key][0]):
            found[key] = (low, row)
    return tuple(row for _, row in found.values())


def _label(row: Row) -> str:
    return DRUGS[str(row["drug"])].label


def _words(p: ParameterSet, row: Row, limit: Parameter, daily: Expression) -> Words:
    facts: dict[str, Expression] = {"daily": daily, "clearance": clearance(p), "creatinine": Latest("creatinine", p["creatinine_window"])}
    drug, most = _label(row), f"{shown(limit.number)} {limit.unit}"
    if limit.number:
        summary = f"Lower the {drug} dose: {{daily}} a day, label at most {most} at clearance {{clearance}}"
    else:
        summary = f"Choose another than {drug}, or ask pharmacy: clearance {{clearance}} has no labelled dose"
    base = f", {row['regimen']}" if "regimen" in row else ""
    told = f"at most {most} a day" if limit.number else "no dose that is repeated"
    cautions = [
        "Give the first dose in full: only what is repeated builds up. Never a reason to leave an infection untreated.",
        "The clearance is an estimate (Cockcroft-Gault): while creatinine moves it is too high or too low.",
    ]
    if "regimen" in row:
        cautions.append("The 2 g base is labelled for meningitis and cystic fibrosis: state the reason on the order.")
    return Words(
        summary,
        (
            f"{{order}}: {{daily}} a day. Row of the label{base}: {clearance_printed(p, row)}, {told}.",
            "Clearance {clearance} from creatinine {creatinine}, {creatinine.age}.",
        ),
        (
            "By local protocol or with pharmacy: the next doses by clearance.",
            "If the patient is drowsy, confused or jerking: EEG, and stop or change the medicine.",
        ),
        tuple(cautions),
        facts=facts,
    )


def _on_dialysis(row: Row, limit: Parameter, daily: Expression) -> Words:
    drug, most = _label(row), f"{shown(limit.number)} {limit.unit}"
    return Words(
        f"Check the {drug} dose on dialysis with pharmacy: {{daily}} a day; lowest row {most}",
        (f"{{order}}: {{daily}} a day; the label's lowest row is {most} a day.",),
        (
            "By local protocol: dose after dialysis; continuous replacement clears more and needs its own dose.",
            "If the patient is drowsy, confused or jerking: EEG, and stop or change the medicine.",
        ),
        ("Give the first dose in full.",),
        facts={"daily": daily},
    )


def _offer(p: ParameterSet, row: Row) -> tuple[Proposal, ...]:
    """The row's own regimen, where it is one dose a whole number of times a day."""
    times, drug = column_limit(p, row, "times_a_day", "1"), str(row["drug"])
    dose, by_weight = column_limit(p, row, "dose_mg", "mg"), column_limit(p, row, "dose_mg_per_kg", "mg/kg")
    if times is None or (dose is None and by_weight is None):
        return ()
    amount: Expression = (
        Figure(dose) if dose is not None else Scaled(Latest("weight", p["weight_age"]), by_weight, "mg") if by_weight is not None else Figure(times)
    )
    return (Amend("Next doses by the label's row for this clearance", drug=drug, dose=amount, times_a_day=times),)


def _child(p: ParameterSet) -> tuple[Branch, ...]:
    """A child has no printed limit here: poor filtration asks for a look, and no more."""
    rate = clearance(p)
    return (
        Branch(
            "child",
            Below(rate, p["renal_child_below"]),
            "info",
            Words(
                "Check the dose of {order}: estimated filtration {rate}",
                ("Estimated filtration {rate}, by height and creatinine.",),
                ("By local protocol or with pharmacy: the next doses by kidney function; the first in full.",),
                ("The estimate is too high while creatinine rises.",),
                facts={"rate": rate},
            ),
        ),
    )
