"""The closed set of numeric expressions, and which orders a criterion means. Data only; `cds.logic.working` gives each its value.

An expression is a number as an interval, or a named gap. Arithmetic keeps intervals to the end: a sum with an open end stays open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cds.parameters import Absent, Parameter

if TYPE_CHECKING:
    from cds.logic.criteria import Criterion

Limit = Parameter | Absent


@dataclass(frozen=True, slots=True)
class OrderFilter:
    """Which orders are meant: drug classes or names, `where` and `route` (a kind, or "" for any).

    `where` is "drafted", "running", "either" (every order that would run if the drafts were signed), "active" (these and the home medicines that stand as
    active), "listed" (on the medication list), "stopping" (running ones that a draft ends) or "given" (each single dose that was given: by the
    administration record, else a one-off order that was started; needs `started_within`).

    A route that is not stated matches "intravenous" only for an order that is an infusion by its form. `ended_within` (minutes) also takes orders that ended
    so long ago. `started_within` and `started_before` (minutes) ask how long ago it was started; a start that is not recorded leaves the match UNKNOWN.
    """

    classes: tuple[str, ...]
    where: str = "either"
    route: str = ""
    ended_within: Limit | None = None
    reasons: tuple[str, ...] = ()
    started_within: Limit | None = None
    started_before: Limit | None = None


# Results ---------------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest current result of an analyte. `within` is the look-back window in minutes.

    `less_safe`: results within `together` minutes of the newest are all candidates, and a comparison takes the one that makes the order in hand look
    less safe (MET 1.3). Without it the newest alone decides (R-m49).
    """

    analyte: str
    within: Limit
    together: Limit | None = None


@dataclass(frozen=True, slots=True)
class Formula:
    """A named formula of cds.formulas over current results; `within` is the window in minutes for its inputs."""

    name: str
    within: Limit


@dataclass(frozen=True, slots=True)
class Slope:
    """Change per hour over irregular samples (Theil-Sen), within `window` minutes, over at least `span` minutes, of samples `apart` minutes.

    `of` names an analyte, or a formula: then there is a sample at each draw of its first input at which the others are known too. `since` is an event that
    a state dates (for example "insulin start"): only samples from a little before it count; without a time for it all do.
    """

    of: str
    window: Limit
    span: Limit
    apart: Limit
    since: str = ""


@dataclass(frozen=True, slots=True)
class Projected:
    """The latest point of a series moved on by its slope for `ahead` hours."""

    series: Slope
    ahead: Limit


@dataclass(frozen=True, slots=True)
class Change:
    """The newest value of an analyte or formula less an earlier one within `window` minutes: `against` the "oldest", the "lowest" or the "highest"."""

    of: str
    window: Limit
    against: str = "oldest"


@dataclass(frozen=True, slots=True)
class Extreme:
    """The "lowest", "highest" or "oldest" value of an analyte or formula within `window` minutes."""

    of: str
    window: Limit
    which: str


# Orders ----------------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Total:
    """The sum per hour of one substance over orders: `scope` "running" or "if signed"; `lines` "any", "central" or "not central".

    `per_kg` divides by the body weight. Balanced fluids count in the sum. Potassium mmol/h, insulin [iU]/h, glucose g/h, fluid and crystalloid mL/h.
    """

    substance: str
    scope: str = "if signed"
    lines: str = "any"
    per_kg: bool = False


@dataclass(frozen=True, slots=True)
class DayTotal:
    """The amount of one substance that the orders give in 24 hours (rate times the hours ordered), same scopes as Total."""

    substance: str
    scope: str = "if signed"


@dataclass(frozen=True, slots=True)
class Given:
    """The amount of one substance given by vein within the last `within` minutes, by what orders and administrations say: rate times the time that it ran,
    or a whole dose. Open upwards where a start, a rate or a list is not known. `per_kg` divides by the body weight.
    """

    substance: str
    within: Limit
    per_kg: bool = False


@dataclass(frozen=True, slots=True)
class CountOrders:
    """How many orders (or given doses) match and hold `such_that`; an order that may match widens the number upwards."""

    orders: OrderFilter
    such_that: Criterion | None = None


@dataclass(frozen=True, slots=True)
class SinceStart:
    """Minutes since the newest start of a matching order or given dose. A gap when none matches or no start is recorded."""

    orders: OrderFilter


@dataclass(frozen=True, slots=True)
class OfOrder:
    """A number of the order in hand: `fact` is "per_hour", "amount", "concentration" (per litre), "mg_per_ml", "duration_minutes", "per_day",
    "interval_hours" (between doses), "course_days" (as ordered) or "started_minutes" (ago)."""

    fact: str
    substance: str


@dataclass(frozen=True, slots=True)
class DosePerWeight:
    """Amount of a substance in the order in hand divided by body weight."""

    substance: str


@dataclass(frozen=True, slots=True)
class RatePerWeight:
    """Amount per hour of a substance in the order in hand divided by body weight."""

    substance: str


# Time ------------------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Since:
    """Minutes from a named event of a state (for example "seizure onset") to now."""

    event: str


@dataclass(frozen=True, slots=True)
class Age:
    """Age of the patient in completed "years" or in "days"."""

    unit: str = "years"


# Arithmetic ------------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figure:
    """A parameter as a number."""

    limit: Limit


@dataclass(frozen=True, slots=True)
class Plus:
    """The sum of numbers of one unit. A gap in one is a gap in the sum."""

    parts: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class Minus:
    """One number less another of the same unit."""

    of: Expression
    less: Expression


@dataclass(frozen=True, slots=True)
class Ratio:
    """One number divided by another, neither negative. Numbers of one unit give a bare number."""

    of: Expression
    to: Expression


@dataclass(frozen=True, slots=True)
class Scaled:
    """A number times a parameter. `unit` is the unit of the product, "" for the number's own."""

    of: Expression
    by: Limit
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Lesser:
    """The smallest of numbers of one unit; a number that is missing is left out as long as one is there."""

    parts: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class Greater:
    """The largest of numbers of one unit; a number that is missing is left out as long as one is there."""

    parts: tuple[Expression, ...]


Expression = (
    Latest
    | Formula
    | Slope
    | Projected
    | Change
    | Extreme
    | Total
    | DayTotal
    | Given
    | CountOrders
    | SinceStart
    | OfOrder
    | DosePerWeight
    | RatePerWeight
    | Since
    | Age
    | Figure
    | Plus
    | Minus
    | Ratio
    | Scaled
    | Lesser
    | Greater
)
