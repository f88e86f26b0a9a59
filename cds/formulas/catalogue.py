"""The formulas by name, over analytes in their canonical units, for criteria and for cards."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from cds.formulas import blood, body, scores
from cds.formulas.constants import FormulaConstants, constants
from cds.formulas.monotone import NotComputable, root
from cds.numbers import Interval, point, shown
from cds.parameters import ParameterSet

Values = Mapping[str, Interval]
Compute = Callable[[Values, bool | None, FormulaConstants], Interval]


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula as criteria and cards know it.

    `inputs` must all be there and belong to one moment (`pairing`); `optional` ones sharpen the result. Names are
    analytes, or "age" in years. `unit` and `decimals` are for display; `valid_text` says in words when it holds.
    """

    name: str
    label: str
    inputs: tuple[str, ...]
    unit: str
    decimals: int
    valid_text: str
    source: str
    compute: Compute
    optional: tuple[str, ...] = ()


def pairing(p: ParameterSet) -> tuple[Decimal, Decimal]:
    """Minutes between a formula's inputs: up to the first they count as one moment, beyond the second nothing is
    computed.
    """
    c = constants(p)
    return c.pairing_minutes, c.pairing_limit_minutes


def pairing_line(apart_minutes: Decimal, p: ParameterSet) -> str:
    """What a card says of the distance between inputs: "" or "drawn 75 min apart". NotComputable beyond the limit."""
    together, limit = pairing(p)
    if apart_minutes > limit:
        raise NotComputable(f"inputs drawn {shown(apart_minutes, 0)} min apart")
    return f"drawn {shown(apart_minutes, 0)} min apart" if apart_minutes > together else ""


def compute(name: str, values: Values, p: ParameterSet, *, sex: str = "") -> Interval:
    """The formula `name` over `values`. `sex` is FHIR's administrative gender; other than male or female covers both.

    NotComputable, with the reason in words, when an input is missing or outside what the formula holds for. KeyError
    for an unknown name.
    """
    formula = FORMULAS[name]
    missing = [each for each in formula.inputs if each not in values]
    if missing:
        raise NotComputable(f"{', '.join(missing)} not recorded")
    return formula.compute(values, {"female": True, "male": False}.get(sex), constants(p))


def allowable_error(analyte: str, value: Decimal, p: ParameterSet, *, method: str = "") -> Decimal | None:
    """How far `value` (canonical unit) may lie from the truth: the greater of an absolute figure and a share. None when
    no rule says.
    """
    errors = constants(p).allowable_errors
    rule = errors.get((analyte, method)) or errors.get((analyte, ""))
    if rule is None:
        return None
    share = None if rule.percent is None else abs(value) * rule.percent / 100
    return max((each for each in (rule.absolute, share) if each is not None), default=None)


def propagated_error(
    name: str, values: Mapping[str, Decimal], errors: Mapping[str, Decimal], p: ParameterSet, *, sex: str = ""
) -> Decimal:
    """The error of a computed quantity: what each input's error alone moves it, added in quadrature.

    Inputs without an error in `errors` count as exact. NotComputable when the formula does not hold at the values
    themselves.
    """
    exact = {each: point(value) for each, value in values.items()}
    middle = compute(name, exact, p, sex=sex).exact
    if middle is None:
        raise NotComputable("the result is not one number")
    total = Decimal(0)
    for each, error in errors.items():
        if each not in values:
            continue
        moved = []
        for shifted in (values[each] - error, values[each] + error):
            try:
                found = compute(name, {**exact, each: point(shifted)}, p, sex=sex).exact
            except NotComputable:
                found = None
            if found is not None:
                moved.append(abs(found - middle))
        if not moved:
            raise NotComputable(f"the formula does not hold within the error of {each}")
        total += (sum(moved, Decimal(0)) / len(moved)) ** 2
    return root(total, 2)


def difference_error(error: Decimal) -> Decimal:
    """The error of the difference of two results that each have `error`."""
    return root(Decimal(2), 2) * error


def _gap(v: Values) -> Interval:
    return blood.anion_gap(v["sodium"], v["chloride"], v["bicarbonate"])


