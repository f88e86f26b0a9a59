"""The closed set of criteria and of numeric expressions. Data only: each view (evaluate, compile, explain, tabulate, flip) is one `match`.

A criterion is TRUE, FALSE or UNKNOWN. An expression is a number as an interval, or a named gap. Adding a node means adding it to every view;
`assert_never` makes the type checker find the ones that were forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass

from cds.parameters import Absent, Parameter

Limit = Parameter | Absent


# Numeric expressions -----------------------------------------------------------------------------------------------------------------


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
class Total:
    """The sum per hour of one substance over orders: `scope` "running" or "if signed"; `lines` "any", "central" or "not central".

    `per_kg` divides by the body weight. Balanced fluids count in the sum. Potassium mmol/h, insulin [iU]/h, glucose g/h.
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
class Slope:
    """Change per hour of an analyte over irregular samples (Theil-Sen), within `window` minutes, over at least `span` minutes."""

    analyte: str
    window: Limit
    span: Limit
    apart: Limit


@dataclass(frozen=True, slots=True)
class Projected:
    """The latest point of a series moved on by its slope for `ahead` hours."""

    series: Slope
    ahead: Limit


@dataclass(frozen=True, slots=True)
class Change:
    """Newest minus oldest value of an analyte within `window` minutes."""

    analyte: str
    window: Limit


@dataclass(frozen=True, slots=True)
class OfOrder:
    """A number of the order in hand: `fact` is "per_hour", "amount", "concentration" (per litre), "mg_per_ml", "duration_minutes" or "per_day"."""

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


@dataclass(frozen=True, slots=True)
class Since:
    """Minutes from a named event of a state (for example "seizure onset") to now."""

    event: str


@dataclass(frozen=True, slots=True)
class Age:
    """Age of the patient in completed "years" or in "days"."""

    unit: str = "years"


Expression = (
    Latest | Formula | Total | DayTotal | Slope | Projected | Change | OfOrder | DosePerWeight | RatePerWeight | Since | Age
)


