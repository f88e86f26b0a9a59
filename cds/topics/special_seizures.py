"""Seizures with an answer of their own: those that nobody sees, those that pyridoxine ends, and those of a poison, where phenytoin harms."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Proposal, Trigger, Words
from cds.advisory import Withdraw as TakeOut
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Criterion,
    Expression,
    Figure,
    HasCondition,
    HasOrder,
    InvestigationOrdered,
    Latest,
    Lesser,
    Not,
    OrderFilter,
    Scaled,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import if_known

# A draft of one of these is for the same problem (O-N01).
TOUCHES = ("anti_seizure", "benzodiazepine", "anaesthetic_agent", "magnesium_sulfate", "flumazenil")
NEUROTOXIC = ("cefepime", "imipenem", "ifosfamide")
PHENYTOINS = ("phenytoin", "fosphenytoin")
# What makes a seizure in which phenytoin does not help, or harms by its own block of sodium channels.
POISONS = (
    ("a tricyclic", ("poisoning_tricyclic", "poisoning_sodium_channel_blocker")), ("theophylline", ("poisoning_theophylline",)),
    ("cocaine", ("poisoning_cocaine",)), ("a local anaesthetic", ("poisoning_local_anaesthetic",)), ("isoniazid", ("poisoning_isoniazid",)),
    ("alcohol withdrawal", ("alcohol_withdrawal",)),
)  # fmt: skip
SEIZURES = ("condition:seizure", "condition:status_epilepticus", "condition:eclampsia", "condition:febrile_seizure")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The three codes for one population. Figures and sources: special_seizures.toml."""
    return (_pyridoxine(p), _unseen(p), _toxic(p))


def _pyridoxine(p: ParameterSet) -> Advisory:
    """Refractory: the second step is due by the clock or by what was given."""
    child = p.population == "child"
    refractory = AllOf(
        (
            State("seizure ongoing"),
            AnyOf((AtLeastValue(Since("seizure onset"), p["status_second_from"]), State("two benzodiazepine doses"), State("second-line dose given"))),
        )
    )
    exposed = AnyOf((HasOrder(OrderFilter(("isoniazid",), "active")), HasCondition(("poisoning_isoniazid", "poisoning_mushroom"))))
    facts: dict[str, Expression] = {"minutes": Since("seizure onset"), "weight": Latest("weight", p["weight_age"])}
    if child:
        dose: Expression = Lesser((Scaled(facts["weight"], p["pyridoxine_per_kg"], "mg"), Figure(p["pyridoxine_dose"])))
        told = "{p.pyridoxine_per_kg}, at most {p.pyridoxine_dose}"
    else:
        dose, told = Figure(p["pyridoxine_dose"]), "{p.pyridoxine_dose}"
    do = (
        f"By local protocol: pyridoxine {told} by vein over some minutes; gram for gram where the amount of isoniazid is known; again if it does not stop.",
        "A benzodiazepine beside it: each helps the other. Poisons service.",
    )
    cautions = ("Phenytoin does not help here.", "Watch breathing: pyridoxine can bring on apnoea, above all in an infant.")
    give = (Give("Pyridoxine", "pyridoxine", dose, "mg" if child else "g"),)
    branches = [
        Branch("exposure", AllOf((refractory, exposed)), "critical",
               Words("Seizure for {minutes} after isoniazid or a poison like it: give pyridoxine " + told + " by vein", ("Isoniazid or a mushroom poison is on record.",), do, cautions, facts=facts),
               give),
    ]  # fmt: skip
    if child:
        trial = (Give("Pyridoxine trial", "pyridoxine", p["pyridoxine_infant"], "mg"),)
        branches.append(
            Branch(
                "infant", AllOf((refractory, Below(Age(), p["pyridoxine_infant_below"]))), "critical",
                Words("Infant seizing for {minutes}: give pyridoxine {p.pyridoxine_infant} by vein as a trial", ("Pyridoxine-dependent seizures begin in the first year and resist other medicines.",),
                      ("By local protocol: {p.pyridoxine_infant} by vein with monitoring and EEG; ask a paediatric neurologist.",), cautions, facts=facts),
                trial,
            )
        )  # fmt: skip
    return Advisory(
        code="pyridoxine-responsive-seizure",
        title="Seizure that pyridoxine may end",
        problem="pyridoxine",
        kind="result",
        trigger=Trigger((SEIZURES,)),
        branches=tuple(branches),
        sources=("Poisons-centre practice: pyridoxine for isoniazid, gram for gram (from memory)", "Paediatric practice: a trial of pyridoxine in an infant's refractory seizures (from memory)"),
        satisfied=AnyOf((HasOrder(OrderFilter(("pyridoxine",), "either", "intravenous")), HasOrder(OrderFilter(("pyridoxine",), "given", started_within=p["pyridoxine_counts"])))),
        touches=TOUCHES,
        touched=("critical", "warning"),
        always=("critical",),
        hazards=("HZ-17",),
        purpose="A status that only a vitamin ends.",
    )


