"""What speaks for and against leaving after a seizure."""

from __future__ import annotations

from collections.abc import Iterator

from cds.chart import MINUTE, Condition
from cds.logic.scene import Scene
from cds.logic.truth import FALSE, TRUE
from cds.overviews.contexts import SEIZURES
from cds.overviews.items import Item, against, ask, fits, list_gap, names, not_known, on_list, seen_orders
from cds.overviews.views import ago, figure_text, minutes_of

_LEVELS = {"phenytoin": ("phenytoin_total", "phenytoin_free"), "valproate": ("valproate_level",), "carbamazepine": ("carbamazepine_level",), "phenobarbital": ("phenobarbital_level",)}
_RESCUE_ROUTES = ("buccal", "nasal", "rectal", "into muscle")


def seizure(scene: Scene) -> Iterator[Item]:
    """The last convulsion, cover by mouth, levels, rescue medicine; driving and safety by local law."""
    yield _last(scene)
    yield _cover(scene)
    yield from _levels(scene)
    if _status(scene):
        yield _rescue(scene)
    yield ask("Driving, heights, water and work: advice by local law and practice, given and noted?")


def _in_stay(scene: Scene) -> list[Condition]:
    floor = scene.now - (minutes_of(scene.p, "discharge_stay") or 0) * MINUTE
    found = []
    for condition in scene.conditions(SEIZURES):
        at = condition.onset or condition.recorded
        if (condition.active if at is None else at.latest >= floor):
            found.append(condition)
    return found


def _last(scene: Scene) -> Item:
    """A convulsion within the last day, one without a date, or none."""
    if scene.state("seizure ongoing").truth is TRUE:
        return against("A seizure is on record as ongoing", "seizure ongoing", scene.state("seizure ongoing").seen, critical=True)
    span, quiet = figure_text(scene.p, "discharge_quiet"), minutes_of(scene.p, "discharge_quiet")
    undated = [condition for condition in _in_stay(scene) if condition.onset is None]
    dated = sorted((c for c in _in_stay(scene) if c.onset is not None), key=lambda c: -(c.onset.latest if c.onset else 0))
    for condition in dated[:1]:
        onset = condition.onset
        if quiet is None or onset is None or scene.now - onset.latest <= quiet * MINUTE:
            return against(f"Last convulsion began {ago(onset, scene.now)}: less than {span}; a reason to leave earlier is not seen here", "convulsion within a day")
    if undated or not scene.whole("conditions"):
        return not_known(f"Last convulsion: when it began is not recorded, so not shown to be more than {span} ago", "time of the last convulsion not known")
    if dated:
        return fits(f"Last convulsion on record began {ago(dated[0].onset, scene.now)}")
    return not_known("Last convulsion: none with a time on record", "time of the last convulsion not known")


def _cover(scene: Scene) -> Item:
    truth, orders = on_list(scene, ("anti_seizure",), "oral")
    if truth is TRUE:
        return fits(f"Anti-seizure medicine by mouth on the list: {names(orders)}", seen_orders(orders, scene))
    if truth is not FALSE:
        return not_known(f"Anti-seizure medicine by mouth: not known, {list_gap(scene)}", "cover by mouth not known", seen_orders(orders, scene))
    if scene.state("epilepsy").truth is TRUE or _status(scene):
        return against("No anti-seizure medicine by mouth on the list, after status or with epilepsy", "no anti-seizure medicine by mouth", scene.state("epilepsy").seen)
    return not_known("No anti-seizure medicine by mouth on the list: why none is needed is not recorded here", "no cover by mouth, reason not recorded")


def _status(scene: Scene) -> bool:
    return any("status_epilepticus" in condition.concepts for condition in _in_stay(scene))


def _levels(scene: Scene) -> Iterator[Item]:
    """A level that was ordered and has no result, and the newest level of a medicine that goes home."""
    window = minutes_of(scene.p, "discharge_stay") or 0
    floor = scene.now - window * MINUTE
    for drug, analytes in _LEVELS.items():
        truth, orders = on_list(scene, (drug,))
        if truth is not TRUE:
            continue
        newest = max((r for name in analytes if (r := scene.newest(name)) is not None), key=lambda r: r.at.latest, default=None)
        asked = [each for each in scene.chart.investigations if set(each.items) & set(analytes) and each.status in ("active", "draft", "on-hold")]
        pending = [each for each in asked if newest is None or each.at is None or each.at.latest > newest.at.latest]
        if pending:
            yield against(f"Level of {drug}: ordered, no result since; name who follows it", f"{drug} level pending", seen_orders(orders, scene))
        elif newest is not None and newest.at.latest >= floor:
            seen = scene.seen_result(newest)
            yield fits(f"Level of {drug}: {seen.text}, {ago(seen.at, scene.now)}", (seen,))
        else:
            yield not_known(f"Level of {drug}: none in this stay, and no follow-up seen here", f"{drug} level not known", seen_orders(orders, scene))


def _rescue(scene: Scene) -> Item:
    for route in _RESCUE_ROUTES:
        truth, orders = on_list(scene, ("benzodiazepine",), route)
        if truth is TRUE:
            return fits(f"Rescue medicine on the list: {names(orders)}", seen_orders(orders, scene))
    if not scene.whole("medications"):
        return not_known(f"Rescue medicine after status: not known, {list_gap(scene)}", "rescue medicine not known")
    return against("No rescue medicine on the list after status epilepticus, and no reason seen here", "no rescue medicine after status")
