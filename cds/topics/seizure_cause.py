"""The cause of a seizure: metabolic, drug or withdrawal (C3). Tier 1 is the published definition of a provoked seizure, tier 2 what is worth treating."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Trigger, Words
from cds.logic.criteria import AllOf, AnyOrder, Criterion, Expression, Extreme, HasCondition, HasOrder, Latest, Not, OrderFilter, OrderIs, Since, State
from cds.parameters import ParameterSet

SOURCES = (
    "Beghi E et al. Recommendation for a definition of acute symptomatic seizure. Epilepsia 2010;51:671-675: tier 1",
    "Tier 2 is our own: a pharmacist and a physician sign it",
)
# A draft of one of these is for the same problem (O-N01).
TOUCHES = ("anti_seizure", "benzodiazepine", "anaesthetic_agent", "magnesium_sulfate", "flumazenil")
LEVELS = ("lithium level", "theophylline level", "salicylate")
# Medicines that bring on seizures in overdose; an ordinary order is a line (R-n21).
PROVOKING = ("isoniazid", "tricyclic", "bupropion", "tramadol", "venlafaxine", "diphenhydramine", "local_anaesthetic", "theophylline_like", "lithium")
SEDATIVES = ("benzodiazepine", "barbiturate", "baclofen")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures: states/seizure_values.toml, states/seizure_state.toml, seizure_cause.toml."""
    return (
        Advisory(
            code="provoked-seizure-cause",
            title="Cause of a seizure",
            problem="seizure cause",
            kind="result",
            trigger=Trigger((("condition:seizure", "condition:status_epilepticus", "condition:eclampsia", "condition:febrile_seizure"),)),
            branches=_branches(p),
            sources=SOURCES,
            touches=TOUCHES,
            touched=("critical", "warning"),
            always=("critical",),
            always_when=State("seizure ongoing"),
            without_age=True,
            gap_indicator="info",
            hazards=("HZ-02", "HZ-06", "HZ-28"),
            purpose="Treating the cause stops the seizure.",
        ),
    )


def _facts(p: ParameterSet) -> dict[str, Expression]:
    """The most telling value of each, as far back as a cause is looked for."""
    back = p["seizure_cause_shown"]
    return {
        "glucose_low": Extreme("glucose", back, "lowest"), "glucose_high": Extreme("glucose", back, "highest"), "sodium_low": Extreme("sodium_for_seizure", back, "lowest"),
        "sodium_high": Extreme("sodium_for_seizure", back, "highest"), "calcium": Extreme("calcium_total", back, "lowest"), "ionised": Extreme("calcium_ionised", back, "lowest"),
        "magnesium": Extreme("magnesium", back, "lowest"), "urea": Extreme("urea", back, "highest"), "creatinine": Extreme("creatinine", back, "highest"),
        "lithium": Extreme("lithium_level", back, "highest"), "theophylline": Extreme("theophylline_level", back, "highest"), "salicylate": Extreme("salicylate", back, "highest"),
        "since": Since("seizure onset"), "glucose": Latest("glucose", back), "sodium": Latest("sodium", back),
    }  # fmt: skip


def _words(p: ParameterSet, summary: str, cutoff: str, do: str) -> Words:
    child = (
        "The cut-offs come from adults.",
        "It is a febrile seizure only from {p.febrile_seizure_ages}, with glucose, sodium and calcium normal and no sign of brain disease; in an infant think of pyridoxine.",
    )
    cautions = ("A value drawn soon after a convulsion counts; an epilepsy does not exclude a second cause.", *(child if p.population == "child" else ()))
    return Words(
        summary,
        (
            f"Cut-off: {cutoff}. Seizure onset {{since}} ago.",
            "Glucose {glucose_low} to {glucose_high}; sodium {sodium_low} (corrected for a high glucose); calcium {calcium}, ionised {ionised}; magnesium {magnesium}; urea {urea}; creatinine {creatinine}.",
        ),
        (f"By local protocol: {do}.", "Look for further causes: several come together."),
        cautions, facts=_facts(p),
    )  # fmt: skip


def _near(name: str) -> Criterion:
    return State(f"{name} near the seizure")


