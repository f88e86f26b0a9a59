"""Harm from anti-seizure and anaesthetic medicines over days: an inhibitor that raises a level, ammonia on valproate, propofol that runs too long, and a skin
reaction that a test foretells. The page names these in a line each; the triggers are written out here (R-n79), our own figures stand in anti_seizure_course.toml."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.advisory import Advisory, Branch, Measure, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    Below,
    Criterion,
    Expression,
    HasCondition,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    RatePerWeight,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import computable, if_known

HLA = ("carbamazepine", "oxcarbazepine", "phenytoin", "fosphenytoin")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The four codes for one population. Figures and sources: anti_seizure_course.toml."""
    return (_propofol(p), _ammonia(p), _inhibitor(p), _hla(p))


def _repeated() -> Criterion:
    return AnyOf((Not(OrderIs("one-off")), OrderIs("at home")))


# Inhibitors --------------------------------------------------------------------------------------------------------------------------


def _inhibitor(p: ParameterSet) -> Advisory:
    rows = p.table("inhibited")
    inhibitors = tuple(dict.fromkeys(str(name) for row in rows for name in row["inhibitors"]))
    victims = tuple(dict.fromkeys(str(name) for row in rows for name in row["raised"]))
    branches = [branch for indicator in ("warning", "info") for row in rows for branch in _of_row(row, indicator)]
    return Advisory(
        code="enzyme-inhibitor-raises-asm",
        title="Level of an anti-seizure medicine raised by another medicine",
        problem="enzyme inhibition",
        kind="order",
        trigger=Trigger((
            tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in inhibitors),
            tuple(f"{place}:{name}" for place in ("drafted", "running", "listed") for name in victims),
        )),
        over=OrderFilter(inhibitors, "active"),
        branches=tuple(branches),
        sources=("Labels of phenytoin, carbamazepine, lamotrigine and valproate: interactions (from memory)",),
        touches=victims,
        touched=("critical", "warning"),
        gap_indicator="info",
        hazards=("HZ-11", "HZ-38"),
        purpose="Toxicity that creeps in days after another medicine was begun.",
    )  # fmt: skip


def _of_row(row: Mapping[str, Any], indicator: str) -> list[Branch]:
    """A warning where one of the two is new, a line where both are settled at home."""
    inhibitors, raised, name = tuple(map(str, row["inhibitors"])), tuple(map(str, row["raised"])), str(row["name"])
    victim = OrderFilter(raised, "active")
    pair = AllOf((OrderHas(inhibitors, "active"), _repeated(), AnyOrder(victim, _repeated())))
    settled = AllOf((OrderIs("settled at home"), AnyOrder(victim, OrderIs("settled at home")), Not(HasOrder(OrderFilter(raised, "drafted")))))
    words = Words(
        str(row["told"]), (f"{{order}} slows the breakdown of {name}.",),
        (f"By local protocol: {row['instead']}.", "When the inhibitor is stopped the level falls again: watch for seizures."),
        ("Drowsiness, ataxia, double vision or nystagmus: take a level now, and hold the next dose.",),
    )  # fmt: skip
    if indicator == "warning":
        return [Branch(f"{name}, {row['key']}", AllOf((pair, Not(settled))), "warning", words)]
    return [Branch(f"{name}, {row['key']}, settled", pair, "info", words)]


# Valproate and ammonia ---------------------------------------------------------------------------------------------------------------


def _ammonia(p: ParameterSet) -> Advisory:
    age = p["valproate_ammonia_age"]
    ammonia, gcs = Latest("ammonia", age), Latest("gcs", p["consciousness_age"])
    facts: dict[str, Expression] = {"ammonia": ammonia, "gcs": gcs, "level": Latest("valproate_level", p["last_known_age"])}
    on_it = HasOrder(OrderFilter(("valproate",), "active"))
    drowsy = if_known("gcs", p["consciousness_age"], Below(gcs, p["consciousness_full"]))
    found = ("Coma score {gcs}, {gcs.age}; ammonia {ammonia}; valproate level {level}.",)
    cautions = ("Ammonia rises with a normal liver and a normal level, more so with topiramate.", "On ice and at once to the laboratory: a late sample reads too high.")
    measure: tuple[Proposal, ...] = (Measure("ammonia", "Measure ammonia now"),)
    treat = (
        "By local protocol: stop valproate under cover of another anti-seizure medicine (levetiracetam), levocarnitine {p.carnitine_per_kg}, at most {p.carnitine_most}, by vein; ask a toxicologist or metabolic team.",
    )
    ask = ("By local protocol: ammonia now; until it is back think of it as the cause.",)
    return Advisory(
        code="valproate-hyperammonaemia",
        title="Drowsy on valproate: ammonia",
        problem="valproate and ammonia",
        kind="result",
        trigger=Trigger((tuple(f"{place}:valproate" for place in ("drafted", "running", "listed")),)),
        branches=(
            Branch("ammonia high and drowsy", AllOf((on_it, if_known("ammonia", age, Above(ammonia, p["valproate_ammonia_above"])), drowsy)), "critical",
                   Words("Ammonia {ammonia} on valproate, coma score {gcs}: stop valproate, cover seizures, carnitine", found, treat, cautions, facts=facts)),
            Branch("drowsy, no ammonia", AllOf((on_it, State("not clear"), NoneWithin(("ammonia",), age))), "warning",
                   Words("Coma score {gcs} on valproate, no ammonia: measure ammonia now", found, ask, cautions, facts=facts), measure),
            Branch("vomiting, no ammonia", AllOf((on_it, HasCondition(("vomiting",)), NoneWithin(("ammonia",), age))), "warning",
                   Words("Vomiting on valproate, no ammonia: measure ammonia now", found, ask, cautions, facts=facts), measure),
        ),
        sources=("Valproate, US label: hyperammonaemic encephalopathy (from memory)",),
        touches=("anti_seizure", "benzodiazepine"),
        touched=("critical", "warning"),
        asks_itself=("ammonia",),
        gap_indicator="info",
        hazards=("HZ-07",),
        purpose="A coma that a medicine causes, and that can be treated.",
    )  # fmt: skip


