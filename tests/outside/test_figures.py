"""The figures of the knowledge against a table of what is published (figures.md): source, and how it was read, beside each."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from cds.parameters import VERIFIED, Absent, ParameterSet
from tests.synthetic.judging import knowledge

Row = tuple[str, ...]
_TABLE = re.compile(r"(\w+)\[(.+)\]\.(\w+)")


def rows() -> list[Row]:
    text = (Path(__file__).parent / "figures.md").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines if not line.startswith("| figure |")]


def kept(key: str, unit: str, parameters: ParameterSet) -> Decimal | None:
    """The figure that the service judges by, as it is kept for this unit; nothing is converted."""
    table = _TABLE.fullmatch(key)
    if table is None:
        limit = parameters[key]
        return None if isinstance(limit, Absent) else limit.in_unit(unit)
    wanted = dict(pair.strip().split("=") for pair in table[2].split(","))
    found = [row for row in parameters.table(table[1]) if all(same(row.get(name), value) for name, value in wanted.items())]
    assert len(found) == 1, f"{key}: {len(found)} rows"
    return Decimal(str(found[0][table[3]]))


def same(kept_value: object, wanted: str) -> bool:
    return kept_value == wanted or (isinstance(kept_value, Decimal) and kept_value == Decimal(wanted))


def differing(table: list[Row], change: Decimal = Decimal(0)) -> Iterator[str]:
    for figure, printed, unit, key, population, _, _ in table:
        found = kept(key, unit, knowledge().parameters.for_population("child" if population == "child" else "adult"))
        if found is None or found + change != Decimal(printed):
            yield f"{figure}: {printed} {unit} printed, {found} kept ({key})"


def test_hz_22_every_figure_is_the_published_one() -> None:
    assert list(differing(rows())) == []


def test_table_is_large_and_names_how_each_source_was_read() -> None:
    table = rows()
    assert len(table) >= 40
    assert all(len(row) == 7 and row[6] in VERIFIED and row[5] for row in table)
    topics = ("ketoacidosis", "hyperosmolar", "insulin", "potassium", "hypoglycaemia", "status", "seizure", "fosphenytoin", "renal_limits", "formula", "news2")
    assert [topic for topic in topics if not any(row[3].startswith(topic) for row in table)] == []


@pytest.mark.parametrize("change", ["0.1", "-1"])
def test_control_a_changed_figure_is_noticed(change: str) -> None:
    """Every row notices a figure that is off by a tenth or by one (HZ-22)."""
    assert len(list(differing(rows(), Decimal(change)))) == len(rows())
