"""A carbapenem beside valproate: the valproate level falls within a day or two, and more valproate does not help (D3)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Trigger, Withdraw, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    Criterion,
    Expression,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    State,
)
from cds.parameters import ParameterSet

SOURCES = (
    "Valproate, US label: carbapenems may lower valproate to where seizures return",
    "Meropenem, US label: with valproate generally not recommended",
    "Meta-analysis of 633 patients on valproate and a carbapenem (read second-hand)",
)
CARBAPENEM, VALPROATE = ("carbapenem",), ("valproate",)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: carbapenem.toml."""
    carbapenem, valproate = OrderFilter(CARBAPENEM, "active"), OrderFilter(VALPROATE, "active")
    is_carbapenem, is_valproate, drafted = OrderHas(CARBAPENEM, "active"), OrderHas(VALPROATE, "active"), OrderIs("drafted")
    # The order in hand is the draft; of two running orders it is the carbapenem.
    pair = AnyOf(
        (
            AllOf((is_carbapenem, HasOrder(valproate), AnyOf((drafted, Not(HasOrder(OrderFilter(VALPROATE, "drafted"))))))),
            AllOf((is_valproate, drafted, HasOrder(carbapenem))),
        )
    )
    for_epilepsy = AnyOrder(valproate, AnyOf((OrderReason(("epilepsy", "seizure", "status_epilepticus")), Not(OrderIs("reason stated")))))
    matters = AnyOf((State("seizure now"), State("seizure history"), for_epilepsy))
    wanted = AnyOrder(carbapenem, OrderReason(("poisoning",)))
    urgent = HasCondition(("septic_shock", "meningitis", "encephalitis", "cns_infection"))
    recent = OrderFilter(CARBAPENEM, "running", ended_within=p["valproate_after_carbapenem"])
    stopped = OrderFilter(VALPROATE, "running", ended_within=p["valproate_after_carbapenem"])
    facts: dict[str, Expression] = {"level": Latest("valproate_level", p["valproate_level_named"])}
    why = (
        "A carbapenem lowers the valproate level by {p.valproate_fall} % within {p.valproate_fall_within} h; it stays low for {p.valproate_recovery} afterwards.",
        "Last valproate level: {level}, {level.age}.",
    )
    do = (
        "By local protocol: another antibacterial by susceptibility, if one is as good.",
        "If a carbapenem is needed: give it, add levetiracetam at once and go on for {p.levetiracetam_cover} after it; valproate level now and daily.",
        "More valproate does not make up for the fall.",
    )
    cautions = ("Never a reason to leave an infection untreated.", "The fall begins within hours: a level that is good now says nothing about tomorrow.")
    measure = Measure("valproate_level", "Measure valproate now, then daily", urgent=False)
    take_out = (Withdraw("Take this order out and choose a medicine without this interaction"), measure)

    def branch(name: str, when: Criterion, indicator: str, words: Words, *, drafts: bool) -> Branch:
        parts = (when, drafted) if drafts else (when,)
        return Branch(name, AllOf(parts), indicator, words, take_out if drafts else (measure,))

    usual = Words(
        "{order}: valproate level falls {p.valproate_fall} %; choose another, or add levetiracetam", why, do, cautions, facts=facts
    )
    mood = Words("{order}: valproate level falls {p.valproate_fall} %; check what valproate is given for", why, do, cautions, facts=facts)
    shock = Words(
        "Give {order} now and add levetiracetam: valproate level falls {p.valproate_fall} %",
        why, ("By local protocol: the first dose now; an antibacterial as good without the interaction for the next ones.", *do[1:]), cautions, facts=facts,
    )  # fmt: skip
    after = Words(
        "Valproate within {p.valproate_after_carbapenem} of a carbapenem: the level stays low, use levetiracetam", why,
        ("By local protocol: levetiracetam or another medicine until valproate levels are back.",), cautions, facts=facts,
    )  # fmt: skip
    either = AllOf((pair, matters))
    return (
        Advisory(
            code="carbapenem-with-valproate",
            title="Carbapenem with valproate",
            problem="carbapenem with valproate",
            kind="order",
            trigger=Trigger(
                (
                    ("drafted:carbapenem", "running:carbapenem", "listed:carbapenem"),
                    ("drafted:valproate", "running:valproate", "listed:valproate"),
                )
            ),
            over=OrderFilter((*CARBAPENEM, *VALPROATE), "active"),
            branches=(
                Branch(
                    "valproate poisoning", AllOf((pair, wanted)), "info",
                    Words("Carbapenem for valproate poisoning: the valproate level will fall, as is wanted", why, ("Follow the level by local protocol.",), cautions, facts=facts),
                ),
                branch("infection that cannot wait", AllOf((either, urgent)), "critical", shock, drafts=False),
                branch("epilepsy or reason not known, drafted", either, "critical", usual, drafts=True),
                branch("epilepsy or reason not known", either, "critical", usual, drafts=False),
                branch("other reason, drafted", pair, "warning", mood, drafts=True),
                branch("other reason", pair, "warning", mood, drafts=False),
                Branch("valproate after a carbapenem, epilepsy", AllOf((is_valproate, drafted, HasOrder(recent), matters)), "critical", after, (measure,)),
                Branch("valproate after a carbapenem", AllOf((is_valproate, drafted, HasOrder(recent))), "warning", after, (measure,)),
                Branch(
                    "carbapenem after valproate", AllOf((is_carbapenem, drafted, HasOrder(stopped))), "info",
                    Words(
                        "Carbapenem after valproate was stopped: what is left of the valproate falls fast", why,
                        ("By local protocol: make sure that another anti-seizure medicine covers the patient.",), cautions, facts=facts,
                    ),
                ),
            ),
            sources=SOURCES,
            touches=(*CARBAPENEM, *VALPROATE),
            always=("critical",),
            without_age=True,
            hazards=("HZ-11", "HZ-36", "HZ-40"),
            purpose="Loss of seizure control by an antibacterial.",
        ),
    )  # fmt: skip
