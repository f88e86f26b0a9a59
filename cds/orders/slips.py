"""Which slip of a unit would explain a rate far outside what is usual (HZ-05). A question for a person, never a correction."""

from __future__ import annotations

from decimal import Decimal

from cds.numbers import ZERO, Interval

_PLAIN = (
    ("per minute instead of per hour", Decimal(60)),
    ("per hour instead of per minute", 1 / Decimal(60)),
    ("a thousand times too much (mg for micrograms, g for mg)", Decimal(1000)),
    ("a thousand times too little (micrograms for mg, mg for g)", 1 / Decimal(1000)),
    ("per hour instead of per day", Decimal(24)),
    ("per day instead of per hour", 1 / Decimal(24)),
    ("ten times too much", Decimal(10)),
    ("ten times too little", 1 / Decimal(10)),
)
_BY_WEIGHT = (
    ("per kg instead of for the whole patient", Decimal(1)),
    ("per kg per minute instead of per hour for the whole patient", Decimal(60)),
)
_BY_WEIGHT_MISSING = (
    ("for the whole patient instead of per kg", Decimal(1)),
    ("per hour for the whole patient instead of per kg per minute", Decimal(60)),
)


def possible_slips(per_hour: Decimal, usual: Interval, weight_kg: Decimal | None) -> tuple[str, ...]:
    """In words, each single slip that would turn a usual rate into the stated one; () for a rate inside the usual range.

    `per_hour` and `usual` in one unit per hour for the whole patient. Slips by body weight are left out without a weight. A rate outside
    the usual range that no slip explains also gives (): it is unusual, not a slip.
    """
    if per_hour <= ZERO or usual.holds(per_hour):
        return ()
    slips = list(_PLAIN)
    if weight_kg is not None and weight_kg > ZERO:
        slips += [(words, factor * weight_kg) for words, factor in _BY_WEIGHT]
        slips += [(words, 1 / (factor * weight_kg)) for words, factor in _BY_WEIGHT_MISSING]
    return tuple(words for words, factor in slips if usual.holds(per_hour / factor))
