"""What an advisory is, and what judging one gives.

A code is the unit of judgement and audit; a card is the unit of display (F-10). Codes of one `problem` share a card. A topic module declares its advisories
with the dataclasses below and nothing else: all words are templates, all numbers come from the parameter set.

Templates may hold `{name}` for a fact of the branch (its number with unit), `{name.age}` ("40 min ago"), `{p.key}` for a parameter with its unit, and
`{order}` for the label of the order in hand.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum

import msgspec

from cds.chart import Order
from cds.logic.compiled import Compiled, support
from cds.logic.criteria import Criterion, Expression, Limit, OrderFilter
from cds.logic.evaluate import evaluate
from cds.logic.reason import Gap, Reason, Seen
from cds.logic.scene import Scene
from cds.numbers import Interval

NOT_KNOWN = "not known"
INDICATORS = ("info", "warning", "critical")


def rank(indicator: str) -> int:
    """0 info, 1 warning, 2 critical."""
    return INDICATORS.index(indicator)


def lowered(indicator: str) -> str:
    """One step lower; info stays."""
    return INDICATORS[max(0, rank(indicator) - 1)]


@dataclass(frozen=True, slots=True)
class Trigger:
    """A declared necessary condition over cheap features: every clause needs one of its features (F-28).

    Features: "hook:order-sign", "drafted:<class>", "running:<class>", "listed:<class>", "analyte:<name>", "condition:<concept>", "population:child",
    "drafted:*" (any draft). Where a list was not sent whole its features count as present: UNKNOWN never gates.
    """

    clauses: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """What a card says for one branch. `summary` must stand alone in its first 100 characters: drug, direction and the deciding number.

    `found` are lines of what was found and calculated, `do` what to do (first the safest), `cautions` what could make it wrong; `differs` names where
    guidelines differ and it matters; `teach` is one folded line for juniors. `facts` are the numbers that templates may show.
    """

    summary: str
    found: tuple[str, ...] = ()
    do: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    differs: tuple[str, ...] = ()
    facts: Mapping[str, Expression] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Measure:
    """A proposed test: a laboratory or vital-sign ServiceRequest for one analyte, offered when it is not yet ordered.

    `unless_within` (minutes): not offered while a result of that age is known.
    """

    analyte: str
    why: str
    urgent: bool = True
    unless_within: Limit | None = None


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Remove the drafted order in hand (F-40: a running order is stopped by an update instead). `recommended` never for life-saving drugs."""

    label: str
    recommended: bool = False


@dataclass(frozen=True, slots=True)
class Give:
    """A proposed new order of `drug` (our name): `amount` in `amount_unit`, by `route`.

    With `volume_ml` it is a bag over `hours` (or `minutes`), in a `diluent` or as the fluid itself. Without a volume it is a dose, over `minutes` where
    they are given; an intravenous dose without a time says nothing of its speed. `times_a_day` repeats it; without it the order is for one dose.

    An expression is worked out for this patient, with the order in hand. Where any part of it is missing, also one that `Lesser` would leave out (the weight
    of a dose with a maximum), the order is not offered. A computed amount is rounded down to a whole number of `round_to` (default three significant
    digits), so that rounding never passes a maximum; minutes are rounded up to whole ones. The label ends with the dose where it does not hold it.
    """

    label: str
    drug: str
    amount: Limit | Expression
    amount_unit: str
    diluent: str = ""
    volume_ml: Limit | None = None
    hours: Limit | None = None
    route: str = "intravenous"
    minutes: Limit | Expression | None = None
    times_a_day: Limit | None = None
    round_to: Limit | None = None


@dataclass(frozen=True, slots=True)
class Amend:
    """A proposed change of the drafted order in hand: another diluent (`diluent`: our drug name), a slower rate so that `substance` runs at `per_hour`,
    or another `dose`, duration in `minutes` or frequency of `drug` ("" for the only drug of the order; not proposed for an order without that drug).

    Expressions and rounding as in `Give`; the unit of the dose is the expression's. A draft whose form leaves no safe place for it is left alone.
    """

    label: str
    diluent: str = ""
    substance: str = ""
    per_hour: Limit | None = None
    drug: str = ""
    dose: Expression | Limit | None = None
    minutes: Expression | Limit | None = None
    times_a_day: Limit | None = None
    round_to: Limit | None = None


@dataclass(frozen=True, slots=True)
class OneOf:
    """Alternatives, the best first: each is judged for this patient by every advisory that it may set off. The first that raises nothing is offered, and
    those before it are named on the card with the reason why they are not. A drug that is drafted or running already is no alternative."""

    label: str
    choices: tuple[Give, ...]


Proposal = Measure | Withdraw | Give | Amend | OneOf


@dataclass(frozen=True, slots=True)
class Branch:
    """One way in which an advisory fires. The first TRUE branch of an advisory decides; later ones are worse-known or milder."""

    name: str
    when: Criterion
    indicator: str
    words: Words
    proposals: tuple[Proposal, ...] = ()


