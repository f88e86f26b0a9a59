"""Signs of acid in the blood and what explains them (A3, A4, A17), shared by the topics that ask for a cause."""

from __future__ import annotations

from cds.chart import Result
from cds.logic.criteria import Above, AllOf, AnyOf, AtLeastValue, Below, Criterion, Formula, Latest, NoneWithin, Not
from cds.logic.scene import Scene, StateDef, StateValue
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import computable, if_known, measured

SOURCE = "own rules A3, A4; Umpierrez 2024; Kitabchi 2009"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The states about acid, for one population."""
    return (
        StateDef("very high glucose possible", "a glucose is current, or its list could not be read, or the last one was very high", compute=_glucose, source=SOURCE),
        StateDef("gas measured", "a pH or a bicarbonate is current, or their list could not be read", compute=_gas_measured, source=SOURCE),
        StateDef("chloride measured", "a chloride is current, or its list could not be read", compute=_chloride, source=SOURCE),
        StateDef("acid blood", "a low pH or a low bicarbonate; one of the two is enough", _acid(p), source=SOURCE),
        StateDef("sign of acid", "acid blood, or an anion gap that is raised beside a low bicarbonate or very high", _sign(p), source=SOURCE),
        StateDef("anion gap high", "the anion gap is raised; corrected for albumin where an albumin is current", gap_above(p, "anion_gap_high"), source=SOURCE),
        StateDef("ketones measured", "blood ketones are current, or without them urine ketones", _ketones_measured(p), source=SOURCE),
        StateDef("ketosis", "enough ketones to explain an acidosis; blood ketones outrank urine", _ketosis(p), source=SOURCE),
    )


def _glucose(scene: Scene) -> StateValue:
    limit = scene.p["hyperosmolar_glucose"]

    def very_high(last: Result) -> bool:
        return isinstance(limit, Parameter) and last.value.below(limit.number) is not True

    return measured(scene, ("glucose",), "result_age", very_high)


def _gas_measured(scene: Scene) -> StateValue:
    return measured(scene, ("ph", "bicarbonate"), "result_age")


def _chloride(scene: Scene) -> StateValue:
    return measured(scene, ("chloride",), "result_age")


def _acid(p: ParameterSet) -> Criterion:
    age = p["result_age"]
    ph = Below(Latest("ph", age), p["acidosis_ph"])
    # With neither of them it is not known.
    neither = AllOf((NoneWithin(("ph", "bicarbonate"), age), ph))
    return AnyOf((if_known("ph", age, ph), if_known("bicarbonate", age, Below(Latest("bicarbonate", age), p["acidosis_bicarbonate"])), neither))


def gap_above(p: ParameterSet, key: str) -> Criterion:
    """The anion gap over a figure: the corrected one decides where an albumin is current."""
    corrected, plain = Formula("anion_gap_corrected", p["result_age"]), Formula("anion_gap", p["result_age"])
    albumin = NoneWithin(("albumin",), p["albumin_age"])
    return AnyOf((AllOf((Not(albumin), Above(corrected, p[key]))), AllOf((albumin, Above(plain, p[key])))))


def _sign(p: ParameterSet) -> Criterion:
    age = p["result_age"]
    gap = Formula("anion_gap", age)
    low = if_known("bicarbonate", age, Below(Latest("bicarbonate", age), p["anion_gap_bicarbonate"]))
    return AnyOf((_acid(p), computable(gap, AllOf((low, gap_above(p, "anion_gap_high")))), computable(gap, gap_above(p, "anion_gap_very_high"))))


def _ketones_measured(p: ParameterSet) -> Criterion:
    return Not(NoneWithin(("beta_hydroxybutyrate", "urine_ketones"), p["result_age"]))


def _ketosis(p: ParameterSet) -> Criterion:
    age = p["result_age"]
    strip = AllOf((NoneWithin(("beta_hydroxybutyrate",), age), AtLeastValue(Latest("urine_ketones", age), p["ketosis_urine_ketones"])))
    return AnyOf((if_known("beta_hydroxybutyrate", age, AtLeastValue(Latest("beta_hydroxybutyrate", age), p["ketosis_ketones"])), strip))
