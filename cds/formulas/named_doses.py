"""Fluids, deficits, insulin and loads under their names. Each asks for the age, since no dose passes from adult to child."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Final

from cds.formulas import body, doses, fluids, loads, sodium
from cds.formulas.constants import FormulaConstants
from cds.formulas.formula import Compute, Formula, Values
from cds.numbers import Interval

_LITRE: Final = Decimal(1000)


def _maintenance(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    fluids.child(v["age"], c)
    return fluids.maintenance_per_hour(v["weight"], c=c)


def _child_rate(severity: fluids.Severity) -> Compute:
    def compute(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
        fluids.child(v["age"], c)
        return fluids.child_fluid_rate(v["age"], v["weight"], fluids.child_deficit_percent(severity, c), c=c)

    return compute


def _insulin(part: Callable[[doses.InsulinSplit], Interval], *, cautious: bool) -> Compute:
    def compute(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
        return part(doses.insulin_split(doses.insulin_total(v["age"], v["weight"], c=c, cautious=cautious), c=c))

    return compute


def _potassium_deficit(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    body.adult(v["age"], c)
    return doses.potassium_deficit(v["potassium"], c=c)


def _ketoacidosis_potassium(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    body.adult(v["age"], c)
    return doses.ketoacidosis_potassium_deficit(v["weight"], c=c)


def _phenytoin_load(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    """From the level corrected for albumin where one is known: it decides (N-12), and asks for less."""
    level = v["phenytoin_total"]
    if "albumin" in v:
        level = body.phenytoin_corrected(level, v["albumin"], c=c)
    target = Interval(c.phenytoin_target_low, c.phenytoin_target_high)
    return loads.phenytoin_partial_load(v["age"], v["weight"], level, target, c=c)


_WEIGHT: Final = ("age", "weight")
_CAUTIOUS: Final = "adults: old, frail, poor kidneys or known low glucose; whole units, rounded down"

DOSES: Final = (
    Formula(
        "maintenance_fluid", "maintenance fluid of a child", _WEIGHT, "mL/h", 1,
        "from 29 days to 17 years; at most 2400 mL in 24 h", "Holliday and Segar 1957", _maintenance,
    ),
    Formula(
        "child_fluid_rate_mild", "fluid rate of a child, mild ketoacidosis", _WEIGHT, "mL/h", 1,
        "under 18 years; deficit 5 % over 48 h and maintenance; boluses not taken off",
        "Glaser 2022 (ISPAD); Holliday and Segar 1957", _child_rate("mild"),
    ),
    Formula(
        "child_fluid_rate_moderate", "fluid rate of a child, moderate ketoacidosis", _WEIGHT, "mL/h", 1,
        "under 18 years; deficit 7 % over 48 h and maintenance; boluses not taken off",
        "Glaser 2022 (ISPAD); Holliday and Segar 1957", _child_rate("moderate"),
    ),
    Formula(
        "child_fluid_rate_severe", "fluid rate of a child, severe ketoacidosis", _WEIGHT, "mL/h", 1,
        "under 18 years; deficit 10 % over 48 h and maintenance; boluses not taken off",
        "Glaser 2022 (ISPAD); Holliday and Segar 1957", _child_rate("severe"),
    ),
    Formula(
        "ketoacidosis_fluid_deficit", "fluid deficit in ketoacidosis", _WEIGHT, "L", 1,
        "adults; half in 8 to 12 h, the rest by 24 to 48 h", "Kitabchi 2009",
        lambda v, _, c: fluids.ketoacidosis_fluid_deficit(v["age"], v["weight"], c=c).scale(1 / _LITRE),
    ),
    Formula(
        "hyperosmolar_fluid_deficit", "fluid deficit in a hyperosmolar state", _WEIGHT, "L", 1,
        "adults; half in 8 to 12 h, the rest by 24 to 48 h",
        "Joint British Diabetes Societies, hyperosmolar state",
        lambda v, _, c: fluids.hyperosmolar_fluid_deficit(v["age"], v["weight"], c=c).scale(1 / _LITRE),
    ),
    Formula(
        "potassium_deficit", "potassium deficit, very rough", ("age", "potassium"), "mmol", 0,
        "adults; not in acidosis, ketoacidosis or shifts; never a dose", "Sterns 1981", _potassium_deficit,
    ),
    Formula(
        "ketoacidosis_potassium_deficit", "potassium deficit in ketoacidosis", _WEIGHT, "mmol", 0,
        "adults; whatever the level; never a dose", "Kitabchi 2009", _ketoacidosis_potassium,
    ),
    Formula(
        "insulin_total", "insulin of a day under the skin", _WEIGHT, "[iU]", 0,
        "adults; whole units, rounded down", "Umpierrez 2024", _insulin(lambda s: s.total, cautious=False),
    ),
    Formula(
        "insulin_basal", "basal insulin of a day", _WEIGHT, "[iU]", 0,
        "adults; half of the day's; whole units, rounded down", "Umpierrez 2024",
        _insulin(lambda s: s.basal, cautious=False),
    ),
    Formula(
        "insulin_meal", "insulin with each meal", _WEIGHT, "[iU]", 0,
        "adults; a sixth of the day's; whole units, rounded down", "Umpierrez 2024",
        _insulin(lambda s: s.meal, cautious=False),
    ),
    Formula(
        "insulin_total_cautious", "insulin of a day under the skin, cautious", _WEIGHT, "[iU]", 0,
        _CAUTIOUS, "Umpierrez 2024", _insulin(lambda s: s.total, cautious=True),
    ),
    Formula(
        "insulin_basal_cautious", "basal insulin of a day, cautious", _WEIGHT, "[iU]", 0,
        _CAUTIOUS, "Umpierrez 2024", _insulin(lambda s: s.basal, cautious=True),
    ),
    Formula(
        "insulin_meal_cautious", "insulin with each meal, cautious", _WEIGHT, "[iU]", 0,
        _CAUTIOUS, "Umpierrez 2024", _insulin(lambda s: s.meal, cautious=True),
    ),
    Formula(
        "hypertonic_rise", "rise of sodium by one bolus of 3 % saline", ("age", "weight", "sodium"), "mmol/L", 1,
        "adults; 150 mL; a projection without losses", "Adrogue and Madias 2000; Chen 2021",
        lambda v, f, c: sodium.hypertonic_rise(v["age"], v["weight"], v["sodium"], f, c=c),
    ),
    Formula(
        "phenytoin_partial_load", "phenytoin sodium that lifts the level to 15 to 20 mg/L", ("age", "weight",
        "phenytoin_total"), "mg", 0,
        "adults; not in kidney failure, not with valproate; check the level after it", "own rule C5",
        _phenytoin_load, ("albumin",),
    ),
)  # fmt: skip
