"""Shock, and whether a series is there to be judged: pieces that fluid and sodium rules share (A11, A19, B13, B14, M-13)."""

from __future__ import annotations

from collections.abc import Iterable

from cds.chart import MINUTE, Order
from cds.logic.criteria import Age, AnyOf, Below, Criterion, Figure, HasCondition, Latest, Lesser, Minus, Plus, Scaled
from cds.logic.matching import seen_order
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.orders.substances import facts, may_give
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import if_known, measured

SOURCE = "own rules A11, B13, B14, M-13, R-m29"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The states about shock and series, for one population."""
    return (
        StateDef("shock", "a systolic pressure that is shock at this age, or shock on record", _shock(p), source=SOURCE),
        StateDef("crystalloid ordered", "a crystalloid runs or would run, by itself or as the fluid that something is given in", compute=_ordered, source=SOURCE),
        StateDef("fluid run first", "a crystalloid has run for as long as it should before a child's insulin", compute=_run_first, source=SOURCE),
        StateDef("sodium measured", "a sodium is current, or its list could not be read", compute=_sodium, source=SOURCE),
        StateDef("sodium measured twice", "two sodium results within two days, or their list could not be read", compute=_sodium_twice, source=SOURCE),
        StateDef("consciousness followed", "two coma scores within the time of a course", compute=_consciousness, source=SOURCE),
        StateDef("pulse followed", "two heart rates within the time of a trend", compute=_pulse, source=SOURCE),
        StateDef("osmolality followed", "sodium and glucose drawn twice within the time of a trend", compute=_osmolality_followed, source=SOURCE),
        StateDef("urea with every sodium", "a urea was drawn with each sodium of the trend, so that one formula serves throughout", compute=_urea, source=SOURCE),
    )


def _shock(p: ParameterSet) -> Criterion:
    systolic = Latest("systolic", p["pressure_age"])
    recorded = HasCondition(("shock", "septic_shock"))
    if p.population == "child":
        by_age = Plus((Figure(p["shock_systolic_child_base"]), Scaled(Age("years"), p["shock_systolic_child_per_year"], "mm[Hg]")))
        centile = Lesser((by_age, Figure(p["shock_systolic_child_most"])))
        low: Criterion = Below(Minus(systolic, centile), p["no_pressure_difference"])
    else:
        low = Below(systolic, p["shock_systolic"])
    return AnyOf((recorded, if_known("systolic", p["pressure_age"], low)))


def _fluids(scene: Scene, orders: Iterable[Order]) -> list[Order]:
    """The orders that give a crystalloid into a vein; the fluid of a syringe pump is none."""
    known = facts(scene.p)
    found = []
    for order in orders:
        if may_give(order, "crystalloid", known) and scene.intravenous(order) is not False and scene.reading(order).substance("crystalloid") is not None:
            found.append(order)
    return found


def _ordered(scene: Scene) -> StateValue:
    found = _fluids(scene, scene.orders.if_signed)
    if found:
        return StateValue(TRUE, lambda: tuple(seen_order(order, scene) for order in found))
    return StateValue(FALSE) if scene.whole("medications") else StateValue(UNKNOWN, gaps=lambda: (scene.gap("medications"),))


def _run_first(scene: Scene) -> StateValue:
    lead = scene.p["oedema_fluid_lead"]
    if not isinstance(lead, Parameter):
        return StateValue(FALSE)
    floor = scene.now - int(lead.number * MINUTE)
    running = _fluids(scene, scene.orders.running)
    # A bag whose start nobody recorded may have run long enough: it is not held against the insulin.
    if any((start := scene.orders.start(order)) is None or start.latest <= floor for order in running):
        return StateValue(TRUE, lambda: tuple(seen_order(order, scene) for order in running))
    # A bag that has ended counts by when it began: a bolus of half an hour is no hour of fluid.
    ended = _fluids(scene, (each.order for each in scene.orders.ended))
    earlier = [each for each in ended if (start := scene.orders.start(each)) is not None and start.latest <= floor]
    if earlier:
        return StateValue(TRUE, lambda: tuple(seen_order(order, scene) for order in earlier))
    return StateValue(FALSE) if scene.whole("medications") else StateValue(UNKNOWN, gaps=lambda: (scene.gap("medications"),))


def _twice(scene: Scene, analyte: str, key: str) -> StateValue:
    """Whether an analyte was measured twice within a window. With one result there is no course, and nothing is asked."""
    window = scene.p[key]
    if not isinstance(window, Parameter):
        return StateValue(FALSE)
    floor = scene.now - int(window.number * MINUTE)
    found = [r for r in scene.recent(analyte, floor) if r.at.exact and r.value.exact is not None and r.at.latest >= floor]
    if len(found) > 1:
        return StateValue(TRUE, lambda: tuple(scene.seen_result(r) for r in found))
    return StateValue(FALSE) if scene.whole(analyte) else StateValue(UNKNOWN, gaps=lambda: (scene.gap(analyte, window.number),))


def _sodium(scene: Scene) -> StateValue:
    return measured(scene, ("sodium",), "sodium_age")


def _sodium_twice(scene: Scene) -> StateValue:
    return _twice(scene, "sodium", "sodium_window_two_days")


def _consciousness(scene: Scene) -> StateValue:
    return _twice(scene, "gcs", "gcs_window")


def _pulse(scene: Scene) -> StateValue:
    return _twice(scene, "heart_rate", "series_window")


def _drawn(scene: Scene, analyte: str) -> list[int] | None:
    """When an analyte was drawn within the time of a trend; None without a figure for it."""
    window = scene.p["series_window"]
    if not isinstance(window, Parameter):
        return None
    floor = scene.now - int(window.number * MINUTE)
    return [r.at.latest for r in scene.recent(analyte, floor) if r.at.exact and r.value.exact is not None and r.at.latest >= floor]


def _osmolality_followed(scene: Scene) -> StateValue:
    sodium, glucose = _drawn(scene, "sodium"), _drawn(scene, "glucose")
    if sodium is None or glucose is None:
        return StateValue(FALSE)
    if len(sodium) > 1 and len(glucose) > 1:
        return StateValue(TRUE)
    gaps = tuple(scene.gap(each) for each in ("sodium", "glucose") if not scene.whole(each))
    return StateValue(UNKNOWN if gaps else FALSE, gaps=gaps)


def _urea(scene: Scene) -> StateValue:
    sodium, urea = _drawn(scene, "sodium"), _drawn(scene, "urea")
    reach = scene.p["formula_pairing_limit_minutes"] if "formula_pairing_limit_minutes" in scene.p else None
    minutes = reach.number if isinstance(reach, Parameter) else 0
    if not sodium or urea is None:
        return StateValue(FALSE)
    return StateValue(TRUE if all(any(abs(at - other) <= minutes * MINUTE for other in urea) for at in sodium) else FALSE)
