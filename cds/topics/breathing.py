"""Sedatives that add up to a stopped breath (D6)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeast,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Expression,
    HasOrder,
    Latest,
    Not,
    OrderFilter,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import if_known

CLASSES = ("benzodiazepine", "opioid", "barbiturate", "propofol")
LABEL = "FDA boxed warning: opioids with benzodiazepines, 2016 and 2020"
ACTING = tuple(State(f"{name} acting") for name in CLASSES)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about sedatives that add up, for one population. Figures and sources: interactions.toml."""
    fresh = p["breathing_age"]
    rate, saturation, gcs, pco2 = Latest("respiratory_rate", fresh), Latest("spo2", fresh), Latest("gcs", fresh), Latest("pco2", fresh)
    drafted = HasOrder(OrderFilter(CLASSES, "drafted"))
    two, three = AtLeast(2, ACTING), AtLeast(len(ACTING) - 1, ACTING)
    weak = AnyOf(
        (
            _slow(p, rate), if_known("spo2", fresh, Below(saturation, p["breathing_saturation"])),
            AllOf((Not(State("seizure ongoing")), if_known("gcs", fresh, AtMostValue(gcs, p["breathing_gcs"])))),
            if_known("pco2", fresh, Above(pco2, p["breathing_pco2"])),
        )
    )  # fmt: skip
    # A pair taken at home for weeks is known to patient and doctor.
    settled = AllOf((AnyOrder(OrderFilter(("opioid",), "active"), OrderIs("settled at home")), AnyOrder(OrderFilter(("benzodiazepine",), "active"), OrderIs("settled at home"))))
    status = AllOf((State("seizure ongoing"), State("benzodiazepine acting"), State("barbiturate acting"), Not(State("opioid acting")), Not(State("propofol acting"))))
    facts: dict[str, Expression] = {"rate": rate, "saturation": saturation, "gcs": gcs, "pco2": pco2}
    base = Words(
        "",
        ("Breathing {rate}, saturation {saturation}, coma score {gcs}, carbon dioxide {pco2}.",),
        (
            "By local protocol: somebody trained and the means to ventilate in the room; capnography; the smallest second dose.",
            "Naloxone at hand for an opioid; never flumazenil after a seizure.",
        ),
        ("Gabapentin, pregabalin, alcohol and age add to it.", "A dose given elsewhere may not be on the list."),
        facts=facts,
    )
    ask = (Measure("respiratory_rate", "Rate of breathing now", unless_within=fresh), Measure("spo2", "Saturation now", unless_within=fresh))
    apart = Not(State("airway protected"))
    return (
        Advisory(
            code="respiratory-depression-stacking",
            title="Sedatives that add up",
            problem="breathing",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in CLASSES),)),
            branches=(
                Branch("three classes", AllOf((drafted, apart, three)), "critical", replace(
                    base, summary="Stop before this dose: three kinds of sedative act at once (breathing {rate}, saturation {saturation})"), ask),
                Branch("two, breathing weak", AllOf((drafted, apart, two, weak)), "critical", replace(
                    base, summary="Stop before this dose: breathing {rate}, saturation {saturation}, and two kinds of sedative at once"), ask),
                Branch("expected in status", AllOf((drafted, apart, status)), "warning", replace(
                    base, summary="Keep the airway ready: a barbiturate after a benzodiazepine, expected in status (breathing {rate})"), ask),
                Branch("two classes", AllOf((drafted, apart, two)), "warning", replace(
                    base, summary="Check breathing before this dose: two kinds of sedative at once ({rate}, {saturation})"), ask),
                Branch("settled pair", AllOf((Not(drafted), apart, settled)), "info", replace(
                    base, summary="Check breathing at the next visit: an opioid and a benzodiazepine at home for weeks")),
            ),
            sources=(LABEL, "own rules D6, R-n69, R-n70"),
            hazards=("HZ-38",),
            purpose="Each dose is right by itself, and together they stop the breath.",
        ),
    )  # fmt: skip


def _slow(p: ParameterSet, rate: Latest) -> Criterion:
    """A rate of breathing below what the age needs."""
    fresh = p["breathing_age"]
    below = Below(rate, p["breathing_rate"])
    if p.population != "child":
        return if_known("respiratory_rate", fresh, below)
    infant, young = Below(Age("years"), p["breathing_infant_below"]), Below(Age("years"), p["breathing_young_below"])
    older = AtLeastValue(Age("years"), p["breathing_young_below"])
    return if_known("respiratory_rate", fresh, AnyOf((
        AllOf((infant, Below(rate, p["breathing_rate_infant"]))), AllOf((Not(infant), young, Below(rate, p["breathing_rate_young"]))), AllOf((older, below)),
    )))  # fmt: skip
