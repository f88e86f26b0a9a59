"""Osmolality that falls too fast, and the brain of a child in ketoacidosis (B14, A19)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Measure, Precedence, Trigger, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtMostValue,
    Below,
    Change,
    Criterion,
    Expression,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    OrderFilter,
    OrderIs,
    PatientIs,
    Slope,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, guidelines_print, if_known

CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 06; Mustafa OG et al. Management of hyperosmolar hyperglycaemic state. Diabet Med 2023;40:e15005"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"
CHILDREN_UK = "BSPED guideline, DKA under 18 years, 2021; NICE NG18"
# What everybody else asks for waits while the brain may swell.
_WAITS = (
    "dka-criteria-met", "hhs-criteria-met", "crisis-trajectory-off-target", "dextrose-needed-with-insulin", "crisis-cause-not-sought", "ketones-not-measured",
    "hyperchloraemic-acidosis", "basal-insulin-omitted-type-1", "magnesium-low", "phosphate-low", "calcium-low", "hyperkalaemia", "potassium-sample-suspect",
)  # fmt: skip


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about osmolality and the brain for one population. Figures and sources: fluid.toml."""
    return (_falling(p), _brain(p))


# B14 ---------------------------------------------------------------------------------------------------------------------------------


def _slope(p: ParameterSet, name: str) -> Slope:
    return Slope(name, p["series_window"], p["series_span"], p["series_apart"])


