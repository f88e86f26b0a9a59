"""What is due: each measurement of a course with the time of the next one, overdue first. Only data of the chart; whether a person looked is not known here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from cds.chart import MINUTE, Moment, Result
from cds.logic.compare import Number, compare, is_above, is_at_least, is_below
from cds.logic.criteria import OrderFilter
from cds.logic.matching import matching
from cds.logic.scene import Scene
from cds.logic.truth import TRUE
from cds.overviews.contexts import Contexts
from cds.overviews.promises import BROKEN, NOT_KNOWN, WAITING, Promised
from cds.overviews.views import Line, clock_time, figure_text, minutes_of, minutes_to, spell
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES


@dataclass(frozen=True, slots=True)
class Due:
    """One thing that is due. `at` None: from when it counts is not known, and the line says so. `measured`: a result will show that it was done."""

    what: str
    at: int | None
    line: Line
    measured: bool = True

    def overdue(self, now: int) -> int:
        """Minutes by which it is overdue; 0 when it is not."""
        return 0 if self.at is None else max(0, -minutes_to(self.at, now))


@dataclass(frozen=True, slots=True)
class Series:
    """A measurement that is repeated: the newest of `analytes` counts (`every`: of each of them), `key` is the interval, `since` a moment from which the
    first is due where none is later."""

    what: str
    analytes: tuple[str, ...]
    key: str
    since: Moment | None = None
    first: str = ""
    every: bool = False


def due(scene: Scene, contexts: Contexts, promised: Iterable[Promised]) -> list[Due]:
    """Everything that is due in this patient, overdue first, then by time; what cannot be timed is last."""
    found = [made for series in _wanted(scene, contexts) if (made := _due(scene, series)) is not None]
    found += [*_levels(scene), *_cultures(scene), *_review(scene), *_promised(scene, promised)]
    return sorted(found, key=lambda each: (each.at is None, each.at or 0, each.what))


def _wanted(scene: Scene, contexts: Contexts) -> list[Series]:
    insulin = scene.state("insulin shown running").truth is TRUE
    started = scene.event("insulin start") if insulin else None
    unresolved = scene.state("unresolved crisis shown").truth is TRUE
    hyperosmolar = scene.state("hyperosmolar shown").truth is TRUE
    wanted: list[Series] = []
    if insulin:
        wanted.append(Series("glucose", ("glucose",), "due_glucose"))
    if insulin or unresolved:
        wanted.append(_potassium(scene, started))
    if unresolved:
        wanted += [Series("blood ketones", ("beta_hydroxybutyrate",), "due_ketones"), Series("blood gas or bicarbonate", ("ph", "bicarbonate"), "due_gas")]
    if hyperosmolar and unresolved:
        wanted.append(Series("osmolality (sodium and glucose)", ("sodium", "glucose"), _osmolality(scene), every=True))
    if _raised(scene):
        wanted.append(Series("lactate", ("lactate",), "due_lactate"))
    if contexts.seizure is TRUE or (unresolved and (hyperosmolar or scene.population == "child")):
        wanted.append(Series("conscious level", ("gcs", "avpu"), "due_consciousness"))
    return wanted


def _potassium(scene: Scene, started: Moment | None) -> Series:
    """After the start of insulin at the short interval, and so while the last potassium is outside its range; then at the long one."""
    newest = scene.newest("potassium")
    low, high = scene.p["insulin_needs_potassium_at_least"], scene.p["hyperkalaemia_mild_from"]
    settled = False
    if newest is not None and isinstance(low, Parameter) and isinstance(high, Parameter):
        number = scene.latest("potassium", scene.p.number("last_known_age"))
        if isinstance(number, Number):
            settled = compare(number, low, is_below) is False and compare(number, high, is_at_least) is False
    after_start = started is not None and newest is not None and _drawn(newest) > started.latest
    key = "due_potassium" if settled and after_start else "due_potassium_first"
    return Series("potassium", ("potassium",), key, started, "due_potassium_first")


def _osmolality(scene: Scene) -> str:
    start, early = scene.event("crisis start"), minutes_of(scene.p, "due_osmolality_early")
    if start is not None and early is not None and scene.now - start.latest > early * MINUTE:
        return "due_osmolality"
    return "due_osmolality_first"


def _raised(scene: Scene) -> bool:
    limit, window = scene.p["due_lactate_raised"], scene.p["overview_window"]
    if not isinstance(limit, Parameter) or not isinstance(window, Parameter):
        return False
    newest = scene.latest("lactate", window.number)
    return isinstance(newest, Number) and compare(newest, limit, is_above) is True


def _drawn(result: Result) -> int:
    """The earliest instant at which it may have been drawn: the next one is never due later than the record shows."""
    return result.at.latest if result.at.earliest is None else result.at.earliest


def _due(scene: Scene, series: Series) -> Due | None:
    interval = minutes_of(scene.p, series.key)
    if interval is None:
        return None
    known = [result for analyte in series.analytes if (result := scene.newest(analyte)) is not None]
    if len(known) < (len(series.analytes) if series.every else 1):
        return _never(scene, series)
    newest = (min if series.every else max)(known, key=_drawn)
    at, shown = _drawn(newest) + interval * MINUTE, f"every {figure_text(scene.p, series.key)}"
    first = minutes_of(scene.p, series.first) if series.first else None
    if series.since is not None and first is not None and _drawn(newest) <= series.since.latest:
        # None since insulin began: the first is due so long after the start, whatever was drawn before.
        at, shown = min(at, series.since.latest + first * MINUTE) if at > scene.now else at, f"{figure_text(scene.p, series.first)} after insulin began"
    seen = scene.seen_result(newest)
    name = f"{ANALYTES[newest.analyte].label} " if len(series.analytes) > 1 else ""
    last = f"last {name}{seen.text}, {spell(max(0, (scene.now - newest.at.latest) // MINUTE))} ago{'' if newest.at.exact else f' ({newest.at.mark})'}"
    return _told(scene, series.what, at, f"{shown}; {last}", Line(seen=(seen,)))


def _never(scene: Scene, series: Series) -> Due:
    """Nothing on record: due now where the list was sent whole, else not known whether it was measured."""
    analyte = next(name for name in series.analytes if scene.newest(name) is None)
    gap = scene.gap(analyte)
    if scene.whole(analyte):
        return Due(series.what, scene.now, Line(f"{_capital(series.what)}: due now, {gap.detail}"))
    return Due(series.what, None, Line(f"{_capital(series.what)}: not known when it was last measured ({gap.detail})"))


def _told(scene: Scene, what: str, at: int, why: str, line: Line) -> Due:
    left = minutes_to(at, scene.now)
    if left > 0:
        text = f"{_capital(what)}: due in {spell(left)}, at {clock_time(at, scene.now)} ({why})"
    elif left == 0:
        text = f"{_capital(what)}: due now ({why})"
    else:
        text = f"{_capital(what)}: OVERDUE by {spell(-left)} ({why})"
    return Due(what, at, Line(text, line.seen))


def _levels(scene: Scene) -> list[Due]:
    """The level after a load of phenytoin or fosphenytoin by vein."""
    after, window = minutes_of(scene.p, "due_level_after_load"), scene.p["overview_window"]
    if after is None or not isinstance(window, Parameter):
        return []
    loads = OrderFilter(("phenytoin", "fosphenytoin"), "given", "intravenous", started_within=window)
    moments = [dose.at for order, truth in matching(loads, scene) if truth is TRUE and (dose := scene.dose_of(order)) is not None and dose.at is not None]
    if not moments:
        return []
    last = max(moments, key=lambda at: at.latest)
    level = max((r for name in ("phenytoin_total", "phenytoin_free") if (r := scene.newest(name)) is not None), key=_drawn, default=None)
    if level is not None and _drawn(level) > last.latest:
        return []
    return [_told(scene, "phenytoin level", last.latest + after * MINUTE, f"{figure_text(scene.p, 'due_level_after_load')} after the dose by vein", Line())]


def _cultures(scene: Scene) -> list[Due]:
    wait = minutes_of(scene.p, "due_culture")
    found: list[Due] = []
    for culture in scene.chart.cultures:
        if culture.result == "pending" and wait is not None:
            at = None if culture.at is None else culture.at.latest + wait * MINUTE
            if at is None:
                found.append(Due("culture result", None, Line(f"Result of {culture.label}: pending, when it was taken is not recorded")))
            else:
                found.append(_told(scene, f"result of {culture.label}", at, f"pending; {figure_text(scene.p, 'due_culture')} after it was taken", Line()))
    return found


def _review(scene: Scene) -> list[Due]:
    """The next review of fluid, counted from the start of the crisis. Nobody records one where this service reads, so none is called overdue."""
    every, start = minutes_of(scene.p, "due_fluid_review"), scene.event("crisis start")
    if every is None or start is None or scene.state("unresolved crisis shown").truth is not TRUE:
        return []
    step = every * MINUTE
    at = start.latest + ((scene.now - start.latest) // step + 1) * step
    why = f"every {figure_text(scene.p, 'due_fluid_review')} from the start of the crisis; whether it was done is not seen here"
    return [replace(_told(scene, "fluid review", at, why, Line()), measured=False)]


def _promised(scene: Scene, promised: Iterable[Promised]) -> list[Due]:
    found = []
    for each in promised:
        items = " or ".join(ANALYTES[name].label for name in each.items)
        made = f"promised {spell(max(0, (scene.now - each.promise.at) // MINUTE))} ago by 'will monitor'"
        if each.state in (BROKEN, WAITING):
            found.append(_told(scene, f"promised check of {items}", each.due, f"{made}; no newer result", Line()))
        elif each.state == NOT_KNOWN:
            found.append(Due(f"promised check of {items}", None, Line(f"Promised check of {items}: not known whether it was done, the list was not sent whole ({made})")))
    return found


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


__all__ = ["Due", "due"]
