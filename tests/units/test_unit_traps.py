"""What a dimension checker converts without a word, and this table refuses.

Each row is shown twice: pint with ucumvert does it, ours raises. Sources: UCUM 2.1, section 3.2 (arbitrary units have no
dimension) and section 2.4 (annotations have no meaning); reproduced here with the versions pinned for the generator.
"""

from __future__ import annotations

import dataclasses
from decimal import Decimal as D
from typing import Any

import pytest

from cds import units
from cds.units import UnitError, canonical_unit, convert

ucumvert = pytest.importorskip("ucumvert", reason="the traps are shown with pint and ucumvert")


@pytest.fixture(scope="module")
def ureg() -> Any:
    return ucumvert.PintUcumRegistry(non_int_type=D)


SILENT = [
    ("6", "[iU]/h", "mg/kg/min", "100000", "an insulin rate becomes a mass"),
    ("90", "/min", "[iU]/h", "5400", "a heart rate becomes a dose rate"),
    ("90", "/min", "mg/kg/min", "90000000", "a heart rate becomes a mass rate"),
    ("15", "mg{PE}/kg", "mg/kg", "15", "phenytoin equivalents become salt"),
    ("290", "mosm/kg", "mmol/kg", "290", "osmoles become moles"),
    ("2", "meq/L", "mmol/L", "2", "equivalents become moles without the charge"),
    ("1", "mg/kg", "%", "0.0001", "a dose becomes a fraction"),
]


def refused(value: str, source: str, target: str) -> None:
    try:
        got = convert(D(value), source, target)
    except UnitError:
        return
    raise AssertionError(f"{value} {source} became {got} {target}")


@pytest.mark.parametrize(("value", "source", "target", "silently", "why"), SILENT)
def test_hz_02_silent_conversions_are_refused(ureg: Any, value: str, source: str, target: str, silently: str, why: str) -> None:
    theirs = D(value) * D(ureg.from_ucum(source).to(ureg.from_ucum(target).units).magnitude) / D(ureg.from_ucum(target).magnitude)
    assert abs(theirs / D(silently) - 1) < D("1e-9"), why
    refused(value, source, target)


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ("kg", "mg"),
        ("g", "kg"),
        ("mg", "mg/h"),
        ("mg/h", "mg"),
        ("mg/kg", "mg"),
        ("mg/kg/h", "mg/h"),
        ("[iU]", "mg"),
        ("[iU]/mL", "mg/mL"),
        ("U/L", "[iU]/L"),
        ("U/L", "mmol/L"),
        ("mL", "mL/h"),
        ("/min", "/kg"),
        ("mmol", "meq"),
        ("mg{PE}", "mg"),
        ("mg{PE}/min", "mg/min"),
        ("[lb_av]", "g"),
        ("mL/min/{1.73_m2}", "mL/min"),
        ("1", "%"),
        ("mosm/kg", "mosm/L"),
    ],
)
def test_hz_02_unlike_things_do_not_meet(source: str, target: str) -> None:
    """Body weight and drug mass, rates and amounts, per weight and absolute, units and mass: all apart."""
    if units.unit(target) is None:
        assert canonical_unit(target) is None
    refused("1", source, target)


def test_control_without_kinds_insulin_becomes_mass(monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: with every unit given one kind, the first two traps spring."""
    one_kind = {code: dataclasses.replace(known, kind="anything") for code, known in units._UNITS.items()}
    monkeypatch.setattr(units, "_UNITS", one_kind)
    for value, source, target, *_ in SILENT[:2]:
        with pytest.raises(AssertionError, match="became"):
            refused(value, source, target)


def test_body_surface_in_a_clearance(ureg: Any) -> None:
    """mL/min/1.73.m2 is valid UCUM for 73 mL.m2/min; here it is what every sender means, and no plain clearance."""
    assert ureg.from_ucum("mL/min/1.73.m2").dimensionality != ureg.from_ucum("mL/min/m2").dimensionality
    assert canonical_unit("mL/min/1.73.m2") == "mL/min/{1.73_m2}"
    refused("60", "mL/min/{1.73_m2}", "mL/min")


def test_u_is_the_enzyme_unit_in_ucum_only(ureg: Any) -> None:
    """pint reads U as mol/s, so 6 U/h is no rate of insulin there. In an order U is [iU]; in U/L it stays the enzyme unit."""
    with pytest.raises(Exception, match=r"[Cc]annot convert"):
        ureg.from_ucum("U/h").to(ureg.from_ucum("[iU]/h").units)
    assert canonical_unit("U/h") == "[iU]/h"
    assert canonical_unit("U/L") == "U/L"


def test_mass_to_amount_needs_the_analyte(ureg: Any) -> None:
    with pytest.raises(Exception, match=r"[Cc]annot convert"):
        ureg.from_ucum("mg/dL").to(ureg.from_ucum("mmol/L").units)
    refused("180", "mg/dL", "mmol/L")
    assert round(units.to_canonical("glucose", D(180), "mg/dL"), 2) == D("9.99")


def test_score_is_no_quantity_there_and_a_unit_here(ureg: Any) -> None:
    assert not hasattr(ureg.from_ucum("{score}"), "magnitude")
    assert canonical_unit("{score}") == "{score}"


@pytest.mark.parametrize("text", ["mcg", "mEq/L", "IU", "cc"])
def test_everyday_spellings_are_not_ucum(ureg: Any, text: str) -> None:
    with pytest.raises(Exception):  # noqa: B017 (each fails in a way of its own)
        _ = ureg.from_ucum(text).magnitude
    assert canonical_unit(text) is not None
