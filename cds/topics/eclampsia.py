"""Eclampsia: magnesium first, and how much of it (C15)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderIs,
    Total,
)
from cds.parameters import ParameterSet
from cds.states.magnesium import MAGNESIUM, eclamptic, no_magnesium
from cds.states.parts import computable, if_known

# A draft of one of these is for the same problem (O-N01).
TOUCHES = ("anti_seizure", "benzodiazepine", "anaesthetic_agent", "magnesium_sulfate", "flumazenil")
OTHER_FIRST = ("anti_seizure", "benzodiazepine")
SOURCES = (
    "Magnesium sulfate, UK product information; Altman D et al. (MAGPIE). Lancet 2002;359:1877-1890",
    "ACOG Practice Bulletin 222: Gestational hypertension and preeclampsia. Obstet Gynecol 2020;135:e237-e260",
    "NICE NG133. Hypertension in pregnancy",
)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: eclampsia.toml."""
    eclampsia = eclamptic(p)
    first = no_magnesium(p)
    facts: dict[str, Expression] = {
        "systolic": Latest("systolic", p["result_age"]), "diastolic": Latest("diastolic", p["result_age"]), "weight": Latest("weight", p["weight_age"]),
        "creatinine": Latest("creatinine", p["creatinine_window"]), "urine": Latest("urine_output", p["urine_output_age"]), "magnesium": Latest("magnesium", p["minerals_age"]),
        "rate": Total("drug:magnesium_sulfate"),
    }  # fmt: skip
    order_facts = facts
    load_line = "Load {p.eclampsia_load} by vein over {p.eclampsia_load_minutes}, then {p.eclampsia_maintenance} until 24 hours after the last convulsion or the birth."
    watch = (
        "Knee reflexes, breaths ({p.eclampsia_breaths_least} or more), urine ({p.eclampsia_urine_below} or more) and oxygen every hour; calcium gluconate as antidote.",
        "Pressure {systolic}/{diastolic}: from {p.eclampsia_pressure_high} treat it at once (labetalol, hydralazine or nifedipine); obstetric team, plan the birth.",
    )
    do = (
        f"By local protocol: {load_line}",
        "No vein: {p.eclampsia_muscle} into muscle, half into each buttock.",
        "A further convulsion: {p.eclampsia_recurrent} more ({p.eclampsia_recurrent_heavy} above {p.eclampsia_heavy_from}).",
        *watch,
    )
    cautions = (
        "Known epilepsy does not exclude it: treat as eclampsia until it is excluded.",
        "A benzodiazepine or anti-seizure medicine that is ordered need not wait: give both.",
        "With a calcium-channel blocker the pressure may fall further; with failing kidneys the load stays full and what follows is at most {p.eclampsia_maintenance}, with levels; in severe failure at most {p.eclampsia_severe_most} in two days.",
    )
    differs = (
        "UK: {p.eclampsia_load} over 5 to {p.eclampsia_load_minutes_uk}, then {p.eclampsia_maintenance}. ACOG: up to {p.eclampsia_load_most} over {p.eclampsia_load_minutes_acog} or longer, then up to {p.eclampsia_maintenance_most}.",
    )
    give: tuple[Proposal, ...] = (
        Give("Magnesium sulfate load", "magnesium_sulfate", p["eclampsia_load"], "g", minutes=p["eclampsia_load_minutes"]),
    )
    check = ("By local protocol: with the obstetric team, change the magnesium order.", load_line, *watch)

    def branch(name: str, when: Criterion, indicator: str, summary: str, *offered: Proposal, lines: tuple[str, ...] = check) -> Branch:
        found = ("Pressure {systolic}/{diastolic}; creatinine {creatinine}; urine {urine}; magnesium {magnesium}.",)
        return Branch(name, when, indicator, Words(summary, found, lines, cautions, differs, facts=order_facts), offered)

    load, maintenance = _load(p), _maintenance(p)
    dose, hourly = OfOrder("amount", "drug:magnesium_sulfate"), OfOrder("per_hour", "drug:magnesium_sulfate")
    drafted = OrderFilter(MAGNESIUM, "drafted", "intravenous")
    either = OrderFilter(MAGNESIUM, "either", "intravenous")
    given_before = AnyOf((HasOrder(OrderFilter(MAGNESIUM, "given", started_within=p["eclampsia_dose_counts"])), HasOrder(OrderFilter(MAGNESIUM, "running"))))
    loaded = AnyOf((given_before, AnyOrder(drafted, load), HasOrder(OrderFilter(MAGNESIUM, "drafted", "intramuscular"))))
    failing = AnyOf(
        (
            if_known("creatinine", p["creatinine_window"], Above(Latest("creatinine", p["creatinine_window"]), p["eclampsia_creatinine_above"])),
            if_known("urine_output", p["urine_output_age"], Below(Latest("urine_output", p["urine_output_age"]), p["eclampsia_urine_below"])),
        )
    )
    within_limit = Not(Above(hourly, p["eclampsia_maintenance_limit"]))
    branches = (
        branch("myasthenia", AllOf((eclampsia, HasCondition(("myasthenia_gravis",), "recorded"), HasOrder(OrderFilter(MAGNESIUM, "either")))), "critical",
               "Magnesium in myasthenia gravis can stop breathing: a senior decides now, airway ready"),
        branch("another medicine first", AllOf((eclampsia, first, HasOrder(OrderFilter(OTHER_FIRST, "drafted")))), "critical",
               "Eclampsia: give magnesium sulfate {p.eclampsia_load} by vein first, over {p.eclampsia_load_minutes}; give both", *give, lines=do),
        branch("no magnesium", AllOf((eclampsia, first)), "critical",
               "Eclampsia: give magnesium sulfate {p.eclampsia_load} by vein now, over {p.eclampsia_load_minutes}", *give, lines=do),
        branch("load too small", AllOf((eclampsia, Not(given_before), AnyOrder(drafted, AllOf((load, Below(dose, p["eclampsia_load"])))))), "warning",
               "Magnesium load for eclampsia below {p.eclampsia_load}: raise it to the full load"),
        branch("load too large", AllOf((eclampsia, AnyOrder(drafted, AllOf((load, Above(dose, p["eclampsia_load_most"])))))), "warning",
               "Magnesium load for eclampsia above {p.eclampsia_load_most}: lower it"),
        branch("maintenance, kidneys", AllOf((eclampsia, failing, AnyOrder(either, AllOf((maintenance, Above(hourly, p["eclampsia_maintenance"]), within_limit))))), "warning",
               "Creatinine {creatinine}, urine {urine}: lower magnesium maintenance to {p.eclampsia_maintenance} or less, levels"),
        branch("maintenance too fast", AllOf((eclampsia, AnyOrder(either, AllOf((maintenance, Above(hourly, p["eclampsia_maintenance_most"]), within_limit))))), "warning",
               "Magnesium maintenance {rate}: lower it to {p.eclampsia_maintenance_most} or less"),
        branch("maintenance too slow", AllOf((eclampsia, AnyOrder(either, AllOf((maintenance, Below(hourly, p["eclampsia_maintenance"])))), Not(failing))), "warning",
               "Magnesium maintenance {rate}: raise it to {p.eclampsia_maintenance}"),
        branch("no load", AllOf((eclampsia, AnyOrder(drafted, maintenance), Not(loaded))), "warning",
               "Magnesium maintenance without a load: give {p.eclampsia_load} by vein first, over {p.eclampsia_load_minutes}", *give),
    )  # fmt: skip
    return (
        Advisory(
            code="eclampsia-magnesium-first",
            title="Eclampsia: magnesium first",
            problem="eclampsia",
            kind="result",
            trigger=Trigger((("condition:eclampsia", "condition:seizure", "condition:status_epilepticus"),)),
            branches=branches,
            sources=SOURCES,
            touches=TOUCHES,
            touched=("critical", "warning"),
            always=("critical",),
            refire_minutes=p["refire_seizure"],
            hazards=("HZ-19", "HZ-25", "HZ-36"),
            purpose="The medicine that stops and prevents the fits of eclampsia, before any other.",
        ),
    )


def _maintenance(p: ParameterSet) -> Criterion:
    """An infusion that goes on for more than an hour, or whose end is not stated, at a rate of maintenance."""
    minutes, hourly = OfOrder("duration_minutes", ""), OfOrder("per_hour", "drug:magnesium_sulfate")
    long = AnyOf((NotComputable(minutes), Above(minutes, p["magnesium_load_minutes"])))
    return AllOf((OrderIs("infusion"), long, Not(NotComputable(hourly))))


def _load(p: ParameterSet) -> Criterion:
    """One dose, given within the hour or without a time."""
    minutes, dose = OfOrder("duration_minutes", ""), OfOrder("amount", "drug:magnesium_sulfate")
    short = AnyOf((Not(OrderIs("infusion")), computable(minutes, AtMostValue(minutes, p["magnesium_load_minutes"]))))
    return AllOf((OrderIs("one-off"), short, Not(NotComputable(dose))))