def _falling(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    # One formula across the series: with urea where it was drawn with every sodium, else without (B14).
    total, effective = _slope(p, "total_osmolality"), _slope(p, "effective_osmolality")
    with_urea = State("urea with every sodium")
    # Each with the number that decided.
    kinds: tuple[tuple[Criterion, Slope], ...] = ((with_urea, total), (Not(with_urea), effective))
    context = State("crisis shown") if p.population == "child" else State("hyperosmolar shown")
    applies = AllOf((context, State("osmolality followed")))
    drowsier = AllOf((Not(NoneWithin(("gcs",), p["consciousness_age"], read=True)), State("consciousness followed"), AtMostValue(Change("gcs", p["series_window"], "highest"), p["gcs_fall"])))
    now = AnyOf((AllOf((with_urea, Below(Formula("total_osmolality", age), p["osmolality_quiet_below"]))),
                 AllOf((Not(with_urea), Below(Formula("effective_osmolality", age), p["osmolality_quiet_below"])))))  # fmt: skip
    facts: dict[str, Expression] = {
        "without_urea": effective, "with_urea": total, "osmolality": Formula("effective_osmolality", age), "sodium": Latest("sodium", age), "glucose": Latest("glucose", age),
        "gcs": Latest("gcs", p["consciousness_age"]),
    }  # fmt: skip
    do = (
        "By local protocol: slow fluid, insulin or both; glucose with the insulin once glucose is below the line.",
        "Coma score every hour; osmolality every hour until it falls within the aim.",
    )
    cautions = ("A trend over few samples is rough: look at the values themselves.", "Shock is treated first.")
    differs = (f"Guidelines differ on the fall in an hour: {guidelines_print(p, 'osmolality_fall')}.",) if p.population == "adult" else ()
    base = Words("", ("Effective osmolality {osmolality}; without urea {without_urea}, with urea {with_urea}.", "Sodium {sodium}, glucose {glucose}, coma score {gcs}."), do, cautions, differs, facts=facts)
    branches: list[Branch] = []
    rows: tuple[tuple[str, tuple[Criterion, ...], str, str], ...] = (
        ("fast, and drowsier", (drowsier,), "critical", "Slow the treatment now: coma score fallen to {gcs}, osmolality {slope}"),
        ("fast", (), "warning", "Slow the treatment: osmolality {slope}"),
    )
    for name, more, indicator, summary in rows:
        for tail, (formula, slope) in zip(("", ", without urea"), kinds, strict=True):
            words = replace(base, summary=summary, facts={**facts, "slope": slope})
            branches.append(Branch(f"{name}{tail}", AllOf((applies, formula, Below(slope, p["osmolality_fall"]), *more)), indicator, words))
    if p.population == "adult":
        change = Change("sodium", p["sodium_window_day"], "highest")
        falling = AllOf((context, State("sodium measured twice"), State("sodium measured"), Below(change, p["hyperosmolar_sodium_change"])))
        branches.append(Branch("sodium fast", falling, "warning", replace(
            base, summary="Slow the treatment: sodium {change} in a hyperosmolar state", facts={**facts, "change": change})))  # fmt: skip
    return Advisory(
        code="osmolality-falling-too-fast",
        title="Osmolality falls too fast",
        problem="osmolality",
        kind="result",
        trigger=Trigger((("analyte:sodium",),)),
        branches=tuple(branches),
        sources=(CHILDREN, US) if p.population == "child" else (CONSENSUS, UK, US),
        quiet=now,
        touches=CRISIS_TOUCHES,
        without_age=True,
        hazards=("HZ-25", "HZ-29"),
        purpose="A brain that has made osmoles swells when the blood loses its own too fast.",
    )  # fmt: skip


# A19 ---------------------------------------------------------------------------------------------------------------------------------


def _brain(p: ParameterSet) -> Advisory:
    if p.population == "child":
        branches = _child_branches(p)
    else:
        words = Words(
            "Call for help now: a child's brain in ketoacidosis", do=("By local protocol for children.",), cautions=("For children alone.",),
        )  # fmt: skip
        branches = (Branch("children alone", PatientIs("child"), "critical", words),)
    return Advisory(
        code="cerebral-oedema-risk-in-child",
        title="Cerebral oedema in a child with ketoacidosis",
        problem="cerebral oedema",
        kind="order",
        trigger=Trigger((("population:child",),)),
        branches=branches,
        sources=(CHILDREN, CHILDREN_UK),
        touches=CRISIS_TOUCHES,
        always=("critical",),
        precedence=tuple(Precedence("silences", code, at=("critical",), branches=("suspected",), other_at=("info",)) for code in _WAITS),
        asks_itself=("gcs",),
        hazards=("HZ-17",),
        purpose="The commonest way in which a child dies of ketoacidosis, and it is treated before it is imaged.",
    )


def _child_branches(p: ParameterSet) -> tuple[Branch, ...]:
    age, awake, window = p["result_age"], p["oedema_consciousness_age"], p["gcs_window"]
    gcs = Latest("gcs", p["consciousness_age"])
    context = State("crisis shown")
    slower = AllOf((State("pulse followed"), Below(Change("heart_rate", p["series_window"], "highest"), p["oedema_heart_rate_fall"])))
    fallen = AllOf((State("consciousness followed"), AtMostValue(Change("gcs", window, "highest"), p["gcs_fall"])))
    suspected = AllOf(
        (
            context,
            AnyOf(
                (
                    fallen, if_known("gcs", p["consciousness_age"], AtMostValue(gcs, p["oedema_gcs"])), State("seizure now"),
                    AllOf((HasCondition(("headache", "vomiting"), within=window, undated="yes"), slower)), HasCondition(("cranial_nerve_palsy", "abnormal_posturing")),
                )
            ),
        )
    )  # fmt: skip
    early = AnyOrder(
        OrderFilter(("insulin",), "drafted", "intravenous"),
        AllOf((OrderIs("new"), Not(State("fluid run first")))),
    )
    bicarbonate = HasOrder(OrderFilter(("bicarbonate",), "either", "intravenous"))
    sodium = AllOf((State("sodium measured twice"), Below(Change("sodium", p["sodium_window_day"]), p["oedema_sodium_change"])))
    osmolality = AllOf((State("osmolality followed"), Below(_slope(p, "effective_osmolality"), p["oedema_osmolality_fall"])))
    risks: tuple[tuple[str, Criterion, str], ...] = (
        ("insulin before fluid", early, "Give fluid for {p.oedema_fluid_lead} before this insulin: a child's brain is at risk"),
        ("bicarbonate", bicarbonate, "Check the brain every hour: bicarbonate in a child's ketoacidosis goes with cerebral oedema"),
        ("osmolality falls", osmolality, "Slow the treatment: osmolality falls {slope}, and this child's brain is at risk"),
        ("sodium falls", sodium, "Slow the fluid: sodium has fallen by {sodium_change}, and this child's brain is at risk"),
        ("severe acidosis", if_known("ph", age, Below(Latest("ph", age), p["oedema_ph"])), "Check the brain every hour: pH {ph} in a child's ketoacidosis"),
        ("low pCO2", if_known("pco2", age, Below(Latest("pco2", age), p["oedema_pco2"])), "Check the brain every hour: pCO2 {pco2} in a child's ketoacidosis"),
        ("high urea", if_known("urea", age, Above(Latest("urea", age), p["oedema_urea"])), "Check the brain every hour: urea {urea} in a child's ketoacidosis"),
        ("under five", Below(Age("years"), p["oedema_age"]), "Check the brain every hour: ketoacidosis at {years}"),
    )
    facts: dict[str, Expression] = {
        "gcs": gcs, "ph": Latest("ph", age), "pco2": Latest("pco2", age), "urea": Latest("urea", age), "slope": _slope(p, "effective_osmolality"),
        "sodium_change": Change("sodium", p["sodium_window_day"]), "years": Age("years"),
    }  # fmt: skip
    found = ("Coma score {gcs}; sodium {sodium_change}; osmolality {slope}.",)
    do = (
        "By local protocol: coma score, pupils and pulse every hour; hyperosmolar treatment drawn up: {p.oedema_treatment}.",
        "Fluid no faster than calculated; insulin not before fluid has run for {p.oedema_fluid_lead}.",
    )
    first = Words(
        "Treat cerebral oedema now, image later: coma score {gcs} in a child's ketoacidosis", found,
        ("By local protocol, now: {p.oedema_treatment}; head up 30 degrees; fluid no more than needed; senior and intensive care.",
         "Do not wait for a scan."),
        ("Sleep, a sedative or a convulsion may lower the score too: treat unless that is sure.",), facts=facts,
    )  # fmt: skip
    ask = () if p.population != "child" else (Measure("gcs", "Coma score now"),)
    made = [Branch("suspected", suspected, "critical", first)]
    for name, when, summary in risks:
        made.append(Branch(name, AllOf((context, when)), "warning", Words(summary, found, do, ("Any headache, drowsiness or slow pulse: treat first.",), facts=facts)))
    made.append(
        Branch("coma score not known", AllOf((context, NoneWithin(("gcs",), awake))), "warning", Words(
            "Check the coma score: none in the last {p.oedema_consciousness_age} in a child's ketoacidosis", found, do,
            ("Any headache, drowsiness or slow pulse: treat first.",), facts=facts), ask)
    )  # fmt: skip
    return tuple(made)
