"""Medicines that harm in pregnancy (D11). Where the week is not known the strictest row counts, and the card says so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from cds.advisory import Advisory, Branch, Measure, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Criterion,
    Expression,
    HasCondition,
    Latest,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import column_limit

LABELS = "labels, section 8.1; FDA drug safety communications on NSAIDs (2020), fluconazole (2011), statins (2021)"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about medicines in pregnancy for one population. Figures and sources: interactions.toml."""
    rows = p.table("pregnancy")
    classes = tuple(dict.fromkeys(str(name) for row in rows for name in row["classes"]))
    branches: list[Branch] = []
    for indicator in ("critical", "warning", "info"):
        branches += [branch for row in rows if row["indicator"] == indicator for branch in _of_row(p, row)]
        if indicator == "warning":
            branches += [_possible(p, row) for row in rows if row["possible"] == "yes"]
    # What the order already was when the pregnancy was not known is said once, and never as more than a warning (R-n2).
    return (
        Advisory(
            code="pregnancy-unsafe-order",
            title="Medicine that harms in pregnancy",
            problem="pregnancy",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in classes),)),
            over=OrderFilter(classes, "active"),
            branches=tuple(branches),
            sources=(LABELS,),
            hazards=("HZ-19",),
            purpose="A pregnancy that stands in the chart and not in the head of who orders.",
        ),
    )


def _weeks(p: ParameterSet, row: Mapping[str, Any]) -> tuple[Criterion, ...]:
    """That the row's weeks are now, or that the week is not known."""
    week = Since("the last menstrual period")
    parts: list[Criterion] = []
    first, last = column_limit(p, row, "from_week", "wk"), column_limit(p, row, "to_week", "wk")
    if first is not None and first.number:
        parts.append(AtLeastValue(week, first))
    if last is not None:
        parts.append(Below(week, last))
    unknown = Not(State("gestation known"))
    return (AnyOf((unknown, AllOf(tuple(parts)))),) if parts else ()


def _large(p: ParameterSet, row: Mapping[str, Any], classes: tuple[str, ...]) -> tuple[Criterion, ...]:
    """That the dose is more than what a row leaves alone; a dose that cannot be computed is not left alone."""
    limit = column_limit(p, row, "above_mg", "mg")
    if limit is None:
        return ()
    dose = OfOrder("amount", f"drug:{classes[0]}")
    return (AnyOf((NotComputable(dose), Above(dose, limit))),)


def _of_row(p: ParameterSet, row: Mapping[str, Any]) -> list[Branch]:
    name, classes, indicator = str(row["name"]), tuple(map(str, row["classes"])), str(row["indicator"])
    when = AllOf((OrderHas(classes, "active"), State("pregnant"), *_weeks(p, row), *_large(p, row, classes)))
    facts: dict[str, Expression] = {"week": Latest("gestational_age", p["gestation_age"])}
    label = f"{name} {row['from_week']}"
    words = Words(
        f"Choose another medicine in pregnancy ({row['note_for_card']}): {{order}}",
        ("Gestational age {week}; where it is not known the strictest weeks count.",),
        (f"By local protocol: {row['instead']}.", "Ask obstetric and pharmacy advice before it is given, or before it is stopped."),
        ("An emergency of the mother may outweigh it: the treating team decides.",),
        facts=facts,
    )
    drafted = OrderIs("drafted")
    if indicator == "info":
        return [Branch(label, when, "info", words)]
    made = []
    if indicator == "critical":
        # A first antibacterial in shock or meningitis is not delayed (N-19).
        waits = AllOf((drafted, OrderHas(("antibacterial", "aciclovir"), "active"), HasCondition(("septic_shock", "meningitis", "encephalitis")), when))
        first = replace(words, summary=f"Give the first dose, then another medicine in pregnancy ({row['note_for_card']}): {{order}}")
        made.append(Branch(f"{label}, must not wait", waits, "warning", first))
    made += [Branch(f"{label}, drafted", AllOf((drafted, when)), indicator, words, (Withdraw(f"Take {name} out"),))]
    made.append(Branch(f"{label}, taken", AllOf((Not(drafted), when)), "warning", words))
    return made


def _possible(p: ParameterSet, row: Mapping[str, Any]) -> Branch:
    name, classes = str(row["name"]), tuple(map(str, row["classes"]))
    return Branch(
        f"{name}, pregnancy possible",
        AllOf((OrderHas(classes, "active"), OrderIs("drafted"), OrderIs("new"), State("pregnancy possible"))),
        "warning",
        Words(
            "Check for a pregnancy before {order}: none on record either way",
            (),
            (f"By local protocol: a pregnancy test first; if positive: {row['instead']}.",),
            ("A negative test of the last days, an operation or an age outside 12 to 54 years takes this away.",),
        ),
        (Measure("hcg", "Pregnancy test", urgent=False),),
    )
