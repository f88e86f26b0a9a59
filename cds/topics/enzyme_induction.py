"""Anti-seizure medicines that induce enzymes, and the medicines whose level they lower (D5)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.advisory import Advisory, Branch, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Criterion,
    HasCondition,
    HasOrder,
    Not,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
)
from cds.parameters import ParameterSet
from cds.states.parts import column_limit, computable, either

INDUCERS = ("anti_seizure_inducer_strong", "anti_seizure_inducer_weak")
_CLOTS = ("venous_thromboembolism", "stroke")
_LABELS = "labels of the medicines named; FSRH guidance on drug interactions with hormonal contraception, 2022"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about enzyme induction for one population. Figures and sources: interactions.toml."""
    rows = p.table("induced")
    victims = tuple(dict.fromkeys(str(name) for row in rows for name in row["classes"]))
    branches: list[Branch] = []
    for indicator in ("critical", "warning", "info"):
        for row in rows:
            branches += _of_row(p, row, indicator)
    return (
        Advisory(
            code="enzyme-inducing-asm-interaction",
            title="Level lowered by an enzyme-inducing anti-seizure medicine",
            problem="enzyme induction",
            kind="order",
            trigger=Trigger((
                tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in INDUCERS),
                tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in victims),
            )),
            over=OrderFilter(victims, "active"),
            branches=tuple(branches),
            sources=(_LABELS,),
            # A draft of the inducer is for the same problem; a pair of two running medicines waits for the chart to be opened (R-n4).
            touches=INDUCERS,
            touched=("critical", "warning"),
            hazards=("HZ-11",),
            purpose="A medicine that quietly stops working, weeks after another was begun.",
        ),
    )  # fmt: skip


def _induces(p: ParameterSet, inducers: tuple[str, ...]) -> Criterion:
    """The inducer in hand is one at the dose that it has, where a dose is needed."""
    doses = {str(row["drug"]): row for row in p.table("inducing_dose")}
    parts: list[Criterion] = []
    for drug, row in doses.items():
        daily = OfOrder("per_day", f"drug:{drug}")
        limit = column_limit(p, row, "from_mg_a_day", "mg")
        if limit is None:
            continue
        parts.append(AllOf((OrderHas((drug,), "active"), computable(daily, AtLeastValue(daily, limit)))))
    by_dose = tuple(doses)
    return AnyOf((AllOf((OrderHas(inducers, "active"), Not(OrderHas(by_dose, "active")))), *parts))


def _of_row(p: ParameterSet, row: Mapping[str, Any], indicator: str) -> list[Branch]:
    """The branches of one row that have an indicator: the row's own, the graver one of an anticoagulant that treats, and the milder ones."""
    own, name, instead = str(row["indicator"]), str(row["name"]), str(row["instead"])
    classes, inducers = tuple(map(str, row["classes"])), tuple(map(str, row["inducers"]))
    victim = OrderHas(classes, "active")
    repeated = AnyOf((Not(OrderIs("one-off")), OrderIs("at home")))
    # A single dose of the victim is no question, save of an antiviral that must work (R-n68).
    asked = victim if own == "critical" else AllOf((victim, repeated))
    kind = _induces(p, inducers)
    maintenance = AllOf((kind, Not(OrderIs("one-off"))))
    taken = AnyOf(
        (
            AnyOrder(OrderFilter(inducers, "drafted"), maintenance),
            AnyOrder(OrderFilter(inducers, "running", started_before=p["induction_from"]), maintenance),
            AnyOrder(OrderFilter(inducers, "active"), AllOf((OrderIs("at home"), kind))),
        )
    )
    settled = AllOf((OrderIs("settled at home"), AnyOrder(OrderFilter(inducers, "active"), OrderIs("settled at home"))))
    stopping = HasOrder(OrderFilter(inducers, "stopping"))
    once = AnyOrder(OrderFilter(inducers, "either"), AllOf((kind, OrderIs("one-off"))))
    do = (f"By local protocol: {instead}.", "Enzymes are induced over one to two weeks, and recover over two to three after the inducer is stopped.")
    cautions = ("Effect and level tell more than the list: ask what has changed lately.",)

    def words(summary: str) -> Words:
        return Words(summary, (), do, cautions)

    lowered = words(f"Check the level or effect ({name}): an enzyme inducer lowers {{order}}")
    made: list[Branch] = []
    if indicator == own:
        if own == "critical":
            made.append(Branch(name, AllOf((asked, taken)), "critical", words(f"Choose another medicine ({name}): an enzyme inducer undoes {{order}}")))
        elif own == "warning":
            made.append(Branch(name, AllOf((asked, taken, Not(settled))), "warning", lowered))
            made.append(Branch(f"{name}, inducer stopped", AllOf((asked, stopping)), "warning", words(
                f"Check in two weeks ({name}): the inducer is stopped, and a level will rise: {{order}}")))  # fmt: skip
        else:
            made.append(Branch(name, AllOf((asked, taken)), "info", lowered))
    if indicator == "critical" and name == "oral anticoagulants":
        treats = HasCondition(_CLOTS, within=p["induction_clot_age"], undated="no")
        made.append(Branch(f"{name}, for a clot", AllOf((asked, taken, treats)), "critical", words(
            "Choose another anticoagulant, a clot is treated: an enzyme inducer undoes {order}")))  # fmt: skip
    if indicator == "info" and own == "warning":
        made.append(Branch(f"{name}, settled", AllOf((asked, taken, settled)), "info", lowered))
    if indicator == "info" and own != "info":
        made.append(Branch(f"{name}, single load", AllOf((asked, once, Not(either((taken,))))), "info", words(
            f"Check later ({name}): one dose of an inducer changes little for {{order}}")))  # fmt: skip
    return made
