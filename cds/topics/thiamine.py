"""Thiamine before glucose where it may be lacking (N7). It never delays glucose for a low glucose."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Trigger, Words
from cds.logic.criteria import AllOf, AtLeastValue, Expression, HasCondition, Latest, NoOrder, OfOrder, OrderFilter
from cds.parameters import ParameterSet
from cds.states.parts import computable

LACKING = ("alcohol_use_disorder", "alcohol_withdrawal", "malnutrition", "hyperemesis")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about thiamine for one population. Figures and sources: fluid.toml."""
    given = OrderFilter(("thiamine",), "given", started_within=p["thiamine_within"])
    ordered = OrderFilter(("thiamine",), "either", ended_within=p["thiamine_within"])
    volume = OfOrder("amount", "fluid")
    facts: dict[str, Expression] = {"glucose": Latest("glucose", p["result_age"])}
    return (
        Advisory(
            code="thiamine-missing-before-glucose",
            title="Glucose without thiamine",
            problem="thiamine",
            kind="order",
            trigger=Trigger((("drafted:glucose_fluid", "running:glucose_fluid"),)),
            over=OrderFilter(("glucose_fluid",), "either", "intravenous"),
            branches=(
                Branch(
                    "none in a day",
                    AllOf((HasCondition(LACKING), computable(volume, AtLeastValue(volume, p["thiamine_bag"])), NoOrder(ordered), NoOrder(given))),
                    "warning",
                    Words(
                        "Give thiamine with this glucose: none in the last {p.thiamine_within}, and it may be lacking",
                        ("Glucose {glucose}.",),
                        ("By local protocol: thiamine {p.thiamine_dose}, before or with the glucose.",),
                        ("Where glucose is low, glucose goes first: thiamine never delays it.", "Confusion, eye signs or ataxia: think of Wernicke and give the high dose."),
                        facts=facts,
                    ),
                ),
            ),
            sources=("NICE CG100. Alcohol-use disorders: diagnosis and management of physical complications", "common practice; own rules N7, N-14"),
            hazards=("HZ-36",),
            purpose="A load of glucose uses up the last thiamine.",
        ),
    )
