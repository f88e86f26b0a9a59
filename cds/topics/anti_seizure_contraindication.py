"""What speaks against an anti-seizure medicine: heart (C8), liver and pregnancy (C9), a high glucose (C13)."""

from __future__ import annotations

from collections.abc import Sequence

from cds.advisory import Advisory, Branch, Give, Measure, Precedence, Proposal, Trigger, Words
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
    HasCondition,
    HasOrder,
    HookIs,
    Latest,
    NoneWithin,
    NoOrder,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.doses import bound, given_now, row_figure
from cds.states.parts import held, if_known, word
from cds.vocabulary import DRUGS, class_members

PROBLEM = "anti-seizure medicine order"
PHENYTOINS = ("phenytoin", "fosphenytoin")
SLOWING = tuple(sorted(name for name in class_members("conduction_slowing") if name != "lacosamide"))
NODE = ("sick_sinus", "sinoatrial_block", "adams_stokes")
LIVER = ("cirrhosis", "hepatic_failure", "advanced_liver_disease")
TERATOGENS = ("topiramate", "phenobarbital", "primidone", "phenytoin", "fosphenytoin", "carbamazepine")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """Heart, liver and pregnancy, glucose, in the order of speech. Figures and sources: anti_seizure_contraindication.toml."""
    return (_heart(p), _liver_and_pregnancy(p), _glucose(p))


def _is(*drugs: str) -> Criterion:
    return OrderHas(drugs, "active")


def _levetiracetam(p: ParameterSet) -> tuple[Proposal, ...]:
    """A levetiracetam load for this patient, and the draft taken out."""
    out = TakeOut("Take this order out and choose levetiracetam")
    for row in p.table("anti_seizure"):
        if row["drug"] == "levetiracetam":
            return (Give("Levetiracetam load instead", "levetiracetam", bound(p, row, "most"), "mg", minutes=row_figure(p, row, "over_minutes", "min")), out)
    return (out,)


# C8 --------------------------------------------------------------------------------------------------------------------------------------


