"""Whether the airway is protected, and which sedative classes act now (D6)."""

from __future__ import annotations

from cds.logic.criteria import AllOf, AnyOf, AnyOrder, Criterion, HasCare, HasCondition, HasOrder, Limit, Not, OrderFilter, OrderIs
from cds.logic.scene import StateDef
from cds.parameters import ParameterSet

SOURCE = "own rules D6, R-n69, R-n70"
LONG = ("lorazepam", "diazepam")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The states about breathing, for one population."""
    return (
        StateDef("airway protected", "ventilated, or on a propofol infusion, which nobody runs without an airway (R-n70)", _protected(), source=SOURCE),
        StateDef("benzodiazepine acting", "a benzodiazepine drafted, or given so lately that it still acts", _benzodiazepine(p), source=SOURCE),
        StateDef("opioid acting", "an opioid drafted, running or given so lately that it still acts", _acting(("opioid",), p["effect_opioid"]), source=SOURCE),
        StateDef("barbiturate acting", "a barbiturate drafted, or given so lately that it still acts", _acting(("barbiturate",), p["effect_barbiturate"]), source=SOURCE),
        StateDef("propofol acting", "a propofol dose drafted, or given so lately that it still acts", _acting(("propofol",), p["effect_propofol"]), source=SOURCE),
    )


def _protected() -> Criterion:
    infusion = AnyOrder(OrderFilter(("propofol",), "running", "intravenous"), OrderIs("infusion"))
    return AnyOf((HasCare(("ventilator_dependence",)), HasCondition(("ventilator_dependence",)), infusion))


def _acting(classes: tuple[str, ...], within: Limit) -> Criterion:
    return AnyOf(
        (
            HasOrder(OrderFilter(classes, "drafted")),
            HasOrder(OrderFilter(classes, "given", started_within=within)),
            # What is given regularly or runs acts, whenever the last dose was (R-n69).
            AnyOrder(OrderFilter(classes, "running"), AnyOf((OrderIs("infusion"), AllOf((Not(OrderIs("one-off")), Not(OrderIs("as needed"))))))),
        )
    )


def _benzodiazepine(p: ParameterSet) -> Criterion:
    return AnyOf((_acting(("benzodiazepine",), p["effect_benzodiazepine"]), HasOrder(OrderFilter(LONG, "given", started_within=p["effect_benzodiazepine_long"]))))
