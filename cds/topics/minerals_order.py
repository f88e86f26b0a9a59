"""Minerals as they are ordered: too much magnesium, phosphate with a low calcium, calcium that meets phosphate or bicarbonate, strong fluids in a small vein
(N10, N11, N15). The page names these triggers in a line; they are written out here (R-m50), with our own figures in minerals_order.toml."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Proposal, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.minerals import TOTAL, adjusted, ionised
from cds.states.parts import POTASSIUM_ORDERS, POTASSIUM_TOUCHES, computable, held, if_known, insulin_by_vein

LABEL = "Magnesium sulfate injection, UK product information and US label"
PHOSPHATE_LABEL = "Potassium phosphates injection, US label: contraindicated in significant hypocalcaemia; not with calcium-containing fluids"
CALCIUM_LABEL = "Calcium gluconate injection, US label: not in one line with ceftriaxone, phosphate or bicarbonate"
CALCIUM = "Turner J et al. Emergency management of acute hypocalcaemia in adult patients. Endocr Connect 2019;8:X1: calcium chloride by a central line only"
VEINS = "common practice: strong solutions by a central line"
PARTNERS = ("bicarbonate", "phosphate_salt", "ceftriaxone")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about mineral and strong fluid orders for one population. Figures and sources: minerals_order.toml."""
    return (_magnesium_excess(p), _calcium_meets(p), _phosphate_with_low_calcium(p), _strong_in_small_vein(p))


# N10 ---------------------------------------------------------------------------------------------------------------------------------


def _magnesium_excess(p: ParameterSet) -> Advisory:
    """A drafted dose for eclampsia or torsades is never held up: at most a line (N-15, N-19). What runs is judged for everybody: breathing stops silently."""
    level, breaths = Latest("magnesium", p["minerals_age"]), Latest("respiratory_rate", p["magnesium_breathing_age"])
    urine = Latest("urine_output", p["urine_output_age"])
    rate = Formula("schwartz" if p.population == "child" else "ckd_epi", p["creatinine_window"])
    facts: dict[str, Expression] = {"level": level, "breaths": breaths, "urine": urine, "rate": rate}
    treatment = HasCondition(("eclampsia", "pre_eclampsia", "torsades"))
    judged = AnyOf((Not(OrderIs("drafted")), Not(treatment)))
    time = OfOrder("duration_minutes", "magnesium")
    # A load is over within the hour; an order whose time is not stated counts as one that goes on.
    goes_on = Not(computable(time, AtMostValue(time, p["magnesium_load_minutes"])))
    slow_breath = if_known("respiratory_rate", p["magnesium_breathing_age"], Below(breaths, p["magnesium_breaths_below"]))
    toxic = if_known("magnesium", p["minerals_age"], Above(level, p["magnesium_toxic_above"]))
    high = if_known("magnesium", p["minerals_age"], Above(level, p["magnesium_high_above"]))
    failing = computable(rate, Below(rate, p["magnesium_egfr_below"]))
    blocked = AnyOf((HasCondition(("myasthenia_gravis", "neuromuscular_disease")), HasOrder(OrderFilter(("non_depolarising_blocker",), "either", "intravenous"))))
    mycin = HasOrder(OrderFilter(("aminoglycoside",), "either", "intravenous"))
    no_urine = if_known("urine_output", p["urine_output_age"], Below(urine, p["magnesium_urine_below"])) if held(p, "magnesium_urine_below") else None
    found = ("Magnesium {level}; breaths {breaths}; urine {urine}; estimated filtration rate {rate}.", "About: {order}.")
    stop = (
        "By local protocol: stop the magnesium, support breathing, {p.magnesium_antidote}; magnesium level now, senior now.",
        "Look at reflexes: they go before the breathing does.",
    )
    watch = (
        "By local protocol: less magnesium or none, with levels; reflexes, breathing and urine every hour, {p.magnesium_antidote} at hand.",
        "Decide with a senior or the pharmacist whether it is needed at all.",
    )
    treat = (
        "By local protocol: the load is given in full; what goes on afterwards is halved or left out, with levels.",
        "Reflexes, breathing and urine every hour; {p.magnesium_antidote} at hand.",
    )
    cautions = ("In eclampsia and torsades magnesium is the treatment: none of this is a reason to hold the load.",)
    measure: tuple[Proposal, ...] = (Measure("magnesium", "Measure magnesium now"),)
    take_out = (Withdraw("Take this magnesium out"), *measure)

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...], offered: tuple[Proposal, ...] = measure) -> Branch:
        return Branch(name, when, indicator, Words(summary, found, do, cautions, facts=facts), offered)

    branches = [
        branch("breathing slow", AllOf((judged, slow_breath)), "critical", "Magnesium by vein and breaths {breaths}: stop magnesium, call for help, calcium gluconate", stop, take_out),
        branch("level toxic", AllOf((judged, toxic)), "critical", "Magnesium {level}: stop magnesium by vein, check reflexes and breathing now", stop, take_out),
    ]
    if no_urine is not None:
        branches.append(branch("no urine", AllOf((Not(treatment), no_urine)), "critical", "Magnesium by vein and urine {urine}: stop magnesium, it piles up; check reflexes", stop, take_out))
    branches += [
        branch("muscle weakness or relaxant", AllOf((Not(treatment), blocked)), "critical",
               "Magnesium by vein with muscle disease or relaxant: check breathing; a senior confirms it first", watch, take_out),
        branch(
            "treatment with a risk", AllOf((treatment, AnyOf(tuple(part for part in (failing, high, blocked, mycin, no_urine) if part is not None)))), "info",
            "Magnesium is the treatment: give the load; then check level {level}, reflexes, breathing", treat,
        ),
        branch("kidneys failing", AllOf((failing, goes_on)), "warning", "Filtration rate {rate}: check this magnesium, it piles up; halve what goes on", watch, take_out),
        branch("level high", high, "warning", "Magnesium {level}, above {p.magnesium_high_above}: check whether more magnesium by vein is needed", watch, take_out),
        branch("with an aminoglycoside", mycin, "warning", "Magnesium by vein with an aminoglycoside: check breathing and reflexes, muscles may weaken", watch),
    ]  # fmt: skip
    return Advisory(
        code="magnesium-excess-risk",
        title="Magnesium that may pile up or weaken breathing",
        problem="magnesium",
        kind="order",
        trigger=Trigger((("drafted:magnesium_sulfate", "running:magnesium_sulfate"),)),
        over=OrderFilter(("magnesium_sulfate",), "either", "intravenous"),
        branches=tuple(branches),
        sources=(LABEL, "own rule N10 (N-15)"),
        touches=POTASSIUM_TOUCHES,
        hazards=("HZ-17", "HZ-36"),
        purpose="Magnesium that stops breathing, where kidneys or muscles cannot bear it.",
    )  # fmt: skip


