"""How far a computed quantity may lie from the truth, from what each measurement may be off by.

The error of one measurement stands with the analyte (`cds.vocabulary.allowable_error`), once.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from cds.formulas.catalogue import FORMULAS, compute
from cds.formulas.monotone import NotComputable, root
from cds.numbers import point
from cds.parameters import ParameterSet
from cds.vocabulary import ANALYTES, allowable_error

_LABORATORY: Final[Mapping[str, str]] = MappingProxyType({})


def difference_error(error: Decimal) -> Decimal:
    """The error of the difference of two results that each have `error`: the square root of 2 times it."""
    return root(Decimal(2), 2) * error


def formula_error(
    name: str, values: Mapping[str, Decimal], p: ParameterSet, *, methods: Mapping[str, str] = _LABORATORY, sex: str = ""
) -> Decimal:
    """The error of the formula `name` at `values`, each input with the allowable error of its analyte.

    `methods` says which inputs were not measured in a laboratory ("meter", "gas"). Inputs without a known error (age,
    weight) count as exact. NotComputable as `propagated_error`.
    """
    formula = FORMULAS[name]
    errors: dict[str, Decimal] = {}
    for each in (*formula.inputs, *formula.optional):
        if each in values and each in ANALYTES:
            error = allowable_error(each, values[each], methods.get(each, "laboratory"))
            if error is not None:
                errors[each] = error
    return propagated_error(name, values, errors, p, sex=sex)


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