def _heart(p: ParameterSet) -> Advisory:
    rate, pressure = Latest("heart_rate", p["asm_heart_age"]), Latest("systolic", p["asm_pressure_age"])
    qtc, pr = Latest("qtc", p["asm_ecg_age"]), Latest("pr_interval", p["asm_ecg_age"])
    facts: dict[str, Expression] = {"rate": rate, "pressure": pressure, "qtc": qtc, "pr": pr}
    drip = (_is(*PHENYTOINS), OrderIs("intravenous"), given_now(p))
    lacosamide = (_is("lacosamide"), OrderIs("intravenous"), given_now(p))
    block, paced = HasCondition(("av_block", *NODE)), State("pacemaker shown")
    branches: list[Branch] = []

    def words(summary: str) -> Words:
        return Words(
            summary, ("Heart rate {rate}, {rate.age}; systolic pressure {pressure}; PR {pr}; QTc {qtc}.",),
            ("By local protocol: levetiracetam instead, or valproate where nothing speaks against it.", "If it is given all the same: a senior decides; ECG and pressure throughout, pacing at hand."),
            ("A rate measured during a convulsion or after a sedative may mislead: look at the ECG.", "A seizure that goes on needs a medicine now: change it, do not leave it out."),
            facts=facts,
        )  # fmt: skip

    def branch(name: str, who: Sequence[Criterion], when: Criterion, indicator: str, summary: str) -> None:
        if indicator == "critical":
            load = AllOf((State("seizure now"), OrderIs("one-off"), OrderIs("drafted")))
            branches.append(Branch(f"{name}, load", AllOf((*who, when, load)), indicator, words(summary), _levetiracetam(p)))
        branches.append(Branch(name, AllOf((*who, when)), indicator, words(summary), (TakeOut("Take this order out and choose levetiracetam"),) if indicator == "critical" else ()))

    branch("phenytoin, block", drip, AllOf((block, Not(paced))), "critical", "(Fos)phenytoin: a heart block or sick sinus is on record, the label forbids it; choose levetiracetam")
    branch("phenytoin, slow heart", drip, if_known("heart_rate", p["asm_heart_age"], Below(rate, p["phenytoin_slow_heart_critical"])), "critical",
           "(Fos)phenytoin at heart rate {rate}: choose levetiracetam; the label forbids it in sinus bradycardia")  # fmt: skip
    level = word(p, "lacosamide_block_level")
    av_block = HasCondition(("av_block",))
    branch("lacosamide, block", lacosamide, AllOf((av_block, Not(paced))), level, "Lacosamide: a second- or third-degree heart block is on record; choose levetiracetam")
    milder = "warning" if level == "critical" else "info"
    branch("phenytoin, block, paced", drip, block, "warning", "(Fos)phenytoin: heart block or sick sinus with a pacemaker; check that it paces, give slowly")
    branch("phenytoin, bradycardia on record", drip, AllOf((NoneWithin(("heart_rate",), p["asm_heart_age"]), HasCondition(("sinus_bradycardia",)))), "warning",
           "(Fos)phenytoin: sinus bradycardia is on record; check the heart rate before it starts")  # fmt: skip
    for name, item in _slow(p, rate):
        branch(name, drip, item, "warning", "(Fos)phenytoin at heart rate {rate}: check the ECG, give slowly or choose levetiracetam")
    if held(p, "asm_heart_pressure"):
        low = if_known("systolic", p["asm_pressure_age"], Below(pressure, p["asm_heart_pressure"]))
        branch("phenytoin, low pressure", drip, low, "warning", "(Fos)phenytoin at pressure {pressure}: treat the pressure first, give slowly or choose levetiracetam")
    branch("phenytoin, QTc", drip, if_known("qtc", p["asm_ecg_age"], AtLeastValue(qtc, p["qtc_very_long_from"])), "warning", "(Fos)phenytoin at QTc {qtc}: check the ECG, give slowly or choose levetiracetam")
    branch("phenytoin, infarction", drip, HasCondition(("myocardial_infarction",), "recorded", p["asm_infarction_age"], "no"), "warning",
           "(Fos)phenytoin within {p.asm_infarction_age} of a myocardial infarction: give slowly or choose levetiracetam")  # fmt: skip
    branch("lacosamide, block, paced", lacosamide, av_block, milder, "Lacosamide: a heart block with a pacemaker; check that it paces")
    branch("lacosamide, PR", lacosamide, if_known("pr_interval", p["asm_ecg_age"], Above(pr, p["lacosamide_pr_above"])), "warning", "Lacosamide at PR {pr}: check the ECG, or choose levetiracetam")
    branch("lacosamide, heart", lacosamide, HasCondition((*NODE, "first_degree_av_block", "heart_failure")), "warning",
           "Lacosamide: sinus disease, first-degree block or heart failure is on record; check the ECG first")  # fmt: skip
    branch("lacosamide, other medicine", lacosamide, HasOrder(OrderFilter(SLOWING, "active")), "warning",
           "Lacosamide with another medicine that slows conduction: check the ECG first")  # fmt: skip
    branch("phenytoin by mouth, block", (_is("phenytoin"), OrderIs("drafted"), OrderIs("oral")), HasCondition(("av_block", *NODE)), "warning",
           "Phenytoin by mouth: a heart block or sick sinus is on record; check the ECG, choose another")  # fmt: skip
    none = AllOf((OrderIs("drafted"), NoneWithin(("heart_rate",), p["asm_heart_age"]), NoneWithin(("qtc", "pr_interval"), p["asm_ecg_age"])))
    branch("phenytoin, no rhythm", drip, none, "info", "(Fos)phenytoin: no heart rhythm on record; put on a monitor now, before it starts")
    return Advisory(
        code="asm-cardiac-contraindication",
        title="Heart and anti-seizure medicine",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running") for drug in (*PHENYTOINS, "lacosamide")),)),
        over=OrderFilter((*PHENYTOINS, "lacosamide"), "either"),
        branches=tuple(branches),
        sources=("Phenytoin and fosphenytoin injection, US labels: contraindications", "Lacosamide: EMA product information, contraindications; US label, warnings"),
        asks_itself=("heart_rate",),
        precedence=(Precedence("absorbs", "phenytoin-worsens-hyperglycaemia", "order", at=("critical",)),),
        hazards=("HZ-17", "HZ-20"),
        purpose="A medicine that stops a heart that is already slow.",
    )


def _slow(p: ParameterSet, rate: Latest) -> list[tuple[str, Criterion]]:
    """A heart slower than usual for the age."""
    within = p["asm_heart_age"]
    if p.population == "adult":
        return [("phenytoin, slowish heart", if_known("heart_rate", within, Below(rate, p["phenytoin_slow_heart"])))]
    infant, older = Below(Age(), p["child_infant_below"]), AtLeastValue(Age(), p["child_older_from"])
    return [
        ("phenytoin, slow for an infant", if_known("heart_rate", within, AllOf((infant, Below(rate, p["phenytoin_slow_heart_infant"]))))),
        ("phenytoin, slow for a young child", if_known("heart_rate", within, AllOf((Not(infant), Not(older), Below(rate, p["phenytoin_slow_heart_young"]))))),
        ("phenytoin, slow for an older child", if_known("heart_rate", within, AllOf((older, Below(rate, p["phenytoin_slow_heart_older"]))))),
    ]


