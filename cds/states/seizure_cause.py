"""Values near a seizure that name its cause (C3): drawn within a day on either side of its onset; without an onset, of the last day (O-N07).

Any such value counts, also one that was corrected since: it names what brought the seizure on. Each is compared in the unit in which it was reported.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from cds import formulas
from cds.chart import MINUTE, Result
from cds.logic.compare import Candidate, Number, Test, compare, is_above, is_below
from cds.logic.reason import Gap, Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.numbers import Interval, spread
from cds.parameters import Parameter, ParameterSet
from cds.vocabulary import ANALYTES

SOURCE = "Beghi 2010, Epilepsia 51:671; own rule C3"
ONSET = "seizure onset"
Finder = Callable[[Scene], StateValue]


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """One state for each value that names a cause."""
    made: list[StateDef] = []

    def add(name: str, means: str, compute: Finder) -> None:
        made.append(StateDef(name, means, compute=compute, source=SOURCE))

    add("glucose very low near the seizure", "a glucose below the published cut-off", _simple("glucose", "seizure_glucose_very_low", is_below))
    add("glucose low near the seizure", "a glucose low enough to contribute", _simple("glucose", "seizure_glucose_low", is_below))
    add("glucose very high near the seizure", "a glucose above the published cut-off", _simple("glucose", "seizure_glucose_high", is_above))
    add("sodium very low near the seizure", "a sodium, corrected for a high glucose, below the published cut-off", _sodium("seizure_sodium_very_low", is_below))
    add("sodium low near the seizure", "a sodium, corrected for a high glucose, low enough to contribute", _sodium("seizure_sodium_low", is_below))
    add("sodium high near the seizure", "a sodium high enough to contribute", _sodium("seizure_sodium_high", is_above))
    add("calcium very low near the seizure", "a total calcium below the published cut-off", _calcium_total)
    add("calcium low near the seizure", "an ionised or an adjusted calcium low enough to contribute", _calcium)
    add("magnesium very low near the seizure", "a magnesium below the published cut-off", _simple("magnesium", "magnesium_seizure_below", is_below))
    add("magnesium low near the seizure", "a magnesium low enough to contribute", _simple("magnesium", "seizure_magnesium_low", is_below))
    add("urea high near the seizure", "a urea above the published cut-off", _simple("urea", "seizure_urea_high", is_above))
    add("creatinine high near the seizure", "a creatinine above the published cut-off", _simple("creatinine", "seizure_creatinine_high", is_above))
    for analyte, key in (("lithium_level", "seizure_lithium_high"), ("theophylline_level", "seizure_theophylline_high"), ("salicylate", "seizure_salicylate_high")):
        add(f"{ANALYTES[analyte].label} high near the seizure", "a level that can bring on seizures; none measured is none high", _simple(analyte, key, is_above, asked=False))
    return tuple(made)


def _window(scene: Scene) -> tuple[int, int]:
    """From when a value counts, surely and at the latest (epoch ms)."""
    limit = scene.p["seizure_cause_window"]
    span = int(limit.number) * MINUTE if isinstance(limit, Parameter) else 0
    onset = scene.event(ONSET)
    if onset is None:
        return scene.now - span, scene.now - span
    earliest = onset.earliest if onset.earliest is not None else onset.latest
    return earliest - span, onset.latest - span


def _near(scene: Scene, analyte: str) -> list[Result]:
    sure, _ = _window(scene)
    return [result for result in scene.results(analyte) if result.at.earliest is not None and result.at.earliest >= sure]


def _number(result: Result, scene: Scene) -> Number:
    unit = ANALYTES[result.analyte].unit
    return Number((Candidate(result.value, result.reported, result.unit, lambda: scene.seen_result(result)),), unit)


def _gap(scene: Scene, analyte: str) -> Gap:
    since, _ = _window(scene)
    return scene.gap(analyte, Decimal(max(0, scene.now - since) // MINUTE), scene.newest(analyte))


def _judged(scene: Scene, numbers: list[tuple[Number, Result]], key: str, test: Test) -> StateValue | None:
    """TRUE with every value that meets the limit, UNKNOWN where one may, FALSE where none does; None without a value or a figure."""
    limit = scene.p[key]
    if not numbers or not isinstance(limit, Parameter):
        return None
    answers = [(compare(number, limit, test), number) for number, _ in numbers]
    met = tuple(seen for answer, number in answers if answer is True for seen in number.seen)
    if met:
        return StateValue(TRUE, met)
    unsure = tuple(seen for answer, number in answers if answer is None for seen in number.seen)
    return StateValue(UNKNOWN if unsure else FALSE, unsure or tuple(seen for _, number in answers for seen in number.seen))


def _simple(analyte: str, key: str, test: Test, *, asked: bool = True) -> Finder:
    def find(scene: Scene) -> StateValue:
        found = _judged(scene, [(_number(result, scene), result) for result in _near(scene, analyte)], key, test)
        if found is not None:
            return found
        if not asked and scene.whole(analyte):
            return StateValue(FALSE)
        return StateValue(UNKNOWN, gaps=(_gap(scene, analyte),))

    return find


def _sodium(key: str, test: Test) -> Finder:
    """Corrected where a glucose above the limit was drawn with it; beyond that time the measured sodium stands (N-06, R-n23)."""

    def find(scene: Scene) -> StateValue:
        numbers = [(_corrected(scene, result), result) for result in _near(scene, "sodium")]
        found = _judged(scene, numbers, key, test)
        return found if found is not None else StateValue(UNKNOWN, gaps=(_gap(scene, "sodium"),))

    return find


def _corrected(scene: Scene, sodium: Result) -> Number:
    _, together = formulas.pairing(scene.p)
    glucose = min(
        (each for each in scene.results("glucose") if abs(each.at.latest - sodium.at.latest) <= together * MINUTE),
        key=lambda each: (abs(each.at.latest - sodium.at.latest), each.ref), default=None,
    )  # fmt: skip
    values: dict[str, Interval] = {"sodium": sodium.value}
    if glucose is None:
        return _number(sodium, scene)
    values["glucose"] = glucose.value
    try:
        value = formulas.compute("sodium_for_seizure", values, scene.p, sex=scene.chart.patient.sex)
    except formulas.NotComputable:
        return _number(sodium, scene)
    if value == sodium.value:
        return _number(sodium, scene)
    parts = (scene.seen_result(sodium), scene.seen_result(glucose))
    told = Seen("formula", "corrected sodium", f"{spread(value, 1)} mmol/L", value=value, unit="mmol/L", at=sodium.at, note="corrected for glucose", parts=parts)
    return Number((Candidate(value, None, "mmol/L", told),), "mmol/L")


def _calcium_total(scene: Scene) -> StateValue:
    """The published cut-off is for total calcium; where only ionised calcium was measured it cannot be met."""
    found = _judged(scene, [(_number(result, scene), result) for result in _near(scene, "calcium_total")], "calcium_seizure_line", is_below)
    if found is not None:
        return found
    return StateValue(FALSE) if _near(scene, "calcium_ionised") else StateValue(UNKNOWN, gaps=(_gap(scene, "calcium_total"),))


def _calcium(scene: Scene) -> StateValue:
    """Ionised calcium, or total calcium adjusted for albumin; the total as it stands where no albumin is current (R-n22)."""
    ionised = _judged(scene, [(_number(result, scene), result) for result in _near(scene, "calcium_ionised")], "seizure_calcium_ionised_low", is_below)
    if ionised is not None and ionised.truth is TRUE:
        return ionised
    total = _judged(scene, [(_adjusted(scene, result), result) for result in _near(scene, "calcium_total")], "seizure_calcium_low", is_below)
    if total is not None and total.truth is TRUE:
        return total
    known = [each for each in (ionised, total) if each is not None]
    if not known:
        return StateValue(UNKNOWN, gaps=(_gap(scene, "calcium_total"),))
    return next((each for each in known if each.truth is UNKNOWN), known[0])


def _adjusted(scene: Scene, calcium: Result) -> Number:
    limit = scene.p["albumin_age"]
    within = int(limit.number) * MINUTE if isinstance(limit, Parameter) else 0
    near = (each for each in scene.results("albumin") if abs(each.at.latest - calcium.at.latest) <= within)
    albumin = min(near, key=lambda each: (abs(each.at.latest - calcium.at.latest), each.ref), default=None)
    if albumin is None:
        seen = scene.seen_result(calcium)
        told = Seen(seen.kind, seen.item, seen.text, seen.ref, seen.value, seen.unit, seen.at, seen.age_minutes, seen.method, "unadjusted: no albumin", seen.path)
        return Number((Candidate(calcium.value, calcium.reported, calcium.unit, told),), ANALYTES["calcium_total"].unit)
    try:
        value = formulas.compute("calcium_adjusted", {"calcium_total": calcium.value, "albumin": albumin.value}, scene.p, sex=scene.chart.patient.sex)
    except formulas.NotComputable:
        return _number(calcium, scene)
    parts = (scene.seen_result(calcium), scene.seen_result(albumin))
    unit = formulas.FORMULAS["calcium_adjusted"].unit
    told = Seen("formula", "adjusted calcium", f"{spread(value, 2)} {unit}", value=value, unit=unit, at=calcium.at, parts=parts)
    return Number((Candidate(value, None, unit, told),), unit)
