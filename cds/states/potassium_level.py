"""Potassium as a result: how old it may be, whether a high one may be the fault of the sample, and signs that it reaches the heart (1.3, M-01)."""

from __future__ import annotations

from collections.abc import Callable

from cds.chart import MINUTE, Result
from cds.logic.criteria import AllOf, AnyOf, AnyOrder, Criterion, Latest, NoneWithin, Not, OrderFilter, State
from cds.logic.matching import matching, seen_order
from cds.logic.reason import Seen
from cds.logic.scene import Missing, Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import full_rate_insulin, insulin_by_vein, measured, potassium_in_crisis, potassium_on_the_ward
from cds.vocabulary import DRUGS

SOURCE = "own rules 1.3, B7; M-01"
# What keeps a true high potassium likely, so that haemolysis does not explain it away.
KIDNEYS = ("dialysis", "end_stage_renal", "acute_kidney_injury")
# Each raises potassium in its own way; two orders of one kind are one raiser.
RAISERS = (
    "ace_inhibitor", "angiotensin_receptor_blocker", "aldosterone_antagonist", "nsaid", "trimethoprim", "sulfonamide_with_trimethoprim", "heparin", "amiloride",
    "triamterene", "thiazide_with_potassium_sparing", "loop_with_potassium_sparing", "potassium_salt",
)  # fmt: skip
HEART = ("av_block", "sinus_bradycardia", "torsades", "cardiac_arrest")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about a potassium result, for one population."""
    return (
        StateDef("insulin at full rate", "insulin by vein, running or drafted, that is no low-rate infusion outside a crisis", _full_rate(p), source=SOURCE),
        StateDef("close potassium watch", "the record shows a crisis or insulin by vein at a full rate: an older potassium does not count", compute=_close_watch, source=SOURCE),
        StateDef("heart slowed or blocked", "the record shows a heart block, an arrest or a slow pulse; what is not recorded shows none", compute=_heart, source=SOURCE),
        StateDef("high potassium measured", "a potassium is current, or its list could not be read, or the last one was high", compute=_high_measured, source=SOURCE),
        StateDef("low potassium measured", "a potassium is current, or its list could not be read, or the last one was low", compute=_low_measured, source=SOURCE),
        StateDef("two medicines raise potassium", "two kinds of medicine that raise potassium, home medicines counted", compute=_two_raisers, source="own rule N3"),
        StateDef("potassium haemolysed", "the newest current potassium is marked as haemolysed", compute=_haemolysed, source=SOURCE),
        StateDef(
            "high potassium doubtful", "the highest current potassium is haemolysed, and nothing else speaks for it", compute=_doubtful, source=SOURCE,
        ),
    )  # fmt: skip


def potassium_now(p: ParameterSet, test: Callable[[Latest], Criterion], *, newest: bool = False) -> Criterion:
    """`test` on the potassium that counts: of 4 h in a crisis or with insulin by vein at a full rate, else of a day (M-01).

    For an order the less safe of two results of one moment decides; for a result rule (`newest`) the later one (R-m49).
    """
    close, ward, watch = potassium_in_crisis(p), potassium_on_the_ward(p), State("close potassium watch")
    if newest:
        close, ward = Latest("potassium", close.within), Latest("potassium", ward.within)
    older = NoneWithin(("potassium",), p["potassium_age_in_crisis"])
    return AnyOf((AllOf((Not(older), test(close))), AllOf((older, watch, test(close))), AllOf((older, Not(watch), test(ward)))))


def potassium_not_known(p: ParameterSet) -> Criterion:
    """No potassium that counts, whatever the kind of gap (M-01)."""
    watch = State("close potassium watch")
    return AnyOf((NoneWithin(("potassium",), p["potassium_age_on_the_ward"]), AllOf((watch, NoneWithin(("potassium",), p["potassium_age_in_crisis"])))))


def _high_measured(scene: Scene) -> StateValue:
    limit = scene.p["hyperkalaemia_mild_from"]

    def high(last: Result) -> bool:
        return isinstance(limit, Parameter) and last.value.below(limit.number) is not True

    return measured(scene, ("potassium",), "potassium_age_on_the_ward", high)


def _low_measured(scene: Scene) -> StateValue:
    limit = scene.p["potassium_low_below"]

    def low(last: Result) -> bool:
        return isinstance(limit, Parameter) and last.value.below(limit.number) is not False

    return measured(scene, ("potassium",), "potassium_age_on_the_ward", low)


def _full_rate(p: ParameterSet) -> Criterion:
    return AnyOrder(insulin_by_vein("either"), full_rate_insulin(p))


def _close_watch(scene: Scene) -> StateValue:
    for name in ("crisis shown", "insulin at full rate"):
        found = scene.state(name)
        if found.truth is TRUE:
            return StateValue(TRUE, lambda found=found: found.seen)  # type: ignore[misc]
    return StateValue(FALSE)


def _heart(scene: Scene) -> StateValue:
    """TRUE when a slow or blocked heart is on record; never UNKNOWN: an ECG is asked for all the same."""
    for condition in scene.conditions(HEART):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", condition.concepts[0], condition.label, condition.ref, path=condition.path),))
    window, slow = scene.p["pulse_age"], scene.p["slow_pulse_below"]
    if isinstance(window, Parameter) and isinstance(slow, Parameter):
        pulse = scene.latest("heart_rate", window.number)
        if not isinstance(pulse, Missing) and pulse.candidates[0].value.below(slow.number) is True:
            return StateValue(TRUE, pulse.seen)
    return StateValue(FALSE, note="no slow or blocked heart on record")


def _two_raisers(scene: Scene) -> StateValue:
    """TRUE with two kinds; FALSE only when the list was sent whole."""
    found = matching(OrderFilter(RAISERS, "active"), scene)
    seen = tuple(seen_order(order, scene) for order, _ in found)
    kinds = {kind for order, _ in found for drug in order.drugs for kind in RAISERS if kind == drug or kind in DRUGS[drug].classes}
    if len(kinds) >= 2:
        return StateValue(TRUE, seen)
    gaps = () if scene.whole("medications") else (scene.gap("medications"),)
    return StateValue(UNKNOWN if gaps else FALSE, seen, gaps)


def _doubtful(scene: Scene) -> StateValue:
    """TRUE when the highest potassium of the newest moment is haemolysed, and there is no second specimen that agrees, no slow or blocked heart and no kidney
    failure on record (1.3). A second specimen agrees when it is sound and at most the error of two samples lower, or is itself at a moderate level.
    """
    results = _moment(scene)
    if not results:
        return StateValue(FALSE)
    highest = max(results, key=lambda result: (result.value.low or 0, result.ref))
    if not highest.haemolysed:
        return StateValue(FALSE, (scene.seen_result(highest),))
    failing = next((c for c in scene.conditions(KIDNEYS) if c.active), None)
    if failing is not None or scene.state("heart slowed or blocked").truth is TRUE or _second(scene, highest):
        return StateValue(FALSE, (scene.seen_result(highest),))
    return StateValue(TRUE, (scene.seen_result(highest),))


def _haemolysed(scene: Scene) -> StateValue:
    results = _moment(scene)
    return StateValue(TRUE if results and results[0].haemolysed else FALSE, tuple(scene.seen_result(result) for result in results[:1]))


def _moment(scene: Scene) -> list[Result]:
    """The newest current result and those within the same moment."""
    window, together = scene.p["potassium_age_on_the_ward"], scene.p["together"]
    if not isinstance(window, Parameter) or not isinstance(together, Parameter):
        return []
    floor = scene.now - int(window.number * MINUTE)
    newest = scene.drawn_since("potassium", floor)
    if newest is None:
        return []
    moment = max(floor, newest.at.latest - int(together.number * MINUTE))
    return [r for r in scene.recent("potassium", moment) if r.at.latest >= moment and r.at.earliest is not None and r.at.earliest >= floor]


def _second(scene: Scene, highest: Result) -> bool:
    window, differ, moderate = scene.p["potassium_age_in_crisis"], scene.p["samples_differ_potassium"], scene.p["hyperkalaemia_moderate_from"]
    if not (isinstance(window, Parameter) and isinstance(differ, Parameter) and isinstance(moderate, Parameter)) or highest.value.low is None:
        return False
    least = min(moderate.number, highest.value.low - differ.number)
    floor = scene.now - int(window.number * MINUTE)
    others = (r for r in scene.recent("potassium", floor) if r is not highest and not r.haemolysed and r.at.earliest is not None and r.at.earliest >= floor)
    return any(r.value.low is not None and r.value.low >= least for r in others)


__all__ = ["potassium_not_known", "potassium_now", "states"]