# Criteria ----------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AllOf:
    """TRUE when every part is. At least one part."""

    parts: tuple[Criterion, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError("AllOf needs a part")


@dataclass(frozen=True, slots=True)
class AnyOf:
    """TRUE when one part is. At least one part."""

    parts: tuple[Criterion, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError("AnyOf needs a part")


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite; UNKNOWN stays UNKNOWN."""

    part: Criterion


@dataclass(frozen=True, slots=True)
class AtLeast:
    """TRUE when at least `count` parts are; `count` is at least 1 and at most the number of parts."""

    count: int
    parts: tuple[Criterion, ...]

    def __post_init__(self) -> None:
        if not 1 <= self.count <= len(self.parts):
            raise ValueError(f"AtLeast {self.count} of {len(self.parts)} parts")


@dataclass(frozen=True, slots=True)
class Below:
    """item < limit, compared in the unit in which the result was reported when the source prints that unit (MET 1.2)."""

    item: Expression
    limit: Limit


@dataclass(frozen=True, slots=True)
class AtMostValue:
    """item <= limit."""

    item: Expression
    limit: Limit


@dataclass(frozen=True, slots=True)
class Above:
    """item > limit."""

    item: Expression
    limit: Limit


@dataclass(frozen=True, slots=True)
class AtLeastValue:
    """item >= limit."""

    item: Expression
    limit: Limit


@dataclass(frozen=True, slots=True)
class Between:
    """low <= item < high: bands are half open, so that no value falls between two of them."""

    item: Expression
    low: Limit
    high: Limit


@dataclass(frozen=True, slots=True)
class NoneWithin:
    """TRUE when none of the analytes has a current result, whatever the kind of gap; the reason names it (F-9).

    `before_event` counts the window back from a named event instead of from now (glucose from 30 min before a seizure began); where the event has no
    time, `without_event` is the window back from now.
    """

    analytes: tuple[str, ...]
    within: Limit
    before_event: str = ""
    without_event: Limit | None = None


@dataclass(frozen=True, slots=True)
class HasCondition:
    """A condition with one of the concepts. `standing` is "active" or "recorded" (also resolved ones).

    `within` (minutes) asks for an onset or a recording in that time; `undated` says what an active one without any date counts as ("yes", "no").
    FALSE only when the list was sent whole.
    """

    concepts: tuple[str, ...]
    standing: str = "active"
    within: Limit | None = None
    undated: str = "yes"


@dataclass(frozen=True, slots=True)
class OrderFilter:
    """Which orders are meant: drug classes or names, `where` "drafted", "running", "either", "active" or "listed"; `route` a kind or "" for any.

    "either" is every order that would run if the drafts were signed; "active" is these and the home medicines that stand as active. A route that is not
    stated matches "intravenous" only for an order that is an infusion by its form. `ended_within` (minutes) also takes orders that ended so long ago.
    """

    classes: tuple[str, ...]
    where: str = "either"
    route: str = ""
    ended_within: Limit | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HasOrder:
    """TRUE when an order matches; FALSE only when the list was sent whole, else UNKNOWN."""

    orders: OrderFilter


@dataclass(frozen=True, slots=True)
class NoOrder:
    """TRUE when no order matches and the list was sent whole; UNKNOWN when the list failed or is incomplete (F-9)."""

    orders: OrderFilter


@dataclass(frozen=True, slots=True)
class AnyOrder:
    """TRUE when for one matching order `such_that` holds; that order becomes "the order in hand" inside, and each such order is a witness."""

    orders: OrderFilter
    such_that: Criterion | None = None


@dataclass(frozen=True, slots=True)
class OrderIs:
    """A yes-or-no of the order in hand: "drafted", "intravenous", "push", "one-off", "line central", "line stated", "diluent stated",
    "diluent from text", "additives", "reason stated", "new" (not a change of a running one), "detail expected" (order-sign, F-11), "settled at home" (a home
    medicine unchanged for a time)."""

    fact: str


@dataclass(frozen=True, slots=True)
class OrderHas:
    """The order in hand holds, in the given place ("active", "diluent", "any"), a drug of one of the classes."""

    classes: tuple[str, ...]
    place: str = "any"


@dataclass(frozen=True, slots=True)
class OrderReason:
    """The order in hand is for one of these concepts."""

    concepts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotComputable:
    """TRUE when the number cannot be computed for want of something that the orders should state."""

    item: Expression


@dataclass(frozen=True, slots=True)
class TableRow:
    """The order in hand has a drug in the named table whose `column` holds one of `values` (for example T1, grade A)."""

    table: str
    column: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class State:
    """A named state that topics share (cds.states), evaluated once for each assessment."""

    name: str


@dataclass(frozen=True, slots=True)
class StillIn:
    """TRUE when the latest instant of the last `window` minutes that met `begins` is not followed by one that met `ends` (F-33).

    Instants are the draw times of the analytes, newest `most` of them; windows count back from each, orders and conditions are as now.
    """

    begins: Criterion
    ends: Criterion
    analytes: tuple[str, ...]
    window: Limit
    most: Limit


@dataclass(frozen=True, slots=True)
class HookIs:
    """The call is one of these hooks."""

    hooks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PatientIs:
    """A fact of the patient: "child", "adult", "neonate", "female"."""

    fact: str


Criterion = (
    AllOf
    | AnyOf
    | Not
    | AtLeast
    | Below
    | AtMostValue
    | Above
    | AtLeastValue
    | Between
    | NoneWithin
    | HasCondition
    | HasOrder
    | NoOrder
    | AnyOrder
    | OrderIs
    | OrderHas
    | OrderReason
    | NotComputable
    | TableRow
    | State
    | StillIn
    | HookIs
    | PatientIs
)
