"""Minerals and the heart's rhythm: low calcium by the best value there is, the QT interval, and how many medicines lengthen it."""

from __future__ import annotations

from cds.chart import Result
from cds.logic.criteria import AllOf, AnyOf, Below, Criterion, Expression, Formula, Greater, Latest, NoneWithin, NotComputable, OrderFilter
from cds.logic.matching import matching, seen_order
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.parameters import Limit, Parameter, ParameterSet
from cds.states.parts import computable, if_known, measured
from cds.vocabulary import DRUGS

QT_DRUGS = ("qt_prolonging",)
IONISED, TOTAL = "calcium_ionised", "calcium_total"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about minerals and rhythm, for one population."""
    return (
        StateDef(
            "two medicines lengthen QT", "two different QT-lengthening medicines, drafted, running or taken at home", compute=_two_qt_drugs,
            source="own rule B8",
        ),
        StateDef("magnesium measured", "a magnesium is current, or its list could not be read, or the last one was low", compute=_magnesium, source="own rules B8, B9"),
        StateDef("phosphate measured", "a phosphate is current, or its list could not be read, or the last one was low", compute=_phosphate, source="own rule B10"),
        StateDef("calcium measured", "a calcium is current, or its list could not be read, or the last one was low", compute=_calcium, source="own rule B11"),
        StateDef("calcium low", "calcium below its range: ionised where it is current, else adjusted, else as measured (Q-M17)", calcium_low(p), source="own rules B11, Q-M17"),
    )  # fmt: skip


def qtc(p: ParameterSet) -> Expression:
    """The longest of the QTc that was reported and the one by Fridericia from a QT and a heart rate, ms."""
    return Greater((Latest("qtc", p["qtc_age"]), Formula("qtc_fridericia", p["qtc_age"])))


def ionised(p: ParameterSet) -> Latest:
    """Ionised calcium, mmol/L: it decides where it is current."""
    return Latest(IONISED, p["minerals_age"])


def adjusted(p: ParameterSet) -> Formula:
    """Total calcium adjusted for albumin, mmol/L."""
    return Formula("calcium_adjusted", p["minerals_age"])


def by_ionised(p: ParameterSet, criterion: Criterion) -> Criterion:
    """A criterion on the ionised calcium, FALSE where it is not current."""
    return if_known(IONISED, p["minerals_age"], criterion)


def by_adjusted(p: ParameterSet, criterion: Criterion) -> Criterion:
    """A criterion on the adjusted calcium, where no ionised one is current."""
    return AllOf((NoneWithin((IONISED,), p["minerals_age"]), computable(adjusted(p), criterion)))


def by_unadjusted(p: ParameterSet, criterion: Criterion) -> Criterion:
    """A criterion on the total calcium as measured, where neither an ionised nor an adjusted one is to be had. UNKNOWN without any calcium."""
    return AllOf((NoneWithin((IONISED,), p["minerals_age"]), NotComputable(adjusted(p)), criterion))


def calcium_low(p: ParameterSet) -> Criterion:
    """Calcium below its range by the best value there is; UNKNOWN without any."""
    total: Limit = p["calcium_low_below"]
    return AnyOf(
        (
            by_ionised(p, Below(ionised(p), p["calcium_ionised_low_below"])),
            by_adjusted(p, Below(adjusted(p), total)),
            by_unadjusted(p, Below(Latest(TOTAL, p["minerals_age"]), total)),
        )
    )


def _two_qt_drugs(scene: Scene) -> StateValue:
    """TRUE with two different ones: one medicine in two orders is one. FALSE only when the list was sent whole."""
    found = matching(OrderFilter(QT_DRUGS, "active"), scene)
    seen = tuple(seen_order(order, scene) for order, _ in found)
    drugs = {drug for order, _ in found for drug in order.drugs if "qt_prolonging" in DRUGS[drug].classes}
    if len(drugs) >= 2:
        return StateValue(TRUE, seen)
    gaps = () if scene.whole("medications") else (scene.gap("medications"),)
    return StateValue(UNKNOWN if gaps else FALSE, seen, gaps)


def _magnesium(scene: Scene) -> StateValue:
    return measured(scene, ("magnesium",), "minerals_age", lambda last: _low(scene, last, "magnesium_low_below"))


def _phosphate(scene: Scene) -> StateValue:
    return measured(scene, ("phosphate",), "minerals_age", lambda last: _low(scene, last, "phosphate_very_low_below"))


def _calcium(scene: Scene) -> StateValue:
    return measured(
        scene, (IONISED, TOTAL), "minerals_age",
        lambda last: _low(scene, last, "calcium_ionised_low_below" if last.analyte == IONISED else "calcium_low_below"),
    )  # fmt: skip


def _low(scene: Scene, last: Result, key: str) -> bool:
    limit = scene.p[key]
    return isinstance(limit, Parameter) and last.value.below(limit.number) is not False
