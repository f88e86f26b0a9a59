"""One item of readiness: it fits, it speaks against leaving, it is not known, or a person has to confirm it; and how numbers and orders make one."""

from __future__ import annotations

from dataclasses import dataclass

from cds.advisory import Finding
from cds.chart import Order
from cds.logic.compare import compare, is_above, is_at_least, is_below
from cds.logic.criteria import Criterion, OrderFilter
from cds.logic.expressions import Limit
from cds.logic.matching import matching, seen_order
from cds.logic.reason import Seen
from cds.logic.scene import Missing, Number, Scene
from cds.logic.truth import FALSE, TRUE, Truth
from cds.overviews.views import Line, ago, figure_text
from cds.parameters import Parameter

FITS, AGAINST, UNKNOWN_ITEM, ASK = "fits", "against", "not known", "ask"


@dataclass(frozen=True, slots=True)
class Item:
    """One item. `short` is how the summary calls it; `critical` only where the item itself says so."""

    kind: str
    line: Line
    short: str = ""
    critical: bool = False


def fits(text: str, seen: tuple[Seen, ...] = ()) -> Item:
    """It speaks for leaving."""
    return Item(FITS, Line(text, seen))


def against(text: str, short: str, seen: tuple[Seen, ...] = (), *, critical: bool = False) -> Item:
    """It speaks against leaving."""
    return Item(AGAINST, Line(text, seen), short, critical)


def not_known(text: str, short: str, seen: tuple[Seen, ...] = ()) -> Item:
    """It should be on record and is not."""
    return Item(UNKNOWN_ITEM, Line(text, seen), short)


def ask(text: str, seen: tuple[Seen, ...] = ()) -> Item:
    """Nothing that this service reads or holds can answer it."""
    return Item(ASK, Line(text, seen))


def of_finding(finding: Finding, short: str) -> Item:
    """What an advisory found, in its own words and with its own indicator."""
    return Item(AGAINST, Line(finding=finding, seen=()), short, finding.indicator == "critical")


def in_range(scene: Scene, label: str, analyte: str, window: str, low: str, high: str = "", *, short: str = "", include_high: bool = True) -> Item:
    """The newest value of the window between two figures: below `low` speaks against leaving; above `high` too, or at it where it is not included."""
    limit, short = scene.p[window], short or label.lower()
    number = Missing(()) if not isinstance(limit, Parameter) else scene.latest(analyte, limit.number)
    if isinstance(number, Missing):
        detail = number.gaps[0].detail if number.gaps else "no figure for this age"
        return not_known(f"{label}: not known in the last {figure_text(scene.p, window)} ({detail})", f"{short} not known")
    seen = number.seen[0]
    value = f"{label}: {seen.text}, {ago(seen.at, scene.now)}"
    bounds: tuple[tuple[Limit | None, bool], ...] = ((scene.p[low] if low else None, True), (scene.p[high] if high else None, False))
    for bound, lower in bounds:
        if bound is None:
            continue
        if not isinstance(bound, Parameter):
            return ask(f"{value}: there is no figure for this age; a person judges it", number.seen)
        found = compare(number, bound, is_below if lower else is_above if include_high else is_at_least)
        if found is None:
            return not_known(f"{value}: not sure on which side of {figure_text(scene.p, bound.key)}", f"{short} not exact", number.seen)
        if found:
            side = "below" if lower else "above" if include_high else "not below"
            return against(f"{value}: {side} {figure_text(scene.p, bound.key)}", f"{short} {seen.text}", number.seen)
    span = " to ".join(figure_text(scene.p, key) for key in (low, high) if key)
    return fits(f"{value} ({'from ' if low and not high else 'under ' if high and not low else ''}{span})", number.seen)


def on_list(scene: Scene, classes: tuple[str, ...], route: str = "") -> tuple[Truth, list[Order]]:
    """The medicines that would go home: what runs, is drafted, or stands as active at home. FALSE only where the list was sent whole."""
    found = matching(OrderFilter(classes, "active", route), scene)
    sure = [order for order, truth in found if truth is TRUE]
    if sure:
        return TRUE, sure
    if not found and scene.whole("medications"):
        return FALSE, []
    return Truth.UNKNOWN, [order for order, _ in found]


def list_gap(scene: Scene) -> str:
    """Why the list of medicines does not tell."""
    return "the list of medicines was not sent whole" if not scene.whole("medications") else "an order does not state its route"


def holds(scene: Scene, criterion: Criterion) -> Truth:
    """A criterion judged on the scene."""
    return scene.judge(criterion, scene).truth


def names(orders: list[Order]) -> str:
    """Orders by their labels."""
    return ", ".join(dict.fromkeys(order.label for order in orders))


def seen_orders(orders: list[Order], scene: Scene) -> tuple[Seen, ...]:
    """Orders as evidence."""
    return tuple(seen_order(order, scene) for order in orders)


__all__ = [
    "AGAINST", "ASK", "FITS", "UNKNOWN_ITEM", "Item", "Number", "against", "ask", "fits", "holds", "in_range", "list_gap", "names", "not_known", "of_finding",
    "on_list", "seen_orders",
]  # fmt: skip
