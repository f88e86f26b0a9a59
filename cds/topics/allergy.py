"""A beta-lactam in a patient with a beta-lactam allergy: the reaction and the side chain decide (D12)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Proposal, Trigger, Withdraw, Words
from cds.logic.criteria import AllOf, AnyOf, Criterion, HasCondition, Not, OrderFilter, OrderIs, OrderReason
from cds.parameters import ParameterSet
from cds.states.allergies import GROUPS, Row, cells_of
from cds.states.parts import either

SOURCES = (
    "Khan 2022, J Allergy Clin Immunol 150:1333 (drug allergy practice parameter): cross-reaction goes by the side chain, about 2 % of cephalosporins and below 1 % of carbapenems",
    "The indicators are our own: a pharmacist signs them",
)
BETA_LACTAMS = ("penicillin", "cephalosporin", "carbapenem", "aztreonam")
CANNOT_WAIT = ("septic_shock", "meningitis", "encephalitis")
# What a card says of the reaction, in the first words.
_SAID = {
    "severe_immediate": "a severe immediate reaction",
    "severe_delayed": "a severe delayed reaction",
    "unknown": "an undescribed reaction",
    "mild": "a mild reaction",
    "not_allergy": "a side effect",
}


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Table and sources: allergy.toml."""
    return (
        Advisory(
            code="beta-lactam-allergy-conflict",
            title="Beta-lactam allergy",
            problem="beta-lactam allergy",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{name}" for place in ("drafted", "running") for name in BETA_LACTAMS),)),
            over=OrderFilter(BETA_LACTAMS, "either"),
            branches=_branches(p.table("beta_lactam")),
            sources=SOURCES,
            touches=("antibacterial",),
            touched=("critical",),
            without_age=True,
            hazards=("HZ-19", "HZ-36"),
            purpose="Anaphylaxis from an order; and a good antibacterial kept from a patient for a rash of long ago.",
        ),
    )


def _branches(rows: tuple[Row, ...]) -> tuple[Branch, ...]:
    drafted = OrderIs("drafted")
    urgent = AnyOf((HasCondition(CANNOT_WAIT), OrderReason(CANNOT_WAIT)))
    made: list[Branch] = []
    for group in ("severe_immediate", "severe_delayed"):
        made += _group(rows, group, "critical", drafted)
    unknown = cells_of(rows, "unknown", "critical")
    if unknown is not None:
        # The first dose is not held up for a reaction that nobody described (0.5a); a severe one, at once or late, is the exception (R-n78).
        made.append(
            Branch(
                "unknown in an emergency",
                AllOf((drafted, unknown, urgent)),
                "warning",
                _words("unknown", "Check at once what the reaction was, or give another class now: {order}, allergy on record"),
                (),
            )
        )
    made += _group(rows, "unknown", "critical", drafted)
    for group in ("severe_immediate", "severe_delayed", "unknown", "mild"):
        made += _group(rows, group, "warning", drafted)
    # What runs already is said once, and never as more than a warning (R-n2).
    running = [cell for group in GROUPS for indicator in ("critical", "warning") if (cell := cells_of(rows, group, indicator)) is not None]
    made.append(
        Branch(
            "running",
            AllOf((Not(drafted), either(running))),
            "warning",
            _words("unknown", "Check the allergy against {order}, which runs: an allergy to its class is on record"),
        )
    )
    for group in ("severe_immediate", "not_allergy"):
        cells = cells_of(rows, group, "info")
        if cells is not None:
            said = (
                "Check the reaction: recorded as {said}, {order} can be given"
                if group == "not_allergy"
                else "Check the first dose of {order}: another side chain, cross-reaction is rare"
            )
            made.append(Branch(f"{group}, info", AllOf((drafted, cells)), "info", _words(group, said.replace("{said}", _SAID[group]))))
    return tuple(made)


def _group(rows: tuple[Row, ...], group: str, indicator: str, drafted: Criterion) -> list[Branch]:
    cells = cells_of(rows, group, indicator)
    if cells is None:
        return []
    words = _words(
        group,
        f"Choose another than {{order}}: {_SAID[group]} to its class"
        if indicator == "critical"
        else f"Check the allergy first: {{order}}, {_SAID[group]} to its class",
    )
    out: tuple[Proposal, ...] = (Withdraw("Take this order out and choose another class"),) if indicator == "critical" else ()
    return [Branch(f"{group}, {indicator}", AllOf((drafted, cells)), indicator, words, out)]


def _words(group: str, summary: str) -> Words:
    return Words(
        summary,
        ("{order}. The allergies that decided are listed with the reaction that was recorded.",),
        (
            "By local protocol: ask what happened and when; choose another class, or one with another side chain, that suits the infection.",
            "If nothing else is as good: graded test dose or desensitisation with an allergist, where resuscitation is at hand.",
        ),
        (
            "Penicillin allergy on record is wrong in most patients: a label that can be removed is worth removing later.",
            "Never a reason to leave sepsis untreated: another class goes in at once.",
        ),
        ()
        if group != "severe_immediate"
        else ("Cross-reaction between penicillins and cephalosporins with another side chain is about 2 %, with carbapenems below 1 % (Khan 2022).",),
    )