# N11 ---------------------------------------------------------------------------------------------------------------------------------


def _phosphate_with_low_calcium(p: ParameterSet) -> Advisory:
    facts: dict[str, Expression] = {"ionised": ionised(p), "adjusted": adjusted(p), "total": Latest(TOTAL, p["minerals_age"])}
    return Advisory(
        code="phosphate-with-low-calcium",
        title="Phosphate by vein with a low calcium",
        problem="phosphate",
        kind="order",
        trigger=Trigger((("drafted:phosphate_salt", "running:phosphate_salt"),)),
        over=OrderFilter(("phosphate_salt",), "either", "intravenous"),
        branches=(
            Branch(
                "low calcium", State("calcium low"), "warning",
                Words(
                    "Ionised calcium {ionised}, total {total}: correct calcium before this phosphate, check ECG",
                    ("Ionised calcium {ionised}; adjusted {adjusted}; total {total}.", "Phosphate by vein binds calcium and lowers it further: tetany, arrhythmia, deposits."),
                    ("By local protocol: bring calcium up first, by another line; then phosphate slowly, calcium measured during it.",),
                    ("Calcium and phosphate never in one line.", "Total calcium misleads with a low albumin: ionised calcium decides where there is one."),
                    facts=facts,
                ),
                (Withdraw("Take this phosphate out until calcium is corrected"), Measure("calcium_ionised", "Measure ionised calcium", unless_within=p["result_age"])),
            ),
        ),
        sources=(PHOSPHATE_LABEL,),
        touches=POTASSIUM_TOUCHES,
        gap_indicator="info",
        hazards=("HZ-07",),
        purpose="Phosphate that pulls a low calcium lower.",
    )  # fmt: skip


def _calcium_meets(p: ParameterSet) -> Advisory:
    """In one bag: critical, unless the volume is that of a feed compounded by a pharmacy. Ordered together by vein: warning, unless the lines are known to differ."""
    partners = OrderFilter(PARTNERS, "either", "intravenous")
    central, peripheral = OrderIs("line central"), AllOf((OrderIs("line stated"), Not(OrderIs("line central"))))
    volume = OfOrder("amount", "fluid")
    mixed = OrderHas(PARTNERS, "any")
    a_feed = computable(volume, AtLeastValue(volume, p["compounded_volume_from"]))
    # Only lines that are both stated, one central and one not, are known to differ.
    beside = AnyOf(
        (
            AllOf((central, AnyOrder(partners, Not(peripheral)))),
            AllOf((peripheral, AnyOrder(partners, Not(central)))),
            AllOf((Not(OrderIs("line stated")), HasOrder(partners))),
        )
    )
    do = (
        "By local protocol: calcium alone in its line; another line, or stop, flush, give, flush.",
        "Look at the line for cloudiness; change it if there is any.",
    )
    cautions = ("Calcium for a high potassium or a failing heart does not wait: it goes first, by a line of its own.", "Ringer's and Hartmann's hold calcium too.")
    facts: dict[str, Expression] = {"volume": volume}
    found = ("About: {order}.", "Calcium forms solid salts with phosphate, bicarbonate and ceftriaxone; they block lines and lungs.")

    def branch(name: str, when: Criterion, indicator: str, summary: str, offered: tuple[Proposal, ...] = ()) -> Branch:
        return Branch(name, when, indicator, Words(summary, found, do, cautions, facts=facts), offered)

    return Advisory(
        code="calcium-with-phosphate-or-bicarbonate-line",
        title="Calcium with phosphate, bicarbonate or ceftriaxone in one line",
        problem="calcium line",
        kind="order",
        trigger=Trigger((("drafted:calcium_salt", "running:calcium_salt"), tuple(f"{place}:{name}" for place in ("drafted", "running") for name in PARTNERS))),
        over=OrderFilter(("calcium_salt",), "either", "intravenous"),
        branches=(
            branch("one large bag", AllOf((mixed, a_feed)), "warning", "Calcium with phosphate or bicarbonate in one {volume} bag: use only if compounded by pharmacy"),
            branch("one bag", mixed, "critical", "Stop: calcium in one bag with phosphate, bicarbonate or ceftriaxone forms solids; give apart"),
            branch("beside each other", beside, "warning", "Calcium beside phosphate, bicarbonate or ceftriaxone: use separate lines, or flush between"),
        ),
        sources=(CALCIUM_LABEL, PHOSPHATE_LABEL),
        touches=POTASSIUM_TOUCHES,
        hazards=("HZ-36",),
        purpose="Solid calcium salts in a vein.",
    )