# C9 --------------------------------------------------------------------------------------------------------------------------------------


def _liver_and_pregnancy(p: ParameterSet) -> Advisory:
    age = p["valproate_liver_age"]
    alt, ast, inr = Latest("alt", age), Latest("ast", age), Latest("inr", age)
    ammonia, gcs = Latest("ammonia", p["valproate_ammonia_age"]), Latest("gcs", p["consciousness_age"])
    facts: dict[str, Expression] = {"alt": alt, "ast": ast, "inr": inr, "ammonia": ammonia}
    drafted, opened = OrderIs("drafted"), AllOf((HookIs(("patient-view",)), Not(OrderIs("drafted"))))
    valproate, pregnant = _is("valproate"), State("pregnant")
    unexplained = AllOf((Above(inr, p["valproate_inr_above"]), NoOrder(OrderFilter(("vitamin_k_antagonist", "direct_oral_anticoagulant"), "active"))))
    tests = AnyOf(
        (
            if_known("alt", age, Above(alt, p["valproate_transaminase_above"])), if_known("ast", age, Above(ast, p["valproate_transaminase_above"])),
            if_known("inr", age, unexplained),
        )
    )  # fmt: skip
    confused = AllOf(
        (if_known("ammonia", p["valproate_ammonia_age"], Above(ammonia, p["valproate_ammonia_above"])), if_known("gcs", p["consciousness_age"], Below(gcs, p["consciousness_full"])))
    )  # fmt: skip
    against: tuple[tuple[str, Criterion, str], ...] = (
        ("pregnant", pregnant, "Valproate in pregnancy harms the child: choose levetiracetam"),
        ("liver disease", HasCondition(LIVER, "recorded"), "Valproate with liver disease on record: choose levetiracetam"),
        ("urea cycle or mitochondria", HasCondition(("urea_cycle_disorder", "mitochondrial_disease"), "recorded"), "Valproate with a urea-cycle or mitochondrial disease on record: choose levetiracetam"),
        ("pancreatitis", HasCondition(("pancreatitis",)), "Valproate with pancreatitis: choose levetiracetam"),
        ("liver tests", tests, "Valproate at ALT {alt}, AST {ast}, INR {inr}: choose levetiracetam"),
        ("ammonia", confused, "Valproate at ammonia {ammonia} with a lowered coma score: choose levetiracetam, treat the ammonia"),
    )
    last_resort = AllOf((State("seizure ongoing"), State("two benzodiazepine doses"), State("second-line dose given")))
    instead = _levetiracetam(p)
    load = AllOf((State("seizure now"), OrderIs("one-off")))

    def words(summary: str, *do: str) -> Words:
        return Words(
            summary, ("ALT {alt}, AST {ast}, INR {inr}; ammonia {ammonia}.",),
            (*do, "By local protocol: levetiracetam is the usual choice; folate in pregnancy, ammonia if drowsy."),
            ("Stopping a valproate that is taken already can bring on status: a specialist decides how.",), facts=facts,
        )  # fmt: skip

    branches: list[Branch] = []
    for name, when, summary in against:
        only = f"Decide with a senior now, record why: {summary.split(':')[0]}, only if nothing else is left"
        branches.append(Branch(f"valproate, {name}, last resort", AllOf((valproate, drafted, when, last_resort)), "critical", words(only)))
        branches.append(Branch(f"valproate, {name}, load", AllOf((valproate, drafted, when, load)), "critical", words(summary), instead))
        branches.append(Branch(f"valproate, {name}", AllOf((valproate, drafted, when)), "critical", words(summary), (TakeOut("Take this order out and choose levetiracetam"),)))
    branches += [Branch(f"valproate on the list, {name}", AllOf((valproate, opened, when)), "warning", words(f"{summary.split(':')[0]}: check it with a specialist, do not stop it at once"))
                 for name, when, summary in against]  # fmt: skip
    branches += [
        Branch("valproate, under two years", AllOf((valproate, drafted, Below(Age(), p["valproate_young_below"]))), "warning",
               words("Valproate under {p.valproate_young_below}: liver failure is commoner; choose levetiracetam")),
        Branch("valproate, pregnancy possible", AllOf((valproate, drafted, State("pregnancy possible"))), "warning",
               words("Valproate, pregnancy possible: measure hCG now; in an emergency treat and test together"), (Measure("hcg", "Measure hCG now"),)),
    ]  # fmt: skip
    for drug in TERATOGENS:
        label = DRUGS[drug].label.capitalize()
        once = AllOf((_is(drug), drafted, pregnant, load))
        branches += [
            Branch(f"{drug}, pregnant, one dose", once, "info", words(f"{label} in pregnancy: one dose for the seizure may be right; check with obstetrics afterwards")),
            Branch(f"{drug}, pregnant", AllOf((_is(drug), AnyOf((drafted, opened)), pregnant)), "warning", words(f"{label} in pregnancy can harm the child: check with obstetrics, choose levetiracetam")),
        ]
    livers = HasCondition(("cirrhosis", "hepatic_failure"), "recorded")
    spoken = AnyOf((drafted, opened))
    branches += [
        Branch("phenytoin or phenobarbital, liver", AllOf((_is(*PHENYTOINS, "phenobarbital"), spoken, livers)), "warning",
               words("Phenytoin or phenobarbital with liver failure gathers in the body: measure levels, reduce later doses")),
        Branch("lacosamide, liver", AllOf((_is("lacosamide"), spoken, HasCondition(("hepatic_failure",)))), "warning",
               words("Lacosamide with hepatic failure: choose levetiracetam")),
        Branch("midazolam into the cheek, liver", AllOf((_is("midazolam"), drafted, OrderIs("buccal"), HasCondition(("hepatic_failure",)))), "warning",
               words("Midazolam into the cheek with hepatic failure: give it, watch the breathing longer, or use another route")),
    ]  # fmt: skip
    if held(p, "valproate_two_specialists_below"):
        young = AllOf((valproate, drafted, OrderIs("new"), Below(Age(), p["valproate_two_specialists_below"])))
        branches.append(Branch("valproate, two specialists", young, "info", words("Valproate under {p.valproate_two_specialists_below}: a new start needs two specialists; ask the second now")))
    none = NoneWithin(("alt", "ast", "inr"), age)
    branches.append(Branch("valproate, no liver tests", AllOf((valproate, drafted, none)), "info", words("Valproate, no liver tests within {p.valproate_liver_age}: send them now"),
                           (Measure("alt", "Measure ALT", urgent=False),)))  # fmt: skip
    drugs = ("valproate", *TERATOGENS, "lacosamide", "midazolam")
    return Advisory(
        code="asm-hepatic-or-pregnancy-contraindication",
        title="Liver, pregnancy and anti-seizure medicine",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running", "listed") for drug in drugs),)),
        over=OrderFilter(drugs, "active"),
        branches=tuple(branches),
        sources=("Valproate, US label, boxed warning and contraindications", "NICE NG217 and MHRA 2024 on valproate", "Labels of phenytoin, phenobarbital, topiramate, carbamazepine and lacosamide"),
        asks_itself=("alt", "ast", "inr"),
        precedence=(Precedence("absorbs", "pregnancy-unsafe-order", "order"),),
        hazards=("HZ-19", "HZ-20"),
        purpose="A liver that cannot bear the medicine, or a child before birth.",
    )


