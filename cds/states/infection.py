"""Infection: septic shock and when it began, urinary infection beyond the bladder, and a fever that has gone (D8, D9, D10)."""

from __future__ import annotations

from cds.chart import MINUTE, Condition, Moment, Order
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Criterion,
    Extreme,
    Given,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
)
from cds.logic.matching import order_is_of
from cds.logic.reason import Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.orders.given import doses_given
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import if_known

SOURCE = "Evans 2021, Intensive Care Med 47:1181; Singer 2016, JAMA 315:801; own rules D8, R-n73"
SHOCK_ZERO, SEPSIS_ZERO = "septic shock time zero", "sepsis time zero"
# Urinary infection that has left the bladder by its own name (IDSA 2025).
BEYOND_THE_BLADDER = ("pyelonephritis", "catheter_associated_uti", "prostatitis")
URINARY = ("urinary_tract_infection", *BEYOND_THE_BLADDER, "cystitis")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about infection, for one population."""
    return (
        StateDef("fever lately", "a temperature of fever within a day", _fever(p, "fever_age"), source="own rule cns-infection-not-covered"),
        StateDef("low pressure after fluid", "a mean pressure below the limit after the fluid that should have mended it", _after_fluid(p), source=SOURCE),
        StateDef(
            "shock shown with infection", "an infection, a vasopressor or a low pressure after fluid, and a raised lactate",
            _shown(p), source=SOURCE,
        ),
        StateDef("septic shock", "septic shock, recorded or shown; dates its time zero where that is known", compute=_shock, source=SOURCE, dates=(SHOCK_ZERO,)),
        StateDef("sepsis without shock", "sepsis on record without shock; dates its onset", compute=_sepsis, source=SOURCE, dates=(SEPSIS_ZERO,)),
        StateDef("antibacterial since the shock", "an antibacterial by vein runs, or was given for this shock or sepsis", compute=_covered, source="own rules D8, R-n73"),
        StateDef("shock began on an antibacterial", "an antibacterial by vein had run for a day when the shock began, and none was begun since", compute=_began_on, source="own rule D8"),
        StateDef("urinary infection beyond the bladder", "pyelonephritis, prostatitis, an infected catheter, or a urinary infection with fever or bacteria in the blood", _systemic(p), source="Trautner 2025 (IDSA)"),
        StateDef("infection improving", "a fever of these days that has gone, and no shock", _improving(p), source="own rule D9"),
    )  # fmt: skip


def _fever(p: ParameterSet, window: str) -> Criterion:
    highest = Extreme("temperature", p[window], "highest")
    return if_known("temperature", p[window], AtLeastValue(highest, p["fever_from"]))


def _after_fluid(p: ParameterSet) -> Criterion:
    pressure = Latest("mean_pressure", p["shock_pressure_age"])
    low = if_known("mean_pressure", p["shock_pressure_age"], Below(pressure, p["mean_pressure_of_shock"]))
    return AllOf((low, AtLeastValue(Given("crystalloid", p["shock_fluid_within"], per_kg=True), p["shock_fluid_per_kg"])))


def _shown(p: ParameterSet) -> Criterion:
    lactate = Latest("lactate", p["shock_lactate_age"])
    return AllOf((HasCondition(("infection", "sepsis")), if_known("lactate", p["shock_lactate_age"], Above(lactate, p["lactate_of_shock"]))))


def _systemic(p: ParameterSet) -> Criterion:
    spread = AnyOf((HasCondition(("bacteraemia", "sepsis", "septic_shock")), _fever(p, "fever_of_the_infection")))
    return AnyOf((HasCondition(BEYOND_THE_BLADDER), AllOf((HasCondition(URINARY), spread))))


def _improving(p: ParameterSet) -> Criterion:
    now = Latest("temperature", p["improving_temperature_age"])
    return AllOf(
        (
            Not(NoneWithin(("temperature",), p["improving_temperature_age"])),
            Below(now, p["fever_from"]),
            _fever(p, "improving_window"),
            Not(HasCondition(("septic_shock", "sepsis"))),
        )
    )


# Shock and its beginning --------------------------------------------------------------------------------------------------------------


def _minutes(scene: Scene, key: str) -> int:
    limit = scene.p[key]
    return int(limit.number) * MINUTE if isinstance(limit, Parameter) else 0


def _begun(scene: Scene, concepts: tuple[str, ...]) -> tuple[list[Condition], Moment | None]:
    """Active diagnoses that are not too old to be judged, and the earliest time at which one began (its onset, else its recording)."""
    floor = scene.now - _minutes(scene, "shock_look_back")
    found: list[Condition] = []
    times: list[Moment] = []
    for condition in scene.conditions(concepts):
        at = condition.onset or condition.recorded
        if not condition.active or (at is not None and at.latest < floor):
            continue
        found.append(condition)
        if at is not None:
            times.append(at)
    return found, min(times, key=lambda moment: moment.latest, default=None)


def _seen(condition: Condition, scene: Scene) -> Seen:
    at = condition.onset or condition.recorded
    age = None if at is None else max(0, (scene.now - at.latest) // MINUTE)
    return Seen("condition", condition.concepts[0], condition.label, condition.ref, at=at, age_minutes=age, path=condition.path)


def _shock(scene: Scene) -> StateValue:
    """TRUE by its diagnosis, or shown by infection, lactate and a vasopressor or a pressure that fluid did not mend. The earlier time is time zero."""
    recorded, zero = _begun(scene, ("septic_shock",))
    shown, shown_seen, shown_zero = _shown_shock(scene)
    if recorded or shown:
        times = [at for at in (zero, shown_zero) if at is not None]
        first = min(times, key=lambda moment: moment.latest, default=None)
        seen = (*(_seen(condition, scene) for condition in recorded), *shown_seen)
        return StateValue(TRUE, seen, events={} if first is None else {SHOCK_ZERO: first})
    if scene.whole("conditions"):
        return StateValue(FALSE)
    return StateValue(UNKNOWN, gaps=(scene.gap("conditions"),))


def _shown_shock(scene: Scene) -> tuple[bool, tuple[Seen, ...], Moment | None]:
    with_infection = scene.state("shock shown with infection")
    if with_infection.truth is not TRUE:
        return False, (), None
    pressors = [order for order in scene.orders.running if order_is_of(order, ("vasopressor",))]
    times = [at for order in pressors if (at := scene.orders.start(order)) is not None]
    low = scene.state("low pressure after fluid")
    if not pressors and low.truth is not TRUE:
        return False, (), None
    if low.truth is TRUE:
        pressure = scene.newest("mean_pressure")
        times += [pressure.at] if pressure is not None else []
    orders = tuple(Seen("order", order.drugs[0], order.label, order.ref, at=scene.orders.start(order), path=order.path) for order in pressors)
    return True, (*with_infection.seen, *orders, *low.seen), min(times, key=lambda moment: moment.latest, default=None)


def _sepsis(scene: Scene) -> StateValue:
    shock = scene.state("septic shock")
    if shock.truth is not FALSE:
        return StateValue(FALSE if shock.truth is TRUE else UNKNOWN, gaps=shock.gaps)
    found, zero = _begun(scene, ("sepsis",))
    if not found:
        return StateValue(FALSE)
    return StateValue(TRUE, tuple(_seen(condition, scene) for condition in found), events={} if zero is None else {SEPSIS_ZERO: zero})


def _zero(scene: Scene) -> Moment | None:
    return scene.state("septic shock").events.get(SHOCK_ZERO) or scene.state("sepsis without shock").events.get(SEPSIS_ZERO)


def _by_vein(scene: Scene, order: Order) -> bool:
    return order_is_of(order, ("antibacterial",)) and scene.intravenous(order) is not False


def _order_seen(scene: Scene, order: Order, at: Moment | None) -> Seen:
    age = None if at is None else max(0, (scene.now - at.latest) // MINUTE)
    return Seen("order", order.drugs[0], order.label, order.ref, at=at, age_minutes=age, path=order.path)


def _running(scene: Scene) -> list[tuple[Order, Moment | None]]:
    """Repeated antibacterials by vein that run. A single dose does not run: it was given or it was not."""
    return [(order, scene.orders.start(order)) for order in scene.orders.running if _by_vein(scene, order) and not scene.reading(order).once]


def _doses(scene: Scene) -> list[tuple[Order, Moment]]:
    return [
        (dose.order, dose.at)
        for dose in doses_given(scene.orders)
        if dose.at is not None and order_is_of(dose.order, ("antibacterial",)) and scene.intravenous(dose.order) is not False
    ]


def _covered(scene: Scene) -> StateValue:
    """TRUE for an antibacterial by vein that runs, for a dose from an hour before the shock on, and for a single earlier dose for half a day."""
    zero = _zero(scene)
    running = _running(scene)
    if running:
        return StateValue(TRUE, tuple(_order_seen(scene, order, at) for order, at in running))
    first = scene.now if zero is None else (zero.earliest if zero.earliest is not None else zero.latest) - _minutes(scene, "shock_antibacterial_before")
    floor = min(first, scene.now - _minutes(scene, "shock_single_dose_counts"))
    given = [(order, at) for order, at in _doses(scene) if at.latest >= floor]
    if given:
        return StateValue(TRUE, tuple(_order_seen(scene, order, at) for order, at in given))
    if not scene.whole("medications"):
        return StateValue(UNKNOWN, gaps=(scene.gap("medications"),))
    return StateValue(FALSE)


def _began_on(scene: Scene) -> StateValue:
    """TRUE when every antibacterial by vein that runs was begun more than a day before time zero, and none was given first since then."""
    zero = scene.state("septic shock").events.get(SHOCK_ZERO)
    running = _running(scene)
    if zero is None or not running:
        return StateValue(FALSE)
    old = (zero.earliest if zero.earliest is not None else zero.latest) - _minutes(scene, "shock_antibacterial_old")
    starts = [at for _, at in running]
    if any(at is None for at in starts):
        return StateValue(FALSE, note="when the antibacterial was begun is not recorded")
    if all(at is not None and at.latest < old for at in starts):
        return StateValue(TRUE, tuple(_order_seen(scene, order, at) for order, at in running))
    return StateValue(FALSE)