def _branches(p: ParameterSet) -> tuple[Branch, ...]:
    now = State("seizure now")

    def branch(name: str, when: Criterion, indicator: str, summary: str, cutoff: str, do: str) -> Branch:
        return Branch(name, AllOf((now, when)), indicator, _words(p, summary, cutoff, do))

    saline = "{p.cause_saline} where it still seizes or is drowsy; then at most {p.sodium_rise_critical} in the first 24 h, the bolus counts"
    # What a draft ends now, or what ended lately; one dose, or one as needed, leaves no withdrawal.
    stopped = AnyOrder(OrderFilter(SEDATIVES, "stopping", ended_within=p["withdrawal_stop_age"]), AllOf((Not(OrderIs("one-off")), Not(OrderIs("as needed")))))
    return (
        branch("glucose very low", _near("glucose very low"), "critical", "Seizure with glucose {glucose_low} (latest {glucose}): the cause; give glucose now if it is still low", "below {p.seizure_glucose_very_low}", "glucose by vein now, measure again in minutes"),
        branch("glucose very high with ketoacidosis", AllOf((_near("glucose very high"), State("ketoacidosis criteria met"))), "critical",
               "Seizure with glucose {glucose_high} in ketoacidosis: a cause; treat the crisis", "above {p.seizure_glucose_high} with ketoacidosis", "fluid, potassium and insulin for the crisis; avoid phenytoin"),
        branch("sodium very low", _near("sodium very low"), "critical", "Seizure with sodium {sodium_low} (latest {sodium}): the cause; treat it now if it is still low", "below {p.seizure_sodium_very_low}", saline),
        branch("calcium very low", _near("calcium very low"), "critical", "Seizure with calcium {calcium}: the cause; give calcium now if it is still low", "total below {p.calcium_seizure_line}", "{p.cause_calcium}, ECG; magnesium too"),
        branch("magnesium very low", _near("magnesium very low"), "critical", "Seizure with magnesium {magnesium}: the cause; give magnesium now if it is still low", "below {p.magnesium_seizure_below}", "{p.cause_magnesium}"),
        branch("urea high", _near("urea high"), "critical", "Seizure with urea {urea}: a cause; call for dialysis", "above {p.seizure_urea_high}", "nephrology, dialysis"),
        branch("creatinine high", _near("creatinine high"), "critical", "Seizure with creatinine {creatinine}: a cause; call for dialysis", "above {p.seizure_creatinine_high}", "nephrology, dialysis; every dose by kidney function"),
        branch("lithium high", _near("lithium level high"), "critical", "Seizure with lithium {lithium}: a cause; call for dialysis", "above {p.seizure_lithium_high}", "stop lithium, fluid, dialysis"),
        branch("theophylline high", _near("theophylline level high"), "critical", "Seizure with theophylline {theophylline}: a cause; stop it, call for help", "above {p.seizure_theophylline_high}", "benzodiazepine, then phenobarbital, not phenytoin; charcoal, dialysis"),
        branch("salicylate high", _near("salicylate high"), "critical", "Seizure with salicylate {salicylate}: a cause; call for dialysis", "above {p.seizure_salicylate_high}", "bicarbonate, dialysis, glucose"),
        branch("glucose low", _near("glucose low"), "warning", "Seizure with glucose {glucose_low}: it may contribute; give glucose", "below {p.seizure_glucose_low}", "glucose, measure again in minutes"),
        branch("glucose very high", _near("glucose very high"), "warning", "Seizure with glucose {glucose_high}: think of a hyperosmolar state, check osmolality", "above {p.seizure_glucose_high} without ketoacidosis", "fluid and insulin by the crisis protocol; focal motor seizures are typical; avoid phenytoin"),
        branch("sodium low", _near("sodium low"), "warning", "Seizure with sodium {sodium_low}: it may contribute; treat the sodium", "below {p.seizure_sodium_low}", saline),
        branch("sodium high", _near("sodium high"), "warning", "Seizure with sodium {sodium_high}: it may contribute; reduce it slowly", "above {p.seizure_sodium_high}", "water slowly, imaging for bleeding"),
        branch("calcium low", _near("calcium low"), "warning", "Seizure with calcium {calcium}, ionised {ionised}: it may contribute; give calcium", "adjusted below {p.seizure_calcium_low}, ionised below {p.seizure_calcium_ionised_low}", "{p.cause_calcium}; magnesium too"),
        branch("magnesium low", _near("magnesium low"), "warning", "Seizure with magnesium {magnesium}: it may contribute; give magnesium", "below {p.seizure_magnesium_low}", "{p.cause_magnesium}"),
        branch("poisoning", HasCondition(("poisoning", "poisoning_isoniazid", "poisoning_tricyclic", "poisoning_theophylline", "poisoning_cocaine", "poisoning_stimulant", "poisoning_local_anaesthetic", "poisoning_salicylate", "poisoning_mushroom")), "warning",
               "Seizure with a poisoning on record: call the poisons service, treat the cause", "a poisoning on record", "benzodiazepine first, phenytoin does little; isoniazid: {p.cause_pyridoxine}; tricyclic: bicarbonate"),
        branch("withdrawal", HasCondition(("alcohol_withdrawal", "sedative_withdrawal")), "warning", "Seizure in withdrawal: treat with a benzodiazepine, thiamine, check magnesium", "alcohol: {p.withdrawal_alcohol_hours} h after the last drink", "benzodiazepine by the withdrawal protocol, thiamine, magnesium"),
        branch("sedative stopped", stopped, "warning", "Seizure after a benzodiazepine, barbiturate or baclofen was stopped: check for withdrawal, give it back", "stopped within {p.withdrawal_stop_age}", "give the medicine again and take it off slowly"),
        branch("medicine on the list", HasOrder(OrderFilter(PROVOKING, "active")), "info", "Seizure; a medicine on the list can bring on seizures: check dose and level", "none: an ordinary dose", "look for overdose, interaction and kidney function"),
    )  # fmt: skip

