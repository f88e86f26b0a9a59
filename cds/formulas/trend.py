"""The trend of irregular samples: the median of all slopes between two of them. Source: Sen 1968."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from cds.formulas.constants import FormulaConstants
from cds.formulas.monotone import NotComputable
from cds.numbers import Interval

_INFINITY: Final = Decimal("Infinity")
Sample = tuple[Decimal, Interval]


@dataclass(frozen=True, slots=True)
class Trend:
    """Change per hour; `spread` are the quartiles of the slopes (four or more exact samples); the hours and number of
    samples used.
    """

    slope: Interval
    spread: tuple[Decimal, Decimal] | None
    hours: Decimal
    samples: int


def thinned(samples: Sequence[Sample], min_apart: Decimal) -> list[Sample]:
    """Samples at least `min_apart` hours apart, oldest first. The newest always stays; of a close pair the older one
    goes.
    """
    kept: list[Sample] = []
    for sample in sorted(samples, key=lambda each: each[0], reverse=True):
        if not kept or kept[-1][0] - sample[0] >= min_apart:
            kept.append(sample)
    return kept[::-1]


def theil_sen(
    samples: Sequence[Sample],
    *,
    min_span: Decimal,
    min_apart: Decimal,
    spread_from: int = 4,
    not_before: Decimal | None = None,
) -> Trend:
    """Median of the slopes between every two samples, a sample being (hours, value).

    `not_before` leaves out what was drawn earlier (the start of a treatment, less 15 min). A sample given as an
    interval widens the slope, since the median moves with each slope. NotComputable with fewer than two samples or
    less than `min_span` hours.
    """
    used = thinned([each for each in samples if not_before is None or each[0] >= not_before], min_apart)
    if len(used) < 2:
        raise NotComputable("fewer than two samples")
    hours = used[-1][0] - used[0][0]
    if hours <= 0 or hours < min_span:
        raise NotComputable("samples too close together for a trend")
    lows: list[Decimal] = []
    highs: list[Decimal] = []
    for later in range(1, len(used)):
        for earlier in range(later):
            apart = used[later][0] - used[earlier][0]
            if apart == 0:
                continue
            change = used[later][1] - used[earlier][1]
            lows.append(-_INFINITY if change.low is None else change.low / apart)
            highs.append(_INFINITY if change.high is None else change.high / apart)
    low, high = _quantile(lows, Decimal("0.5")), _quantile(highs, Decimal("0.5"))
    exact = all(value.exact is not None for _, value in used)
    spread = None
    if exact and len(used) >= spread_from:
        spread = (_quantile(lows, Decimal("0.25")), _quantile(lows, Decimal("0.75")))
    return Trend(Interval(_finite(low), _finite(high)), spread, hours, len(used))


def slope(samples: Sequence[tuple[Decimal, Decimal]], *, min_span: Decimal, min_apart: Decimal) -> Decimal | None:
    """Change per hour over exact samples (hours, value); None when there is no trend to speak of."""
    try:
        found = theil_sen([(at, Interval(v, v)) for at, v in samples], min_span=min_span, min_apart=min_apart)
    except NotComputable:
        return None
    return found.slope.exact


def projected(latest: Interval, trend: Interval, hours: Decimal, *, c: FormulaConstants) -> Interval:
    """The latest value moved on by its trend. NotComputable beyond 2 h ahead."""
    if not 0 <= hours <= c.projection_hours:
        raise NotComputable(f"a trend is not drawn further than {c.projection_hours} h ahead")
    return latest + trend.scale(hours)


def _quantile(values: Sequence[Decimal], share: Decimal) -> Decimal:
    """Between the neighbours in proportion; the middle one, or the mean of the middle two, for a half."""
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    below = int(place)
    part = place - below
    if part == 0:
        return ordered[below]
    a, b = ordered[below], ordered[below + 1]
    if not a.is_finite() or not b.is_finite():
        return a if not a.is_finite() and a < 0 else b
    return (a + b) / 2 if share * 2 == 1 else a + (b - a) * part


def _finite(value: Decimal) -> Decimal | None:
    return value if value.is_finite() else None