# C13 -------------------------------------------------------------------------------------------------------------------------------------


def _glucose(p: ParameterSet) -> Advisory:
    glucose = Latest("glucose", p["result_age"])
    facts: dict[str, Expression] = {"glucose": glucose}
    phenytoin = (_is(*PHENYTOINS), OrderIs("drafted"))
    high, crisis = Above(glucose, p["phenytoin_glucose_above"]), State("crisis shown")
    load = AllOf((State("seizure now"), OrderIs("one-off")))

    def words(summary: str) -> Words:
        return Words(
            summary, ("Glucose {glucose}, {glucose.age}; phenytoin holds insulin back and raises glucose.",),
            ("By local protocol: levetiracetam instead; insulin and fluid for the glucose.", "If phenytoin is given: glucose every hour, its own line, never with glucose in it."),
            ("A seizure of a hyperosmolar state often resists phenytoin and answers to insulin and fluid.", "Never a reason to leave a seizure untreated."), facts=facts,
        )  # fmt: skip

    def pair(name: str, when: Criterion, summary: str) -> list[Branch]:
        return [
            Branch(f"{name}, load", AllOf((*phenytoin, when, load)), "warning", words(summary), _levetiracetam(p)),
            Branch(name, AllOf((*phenytoin, when)), "warning", words(summary)),
        ]

    return Advisory(
        code="phenytoin-worsens-hyperglycaemia",
        title="Phenytoin with a high glucose",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((tuple(f"drafted:{drug}" for drug in PHENYTOINS),)),
        over=OrderFilter(PHENYTOINS, "drafted"),
        branches=(
            *pair("high glucose", high, "(Fos)phenytoin at glucose {glucose}: it raises glucose; choose levetiracetam"),
            *pair("crisis", crisis, "(Fos)phenytoin in a hyperglycaemic crisis raises glucose: choose levetiracetam"),
        ),
        sources=("Phenytoin injection, US label 5.13: hyperglycaemia",),
        speak_order=2,
        hazards=("HZ-35",),
        purpose="A medicine that feeds what causes the seizure.",
    )