def _unseen(p: ParameterSet) -> Advisory:
    facts: dict[str, Expression] = {"gcs": Latest("gcs", p["consciousness_age"]), "minutes": Since("seizure onset")}
    sedated = AnyOf((*tuple(State(f"{name} acting") for name in ("benzodiazepine", "opioid", "barbiturate", "propofol")), State("anaesthetic running")))
    paralysed = AllOf(
        (
            HasCondition(("status_epilepticus",), "recorded", p["seizure_age"]),
            HasOrder(OrderFilter(("neuromuscular_blocker",), "running", "intravenous")),
        )
    )
    neurotoxic = AllOf((HasOrder(OrderFilter(NEUROTOXIC, "active")), AnyOf((HasCondition(("confusion", "delirium")), State("not come round")))))
    do = ("By local protocol: EEG now; ask neurology. Glucose, sodium, calcium, magnesium, ammonia and a level meanwhile.", "Look at eyes, face and fingers for small rhythmic movements.")
    cautions = ("Only an EEG tells; a benzodiazepine that wakes the patient tells much.",)

    def branch(name: str, when: Criterion, summary: str, found: str, *more: str) -> Branch:
        return Branch(name, when, "warning", Words(summary, (found,), (*do, *more), cautions, facts=facts))

    return Advisory(
        code="nonconvulsive-seizure-suspected",
        title="Seizures that go on unseen",
        problem="unseen seizure",
        kind="result",
        trigger=Trigger(((*SEIZURES, *(f"{place}:{drug}" for place in ("running", "listed", "drafted") for drug in NEUROTOXIC)),)),
        branches=(
            branch("paralysed", paralysed, "Status, now paralysed: a seizure may go on unseen, EEG now", "A muscle relaxant hides convulsions, and stops none."),
            branch("not come round", AllOf((State("seizure recent"), State("not come round"), Not(sedated))),
                   "Coma score {gcs} an hour or more after the convulsion: a seizure may go on unseen, EEG now",
                   "Coma score {gcs}, {gcs.age}, below {p.nonconvulsive_coma_below}; {p.post_ictal} or longer after the convulsion; no sedation on record."),
            branch("confused on a neurotoxic medicine", neurotoxic, "Confused on cefepime, imipenem or ifosfamide: a seizure may go on unseen, EEG now",
                   "Each of these can cause a status without convulsions, most of all with failing kidneys.", "Check the dose against the kidneys; change the medicine where another is as good."),
        ),
        sources=("Brophy GM et al. Neurocrit Care 2012;17:3-23: EEG where the patient has not come round within the hour (from memory)",
                 "FDA drug safety communication on cefepime, 2012 (second hand)"),
        satisfied=InvestigationOrdered(("eeg",), "any"),
        touches=(*TOUCHES, *NEUROTOXIC),
        touched=("critical", "warning"),
        gap_indicator="info",
        hazards=("HZ-20", "HZ-33"),
        purpose="A status without convulsions is missed for hours.",
    )  # fmt: skip


def _toxic(p: ParameterSet) -> Advisory:
    level = Latest("theophylline_level", p["theophylline_age"])
    facts: dict[str, Expression] = {"level": level}
    do = ("By local protocol: a benzodiazepine, in full doses and again; then phenobarbital or propofol with an airway.", "Sodium bicarbonate for a wide QRS; lipid emulsion for a local anaesthetic; pyridoxine for isoniazid. Poisons service.")
    cautions = ("Phenytoin blocks sodium channels as these poisons do, and does not stop these seizures.", "Never a reason to leave a seizure untreated.")
    out: tuple[Proposal, ...] = (TakeOut("Take this phenytoin out, and give a benzodiazepine"),)

    def branch(name: str, when: Criterion, what: str) -> Branch:
        summary = f"Choose a benzodiazepine or phenobarbital: phenytoin does not help a seizure from {what}"
        return Branch(name, AllOf((State("seizure now"), when)), "warning", Words(summary, ("About: {order}.",), do, cautions, facts=facts), out)

    branches = [branch(name, HasCondition(concepts), name) for name, concepts in POISONS]
    branches.append(branch("theophylline level", if_known("theophylline_level", p["theophylline_age"], Above(level, p["theophylline_toxic_above"])), "theophylline ({level})"))
    return Advisory(
        code="phenytoin-in-toxic-seizure",
        title="Phenytoin in a seizure of a poison or of withdrawal",
        problem="anti-seizure medicine order",
        kind="order",
        trigger=Trigger((tuple(f"drafted:{drug}" for drug in PHENYTOINS),)),
        over=OrderFilter(PHENYTOINS, "drafted"),
        branches=tuple(branches),
        sources=("Poisons-centre practice (from memory)", "Alldredge BK et al. Am J Med 1989;87:645-648: phenytoin against alcohol withdrawal seizures (from memory)"),
        speak_order=2,
        gap_indicator="info",
        hazards=("HZ-24", "HZ-36"),
        purpose="A medicine that does not help, and slows a poisoned heart.",
    )  # fmt: skip
