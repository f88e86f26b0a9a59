"""The formulas against printed examples and other people's libraries (formulas.md), in the units in which those give them."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest

from cds import formulas, units
from cds.formulas import blood
from cds.numbers import Interval, point
from tests.formulas.conftest import shipped

_INPUT = re.compile(r"(\w+)=([\d.]+)(?: (\S+))?(?: \[(\S+)\])?")
CHILDREN = ("maintenance", "child", "schwartz")
LIBRARIES = ("clincalc", "medimetry", "medcalc-bench")


def rows() -> list[tuple[str, ...]]:
    text = (Path(__file__).parent / "formulas.md").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.startswith("| ") and not line.startswith("| formula ")]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines]


def value_of(text: str) -> tuple[str, Interval]:
    """One input in its analyte's kept unit, by the closed table; an age has none."""
    found = _INPUT.fullmatch(text.strip())
    assert found, text
    name, number, unit, code = found.groups()
    if unit is None:
        return name, point(Decimal(number))
    factor = units.analyte_factor(name, unit, code)
    assert factor is not None, f"{name} is not read in {unit}"
    return name, point(Decimal(number) * factor)


def computed(name: str, inputs: str, sex: str) -> Decimal:
    p = shipped().for_population("child" if name.startswith(CHILDREN) else "adult")
    found = formulas.compute(name, dict(value_of(each) for each in inputs.split(",")), p, sex=sex).exact
    assert found is not None
    return found


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row[0]} {row[1]}")
def test_hz_22_formula_gives_what_others_get(row: tuple[str, ...]) -> None:
    name, inputs, sex, gives, within, _ = row
    expect = Decimal(gives)
    room = expect * Decimal(within.removesuffix(" %")) / 100 if within.endswith("%") else Decimal(within)
    assert abs(computed(name, inputs, sex) - expect) <= room + Decimal("1e-9")


def test_table_names_a_source_for_each_and_takes_both_routes() -> None:
    table = rows()
    assert len(table) >= 90 and all(len(row) == 6 and row[5] for row in table)
    assert all(any(row[5].startswith(library) for row in table) for library in LIBRARIES)
    assert any(not row[5].startswith(LIBRARIES) for row in table)


@pytest.mark.parametrize("factor", ["0.9", "1.1"])
def test_control_a_result_off_by_a_tenth_is_noticed(monkeypatch: pytest.MonkeyPatch, factor: str) -> None:
    """Every row turns red when its formula gives a tenth more or less (HZ-22); 4.2 % is the widest room."""
    monkeypatch.setitem(globals(), "computed", lambda *row, of=computed: of(*row) * Decimal(factor))
    for row in rows():
        with pytest.raises(AssertionError):
            test_hz_22_formula_gives_what_others_get(row)


def test_control_the_wrong_correction_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """With Hillier's factor under Katz's name, rows of Katz turn red."""
    monkeypatch.setattr(blood, "sodium_corrected_katz", blood.sodium_corrected_hillier)
    katz = [row for row in rows() if row[0] == "sodium_corrected_katz"]
    assert katz
    for row in katz:
        with pytest.raises(AssertionError):
            test_hz_22_formula_gives_what_others_get(row)


def test_qtc_as_a_recorder_printed_it() -> None:
    """An ECG in a public HL7 sample message: rate 77, QT 358, corrected 405 ms (Bazett, as recorders print it; cut, not rounded)."""
    c = formulas.constants(shipped())
    found = formulas.qtc_bazett(point(Decimal(358)), point(Decimal(77)), c=c).exact
    assert found is not None and int(found) == 405
