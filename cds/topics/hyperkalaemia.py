"""High potassium: how high, what to give, and the medicines that raise it further (B7, N3)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOrder,
    AtLeastValue,
    Below,
    Between,
    Criterion,
    Expression,
    Figure,
    Formula,
    Latest,
    Lesser,
    Limit,
    Not,
    OrderFilter,
    OrderIs,
    Scaled,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import POTASSIUM_TOUCHES, computable, potassium_on_the_ward
from cds.states.potassium_level import potassium_now

PROBLEM = "potassium level"
UKKA = "UK Kidney Association. Treatment of acute hyperkalaemia in adults, 2023"
CHILDREN = "Birmingham Women and Children's NHS Trust, hyperkalaemia guideline, 2019: calcium gluconate by weight"
STACKED = "Labels of ACE inhibitors, angiotensin-receptor blockers, aldosterone antagonists, trimethoprim, heparins and NSAIDs: high potassium"
TOUCHES = (*POTASSIUM_TOUCHES, "potassium_raising", "potassium_binder", "glucose_fluid", "bicarbonate")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about a high potassium for one population. Figures and sources: hyperkalaemia.toml, states/potassium_level.toml."""
    return (_high(p), _raisers_stacked(p))


# B7 ----------------------------------------------------------------------------------------------------------------------------------


def _high(p: ParameterSet) -> Advisory:
    mild, moderate, severe = p["hyperkalaemia_mild_from"], p["hyperkalaemia_moderate_from"], p["hyperkalaemia_severe_from"]
    doubtful, heart, sound = State("high potassium doubtful"), State("heart slowed or blocked"), Not(State("high potassium doubtful"))
    expected = AllOf((State("crisis shown"), State("insulin shown running")))
    potassium = Latest("potassium", p["potassium_age_on_the_ward"])
    facts: dict[str, Expression] = {
        "potassium": potassium, "glucose": Latest("glucose", p["result_age"]), "pulse": Latest("heart_rate", p["pulse_age"]), "qtc": Latest("qtc", p["qtc_age"]),
    }  # fmt: skip

    def at_least(limit: Limit) -> Criterion:
        return AllOf((State("high potassium measured"), potassium_now(p, lambda item: AtLeastValue(item, limit), newest=True)))

    def between(low: Limit, high: Limit) -> Criterion:
        return AllOf((State("high potassium measured"), potassium_now(p, lambda item: Between(item, low, high), newest=True)))

    found = ("Potassium {potassium}, {potassium.age}; glucose {glucose}; pulse {pulse}.",)
    heart_first = "By local protocol: 12-lead ECG now and ECG on the monitor; with ECG change {p.hyperkalaemia_calcium}, again if the change stays."
    shift = "From {p.hyperkalaemia_severe_from} (may be used from {p.hyperkalaemia_moderate_from}): {p.hyperkalaemia_insulin}."
    sugar = "Glucose checks for {p.hyperkalaemia_glucose_checks}; below {p.hyperkalaemia_glucose_before} beforehand add {p.hyperkalaemia_glucose_after}."
    stop = "Stop potassium in every form and what raises it; salbutamol {p.hyperkalaemia_salbutamol} nebulised, a binder, dialysis early in kidney failure."
    in_crisis = "In a hyperglycaemic crisis the insulin infusion treats it: no extra glucose while glucose is high; calcium with ECG change."
    cautions = (
        "A normal ECG does not exclude danger.",
        "Calcium under digoxin: by local protocol, slower. Never in one line with bicarbonate.",
        "A haemolysed or drip-arm sample reads too high: repeat by blood gas, but treat ECG change or kidney failure as true.",
    )
    urgent = (heart_first, shift, sugar, stop, in_crisis)
    repeat_do = ("By local protocol: repeat potassium now by blood gas or from a free-flowing sample; ECG meanwhile.", "Hold potassium, and what raises it, until the repeat is back.")
    measure = Measure("potassium", "Measure potassium again now (a blood gas will do)")
    ecg = Measure("qtc", "Record a 12-lead ECG now")
    glucose = Measure("glucose", "Measure glucose before insulin", unless_within=p["result_age"])
    treat: tuple[Proposal, ...] = (_calcium(p), measure, ecg, glucose)

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...] = urgent, offered: tuple[Proposal, ...] = (measure, ecg)) -> Branch:
        return Branch(name, when, indicator, Words(summary, found, do, cautions, facts=facts), offered)

    return Advisory(
        code="hyperkalaemia",
        title="High potassium",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:potassium",),)),
        branches=(
            branch(
                "with a slow or blocked heart", AllOf((heart, at_least(moderate))), "critical",
                "Potassium {potassium} with a slow or blocked heart: give calcium now, ECG on the monitor", offered=treat,
            ),
            branch(
                "severe", AllOf((sound, at_least(severe))), "critical",
                "Potassium {potassium}: treat now, ECG at once; calcium with any ECG change, then insulin with glucose", offered=treat,
            ),
            branch("severe, haemolysed", AllOf((doubtful, at_least(severe))), "warning",
                   "Potassium {potassium}, haemolysed: measure again now by blood gas, ECG meanwhile", repeat_do),
            branch("moderate", AllOf((sound, at_least(moderate))), "warning", "Potassium {potassium}: ECG now, treat; stop potassium and what raises it"),
            branch("moderate, haemolysed", AllOf((doubtful, at_least(moderate))), "info",
                   "Potassium {potassium}, haemolysed: measure again now by blood gas", repeat_do),
            branch(
                "mild, haemolysed", AllOf((doubtful, Not(expected), between(mild, moderate))), "info",
                "Potassium {potassium}, haemolysed: measure again", repeat_do, (measure,),
            ),
            branch(
                "mild", AllOf((sound, Not(expected), between(mild, moderate))), "info",
                "Potassium {potassium}, a little high: check medicines and kidneys, measure again today",
                ("By local protocol: look for potassium in fluids and feeds, medicines that raise it, and the kidneys; measure again today.",), (measure,),
            ),
        ),
        sources=(CHILDREN, UKKA) if p.population == "child" else (UKKA,),
        touches=TOUCHES,
        always=("critical",),
        precedence=(
            Precedence("silences", "potassium-replacement-missing", at=("critical",)),
            Precedence("absorbs", "potassium-sample-suspect"),
        ),
        without_age=True,
        hazards=("HZ-02", "HZ-03", "HZ-06", "HZ-09", "HZ-17", "HZ-23", "HZ-28", "HZ-36"),
        purpose="A potassium high enough to stop the heart, with what is given first.",
    )  # fmt: skip


