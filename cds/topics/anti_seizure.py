"""Anti-seizure medicines by vein: diluent and strength (C7)."""

from __future__ import annotations

from cds.advisory import Advisory, Amend, Branch, Precedence, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    Below,
    Criterion,
    Expression,
    HasOrder,
    Not,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.parts import computable, word

SOURCES = (
    "Phenytoin injection, US label; MSF essential drugs, phenytoin",
    "Fosphenytoin injection, US label",
    "Levetiracetam injection, US label",
)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: anti_seizure.toml."""
    phenytoin, fosphenytoin, levetiracetam = (OrderHas((name,), "active") for name in ("phenytoin", "fosphenytoin", "levetiracetam"))
    by_vein, stated, from_text = OrderIs("intravenous"), OrderIs("diluent stated"), OrderIs("diluent from text")
    in_glucose, in_saline = OrderHas(("glucose_fluid",), "diluent"), OrderHas(("saline",), "diluent")
    in_other = OrderHas(("balanced_crystalloid", "water"), "diluent")
    strength = {name: OfOrder("mg_per_ml", f"drug:{name}") for name in ("phenytoin", "fosphenytoin", "levetiracetam")}
    undiluted_allowed = word(p, "phenytoin_undiluted") == "yes"
    not_a_push: tuple[Criterion, ...] = (Not(OrderIs("push")),) if undiluted_allowed else ()
    loading = AllOf((State("seizure now"), OrderIs("one-off")))
    do = (
        "By local protocol: phenytoin only in 0.9 % sodium chloride, in-line filter, start at once, finish within {p.phenytoin_finish_within} h.",
        "Levetiracetam or fosphenytoin can be given in glucose.",
    )
    cautions = (
        "A glucose or insulin infusion on the only cannula: separate cannula, or stop it and flush with 0.9 % sodium chloride before and after.",
        "Large vein; watch ECG and blood pressure during the infusion.",
    )
    saline = (Amend("Change the diluent to 0.9 % sodium chloride", diluent="sodium_chloride"),)

    def words(summary: str, *found: str, **facts: Expression) -> Words:
        return Words(summary, found, do, cautions, facts=facts)

    def weak_or_strong(name: str, drug: Criterion, label: str) -> tuple[Branch, Branch]:
        value = strength[name]
        return (
            Branch(
                f"{name} too weak", AllOf((drug, by_vein, computable(value, Below(value, p[f"{name}_strength_least"])))), "warning",
                words(f"{label} at {{strength}}: use a smaller bag, {{p.{name}_strength_least}} or more", strength=value),
            ),
            Branch(
                f"{name} too strong", AllOf((drug, by_vein, computable(value, Above(value, p[f"{name}_strength_most"])))), "warning",
                words(f"{label} at {{strength}}: use a larger bag, {{p.{name}_strength_most}} or less", strength=value),
            ),
        )  # fmt: skip

    branches = (
        Branch(
            "phenytoin in glucose", AllOf((phenytoin, by_vein, in_glucose, Not(from_text))), "critical",
            words("Phenytoin in glucose precipitates: dilute it in 0.9 % sodium chloride", "The diluent of this order holds glucose."), saline,
        ),
        Branch(
            "phenytoin with an additive", AllOf((phenytoin, by_vein, OrderIs("additives"))), "critical",
            words("Phenytoin with another drug in the bag precipitates: give it alone in 0.9 % sodium chloride"), (),
        ),
        Branch(
            "phenytoin in glucose, by its text", AllOf((phenytoin, by_vein, in_glucose)), "warning",
            words("Phenytoin, glucose named as diluent in the text: confirm, use 0.9 % sodium chloride", "Read from the text of the order; please confirm."), saline,
        ),
        Branch(
            "phenytoin in another fluid", AllOf((phenytoin, by_vein, in_other, Not(in_saline))), "warning",
            words("Phenytoin in a fluid other than saline: dilute it in 0.9 % sodium chloride"), saline,
        ),
        Branch(
            "phenytoin, diluent not stated", AllOf((phenytoin, by_vein, Not(stated), OrderIs("detail expected"), *not_a_push)), "warning",
            words("Phenytoin, diluent not stated: write 0.9 % sodium chloride"), saline,
        ),
        *weak_or_strong("phenytoin", phenytoin, "Phenytoin"),
        *weak_or_strong("fosphenytoin", fosphenytoin, "Fosphenytoin"),
        Branch(
            "levetiracetam strong, loading", AllOf((levetiracetam, by_vein, loading, computable(strength["levetiracetam"], Above(strength["levetiracetam"], p["levetiracetam_strength_most"])))), "info",
            words("Levetiracetam at {strength}: above the label's {p.levetiracetam_strength_most}, common for a load", strength=strength["levetiracetam"]),
        ),
        Branch(
            "levetiracetam too strong", AllOf((levetiracetam, by_vein, computable(strength["levetiracetam"], Above(strength["levetiracetam"], p["levetiracetam_strength_most"])))), "warning",
            words("Levetiracetam at {strength}: dilute to {p.levetiracetam_strength_most} or less", strength=strength["levetiracetam"]),
        ),
        Branch(
            "phenytoin into muscle",
            AllOf((phenytoin, Not(by_vein), HasOrder(OrderFilter(("phenytoin",), "either", "intramuscular")))), "warning",
            words("Phenytoin into muscle is erratic and can cause necrosis: give it by vein, or fosphenytoin"),
        ),
    )  # fmt: skip
    return (
        Advisory(
            code="asm-diluent-incompatible",
            title="Diluent or strength of an anti-seizure medicine",
            problem="anti-seizure medicine order",
            kind="order",
            trigger=Trigger(
                (
                    tuple(
                        f"{place}:{name}" for place in ("drafted", "running") for name in ("phenytoin", "fosphenytoin", "levetiracetam")
                    ),
                )
            ),
            over=OrderFilter(("phenytoin", "fosphenytoin", "levetiracetam"), "either"),
            branches=branches,
            sources=SOURCES,
            touches=(),
            without_age=True,
            precedence=(Precedence("absorbs", "phenytoin-worsens-hyperglycaemia", "order", at=("critical",)),),
            hazards=("HZ-04", "HZ-30"),
            purpose="A diluent in which the medicine falls out of solution.",
        ),
    )
