"""Seizure: stage of status epilepticus, and a glucose for every seizure (C1, C2)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Give, Measure, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Criterion,
    Expression,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.doses import bound, row_figure
from cds.states.magnesium import magnesium_due

ILAE = "Trinka E et al. A definition and classification of status epilepticus. Epilepsia 2015;56:1515-1523"
AES = "Glauser T et al. Evidence-based guideline: treatment of convulsive status epilepticus. Epilepsy Curr 2016;16:48-61"
ESETT = "Kapur J et al. Randomized trial of three anticonvulsant medications for status epilepticus. N Engl J Med 2019;381:2103-2113"
NICE = "NICE NG217. Epilepsies in children, young people and adults, 2022"

# A draft of one of these is for the same problem (O-N01).
TOUCHES = ("anti_seizure", "benzodiazepine", "anaesthetic_agent", "magnesium_sulfate", "flumazenil")
TRIGGER = Trigger((("condition:seizure", "condition:status_epilepticus", "condition:eclampsia", "condition:febrile_seizure"),))


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The seizure advisories for one population. Figures and sources: seizure.toml and states/seizure_state.toml."""
    return (_stage(p), _without_glucose(p))


# C1 ----------------------------------------------------------------------------------------------------------------------------------


def _stage(p: ParameterSet) -> Advisory:
    """The furthest stage that time or treatment reaches decides. Under five minutes, not coded as status: silent."""
    duration = Since("seizure onset")
    ongoing, coded = State("seizure ongoing"), State("coded status")

    def lasts(key: str) -> Criterion:
        return AllOf((ongoing, AtLeastValue(duration, p[key])))

    status = AnyOf((lasts("status_t1"), coded, State("two seizures without recovery")))
    facts: dict[str, Expression] = {"minutes": duration, "glucose": Latest("glucose", p["result_age"]), "gcs": Latest("gcs", p["consciousness_age"])}
    always = (
        "By local protocol: airway, oxygen, glucose, vein; call for help.",
        "Send glucose, sodium, calcium, magnesium, blood gas, lactate and drug levels; pregnancy test where it could matter.",
    )
    first = "First medicine, a full dose at once: {p.status_benzodiazepine}."
    second = "Second medicine: {p.status_second_line}."
    third = "Intubation team, anaesthetic agent, EEG."
    cautions = (
        "A convulsion that has become subtle may go on: look at eyes and face, ask for an EEG.",
        "Under-dosing is the commonest error in status.",
        "If it has stopped, record the time and the conscious level: this card then goes.",
    )
    known = ("Seizing for {minutes}; coma score {gcs}; glucose {glucose}.", "Status from {p.status_t1}; lasting harm is likely from {p.status_t2}.")
    tests: tuple[Proposal, ...] = tuple(
        Measure(analyte, why, unless_within=p["result_age"])
        for analyte, why in (
            ("glucose", "Measure glucose at the bedside now"),
            ("sodium", "Measure sodium"),
            ("calcium_total", "Measure calcium"),
            ("magnesium", "Measure magnesium"),
        )
    )

    load = _second_line_load(p)

    def words(summary: str, *do: str) -> Words:
        return Words(summary, known, (*do, *always), cautions, facts=facts)

    no_time = Words("", ("The onset is not recorded.",), (first, *always), cautions, facts={})
    stale = AllOf((ongoing, Above(duration, p["status_stale_after"]), Not(coded), Not(State("treated or observed"))))
    refractory = AllOf((status, State("anaesthetic for a day")))
    past_second = AllOf((status, State("second-line dose given")))
    functional = AllOf((AnyOf((lasts("status_t1"), State("undated seizure"))), HasCondition(("functional_seizure",)), Not(coded)))
    return Advisory(
        code="status-epilepticus-stage",
        title="Status epilepticus: stage and next step",
        problem="seizure",
        kind="result",
        trigger=TRIGGER,
        branches=(
            Branch(
                "functional seizures on record", functional, "info",
                replace(words("Seizure for {minutes}; functional seizures are on record: a senior confirms before more medicine"), do=(
                    "By local protocol: a senior looks at the patient before further medicine; safety and oxygen meanwhile.",)),
            ),
            Branch(
                "record not closed", stale, "warning",
                replace(
                    words("Still recorded as seizing after {minutes}: has it stopped? Treat as status if not"),
                    found=("No seizure medicine was given or drafted and no conscious level recorded in the last hour.",),
                    do=("Look at the patient. If it goes on: status epilepticus, by local protocol.", "If it has stopped: record when, and the conscious level."),
                ),
            ),
            Branch("super-refractory", refractory, "critical", words("Status epilepticus under anaesthesia for a day ({minutes}): EEG and specialist team now", third), tests),
            Branch("third step, after a second-line dose", past_second, "critical", words("Status epilepticus for {minutes} after a second-line dose: anaesthetic agent now", third), tests),
            Branch("third step", AllOf((status, lasts("status_third_from"))), "critical", words("Status epilepticus for {minutes}: anaesthetic agent and intubation now", third, second), tests),
            Branch(
                "second step, after two benzodiazepine doses", AllOf((status, State("two benzodiazepine doses"))), "critical",
                words("Status epilepticus for {minutes} after two benzodiazepine doses: second medicine now", second), (*load, *tests),
            ),
            Branch("second step", AllOf((status, lasts("status_second_from"))), "critical", words("Status epilepticus for {minutes}: second medicine now", second, first), (*load, *tests)),
            Branch(
                "first step, magnesium due", AllOf((lasts("status_t1"), magnesium_due(p))), "critical",
                words(
                    "Seizing for {minutes}, treat as eclampsia: magnesium sulfate {p.eclampsia_load} first, benzodiazepine beside it",
                    "Magnesium sulfate {p.eclampsia_load} by vein over {p.eclampsia_load_minutes}; nothing else waits for it, and it waits for nothing.", first, second,
                ), tests,
            ),
            Branch(
                "first step, one benzodiazepine dose given", AllOf((lasts("status_t1"), State("benzodiazepine given"))), "critical",
                replace(
                    words(
                        "Status epilepticus for {minutes}, one benzodiazepine dose given: give the second, or the next medicine",
                        "A second full dose if the first was given {p.benzodiazepine_settle} or longer ago; no third.", second,
                    ),
                    found=(*known, "The dose on record stands below; check that it was a full one: {p.status_benzodiazepine}."),
                ), tests,
            ),
            Branch("first step", lasts("status_t1"), "critical", words("Status epilepticus for {minutes}: benzodiazepine now, a full dose", first, second), tests),
            Branch(
                "coded status", coded, "critical",
                replace(no_time, summary="Status epilepticus is recorded: benzodiazepine now, a full dose, if not yet given; note the time"), tests,
            ),
            Branch(
                "seizures without recovery", AllOf((AnyOf((ongoing, State("seizure recent"))), State("two seizures without recovery"))), "critical",
                replace(no_time, summary="Two seizures without waking between them: treat as status, benzodiazepine now",
                        found=("Two seizures within {p.seizure_pair} and a lowered coma score between them.",)), tests,
            ),
            Branch(
                "duration not known", State("undated seizure"), "warning",
                replace(no_time, summary="Seizure of unknown duration: treat as status unless known to be under {p.status_t1}",
                        do=("Ask when it began; if it has stopped, record when and the conscious level.", first, *always)), tests,
            ),
        ),
        sources=(ILAE, AES, ESETT, NICE),
        touches=TOUCHES,
        touched=("critical", "warning"),
        always=("critical",),
        without_age=True,
        refire_minutes=p["refire_seizure"],
        hazards=("HZ-15", "HZ-20", "HZ-36"),
        purpose="That it is status, how long it has run, and which step is due.",
    )  # fmt: skip