def _calcium(p: ParameterSet) -> Give:
    """Calcium gluconate for the heart; a child's by weight up to the adult's usual ampoules."""
    amount = p["hyperkalaemia_calcium_grams"]
    minutes = p["hyperkalaemia_calcium_minutes"]
    if p.population == "child":
        by_weight = Scaled(Latest("weight", p["weight_age"]), p["calcium_gluconate_per_kg"], "mg")
        return Give("Give calcium gluconate 10 % by weight", "calcium_gluconate", Lesser((by_weight, Figure(p["calcium_gluconate_child_most"]))), "mg", minutes=minutes)
    return Give("Give calcium gluconate 10 %", "calcium_gluconate", amount, "g", minutes=minutes)


# N3 ----------------------------------------------------------------------------------------------------------------------------------


def _raisers_stacked(p: ParameterSet) -> Advisory:
    """Trigger written out (R-m50): two kinds of raiser, home medicines counted, with potassium from 5.0; or a new one with potassium from 5.5 or an eGFR below 30."""
    rate = Formula("schwartz" if p.population == "child" else "ckd_epi", p["creatinine_window"])
    facts: dict[str, Expression] = {"potassium": potassium_on_the_ward(p), "rate": rate}

    def at_least(limit: Limit) -> Criterion:
        return AllOf((State("high potassium measured"), potassium_now(p, lambda item: AtLeastValue(item, limit))))

    two = State("two medicines raise potassium")
    new = AnyOrder(OrderFilter(("potassium_raising",), "drafted"), OrderIs("new"))
    failing = computable(rate, Below(rate, p["raiser_egfr_below"]))
    found = ("Potassium {potassium}, {potassium.age}; estimated filtration rate {rate}.", "Counted: ACE inhibitor, angiotensin-receptor blocker, aldosterone antagonist, "
             "potassium-sparing diuretic, trimethoprim, heparin, NSAID, potassium itself; home medicines too.")  # fmt: skip
    do = (
        "By local protocol: decide which of them is needed today; leave out potassium first, then the NSAID, then trimethoprim where another antibacterial will do.",
        "Measure potassium and creatinine again within a day, sooner with illness or new kidney injury.",
    )
    cautions = (
        "In heart failure a senior weighs stopping an ACE inhibitor or an aldosterone antagonist for good.",
        "Home medicines on the list may have been paused already.",
    )
    measure = Measure("potassium", "Measure potassium again", urgent=False)

    def branch(name: str, when: Criterion, summary: str) -> Branch:
        return Branch(name, when, "warning", Words(summary, found, do, cautions, facts=facts), (measure,))

    return Advisory(
        code="potassium-raising-drugs-stacked",
        title="Medicines that raise potassium",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((("listed:potassium_raising", "drafted:potassium_raising", "running:potassium_raising"),)),
        branches=(
            branch("new, potassium high", AllOf((new, at_least(p["hyperkalaemia_mild_from"]))), "Potassium {potassium}: check this medicine, it raises potassium further"),
            branch("new, kidneys failing", AllOf((new, failing)), "Filtration rate {rate}: check this medicine, it raises potassium; measure potassium first"),
            branch("two", AllOf((at_least(p["raisers_potassium_from"]), two)), "Potassium {potassium}: check the medicines, two or more of them raise it"),
        ),
        sources=(STACKED, "own rule N3"),
        touches=TOUCHES,
        hazards=("HZ-11", "HZ-17", "HZ-38"),
        purpose="Several medicines that each raise potassium, given together.",
    )


__all__ = ["advisories"]
