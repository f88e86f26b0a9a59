"""The figures that reading a request needs, taken from a parameter set (`intake.toml`)."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib import resources

from cds.chart import MINUTE
from cds.parameters import Absent, ParameterError, ParameterSet, load_toml_text, parameter_set


@dataclass(frozen=True, slots=True)
class Limits:
    """`clock_ahead` in ms; `widest` in minutes from UTC, west first; meter limits per unit as (UCUM unit, value); ketone grades
    as (grade, from mg/dL, from mmol/L), lowest first; AVPU as (class, score, LOINC answer).
    """

    clock_ahead: int
    widest: tuple[int, int]
    meter_high: Decimal
    meter_low: Decimal
    ketone_grades: tuple[tuple[Decimal, Decimal, Decimal], ...]
    avpu: tuple[tuple[str, Decimal, str], ...]


def limits_from(p: ParameterSet) -> Limits:
    """The limits as a parameter set states them. ParameterError when a key is missing."""

    def number(key: str) -> Decimal:
        found = p[key]
        if isinstance(found, Absent):
            raise ParameterError(f"{key} is absent")
        return found.number

    grades = p.table("urine_ketone_grades")
    return Limits(
        clock_ahead=int(number("intake_clock_ahead") * MINUTE),
        widest=(int(number("intake_zone_earliest") * 60), int(number("intake_zone_latest") * 60)),
        meter_high=number("intake_meter_high"),
        meter_low=number("intake_meter_low"),
        ketone_grades=tuple(
            sorted((Decimal(r["grade"]), Decimal(r["from_mg_per_dl"]), Decimal(r["from_mmol_per_l"])) for r in grades)
        ),
        avpu=tuple((r["class"], Decimal(r["score"]), r["answer"]) for r in p.table("avpu_scores")),
    )


@cache
def default_limits() -> Limits:
    """The limits of the file that is shipped beside this module."""
    text = resources.files("cds.intake").joinpath("intake.toml").read_text(encoding="utf-8")
    return limits_from(parameter_set({"intake.toml": load_toml_text(text)}))
