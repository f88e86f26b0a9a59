"""Pregnant, perhaps pregnant, or lately delivered (own rule 0.1, R-n76). Not recorded is a state of its own: it is never read as "not pregnant" (HZ-19)."""

from __future__ import annotations

from cds.chart import MINUTE, Care, Condition, Moment, Result
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.parameters import Parameter, ParameterSet

SOURCE = "own rule 0.1, R-n76"
# An eclampsia without a pregnancy beside it may be one of the puerperium (R-n76): alone it says neither.
PREGNANCY = ("pregnancy", "pre_eclampsia")
DELIVERED = ("delivery", "postpartum")
CANNOT = ("hysterectomy", "sterilisation")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about pregnancy, for one population."""
    return (
        StateDef("pregnant", "a status, an active diagnosis or a positive hCG, and no delivery since", compute=_pregnant, source=SOURCE),
        StateDef("pregnancy possible", "a woman of child-bearing age without a status, an hCG or an operation that excludes it", compute=_possible, source=SOURCE),
        StateDef("post-partum", "a delivery within six weeks", compute=_post_partum, source=SOURCE),
    )


def _minutes(scene: Scene, key: str) -> int:
    limit = scene.p[key]
    return int(limit.number) * MINUTE if isinstance(limit, Parameter) else 0


def _seen(record: Condition | Care, at: Moment | None, scene: Scene) -> Seen:
    age = None if at is None else max(0, (scene.now - at.latest) // MINUTE)
    kind = "condition" if isinstance(record, Condition) else "procedure"
    return Seen(kind, record.concepts[0], record.label, record.ref, at=at, age_minutes=age, path=record.path)


def _bearing_age(scene: Scene) -> bool | None:
    """Whether the age allows a pregnancy; None when the age is not known, or lies across an end."""
    years = scene.chart.age_years()
    low, high = scene.p["pregnancy_possible_from"], scene.p["pregnancy_possible_below"]
    if years is None or not isinstance(low, Parameter) or not isinstance(high, Parameter):
        return None
    inside = [low.number <= year < high.number for year in years]
    return inside[0] if inside[0] is inside[1] else None


def _deliveries(scene: Scene) -> list[tuple[Condition | Care, Moment | None]]:
    """Deliveries and diagnoses of the time after one, each with the time at which it is recorded to have been."""
    found: list[tuple[Condition | Care, Moment | None]] = []
    for condition in scene.conditions(DELIVERED):
        at = condition.onset or condition.recorded
        if at is not None or condition.active:
            found.append((condition, at))
    for care in scene.chart.procedures:
        if not set(care.concepts).isdisjoint(DELIVERED):
            found.append((care, care.end or care.start))
    return found


def _test(scene: Scene) -> tuple[bool, Result] | None:
    """What the newest pregnancy status or hCG says that still counts: an hCG and a "not pregnant" for days, a "pregnant" for as long as a pregnancy lasts."""
    limit = scene.p["hcg_positive_from"]
    days, longest = scene.now - _minutes(scene, "pregnancy_test_age"), scene.now - _minutes(scene, "pregnancy_longest")
    found: list[tuple[bool, Result]] = []
    for result in scene.results("pregnancy_status"):
        positive = result.value.low is not None and result.value.low > 0
        if result.at.earliest is not None and result.at.earliest >= (longest if positive else days):
            found.append((positive, result))
    for result in scene.results("hcg"):
        if result.at.earliest is None or result.at.earliest < days or not isinstance(limit, Parameter):
            continue
        below = result.value.below(limit.number)
        if below is not None:
            found.append((not below, result))
    return max(found, key=lambda pair: (pair[1].at.latest, pair[0]), default=None)


def _pregnant(scene: Scene) -> StateValue:
    """TRUE on any sign that no delivery followed. FALSE needs the diagnoses whole, save where sex or age leave no doubt."""
    delivered = scene.state("post-partum")
    longest = scene.now - _minutes(scene, "pregnancy_longest")
    last = max((at.latest for _, at in _deliveries(scene) if at is not None), default=None)
    for condition in scene.conditions(PREGNANCY):
        at = condition.onset or condition.recorded
        if not condition.active or not set(condition.concepts).isdisjoint(DELIVERED) or (at is not None and at.latest < longest):
            continue
        if (last is None and delivered.truth is not TRUE) or (at is not None and last is not None and at.latest > last):
            return StateValue(TRUE, (_seen(condition, at, scene),))
    test = _test(scene)
    if test is not None and test[0] and delivered.truth is not TRUE and (last is None or test[1].at.latest > last):
        return StateValue(TRUE, (scene.seen_result(test[1]),))
    if scene.chart.patient.sex == "male" or _bearing_age(scene) is False or delivered.truth is TRUE:
        return StateValue(FALSE, delivered.seen if delivered.truth is TRUE else ())
    if not scene.whole("conditions"):
        return StateValue(UNKNOWN, gaps=(scene.gap("conditions"),))
    return StateValue(FALSE, () if test is None else (scene.seen_result(test[1]),), note="" if test is not None else "pregnancy not recorded")


def _possible(scene: Scene) -> StateValue:
    """TRUE also where the lists that could exclude it were not sent: only a record excludes it."""
    if scene.state("pregnant").truth is TRUE or scene.state("post-partum").truth is TRUE or scene.chart.patient.sex == "male":
        return StateValue(FALSE)
    bearing = _bearing_age(scene)
    if bearing is False:
        return StateValue(FALSE)
    test = _test(scene)
    if test is not None:
        return StateValue(FALSE, (scene.seen_result(test[1]),))
    for condition in scene.conditions(CANNOT):
        return StateValue(FALSE, (_seen(condition, condition.onset or condition.recorded, scene),))
    for care in scene.chart.procedures:
        if not set(care.concepts).isdisjoint(CANNOT) and care.status == "completed":
            return StateValue(FALSE, (_seen(care, care.end or care.start, scene),))
    if scene.chart.patient.sex != "female":
        return StateValue(UNKNOWN, gaps=(Gap("sex", GapState.NOT_SENT, "sex: not recorded"),))
    if bearing is None:
        return StateValue(UNKNOWN, gaps=(Gap("age", GapState.NOT_SENT, "age: not recorded to the year"),))
    return StateValue(TRUE, note="no pregnancy status and no hCG on record")


def _post_partum(scene: Scene) -> StateValue:
    """TRUE within the window after a delivery; an active diagnosis of that time without a date counts too."""
    floor = scene.now - _minutes(scene, "post_partum")
    open_: list[Seen] = []
    for record, at in _deliveries(scene):
        if at is None and isinstance(record, Care):
            open_.append(_seen(record, at, scene))
        elif at is None or (at.earliest is not None and at.earliest >= floor):
            return StateValue(TRUE, (_seen(record, at, scene),))
        elif at.latest >= floor:
            open_.append(_seen(record, at, scene))
    if open_:
        return StateValue(UNKNOWN, tuple(open_), (Gap("delivery", GapState.UNUSABLE, "delivery: its date does not say whether it was within six weeks"),))
    if scene.chart.patient.sex == "male" or _bearing_age(scene) is False or scene.whole("conditions"):
        return StateValue(FALSE)
    return StateValue(UNKNOWN, gaps=(scene.gap("conditions"),))
