"""E3: does the blood gas agree with itself, and with the laboratory?"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from cds import formulas
from cds.advisory import Assessment
from cds.chart import MINUTE, Moment, Result
from cds.logic.scene import Scene
from cds.numbers import shown
from cds.vocabulary import ANALYTES

COMPARED = ("potassium", "sodium", "glucose")


@dataclass(frozen=True, slots=True)
class GasRemark:
    """One thing that does not fit: `state` "inconsistent", "doubtful" or "disagree"."""

    item: str
    text: str
    state: str
    indicator: str
    test: str
    ref: str
    at: Moment
    path: str = ""
    short: str = ""


def gas_remarks(scene: Scene, assessment: Assessment) -> tuple[GasRemark, ...]:
    """What does not fit. A doubtful gas is said only where something on a card rests on it."""
    made: list[GasRemark] = []
    triple = _triple(scene)
    if triple is not None:
        made += _judged(scene, assessment, *triple)
    return (*made, *_disagreeing(scene))


def _triple(scene: Scene) -> tuple[Result, Result, Result] | None:
    """pH, pCO2 and bicarbonate of one specimen: same method and kind of specimen, drawn within the limit of each other; the newest that is whole."""
    window = scene.p.number("gas_age")
    apart = int(scene.p.number("gas_together") * MINUTE)
    floor = scene.now - int(window * MINUTE) - apart
    for ph in scene.recent("ph", floor):
        if not scene.current(ph, window):
            continue
        found: list[Result] = []
        for analyte in ("pco2", "bicarbonate"):
            same = [
                r for r in scene.recent(analyte, floor)
                if abs(r.at.latest - ph.at.latest) <= apart and r.method == ph.method and _one_kind(r.specimen, ph.specimen)
            ]  # fmt: skip
            if same:
                found.append(min(same, key=lambda r: (abs(r.at.latest - ph.at.latest), r.ref)))
        if len(found) == 2:
            return ph, found[0], found[1]
    return None


def _one_kind(a: str, b: str) -> bool:
    return not a or not b or a == b or "blood" in (a, b)


def _judged(scene: Scene, assessment: Assessment, ph: Result, pco2: Result, bicarbonate: Result) -> list[GasRemark]:
    measured, computed = ph.value.exact, _computed(scene, pco2, bicarbonate)
    if measured is None or computed is None:
        return []
    difference = abs(measured - computed)
    inconsistent = difference > scene.p.number("gas_inconsistent")
    if not inconsistent and (difference <= scene.p.number("gas_doubtful") or not _rests_on_gas(assessment)):
        return []
    text = (
        f"the blood gas does not agree with itself: pH {shown(measured, 2)} measured, {shown(computed, 2)} computed from its pCO2 {pco2.text} and "
        f"bicarbonate {bicarbonate.text} ({shown(difference, 2)} apart). {_odd_one(scene, ph, pco2, bicarbonate)}"
    )
    state, indicator = ("inconsistent", "warning") if inconsistent else ("doubtful", "info")
    short = f"Repeat the blood gas: pH {shown(measured, 2)} measured, {shown(computed, 2)} by its own pCO2 and bicarbonate"
    return [GasRemark("blood gas", text, state, indicator, "ph", ph.ref, ph.at, ph.path, short)]


def _computed(scene: Scene, pco2: Result, bicarbonate: Result) -> Decimal | None:
    try:
        return formulas.compute("ph_computed", {"pco2": pco2.value, "bicarbonate": bicarbonate.value}, scene.p).exact
    except formulas.NotComputable:
        return None


def _odd_one(scene: Scene, ph: Result, pco2: Result, bicarbonate: Result) -> str:
    """Which of the three is odd, where a laboratory bicarbonate tells; else that nothing tells."""
    together = int(scene.p.number("samples_together") * MINUTE)
    for other in scene.recent("bicarbonate", ph.at.latest - int(together)):
        if other.ref == bicarbonate.ref or other.method == ph.method or abs(other.at.latest - ph.at.latest) > together:
            continue
        again, measured = _computed(scene, pco2, other), ph.value.exact
        if again is None or measured is None:
            continue
        if abs(measured - again) <= scene.p.number("gas_doubtful"):
            return f"With the laboratory bicarbonate {other.text} it agrees: the bicarbonate of the gas is the odd one."
        return f"The laboratory bicarbonate {other.text} does not settle it: repeat the gas."
    return "No fourth value tells which is the odd one: repeat the gas."


def _rests_on_gas(assessment: Assessment) -> bool:
    findings = [finding for group in assessment.groups for finding in group.findings]
    return any(seen.item in ("ph", "bicarbonate") for finding in findings for seen in finding.seen)


def _disagreeing(scene: Scene) -> list[GasRemark]:
    """The same analyte on the gas and in the laboratory, drawn close together and far apart in value."""
    made = []
    together = int(scene.p.number("samples_together") * MINUTE)
    window = scene.p.number("gas_age")
    for analyte in COMPARED:
        newest: dict[str, Result] = {}
        for result in scene.recent(analyte, scene.now - int(window * MINUTE)):
            if scene.current(result, window) and result.value.exact is not None:
                newest.setdefault(result.method, result)
        gas, lab = newest.get("gas"), newest.get("laboratory")
        if gas is None or lab is None or abs(gas.at.latest - lab.at.latest) > together:
            continue
        a, b = gas.value.exact, lab.value.exact
        if a is None or b is None:
            continue
        limit = scene.p.number(f"samples_differ_{analyte}")
        if abs(a - b) > (limit * max(a, b) if analyte == "glucose" else limit):
            label = ANALYTES[analyte].label
            text = f"samples disagree: {label} {gas.text} on the gas, {lab.text} in the laboratory. Think of haemolysis, a drip arm, or the time between them"
            short = f"Samples disagree: {label} {gas.text} on the gas, {lab.text} in the laboratory"
            made.append(GasRemark(analyte, text, "disagree", "info", analyte, lab.ref, lab.at, lab.path, short))
    return made