def _second_line_load(p: ParameterSet) -> tuple[Proposal, ...]:
    """Levetiracetam by this patient's weight: the one of the three that neither heart, liver nor a pregnancy speaks against."""
    for row in p.table("anti_seizure"):
        if row["drug"] == "levetiracetam":
            return (Give("Levetiracetam load by weight", "levetiracetam", bound(p, row, "most"), "mg", minutes=row_figure(p, row, "over_minutes", "min")),)
    return ()


# C2 ----------------------------------------------------------------------------------------------------------------------------------


def _without_glucose(p: ParameterSet) -> Advisory:
    none = NoneWithin(("glucose",), p["status_glucose_before_onset"], "seizure onset", p["status_glucose_without_onset"])
    facts: dict[str, Expression] = {"last": Latest("glucose", p["last_known_age"])}
    found = ("Last glucose on record: {last}, {last.age}.",)
    do = (
        "By local protocol: bedside glucose now; treat below {p.seizure_glucose_treated_below}.",
        "Thiamine with the glucose where alcohol or malnutrition is likely, never before it if that delays glucose.",
    )
    cautions = ("A glucose ordered but not back does not help: measure at the bedside.", "Some texts treat only below {p.seizure_glucose_other_texts}; this service uses the higher line.")
    measure = (Measure("glucose", "Measure glucose at the bedside now"),)
    return Advisory(
        code="seizure-without-glucose",
        title="Seizure without a glucose",
        problem="seizure",
        kind="result",
        trigger=TRIGGER,
        branches=(
            Branch(
                "ongoing", AllOf((State("seizure ongoing"), none)), "critical",
                Words("Seizure going on and no glucose on record since: measure glucose now", found, do, cautions, facts=facts), measure,
            ),
            Branch(
                "recent", AllOf((State("seizure recent"), none)), "warning",
                Words("Seizure today and no glucose on record since: measure glucose now", found, do, cautions, facts=facts), measure,
            ),
        ),
        sources=(AES, NICE),
        touches=TOUCHES,
        touched=("critical", "warning"),
        always=("critical",),
        without_age=True,
        asks_itself=("glucose",),
        refire_minutes=p["refire_seizure"],
        hazards=("HZ-07", "HZ-15"),
        purpose="No seizure without a glucose.",
    )  # fmt: skip
