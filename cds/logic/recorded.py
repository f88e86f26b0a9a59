"""Criteria about what is on record beside results, conditions and orders: allergies, procedures and devices, investigations ordered, cultures."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import TYPE_CHECKING, assert_never

from cds.chart import MINUTE, Moment, Order, Susceptibility
from cds.logic.criteria import CultureShows, HasAllergy, HasCare, InvestigationOrdered, OrderTested
from cds.logic.expressions import Limit
from cds.logic.reason import Gap, GapState, Reason, Seen
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, any_of, truth_of
from cds.parameters import Absent

if TYPE_CHECKING:
    from cds.logic.scene import Scene

OfRecord = HasAllergy | HasCare | InvestigationOrdered | OrderTested | CultureShows


def of_record(node: OfRecord, scene: Scene, order: Order | None) -> Reason:
    """The truth of such a criterion with what it saw."""
    match node:
        case HasAllergy(names, groups):
            wanted = set(names)
            held = [
                Seen("allergy", "allergy", each.label, each.ref, note=each.group, path=each.path)
                for each in scene.chart.allergies
                if each.stands and each.group in groups and not wanted.isdisjoint((*each.drugs, *each.classes))
            ]
            return _answer(node, [TRUE] * len(held), held, "allergies", scene)
        case HasCare(concepts, standing, within):
            return _care(node, concepts, standing, within, scene)
        case InvestigationOrdered(items, where):
            return _ordered(node, items, where, scene)
        case OrderTested(results, within, specimens):
            return _tested(node, results, within, specimens, scene, order)
        case CultureShows(results, within, markers, organisms, specimens):
            return _shows(node, results, within, markers, organisms, specimens, scene)
        case _ as never:
            assert_never(never)


def _answer(node: OfRecord, truths: list[Truth], seen: list[Seen], item: str, scene: Scene, order: Order | None = None) -> Reason:
    """TRUE when one is; FALSE only when the list was sent whole."""
    truth = any_of(truths)
    gaps: tuple[Gap, ...] = ()
    if truth is FALSE and not scene.whole(item):
        truth, gaps = UNKNOWN, (scene.gap(item),)
    elif truth is UNKNOWN:
        gaps = tuple(Gap(item, GapState.UNUSABLE, f"{each.text}: its date does not say whether it is recent") for each in seen)
    return Reason(truth, node, (), tuple(seen), gaps, order=None if order is None else order.ref)


def _care(node: HasCare, concepts: tuple[str, ...], standing: str, within: Limit | None, scene: Scene) -> Reason:
    if isinstance(within, Absent):
        return _no_window(node, "procedures")
    truths: list[Truth] = []
    seen: list[Seen] = []
    for each in scene.chart.procedures:
        if set(each.concepts).isdisjoint(concepts) or (standing == "ongoing" and not _ongoing(each.status)):
            continue
        at = each.end or each.start
        truth = TRUE
        if within is not None and not _ongoing(each.status):
            truth = truth_of(None if at is None else _recent(at, within.number, scene))
        truths.append(truth)
        if truth is not FALSE:
            seen.append(Seen("procedure", each.concepts[0], each.label, each.ref, at=at, age_minutes=_age(at, scene), path=each.path))
    return _answer(node, truths, seen, "procedures", scene)


def _ordered(node: InvestigationOrdered, items: tuple[str, ...], where: str, scene: Scene) -> Reason:
    seen = [
        Seen("investigation", each.items[0], each.label, each.ref, note="drafted" if each.drafted else "ordered", path=each.path)
        for each in scene.chart.investigations
        if not set(each.items).isdisjoint(items) and (each.drafted or where == "any")
    ]
    if where == "drafted":
        return Reason(truth_of(bool(seen)), node, (), tuple(seen))
    return _answer(node, [TRUE] * len(seen), seen, "investigations", scene)


def _tested(node: OrderTested, results: tuple[str, ...], within: Limit, specimens: tuple[str, ...], scene: Scene, order: Order | None) -> Reason:
    if order is None:
        return Reason(UNKNOWN, node, gaps=(Gap("order", GapState.NOT_SENT, "no order in hand"),))
    if isinstance(within, Absent):
        return _no_window(node, "cultures")
    truths: list[Truth] = []
    seen: list[Seen] = []
    for each in scene.chart.susceptibilities:
        if each.drug not in order.drugs or each.result not in results or (specimens and each.specimen not in specimens) or each.colonisation:
            continue
        truth = truth_of(_recent(each.at, within.number, scene))
        truths.append(truth)
        if truth is not FALSE:
            text = f"{each.label}: {each.result}"
            seen.append(Seen("susceptibility", each.drug, text, each.ref, at=each.at, age_minutes=_age(each.at, scene), note=_source(each), path=each.path))
    return _answer(node, truths, seen, "cultures", scene, order)


def _shows(
    node: CultureShows, results: tuple[str, ...], within: Limit, markers: tuple[str, ...], organisms: tuple[str, ...], specimens: tuple[str, ...], scene: Scene
) -> Reason:
    if isinstance(within, Absent):
        return _no_window(node, "cultures")
    truths: list[Truth] = []
    seen: list[Seen] = []
    if markers:
        for one in scene.chart.susceptibilities:
            if one.drug not in markers or one.result not in results or one.colonisation or (specimens and one.specimen not in specimens):
                continue
            if organisms and not _named((one.organism,), organisms):
                continue
            truth = truth_of(_recent(one.at, within.number, scene))
            truths.append(truth)
            if truth is not FALSE:
                text = f"{one.label}: {one.result}"
                seen.append(Seen("susceptibility", one.drug, text, one.ref, at=one.at, age_minutes=_age(one.at, scene), note=_source(one), path=one.path))
    else:
        for each in scene.chart.cultures:
            if each.result not in results or (specimens and each.kind not in specimens) or (organisms and not _named(each.organisms, organisms)):
                continue
            truth = truth_of(_recent(each.at, within.number, scene))
            truths.append(truth)
            if truth is not FALSE:
                text = f"{each.label}: {', '.join(each.organisms) or each.result}"
                seen.append(Seen("culture", each.kind, text, each.ref, at=each.at, age_minutes=_age(each.at, scene), path=each.path))
    return _answer(node, truths, seen, "cultures", scene)


def _source(tested: Susceptibility) -> str:
    """The organism and the specimen of a susceptibility."""
    return ", ".join(filter(None, (tested.organism, "" if tested.specimen == "other" else tested.specimen)))


def _ongoing(status: str) -> bool:
    return status in ("in-progress", "active")


def _named(names: Iterable[str], words: tuple[str, ...]) -> bool:
    return any(word in name.lower() for name in names for word in words)


def _recent(at: Moment | None, within: Decimal, scene: Scene) -> bool | None:
    """Whether a time surely lies in the last `within` minutes; None where it may."""
    if at is None:
        return None
    floor = scene.now - int(within * MINUTE)
    if at.earliest is not None and at.earliest >= floor:
        return True
    return False if at.latest < floor else None


def _age(at: Moment | None, scene: Scene) -> int | None:
    return None if at is None else max(0, (scene.chart.now - at.latest) // MINUTE)


def _no_window(node: OfRecord, item: str) -> Reason:
    return Reason(UNKNOWN, node, gaps=(Gap(item, GapState.OUT_OF_SCOPE, "no window for this age"),))
