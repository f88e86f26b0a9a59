"""The trend: the last three values of each number that tells the course, with their times, the slope, and whether it is what the profile wants."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from cds.chart import MINUTE
from cds.logic.compare import Number, compare, is_above, is_at_least, is_below
from cds.logic.criteria import Change, Slope
from cds.logic.reason import Seen
from cds.logic.scene import Missing, Scene
from cds.overviews.views import Line, figure_text, minutes_of, spell
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES

_MOST = 3


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a rate is held against, as keys of figures: judged `from` a value on; "falls" slower than `slow` or faster than `fast` is off target (`fast_from`: too fast is
    judged from this value on), for "rises" a rise below `slow` is. Empty: no rate is printed for it."""

    of: str
    label: str
    judged_from: str = ""
    slow: str = ""
    fast: str = ""
    fast_from: str = ""
    rises: bool = False
    low: str = ""
    high: str = ""


ROWS = (
    Wanted("glucose", "Glucose", "course_glucose_from", "course_glucose_slope", "glucose_fall_fast", "course_glucose_from"),
    Wanted("beta_hydroxybutyrate", "Ketones", "course_ketones_from", "course_ketones_slope"),
    Wanted("ph", "pH"),
    Wanted("bicarbonate", "Bicarbonate", "ketoacidosis_over_bicarbonate", "course_bicarbonate_slope", rises=True),
    Wanted("potassium", "Potassium", low="insulin_needs_potassium_at_least", high="hyperkalaemia_mild_from"),
    Wanted("sodium_for_trend", "Sodium, corrected for glucose"),
    Wanted("total_osmolality", "Osmolality", "course_osmolality_from", "course_osmolality_slope", "osmolality_fall", "osmolality_quiet_below"),
    Wanted("effective_osmolality", "Effective osmolality", "course_osmolality_from", "course_osmolality_slope", "osmolality_fall", "osmolality_quiet_below"),
)


def trend(scene: Scene, *, crisis: bool) -> list[Line]:
    """One line a number. In a crisis what was not measured is said; rates are held against the profile in a crisis alone."""
    found = {row.of: _values(scene, row.of) for row in ROWS}
    lines: list[Line] = []
    for row in ROWS:
        if (row.of == "bicarbonate" and found["ph"]) or (row.of == "effective_osmolality" and found["total_osmolality"]):
            continue
        values = found[row.of]
        if values:
            lines.append(_line(scene, row, values, crisis=crisis))
        elif crisis and row.of in ("glucose", "beta_hydroxybutyrate", "potassium"):
            lines.append(Line(f"{row.label}: not known, {_why(scene, row.of)}"))
    if crisis and not found["ph"] and not found["bicarbonate"]:
        lines.append(Line(f"pH and bicarbonate: not known, {_why(scene, 'ph')}"))
    return lines


def _why(scene: Scene, analyte: str) -> str:
    return scene.gap(analyte, _window(scene)).detail


def _window(scene: Scene) -> Decimal:
    return Decimal(minutes_of(scene.p, "overview_window") or 0)


def _values(scene: Scene, name: str) -> list[Seen]:
    """The newest values within the window, newest first; results as they were sent, formulas as computed from results of one moment."""
    if name in ANALYTES:
        floor = scene.now - int(_window(scene)) * MINUTE
        results = [r for r in scene.recent(name, floor) if floor <= r.at.latest <= scene.now]
        return [scene.seen_result(r) for r in results[:_MOST]]
    change = scene.number(Change(name, scene.p["overview_window"], "oldest"))
    if isinstance(change, Missing):
        return list(change.seen[:_MOST])
    return list(change.seen[0].parts[:_MOST])


def _line(scene: Scene, row: Wanted, values: list[Seen], *, crisis: bool) -> Line:
    # In the order in which they were drawn: a trend is read from left to right.
    told = ", ".join(_value(seen, scene) for seen in reversed(values))
    slope = scene.number(Slope(row.of, scene.p["course_window"], scene.p["course_span"], scene.p["course_apart"]))
    parts = [told, slope.seen[0].text.replace(" 1/h", " an hour") if isinstance(slope, Number) else f"no slope (needs results over {figure_text(scene.p, 'course_span')})"]
    if crisis:
        parts.append(_judged(scene, row, values[0], slope))
    return Line(f"{row.label}: {'; '.join(part for part in parts if part)}", tuple(values))


def _value(seen: Seen, scene: Scene) -> str:
    age = None if seen.at is None else max(0, (scene.now - seen.at.latest) // MINUTE)
    if seen.at is None or age is None:
        return f"{seen.text} (time not known)"
    return f"{seen.text} ({spell(age)} ago{'' if seen.at.exact else f', {seen.at.mark}'})"


def _judged(scene: Scene, row: Wanted, newest: Seen, slope: Number | Missing) -> str:
    p = scene.p
    if row.low:
        return _in_range(scene, row)
    slow, start = p[row.slow] if row.slow else None, p[row.judged_from] if row.judged_from else None
    if not isinstance(slow, Parameter) or not isinstance(start, Parameter) or not isinstance(slope, Number) or newest.value is None:
        return ""
    fast, high = p[row.fast] if row.fast else None, p[row.fast_from] if row.fast_from else None
    if isinstance(fast, Parameter) and isinstance(high, Parameter) and newest.value.below(high.number) is False and compare(slope, fast, is_below) is True:
        return f"OFF TARGET, too fast: no faster than {figure_text(p, row.fast)}"
    reached = newest.value.below(start.number)
    if reached is (not row.rises):
        return f"no rate is wanted {'from' if row.rises else 'below'} {figure_text(p, row.judged_from)}"
    if compare(slope, slow, is_below if row.rises else is_above) is True:
        return f"OFF TARGET, too slow: wanted {figure_text(p, row.slow)} or {'more' if row.rises else 'faster'}"
    return f"on target ({figure_text(p, row.slow)} or {'more' if row.rises else 'faster'})"


def _in_range(scene: Scene, row: Wanted) -> str:
    low, high, window = scene.p[row.low], scene.p[row.high], scene.p["overview_window"]
    if not isinstance(low, Parameter) or not isinstance(high, Parameter) or not isinstance(window, Parameter):
        return ""
    newest = scene.latest(row.of, window.number)
    if isinstance(newest, Missing):
        return ""
    if compare(newest, low, is_below) is True:
        return f"OFF TARGET: below {figure_text(scene.p, row.low)}"
    if compare(newest, high, is_at_least) is True:
        return f"OFF TARGET: at or above {figure_text(scene.p, row.high)}"
    return f"on target ({figure_text(scene.p, row.low)} to {figure_text(scene.p, row.high)})"