# Propofol ----------------------------------------------------------------------------------------------------------------------------


def _propofol(p: ParameterSet) -> Advisory:
    rate, started, minutes = RatePerWeight("drug:propofol"), OfOrder("started_minutes", ""), OfOrder("duration_minutes", "")
    facts: dict[str, Expression] = {
        "rate": rate, "started": started, "lactate": Latest("lactate", p["lactate_age"]), "ck": Latest("creatine_kinase", p["last_known_age"]), "ph": Latest("ph", p["result_age"]),
    }  # fmt: skip
    # Where a rate is stated a missing weight leaves it open (HZ-05); where none is, nothing is claimed.
    hourly = OfOrder("per_hour", "drug:propofol")
    # A dose to put somebody to sleep is no infusion in this sense.
    runs = AllOf((OrderIs("infusion"), AnyOf((NotComputable(minutes), Above(minutes, p["propofol_dose_minutes"])))))
    do = ("By local protocol: another agent now (midazolam, ketamine); lactate, gas, creatine kinase, triglycerides and ECG at once and daily.", "Dark urine, a new right bundle block or a slow heart: stop it at once, intensive care senior.")
    cautions = ("Do not stop sedation in a status without another agent running.",)
    measure: tuple[Proposal, ...] = (
        Measure("lactate", "Measure lactate", unless_within=p["lactate_age"]), Measure("creatine_kinase", "Measure creatine kinase", unless_within=p["seizure_age"]),
    )  # fmt: skip

    def branch(name: str, when: Criterion, summary: str) -> Branch:
        found = ("Propofol {rate}, begun {started} ago; lactate {lactate}, pH {ph}, creatine kinase {ck}.",)
        return Branch(name, AllOf((runs, when)), "critical", Words(summary, found, do, cautions, facts=facts), measure)

    branches = [branch("far too fast", computable(hourly, Above(rate, p["propofol_most"])), "Propofol {rate}, above {p.propofol_most}: slow it or choose another agent, lactate and CK now")]
    if p.population == "child":
        branches.append(
            branch("child", AllOf((Below(Age(), p["propofol_child_below"]), Above(started, p["propofol_child_time"]))),
                   "Propofol over {p.propofol_child_time} in a child: choose another agent, lactate and CK now")
        )  # fmt: skip
    branches.append(
        branch("long and fast", AllOf((computable(hourly, Above(rate, p["propofol_long"])), Above(started, p["propofol_long_time"]))),
               "Propofol {rate} for {started}: choose another agent, lactate and CK now")
    )  # fmt: skip
    return Advisory(
        code="propofol-infusion-risk",
        title="Propofol too fast or too long",
        problem="propofol",
        kind="order",
        trigger=Trigger((("drafted:propofol", "running:propofol"),)),
        over=OrderFilter(("propofol",), "either", "intravenous"),
        branches=tuple(branches),
        sources=("Propofol, product information: not for sedation of children of 16 years or younger in intensive care (from memory)", "Intensive care practice: at most 4 mg/kg/h over days (from memory)"),
        touches=("anaesthetic_agent", "benzodiazepine", "anti_seizure"),
        gap_indicator="info",
        hazards=("HZ-05", "HZ-17"),
        purpose="Acidosis, muscle and heart failure of a long propofol infusion.",
    )  # fmt: skip


# HLA-B*15:02 -------------------------------------------------------------------------------------------------------------------------


def _hla(p: ParameterSet) -> Advisory:
    new = AllOf((OrderIs("new"), Not(OrderIs("one-off")), Not(HasOrder(OrderFilter(HLA, "running"))), Not(AnyOrder(OrderFilter(HLA, "active"), OrderIs("at home")))))
    carrier = HasCondition(("hlab1502",), "recorded")
    do = ("By local protocol: HLA-B*15:02 before the first dose, where it can be waited for; otherwise another medicine (levetiracetam).",)
    cautions = ("A load in a status does not wait for it.", "A negative test does not exclude a reaction: rash or fever in the first months, stop and call.")

    def words(summary: str) -> Words:
        return Words(summary, ("About: {order}. The risk of a severe skin reaction is tied to this type.",), do, cautions)

    return Advisory(
        code="hla-b1502-before-carbamazepine",
        title="HLA-B*15:02 before carbamazepine",
        problem="anti-seizure medicine order",
        kind="order",
        trigger=Trigger((tuple(f"drafted:{drug}" for drug in HLA), ("condition:asian_ancestry", "condition:hlab1502"))),
        over=OrderFilter(HLA, "drafted"),
        branches=(
            Branch("carrier", AllOf((new, carrier)), "warning", words("HLA-B*15:02 is on record: choose another medicine than {order}")),
            Branch("not tested", AllOf((new, HasCondition(("asian_ancestry",), "recorded"), Not(carrier))), "info", words("Check HLA-B*15:02 before the first dose of {order}: Asian ancestry is on record")),
        ),
        sources=("Carbamazepine, US label, boxed warning: HLA-B*15:02 (from memory)",),
        speak_order=2,
        gap_indicator="info",
        hazards=("HZ-19",),
        purpose="A skin reaction that kills, and that a test foretells.",
    )