@dataclass(frozen=True, slots=True)
class Precedence:
    """What happens to another code when this one fires (MET 1.7). `how`: "absorbs" (the other becomes a line on this card), "silences" (the other is
    not shown, and is recorded as absorbed), "lowers" (the other is at most warning).

    `scope`: "order" (for the same order in hand) or "patient". `at` limits it to these indicators of this code; `branches` to these branches; `other_branches`
    and `other_at` to these branches and indicators of the other code.
    """

    how: str
    code: str
    scope: str = "patient"
    at: tuple[str, ...] = INDICATORS
    branches: tuple[str, ...] = ()
    other_branches: tuple[str, ...] = ()
    other_at: tuple[str, ...] = INDICATORS


@dataclass(frozen=True, slots=True)
class Advisory:
    """One code of the catalogue.

    `kind` "order" (a drafted or running order is part of its condition) or "result" (it judges a state). `over` is the order that is quantified over for
    order codes: each matching order is judged by itself. `satisfied` says that another order already does it ("already satisfied", not "not met").
    `touches` are the drug classes whose draft makes a result code (or a running order's) speak at order hooks, at the indicators in `touched`; `always` are the
    indicators shown at every hook.
    `always_when` narrows `always`: at an order hook those indicators are shown whatever the draft unless this criterion is FALSE (C-01: untreated).
    `without_age` codes use the adult figures when the age is not known (C-08); `neonate` codes also run under 28 days (F-20).
    `asks_itself` are items whose gap this code names itself, so that section E does not; `gap_indicator` is what section E shows when this waits for a datum.
    `hooks` are the hooks at which it may be shown. `table` names a drug table: the words of the row of the order in hand are facts under their column's name.
    """

    code: str
    title: str
    problem: str
    kind: str
    trigger: Trigger
    branches: tuple[Branch, ...]
    sources: tuple[str, ...]
    over: OrderFilter | None = None
    satisfied: Criterion | None = None
    quiet: Criterion | None = None
    touches: tuple[str, ...] = ()
    touched: tuple[str, ...] = ("critical",)
    always: tuple[str, ...] = ()
    always_when: Criterion | None = None
    precedence: tuple[Precedence, ...] = ()
    without_age: bool = False
    neonate: bool = False
    asks_itself: tuple[str, ...] = ()
    gap_indicator: str | None = None
    hooks: tuple[str, ...] = ("patient-view", "order-select", "order-sign", "encounter-discharge")
    refire_minutes: Limit | None = None
    speak_order: int = 0
    table: str = ""
    version: str = "1"
    reviewed: str = "2026-11-25"
    hazards: tuple[str, ...] = ()
    purpose: str = ""


class Outcome(Enum):
    """Why an advisory spoke or stayed silent. Closed (F-32)."""

    FIRED = "fired"
    NOT_APPLICABLE = "not_applicable"
    NOT_MET = "not_met"
    ALREADY_SATISFIED = "already_satisfied"
    UNKNOWN = "unknown"
    ABSORBED = "absorbed"
    FOLDED = "folded"
    HELD_BACK = "held_back"
    SWITCHED_OFF = "switched_off"
    OUT_OF_SCOPE = "out_of_scope"


class Fact(msgspec.Struct, frozen=True, gc=False):
    """One number that a card shows: value as text with unit, its age in words, the display value and where it comes from."""

    text: str
    age: str = ""
    value: Interval | None = None
    unit: str = ""
    seen: tuple[Seen, ...] = ()


class Why:
    """Why one branch fired: made when somebody asks, and then kept. The record and the cards ask; most judgements are never told to anybody."""

    __slots__ = ("_facts", "_fingerprint", "_leaves", "_reason", "_seen", "branch", "compiled", "make_facts", "order", "scene")

    def __init__(self, branch: Branch, compiled: Compiled, scene: Scene, order: Order | None, make_facts: Callable[[Why], Mapping[str, Fact]]) -> None:
        self.branch, self.compiled, self.scene, self.order, self.make_facts = branch, compiled, scene, order, make_facts
        self._reason: Reason | None = None
        self._leaves: tuple[Reason, ...] | None = None
        self._seen: tuple[Seen, ...] | None = None
        self._facts: Mapping[str, Fact] | None = None
        self._fingerprint: str | None = None

    @property
    def reason(self) -> Reason:
        """The whole tree, with nothing left out."""
        if self._reason is None:
            self._reason = evaluate(self.branch.when, self.scene, self.order)
        return self._reason

    @property
    def leaves(self) -> tuple[Reason, ...]:
        """The leaves that decided."""
        if self._leaves is None:
            self._leaves = tuple(support(self.compiled, self.scene, self.order))
        return self._leaves

    @property
    def seen(self) -> tuple[Seen, ...]:
        """What decided, without repeats."""
        if self._seen is None:
            self._seen = tuple(dict.fromkeys(seen for leaf in self.leaves for seen in leaf.seen))
        return self._seen

    @property
    def facts(self) -> Mapping[str, Fact]:
        """The numbers that the words show."""
        if self._facts is None:
            self._facts = self.make_facts(self)
        return self._facts

    def fingerprint(self, code: str) -> str:
        """Names the deciding inputs, so that an override counts only for the same ones (N-08). Time alone never changes it."""
        if self._fingerprint is None:
            self._fingerprint = fingerprint(code, self)
        return self._fingerprint


