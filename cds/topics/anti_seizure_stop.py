"""An anti-seizure medicine that is stopped at once, or forgotten on admission (C14)."""

from __future__ import annotations

from collections.abc import Callable

from cds.advisory import Advisory, Branch, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Criterion,
    HasCondition,
    HasOrder,
    HookIs,
    NoOrder,
    Not,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.asm_stop import STOPPABLE
from cds.states.parts import computable
from cds.vocabulary import class_members

ASM, BENZODIAZEPINE = ("anti_seizure",), ("benzodiazepine",)
KEPT = ("anti_seizure", "maintenance_benzodiazepine")
# Stopping one of these at once brings on withdrawal seizures of its own.
WITHDRAWAL = ("benzodiazepine", "phenobarbital", "primidone")
GOOD_REASON = ("severe_skin_reaction", "hepatic_failure", "av_block")
# One stands for the other.
SAME = {"phenytoin": ("phenytoin", "fosphenytoin"), "fosphenytoin": ("phenytoin", "fosphenytoin"), "primidone": ("primidone", "phenobarbital")}


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: anti_seizure_stop.toml."""
    at_risk = AnyOf((State("seizure now"), State("seizure history")))
    # Benzodiazepines for sleep or anxiety are not this code's matter, save where they are long taken; a dose as needed is no maintenance.
    maintenance = AllOf((Not(OrderIs("one-off")), Not(OrderIs("as needed"))))
    going_on = _each(lambda drug: HasOrder(OrderFilter(SAME.get(drug, (drug,)), "either")))
    by_draft = AllOf((maintenance, Not(OrderIs("at home")), _each(lambda drug: HasOrder(OrderFilter((drug,), "stopping")))))
    lately = AllOf((HookIs(("patient-view",)), maintenance, Not(OrderIs("at home")), _each(lambda drug: State(f"{drug} ended lately"))))
    stopped = AllOf((AnyOf((by_draft, lately)), Not(going_on)))
    # O-N05, R-n53: another one drafted, one that was begun lately, or a benzodiazepine that is given regularly or runs; a rescue dose is gone in hours.
    replaced = AnyOf(
        (
            HasOrder(OrderFilter(ASM, "drafted")),
            AnyOrder(OrderFilter(BENZODIAZEPINE, "drafted"), AnyOf((Not(OrderIs("one-off")), OrderIs("infusion")))),
            HasOrder(OrderFilter(ASM, "either", started_within=p["asm_stop_overlap"])),
        )
    )
    started = OfOrder("started_minutes", "")
    long_taken = AnyOf(
        (
            computable(started, AtLeastValue(started, p["asm_stop_long"])),
            _each(lambda drug: AnyOrder(OrderFilter((drug,), "listed"), OrderIs("settled at home")), tuple(drug for drug in STOPPABLE if _withdraws(drug))),
        )
    )
    asm = OrderHas(KEPT, "active")
    withdrawal = AllOf((OrderHas(WITHDRAWAL, "active"), long_taken))
    last = AllOf((asm, NoOrder(OrderFilter(KEPT, "either"))))
    after_status = AllOf((asm, HasCondition(("status_epilepticus",), "recorded", p["asm_stop_after_status"], "no")))
    stands = (stopped, at_risk, Not(replaced))
    forgotten = AllOf(
        (
            HookIs(("patient-view",)), OrderIs("at home"), asm, at_risk, Not(going_on), NoOrder(OrderFilter(KEPT, "either")),
            HasOrder(OrderFilter(("*",), "running", started_before=p["asm_stop_admitted"])),
        )
    )  # fmt: skip
    do = (
        "By local protocol: keep it (take the stop out), or the same dose by vein (levetiracetam, valproate, lacosamide, phenytoin and brivaracetam one to one).",
        "If it has to go: taper over weeks, or start another first; a neurologist decides.",
    )
    cautions = ("Labels: stopping at once can bring on status epilepticus.", "Nil by mouth is no reason to leave it out: ask for another route.")

    def branch(name: str, when: Criterion, indicator: str, summary: str, *lines: str) -> Branch:
        return Branch(name, when, indicator, Words(summary, ("About: {order}.",), lines or do, cautions))

    return (
        Advisory(
            code="abrupt-asm-stop",
            title="Anti-seizure medicine stopped at once",
            problem="anti-seizure medicine stop",
            kind="order",
            trigger=Trigger((("listed:anti_seizure", "listed:benzodiazepine"),)),
            over=OrderFilter((*ASM, *BENZODIAZEPINE), "listed"),
            branches=(
                branch("for a reason", AllOf((stopped, at_risk, asm, Not(replaced), HasCondition(GOOD_REASON))), "info",
                       "{order} is stopped for skin, liver or heart: start one of another class",
                       "By local protocol: another anti-seizure medicine of another class now; levetiracetam suits most."),
                branch("withdrawal", AllOf((*stands, withdrawal)), "critical",
                       "Keep or taper {order}: stopped at once after {p.asm_stop_long} or longer it brings on seizures"),
                branch("the last one", AllOf((*stands, last)), "critical", "Keep or replace {order}: the only anti-seizure medicine is stopped"),
                branch("after a status", AllOf((*stands, after_status)), "critical", "Keep or replace {order}: stopped within {p.asm_stop_after_status} of a status"),
                branch("stopped", AllOf((*stands, asm)), "warning", "Keep or taper {order}: stopped with no anti-seizure medicine in its place"),
                branch("forgotten", forgotten, "warning", "Write up or replace {order}: taken at home, not ordered here for {p.asm_stop_admitted}",
                       "By local protocol: ask when the last dose was taken; order it now, by vein if it cannot be swallowed."),
            ),
            sources=("Phenytoin, US label 5.2: withdrawal precipitated status; labels of the others say the same", "Common practice: no anti-seizure medicine ends without another in its place"),
            touches=(*ASM, *BENZODIAZEPINE),
            touched=("critical",),
            gap_indicator="info",
            hazards=("HZ-13", "HZ-20"),
            purpose="Status epilepticus brought on by a stop, or by an admission.",
        ),
    )  # fmt: skip


def _withdraws(drug: str) -> bool:
    return drug in WITHDRAWAL or drug in class_members("benzodiazepine")


def _each(about: Callable[[str], Criterion], drugs: tuple[str, ...] = STOPPABLE) -> Criterion:
    """For the medicine in hand, whichever it is."""
    return AnyOf(tuple(AllOf((OrderHas((drug,), "active"), about(drug))) for drug in drugs))
