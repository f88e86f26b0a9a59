"""The hyperosmolar hyperglycaemic state: that it is there, in which form, and thrombosis prevented (A2, N13)."""

from __future__ import annotations

from dataclasses import replace

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Expression,
    Formula,
    HasCondition,
    Latest,
    NoOrder,
    Not,
    OrderFilter,
    Since,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import CRISIS_TOUCHES, guidelines_print, if_known

PROBLEM = "hyperosmolar state"
CONSENSUS = "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275"
UK = "JBDS-IP 06; Mustafa OG et al. Management of hyperosmolar hyperglycaemic state. Diabet Med 2023;40:e15005"
US = "Kitabchi AE et al. Hyperglycemic crises in adult patients with diabetes. Diabetes Care 2009;32:1335-1343"
CHILDREN = "Glaser N et al. ISPAD guidelines 2022: DKA and HHS. Pediatr Diabetes 2022;23:835-856"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories about a hyperosmolar state for one population. Figures and sources: acidosis.toml and states/crisis.toml."""
    return (_criteria_met(p), _thrombosis(p))


# A2 ----------------------------------------------------------------------------------------------------------------------------------


def _criteria_met(p: ParameterSet) -> Advisory:
    age = p["result_age"]
    # A glucose that is old and was not very high asks no question.
    numbers = AllOf((State("very high glucose possible"), State("hyperosmolar numbers met")))
    base = _words(p)
    other_acid = AnyOf(
        (
            if_known("ph", age, Below(Latest("ph", age), p["hyperosmolar_ph"])),
            if_known("bicarbonate", age, Below(Latest("bicarbonate", age), p["hyperosmolar_bicarbonate"])),
        )
    )
    return Advisory(
        code="hhs-criteria-met",
        title="Criteria of a hyperosmolar state are met",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((("analyte:glucose",),)),
        branches=(
            Branch("with ketoacidosis", AllOf((numbers, State("ketoacidosis criteria met"))), "critical", replace(
                base, summary="Give fluid first: ketoacidosis and hyperosmolar state at once, osmolality {effective}, pH {ph}",
                found=(*base.found, "The criteria of ketoacidosis are met too: treat as ketoacidosis, and let osmolality fall slowly."))),
            Branch("criteria met", AllOf((numbers, State("hyperosmolar criteria met"))), "critical", replace(
                base, summary="Give fluid first, insulin low and late: hyperosmolar state, glucose {glucose}, osmolality {effective}")),
            Branch("with another acidosis", AllOf((numbers, State("ketones measured"), Not(State("ketosis")), other_acid)), "warning", replace(
                base, summary="Look for the cause: hyperosmolar, and acidosis that ketones do not explain, pH {ph}, bicarbonate {bicarbonate}",
                do=("Look for lactate, kidney failure and sepsis beside the hyperosmolar state.", *base.do))),
            Branch("with ketosis, acidosis not shown", AllOf((numbers, State("ketosis"))), "warning", replace(
                base, summary="Repeat the gas (acidosis not shown): hyperosmolar with ketosis, ketones {ketones}, osmolality {effective}",
                do=("Repeat the gas: a ketoacidosis that begins is treated with more insulin.", *base.do)), (Measure("ph", "Measure a blood gas now"),)),
            Branch("possible", numbers, "warning", replace(
                base, summary="Measure ketones and gas: possible hyperosmolar state, glucose {glucose}, osmolality {effective}",
                do=("Send blood ketones and a gas now: with ketoacidosis it is treated otherwise.", *base.do)),
                (Measure("beta_hydroxybutyrate", "Measure blood ketones (beta-hydroxybutyrate) now"), Measure("ph", "Measure a blood gas now"))),
        ),
        sources=(CHILDREN,) if p.population == "child" else (CONSENSUS, UK, US),
        touches=CRISIS_TOUCHES,
        always=("critical",),
        # Untreated, it is said at every order hook (C-01).
        always_when=NoOrder(OrderFilter(("crystalloid",), "either", "intravenous")),
        without_age=True,
        gap_indicator="critical",
        hazards=("HZ-02", "HZ-17", "HZ-25", "HZ-28"),
        purpose="A hyperosmolar state named, also while ketones or a gas are awaited, and told apart from ketoacidosis.",
    )  # fmt: skip


def _words(p: ParameterSet) -> Words:
    age = p["result_age"]
    facts: dict[str, Expression] = {
        "glucose": Latest("glucose", age),
        "effective": Formula("effective_osmolality", age),
        "total": Formula("total_osmolality", age),
        "sodium": Formula("sodium_corrected_katz", age),
        "hillier": Formula("sodium_corrected_hillier", age),
        "ketones": Latest("beta_hydroxybutyrate", age),
        "ph": Latest("ph", age),
        "bicarbonate": Latest("bicarbonate", age),
    }
    found = (
        "Effective osmolality {effective}, with urea {total}; sodium corrected for glucose {sodium} (Katz), {hillier} (Hillier).",
        "Ketones {ketones}, pH {ph}, bicarbonate {bicarbonate}.",
    )
    do = (
        "By local protocol: fluid first, {p.hyperosmolar_fluid}; estimated deficit {p.hyperosmolar_deficit}.",
        "Potassium before insulin. Insulin in unit/kg/h: {p.hyperosmolar_insulin}.",
        "Osmolality every hour at first: {p.hyperosmolar_fall}; sodium falling by at most {p.hyperosmolar_sodium_fall} in 24 h.",
        "Prevent thrombosis, look after feet and pressure areas, look for the cause.",
    )
    cautions = (
        "Sodium that rises while glucose falls is expected: not by itself a reason for half-strength saline.",
        "Heart or kidney failure: smaller amounts, looked at after each.",
    )
    differs: tuple[str, ...] = ()
    if p.population == "adult":
        differs = (
            f"Guidelines differ on the glucose of a hyperosmolar state: {guidelines_print(p, 'hyperosmolar_glucose')}.",
            f"On the osmolality that counts: {guidelines_print(p, 'hyperosmolar_osmolality_uses')}.",
        )
    return Words("", found, do, cautions, differs, facts=facts)


# N13 ---------------------------------------------------------------------------------------------------------------------------------


def _thrombosis(p: ParameterSet) -> Advisory:
    prevented = OrderFilter(("heparin", "direct_oral_anticoagulant", "warfarin"), "active")
    return Advisory(
        code="thrombosis-prophylaxis-missing-in-hyperosmolar-state",
        title="No prophylaxis of thrombosis in a hyperosmolar state",
        problem="thrombosis",
        kind="result",
        trigger=Trigger((("analyte:glucose", "condition:hyperosmolar_state"),)),
        branches=(
            Branch(
                "none ordered",
                AllOf(
                    (
                        State("hyperosmolar shown"), AtLeastValue(Since("crisis start"), p["thrombosis_prophylaxis_after"]), NoOrder(prevented),
                        Not(HasCondition(("haemorrhage", "bleeding"))),
                    )
                ),
                "info",
                Words(
                    "Check prophylaxis of thrombosis: none ordered, hyperosmolar for {since}",
                    do=("By local protocol: weigh heparin against bleeding; mechanical prophylaxis where heparin is not wanted.",),
                    cautions=("Recent bleeding, surgery or a low platelet count are reasons to wait, and are not all visible here.",),
                    facts={"since": Since("crisis start")},
                ),
            ),
        ),
        sources=(UK,),
        touches=CRISIS_TOUCHES,
        purpose="Thrombosis is a cause of death in this state, and its prevention is easily forgotten.",
    )  # fmt: skip