def _news2(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    alert = v["gcs"].below(c.gcs_full) if "gcs" in v else None
    return scores.news2(
        respiratory_rate=v.get("respiratory_rate"),
        spo2=v.get("spo2"),
        on_oxygen=_on_oxygen(v, c),
        systolic=v.get("systolic"),
        heart_rate=v.get("heart_rate"),
        alert=None if alert is None else not alert,
        temperature=v.get("temperature"),
        age=v["age"],
        c=c,
    ).interval


def _on_oxygen(v: Values, c: FormulaConstants) -> bool | None:
    flow = v["oxygen_flow"].above(Decimal(0)) if "oxygen_flow" in v else None
    share = v["inspired_oxygen"].above(c.room_air) if "inspired_oxygen" in v else None
    if flow or share:
        return True
    return False if flow is False or share is False else None


def _cockcroft(v: Values, female: bool | None, c: FormulaConstants) -> Interval:
    weight = body.cockcroft_weight(v["weight"], v.get("height"), female, c=c)
    return body.cockcroft_gault(v["age"], weight, v["creatinine"], female, c=c)


_ALL: Final = (
    Formula(
        "anion_gap", "anion gap", ("sodium", "chloride", "bicarbonate"), "mmol/L", 0,
        "measured sodium; newer electrodes read lower", "Kitabchi 2009", lambda v, _, c: _gap(v),
    ),
    Formula(
        "anion_gap_with_potassium", "anion gap with potassium", ("sodium", "potassium", "chloride",
        "bicarbonate"), "mmol/L", 1,
        "measured sodium", "common practice",
        lambda v, _, c: blood.anion_gap_with_potassium(v["sodium"], v["potassium"], v["chloride"], v["bicarbonate"]),
    ),
    Formula(
        "anion_gap_corrected", "anion gap corrected for albumin", ("sodium", "chloride", "bicarbonate",
        "albumin"), "mmol/L", 1,
        "albumin 10 to 60 g/L", "Figge 1998", lambda v, _, c: blood.anion_gap_corrected(_gap(v), v["albumin"], c=c),
    ),
    Formula(
        "delta_ratio", "delta ratio", ("sodium", "chloride", "bicarbonate"), "", 2,
        "only with a raised gap and a low bicarbonate", "common practice",
        lambda v, _, c: blood.delta_ratio(_gap(v), v["bicarbonate"], c=c),
    ),
    Formula(
        "expected_pco2", "expected pCO2", ("bicarbonate",), "mm[Hg]", 0,
        "metabolic acidosis, steady for 12 to 24 h; plus and minus 2", "Albert 1967",
        lambda v, _, c: blood.expected_pco2(v["bicarbonate"], c=c),
    ),
    Formula(
        "ph_computed", "pH computed from pCO2 and bicarbonate", ("bicarbonate", "pco2"), "", 2,
        "both from one gas", "Henderson-Hasselbalch",
        lambda v, _, c: blood.ph_computed(v["bicarbonate"], v["pco2"], c=c),
    ),
    Formula(
        "hydrogen_ion", "hydrogen ion", ("pco2", "bicarbonate"), "nmol/L", 0,
        "both from one gas", "common practice", lambda v, _, c: blood.hydrogen_ion(v["pco2"], v["bicarbonate"], c=c),
    ),
    Formula(
        "effective_osmolality", "effective osmolality", ("sodium", "glucose"), "mosm/kg", 0,
        "measured sodium", "consensus 2024; Kitabchi 2009",
        lambda v, _, c: blood.effective_osmolality(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "total_osmolality", "calculated osmolality", ("sodium", "glucose", "urea"), "mosm/kg", 0,
        "measured sodium", "Joint British Diabetes Societies, hyperosmolar state",
        lambda v, _, c: blood.total_osmolality(v["sodium"], v["glucose"], v["urea"], c=c),
    ),
    Formula(
        "osmolal_gap", "osmolal gap", ("osmolality", "sodium", "glucose", "urea"), "mosm/kg", 0,
        "without ethanol; a normal gap excludes nothing late", "common practice",
        lambda v, _, c: blood.osmolal_gap(v["osmolality"], v["sodium"], v["glucose"], v["urea"], c=c),
    ),
    Formula(
        "sodium_corrected_katz", "sodium corrected for glucose", ("sodium", "glucose"), "mmol/L", 1,
        "adds nothing at a glucose up to 5.55 mmol/L", "Katz 1973",
        lambda v, _, c: blood.sodium_corrected_katz(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "sodium_corrected_hillier", "sodium corrected for glucose, Hillier", ("sodium", "glucose"), "mmol/L", 1,
        "adds nothing at a glucose up to 5.55 mmol/L; better above 22 mmol/L", "Hillier 1999",
        lambda v, _, c: blood.sodium_corrected_hillier(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "calcium_adjusted", "adjusted calcium", ("calcium_total", "albumin"), "mmol/L", 2,
        "poor in critical illness; ionised calcium preferred", "Payne 1973",
        lambda v, _, c: body.calcium_adjusted(v["calcium_total"], v["albumin"], c=c),
    ),
    Formula(
        "mean_pressure_computed", "mean pressure", ("systolic", "diastolic"), "mm[Hg]", 0,
        "from a cuff", "common practice", lambda v, _, c: body.mean_pressure(v["systolic"], v["diastolic"]),
    ),
    Formula(
        "shock_index", "shock index", ("heart_rate", "systolic"), "", 2,
        "not under a beta-blocker", "Allgoewer 1967",
        lambda v, _, c: body.shock_index(v["heart_rate"], v["systolic"]),
    ),
    Formula(
        "cockcroft_gault", "creatinine clearance", ("age", "weight", "creatinine"), "mL/min", 0,
        "adults, steady creatinine; adjusted weight above 120 % of ideal", "Cockcroft 1976", _cockcroft, ("height",),
    ),
    Formula(
        "ckd_epi", "eGFR", ("age", "creatinine"), "mL/min/1.73 m2", 0,
        "adults, steady creatinine", "Inker 2021", lambda v, f, c: body.ckd_epi(v["age"], v["creatinine"], f, c=c),
    ),
    Formula(
        "schwartz", "eGFR of a child", ("age", "height", "creatinine"), "mL/min/1.73 m2", 0,
        "1 to 17 years, enzymatic creatinine", "Schwartz 2009",
        lambda v, _, c: body.schwartz(v["age"], v["height"], v["creatinine"], c=c),
    ),
    Formula(
        "ideal_weight", "ideal weight", ("height",), "kg", 1,
        "adults from 152.4 cm", "Devine 1974", lambda v, f, c: body.ideal_weight(v["height"], f, c=c),
    ),
    Formula(
        "adjusted_weight", "adjusted weight", ("weight", "height"), "kg", 1,
        "weight above 120 % of ideal", "common practice",
        lambda v, f, c: body.adjusted_weight(v["weight"], v["height"], f, c=c),
    ),
    Formula(
        "phenytoin_corrected", "phenytoin corrected for albumin", ("phenytoin_total", "albumin"), "mg/L", 1,
        "not with valproate; a free level is better", "Sheiner and Tozer 1978",
        lambda v, _, c: body.phenytoin_corrected(v["phenytoin_total"], v["albumin"], c=c),
    ),
    Formula(
        "phenytoin_corrected_renal", "phenytoin corrected for albumin, kidney failure", ("phenytoin_total",
        "albumin"), "mg/L", 1,
        "creatinine clearance under 10 mL/min or dialysis; not with valproate", "Sheiner and Tozer 1978",
        lambda v, _, c: body.phenytoin_corrected(v["phenytoin_total"], v["albumin"], c=c, renal=True),
    ),
    Formula(
        "qsofa", "qSOFA", (), "", 0,
        "adults; at least, when a part is missing", "Seymour 2016",
        lambda v, _, c: scores.qsofa(v.get("respiratory_rate"), v.get("systolic"), v.get("gcs"), c=c).interval,
        ("respiratory_rate", "systolic", "gcs"),
    ),
    Formula(
        "gcs_total", "GCS", ("gcs_eye", "gcs_verbal", "gcs_motor"), "", 0,
        "every part tested", "Teasdale 1974",
        lambda v, _, c: scores.gcs_total(v["gcs_eye"], v["gcs_verbal"], v["gcs_motor"], c=c),
    ),
    Formula(
        "news2", "NEWS2", ("age",), "", 0,
        "from 16 years, not in pregnancy; SpO2 scale 1; at least, when a part is missing",
        "Royal College of Physicians 2017",
        _news2, ("respiratory_rate", "spo2", "oxygen_flow", "inspired_oxygen", "systolic", "heart_rate", "gcs",
        "temperature"),
    ),
)  # fmt: skip

FORMULAS: Final[Mapping[str, Formula]] = MappingProxyType({each.name: each for each in _ALL})
