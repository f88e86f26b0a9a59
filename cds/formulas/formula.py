"""What a named formula is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cds.formulas.constants import FormulaConstants
from cds.numbers import Interval

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
