"""The formulas by name, over analytes in their canonical units, for criteria and for cards."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from cds.formulas.constants import constants
from cds.formulas.formula import Formula, Values
from cds.formulas.monotone import NotComputable
from cds.formulas.named_blood import BLOOD
from cds.formulas.named_body import BODY
from cds.formulas.named_doses import DOSES
from cds.numbers import Interval, shown
from cds.parameters import ParameterSet

FORMULAS: Final[Mapping[str, Formula]] = MappingProxyType({each.name: each for each in (*BLOOD, *BODY, *DOSES)})


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