def fingerprint(code: str, why: Why) -> str:
    """A hash over the branch, what decided it, and every order that takes part with its whole content."""
    parts = [code, why.branch.name]
    orders = {order.ref: order for order in (*why.scene.orders.listed, *why.scene.orders.running, *why.scene.orders.drafts)}
    taking_part = {} if why.order is None else {why.order.ref: why.order}
    for seen in _with_parts(why.seen):
        # An event's text counts the minutes; what it dates is named by its time.
        text = str(seen.at) if seen.kind == "event" else seen.text
        parts.append(f"{seen.kind}|{seen.item}|{seen.ref}|{text}")
        if seen.ref in orders:
            taking_part.setdefault(seen.ref, orders[seen.ref])
    parts[2:] = sorted(dict.fromkeys(parts[2:]))
    parts += [repr((o.ref, o.drafted, o.drugs, o.dosages, o.ingredients, o.volume)) for _, o in sorted(taking_part.items())]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def _with_parts(seen: Iterable[Seen]) -> Iterator[Seen]:
    for each in seen:
        yield each
        yield from _with_parts(each.parts)


@dataclass(frozen=True, slots=True)
class Finding:
    """One fired advisory for one order (or for the patient). `order` is the order in hand; `lowered_by` is the code that lowered its indicator."""

    code: str
    branch: Branch
    indicator: str
    problem: str
    order: str | None
    why: Why = field(compare=False, repr=False)
    lowered_by: str = ""

    @property
    def orders(self) -> tuple[str, ...]:
        """The references that the finding is about: the order in hand, or the witnesses of a sum."""
        if self.order is not None:
            return (self.order,)
        return tuple(dict.fromkeys(seen.ref for seen in _with_parts(self.why.seen) if seen.kind == "order" and seen.ref))

    @property
    def reason(self) -> Reason:
        """The whole reason tree."""
        return self.why.reason

    @property
    def seen(self) -> tuple[Seen, ...]:
        """What decided."""
        return self.why.seen

    @property
    def facts(self) -> Mapping[str, Fact]:
        """The numbers that the words show."""
        return self.why.facts

    @property
    def inputs(self) -> str:
        """The fingerprint of the deciding inputs (N-08)."""
        return self.why.fingerprint(self.code)


@dataclass(frozen=True, slots=True)
class Group:
    """Findings of one problem, which share a card: `lead` first, the others ranked, and what they absorbed as lines. `more` are findings of a code that is
    on the card already, about further orders."""

    problem: str
    lead: Finding
    others: tuple[Finding, ...] = ()
    absorbed: tuple[Finding, ...] = ()
    more: tuple[Finding, ...] = ()

    @property
    def indicator(self) -> str:
        """The highest indicator on the card."""
        return max((self.lead, *self.others), key=lambda f: rank(f.indicator)).indicator

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding that the card carries."""
        return (self.lead, *self.others, *self.more, *self.absorbed)


class Verdict(msgspec.Struct, frozen=True):
    """What became of one advisory in one assessment.

    `why` is a word for the record: "trigger", "no such order", the code that absorbed it, "this hook", the gap states. `gaps` are the deciding ones; `would_be`
    is the indicator of the highest branch that an UNKNOWN left open, and `orders` are those for which it did. `findings` are kept also when they were not shown.
    """

    code: str
    outcome: Outcome
    why: str = ""
    gaps: tuple[Gap, ...] = ()
    findings: tuple[Finding, ...] = ()
    would_be: str = ""
    orders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Assessment:
    """Every advisory's verdict in the knowledge's order; the groups that get a card, ranked; and what is folded into the further-points card.

    `scene` is the chart as it was seen, for whoever reads the assessment in the same call; it is no part of the answer.
    """

    verdicts: tuple[Verdict, ...]
    groups: tuple[Group, ...]
    folded: tuple[Finding, ...]
    population: str
    age_known: bool
    neonate: bool
    hook: str
    now: int
    scene: Scene | None = field(default=None, compare=False, repr=False)

    def verdict(self, code: str) -> Verdict:
        """The verdict of a code. KeyError when the knowledge has no such code."""
        for verdict in self.verdicts:
            if verdict.code == code:
                return verdict
        raise KeyError(code)

    def codes(self) -> tuple[str, ...]:
        """Every code that the answer carries, on a card or folded."""
        found: dict[str, None] = {}
        for group in self.groups:
            for finding in group.findings:
                found.setdefault(finding.code)
        for finding in self.folded:
            found.setdefault(finding.code)
        return tuple(found)
