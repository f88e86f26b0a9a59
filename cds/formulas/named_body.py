"""Calcium, heart, circulation, kidney, body size, phenytoin and scores under their names."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from cds.formulas import body, scores
from cds.formulas.constants import FormulaConstants
from cds.formulas.formula import Formula, Values
from cds.numbers import Interval


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


BODY: Final = (
    Formula(
        "calcium_adjusted", "adjusted calcium", ("calcium_total", "albumin"), "mmol/L", 2,
        "poor in critical illness; ionised calcium preferred", "Payne 1973",
        lambda v, _, c: body.calcium_adjusted(v["calcium_total"], v["albumin"], c=c),
    ),
    Formula(
        "qtc_fridericia", "QTc by Fridericia", ("qt", "heart_rate"), "ms", 0,
        "heart rate 40 to 140 /min", "Fridericia 1920",
        lambda v, _, c: body.qtc_fridericia(v["qt"], v["heart_rate"], c=c),
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