# N15 ---------------------------------------------------------------------------------------------------------------------------------


def _strong_in_small_vein(p: ParameterSet) -> Advisory:
    """By order of the local policy table: glucose from 20 %, calcium chloride, strong saline other than a bolus, strong potassium, not through a central line."""
    glucose, sodium, potassium = OfOrder("concentration", "glucose"), OfOrder("concentration", "sodium"), OfOrder("concentration", "potassium")
    time, sugar = OfOrder("duration_minutes", "fluid"), Latest("glucose", p["result_age"])
    facts: dict[str, Expression] = {"glucose": glucose, "sodium": sodium, "potassium": potassium}
    outside, bolus = Not(OrderIs("line central")), AnyOf((OrderIs("push"), computable(time, AtMostValue(time, p["strong_bolus_minutes"]))))
    # Glucose for a low glucose, or beside insulin for a high potassium, does not wait for a line.
    urgent = AnyOf(
        (
            if_known("glucose", p["result_age"], Below(sugar, p["hypoglycaemia_below"])),
            AllOf((HasOrder(insulin_by_vein("either")), if_known("potassium", p["result_age"], AtLeastValue(Latest("potassium", p["result_age"]), p["hyperkalaemia_moderate_from"])))),
        )
    )
    found = ("About: {order}.", "No central line is recorded for it.")
    do = ("By local protocol: a central line, a weaker solution, or a large vein that is watched, for as short as it can be.", "Look at the vein every hour; stop at pain or swelling.")
    cautions = ("A line that is not recorded counts as peripheral.", "In arrest, dangerous potassium or very low glucose it goes by the vein that is there.")

    def branch(name: str, when: Criterion, summary: str) -> Branch:
        return Branch(name, AllOf((when, outside)), "warning", Words(summary, found, do, cautions, facts=facts))

    return Advisory(
        code="concentrated-fluid-through-peripheral-line",
        title="Strong solution outside a central line",
        problem="strong fluid",
        kind="order",
        trigger=Trigger(
            (
                tuple(
                    f"{place}:{name}"
                    for place in ("drafted", "running")
                    for name in ("glucose_fluid", "calcium_chloride", "sodium_chloride", "potassium_salt")
                ),
            )
        ),
        over=OrderFilter(("glucose_fluid", "calcium_chloride", "sodium_chloride", *POTASSIUM_ORDERS), "either", "intravenous"),
        branches=(
            branch("calcium chloride", OrderHas(("calcium_chloride",), "active"), "Calcium chloride outside a central line: use gluconate, or a central line"),
            branch("glucose", AllOf((OrderHas(("glucose_fluid",), "active"), Not(bolus), Not(urgent), computable(glucose, AtLeastValue(glucose, p["strong_glucose_from"])))),
                   "Glucose {glucose} outside a central line: use 10 % or a central line"),
            branch("saline", AllOf((OrderHas(("sodium_chloride",), "active"), Not(bolus), computable(sodium, AtLeastValue(sodium, p["strong_sodium_from"])))),
                   "Strong saline ({sodium}) as an infusion outside a central line: use a central line"),
            branch("potassium", AllOf((OrderHas(POTASSIUM_ORDERS, "active"), computable(potassium, Above(potassium, p["peripheral_max_concentration"])))),
                   "Potassium at {potassium} outside a central line: dilute to {p.peripheral_max_concentration} or less"),
        ),
        sources=(CALCIUM, VEINS),
        touches=POTASSIUM_TOUCHES,
        hazards=("HZ-36", "HZ-17"),
        purpose="Solutions that destroy a small vein and the skin over it.",
    )  # fmt: skip


__all__ = ["advisories"]
