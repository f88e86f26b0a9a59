"""What speaks for and against leaving with an infection that is being treated."""

from __future__ import annotations

from collections.abc import Iterator

from cds.chart import MINUTE
from cds.logic.compare import compare, is_at_least
from cds.logic.criteria import Extreme, OfOrder
from cds.logic.scene import Number, Scene
from cds.logic.truth import FALSE, TRUE
from cds.overviews.items import Item, against, ask, fits, list_gap, not_known, on_list, seen_orders
from cds.overviews.views import ago, figure_text, minutes_of
from cds.parameters import Parameter


def infection(scene: Scene) -> Iterator[Item]:
    """The course with its end, cultures, and fever."""
    yield from _courses(scene)
    yield from _cultures(scene)
    yield _fever(scene)


def _courses(scene: Scene) -> Iterator[Item]:
    truth, orders = on_list(scene, ("antibacterial",))
    if truth is FALSE:
        yield ask("No antibacterial on the list: is the course complete?")
    elif truth is not TRUE:
        yield not_known(f"Antibacterial: not known, {list_gap(scene)}", "antibacterial not known", seen_orders(orders, scene))
    for order in orders if truth is TRUE else ():
        ends = [dosage.end for dosage in order.dosages if dosage.end is not None]
        days = scene.number(OfOrder("course_days", ""), order)
        seen = seen_orders([order], scene)
        if ends and len(ends) == len(order.dosages):
            length = f", {days.seen[0].text} in all" if isinstance(days, Number) else ""
            yield fits(f"{order.label}: the course has an end day{length}", seen)
        else:
            yield against(f"{order.label}: the course has no end day", f"{order.label} without an end day", seen)


def _cultures(scene: Scene) -> Iterator[Item]:
    floor = scene.now - (minutes_of(scene.p, "discharge_stay") or 0) * MINUTE
    found = [culture for culture in scene.chart.cultures if culture.at is None or culture.at.latest >= floor]
    for culture in found:
        when = f"taken {ago(culture.at, scene.now)}"
        if culture.result == "pending" or not culture.result:
            yield against(f"{culture.label}, {when}: result pending; name who looks at it", f"{culture.label} pending")
        else:
            yield fits(f"{culture.label}, {when}: {culture.result}{f', {chr(44).join(culture.organisms)}' if culture.organisms else ''}")
    if not found:
        yield not_known("Culture: none on record in this stay, or none sent to this service", "culture not known")


def _fever(scene: Scene) -> Item:
    window, limit = scene.p["discharge_quiet"], scene.p["fever_from"]
    highest, span = scene.number(Extreme("temperature", window, "highest")), figure_text(scene.p, "discharge_quiet")
    if not isinstance(highest, Number) or not isinstance(limit, Parameter):
        return not_known(f"Fever in the last {span}: not known, no temperature on record", "temperature not known")
    seen = highest.seen[0]
    if compare(highest, limit, is_at_least) is not False:
        return against(f"Fever in the last {span}: {seen.text}, {ago(seen.at, scene.now)}", f"temperature {seen.text}", highest.seen)
    return fits(f"No fever in the last {span}; highest {seen.text}, {ago(seen.at, scene.now)}", highest.seen)
