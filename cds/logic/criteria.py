"""The closed set of criteria. Data only: each view (evaluate, compile, explain, tabulate, flip) is one `match`.

A criterion is TRUE, FALSE or UNKNOWN. What it compares are the numeric expressions of `cds.logic.expressions`, which are named here too. Adding a node means
adding it to every view; `assert_never` makes the type checker find the ones that were forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass

from cds.logic.expressions import (
    Age,
    Change,
    CountOrders,
    DayTotal,
    DosePerWeight,
    Expression,
    Extreme,
    Figure,
    Formula,
    Given,
    Greater,
    Latest,
    Lesser,
    Limit,
    Minus,
    OfOrder,
    OrderFilter,
    Plus,
    Projected,
    RatePerWeight,
    Ratio,
    Scaled,
    Since,
    SinceStart,
    Slope,
    Total,
)

__all__ = [
    "Above", "Age", "AllOf", "AnyOf", "AnyOrder", "AtLeast", "AtLeastValue", "AtMostValue", "Below", "Between", "Change", "CountOrders", "Criterion",
    "CultureShows", "DayTotal", "DosePerWeight", "Expression", "Extreme", "Figure", "Formula", "Given", "Greater", "HasAllergy", "HasCare", "HasCondition",
    "HasOrder", "HookIs", "Latest", "Lesser", "Limit", "Minus", "NoOrder", "NoneWithin", "Not", "NotComputable", "OfOrder", "OrderFilter", "OrderHas", "OrderIs",
    "OrderReason", "OrderTested", "PatientIs", "Plus", "Projected", "RatePerWeight", "Ratio", "Scaled", "Since", "SinceStart", "Slope", "State", "StillIn",
    "TableRow", "InvestigationOrdered", "Total",
]  # fmt: skip


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
    With `read` it is TRUE only where the lists were read: one that failed, was not sent, was cut off or holds only what could not be used makes it UNKNOWN.
    """

    analytes: tuple[str, ...]
    within: Limit
    before_event: str = ""
    without_event: Limit | None = None
    read: bool = False


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
    medicine unchanged for a time), "at home" (a home medicine), "infusion" (a rate, or a bag over time), "as needed", "selected", and its route where that is not a vein: "into muscle",
    "oral", "rectal", "buccal", "nasal" (a route that is not stated is UNKNOWN)."""

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


@dataclass(frozen=True, slots=True)
class HasAllergy:
    """An allergy that stands, to one of the drugs or classes, with a reaction of one of the `groups` ("severe immediate", "severe delayed", "mild",
    "not allergy", "unknown"). FALSE only when the list was sent whole.
    """

    names: tuple[str, ...]
    groups: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HasCare:
    """A procedure or device with one of the concepts: "ongoing", or "recorded" within `within` minutes (at any time without it).

    FALSE only when the list was sent whole.
    """

    concepts: tuple[str, ...]
    standing: str = "ongoing"
    within: Limit | None = None


@dataclass(frozen=True, slots=True)
class InvestigationOrdered:
    """A test for one of the items (analytes or test words) is "drafted" in this call, or ordered at all ("any": FALSE only when the list was sent whole)."""

    items: tuple[str, ...]
    where: str = "any"


@dataclass(frozen=True, slots=True)
class OrderTested:
    """A susceptibility result of the last `within` minutes for a drug of the order in hand is one of `results` ("S", "I", "R").

    `specimens` limits it to kinds ("blood", "urine", "csf", "other"). FALSE only when the list of cultures was sent whole.
    """

    results: tuple[str, ...]
    within: Limit
    specimens: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CultureShows:
    """A culture of the last `within` minutes: `markers` ("esbl", "carbapenemase", or a drug that stands for its class) reported as one of `results`,
    or without markers a culture whose result is one of `results` ("positive", "negative", "mixed", "pending", "contaminated").

    `organisms` are words that the organism's name must hold one of; `specimens` kinds as in OrderTested. FALSE only when the list was sent whole.
    """

    results: tuple[str, ...]
    within: Limit
    markers: tuple[str, ...] = ()
    organisms: tuple[str, ...] = ()
    specimens: tuple[str, ...] = ()


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
    | HasAllergy
    | HasCare
    | InvestigationOrdered
    | OrderTested
    | CultureShows
)
