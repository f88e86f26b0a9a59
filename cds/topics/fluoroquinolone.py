"""Fluoroquinolones beside medicines that lower glucose, and beside cations that bind them in the gut."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Trigger, Words
from cds.logic.criteria import AllOf, AnyOf, AnyOrder, Expression, HasOrder, Latest, OrderFilter, OrderHas, OrderIs
from cds.parameters import ParameterSet

LABELS = (
    "FDA drug safety communication 2018: low blood sugar, to coma, with fluoroquinolones; labels: take apart from magnesium, aluminium, calcium, iron and zinc"
)
QUINOLONE = ("fluoroquinolone",)
LOWERING = ("insulin", "sulfonylurea", "meglitinide")
CATIONS = ("chelating_cation",)
_PLACES = ("drafted", "running", "listed")


def _named(names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"{place}:{name}" for place in _PLACES for name in names)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories of this topic for one population. Figures and sources: fluoroquinolone.toml."""
    return _glucose(p), _bound()


def _glucose(p: ParameterSet) -> Advisory:
    quinolone, lowering, drafted = OrderHas(QUINOLONE, "active"), OrderHas(LOWERING, "active"), OrderIs("drafted")
    # Whichever of the two comes second is the order in hand.
    pair = AnyOf((AllOf((quinolone, HasOrder(OrderFilter(LOWERING, "active")))), AllOf((lowering, HasOrder(OrderFilter(QUINOLONE, "running"))))))
    facts: dict[str, Expression] = {"glucose": Latest("glucose", p["last_known_age"])}
    return Advisory(
        code="fluoroquinolone-with-glucose-lowering-drug",
        title="Fluoroquinolone with a medicine that lowers glucose",
        problem="seizure-threshold order",
        kind="order",
        trigger=Trigger((_named(QUINOLONE), _named(LOWERING))),
        over=OrderFilter((*QUINOLONE, *LOWERING), "either"),
        branches=(
            Branch(
                "pair", AllOf((drafted, pair)), "warning",
                Words(
                    "Check glucose closely with {order}: a fluoroquinolone and a glucose-lowering medicine together",
                    ("Last glucose: {glucose}, {glucose.age}.",),
                    ("By local protocol: another class if one is as good; else glucose before each dose and at night for the whole course.", "Tell the patient and the nurses what a low glucose feels like; confusion or a seizure is a glucose first."),
                    ("Old age and poor kidneys make it likelier; a high glucose can follow too.",),
                    facts=facts,
                ),
                (Measure("glucose", "Measure glucose", urgent=False, unless_within=p["fluoroquinolone_glucose_age"]),),
            ),
        ),
        sources=(LABELS,),
        without_age=True,
        hazards=("HZ-40",),
        purpose="A low glucose that comes with an antibacterial, and then seizes.",
    )  # fmt: skip


def _bound() -> Advisory:
    oral, drafted = OrderIs("oral"), OrderIs("drafted")
    quinolone, cation = OrderHas(QUINOLONE, "active"), OrderHas(CATIONS, "active")
    by_mouth = AnyOrder(OrderFilter(CATIONS, "active"), oral)
    taken = AnyOrder(OrderFilter(QUINOLONE, "active"), oral)
    return Advisory(
        code="fluoroquinolone-chelation-or-qt",
        title="Fluoroquinolone bound in the gut",
        problem="seizure-threshold order",
        kind="order",
        trigger=Trigger((_named(QUINOLONE), _named(CATIONS))),
        over=OrderFilter((*QUINOLONE, *CATIONS), "either"),
        branches=(
            Branch(
                "by mouth together", AllOf((oral, drafted, AnyOf((AllOf((quinolone, by_mouth)), AllOf((cation, taken)))))), "info",
                Words(
                    "Give the fluoroquinolone {p.chelation_before} before or {p.chelation_after} after the cation that binds it ({order})",
                    (),
                    ("By local protocol: the fluoroquinolone {p.chelation_before} before the magnesium, calcium, iron, zinc or antacid, or {p.chelation_after} after; or stop the cation for the course.",),
                    ("Tube feeds and milk bind it too.", "Low potassium or magnesium and a long QT with a fluoroquinolone have a card of their own."),
                ),
            ),
        ),
        sources=(LABELS,),
        without_age=True,
        hazards=("HZ-40",),
        purpose="An antibacterial that never leaves the gut.",
    )  # fmt: skip
