"""One assessment's view of the chart: numbers as intervals or named gaps, orders read once, states judged once.

A `Scene` is made for one call of `assess` and lives as long as that call. It remembers what it has worked out (the same latest potassium is asked for by ten
advisories), which changes no answer: every look-up is a pure function of the chart, the parameters and `now`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache, partial
from itertools import count
from typing import TYPE_CHECKING, Protocol

from cds.chart import MINUTE, Chart, Condition, Feed, Moment, Order, Problem, Result, Results, Source, Trouble
from cds.logic.compare import Candidate, KnowledgeError, Missing, Number, compare, is_above, is_at_least, is_at_most, is_below
from cds.logic.expressions import Expression, Formula, Latest, Limit
from cds.logic.reason import Gap, GapState, Reason, Seen, deciding_gaps, leaves_seen
from cds.logic.states import StateDef, StateValue
from cds.logic.truth import Truth
from cds.logic.working import analytes_of_expression, asks_order, work_out
from cds.numbers import Interval
from cds.orders.given import Dose, doses_given
from cds.orders.identity import OrderPicture, identify
from cds.orders.reading import INTRAVENOUS, Reading, read_order
from cds.parameters import Absent, ParameterSet
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.criteria import Criterion
    from cds.logic.series import Point

DAYS_OF_AN_INFANT = 365
_NO_LIMIT = 1 << 62


class Judge(Protocol):
    """`cds.logic.evaluate.evaluate`, handed in so that a scene can judge the criteria of its states and numbers."""

    def __call__(self, node: Criterion, scene: Scene, order: Order | None = None) -> Reason:
        """The reason tree of a criterion for the order in hand, if there is one."""


_slots = count()
_ANALYTES: dict[int, frozenset[str] | None] = {}
_OF_ORDER: set[int] = set()
_WITHOUT_ORDERS: set[int] = set()
_EVERY = frozenset(ANALYTES)


def next_slot() -> int:
    """A new place in the memory of every scene."""
    return next(_slots)


@lru_cache(maxsize=None)
def slot_of(expression: Expression) -> int:
    """The place in a scene's memory of an expression; equal expressions share it."""
    slot = next(_slots)
    _ANALYTES[slot] = analytes_of_expression(expression)
    if asks_order(expression):
        _OF_ORDER.add(slot)
    if isinstance(expression, (Latest, Formula)):
        _WITHOUT_ORDERS.add(slot)
    return slot


class Scene:
    """The chart at one instant under one population's parameters. `at` gives the same chart at an earlier instant (F-33)."""

    __slots__ = (
        "_by_analyte",
        "_by_concept",
        "_conditions",
        "_doses",
        "_newest",
        "_numbers",
        "_past",
        "_readings",
        "_reads",
        "_seen",
        "_state_reads",
        "_states",
        "_track",
        "_weight",
        "_whole",
        "chart",
        "family",
        "found_possible",
        "judge",
        "looks_at",
        "now",
        "of_orders",
        "orders",
        "origin",
        "p",
        "points",
        "population",
        "state_defs",
        "supports",
        "supports_of",
        "truths",
    )

    def __init__(
        self,
        chart: Chart,
        p: ParameterSet,
        states: Mapping[str, StateDef],
        judge: Judge,
        *,
        now: int | None = None,
        origin: Scene | None = None,
        orders: OrderPicture | None = None,
        like: Scene | None = None,
    ) -> None:
        self.chart = chart
        # Every scene of one call, so that `forget` reaches them all.
        self.family: list[Scene] = [] if like is None else like.family
        self.family.append(self)
        self.p = p
        self.population = p.population or "adult"
        self.state_defs = states
        self.judge = judge
        self.now = chart.now if now is None else now
        self.origin = origin
        self.orders: OrderPicture = origin.orders if origin is not None else orders if orders is not None else identify(chart)
        self._readings: dict[int, tuple[Order, Reading]] = {} if origin is None else origin._readings
        self._whole: dict[str, bool] = {} if origin is None else origin._whole
        self._seen: dict[int, tuple[Result, Seen]] = {} if origin is None else origin._seen
        self._conditions: dict[tuple[str, ...], list[Condition]] = {} if origin is None else origin._conditions
        self._numbers: dict[tuple[int, int], Number | Missing] = {}
        self._states: dict[str, StateValue | None] = {}
        self._state_reads: dict[str, frozenset[str]] = {}
        # A look back reads for whoever asks for it.
        self._track: list[set[str]] = [] if origin is None else origin._track
        self._reads: dict[str, tuple[int, frozenset[str]]] = {}
        self._past: dict[int, Scene] = {}
        self._by_analyte: dict[str, Sequence[Result]] = {}
        self._by_concept: dict[str, list[Condition]] | None = None
        self._newest: dict[tuple[str, Decimal], Number | Missing] = {}
        self._weight: Number | Missing | None = None
        self._doses: tuple[tuple[Dose, ...], dict[int, Dose]] | None = None
        self.points: dict[tuple[str, int], list[Point]] = {}
        self.found_possible: dict[tuple[int, int], list[int]] = {}
        self.truths: dict[int, Truth] = {}
        # By the slot of a criterion and the identity of the order in hand, which lives as long as the chart.
        self.of_orders: dict[tuple[int, int], Truth] = {}
        self.supports_of: dict[tuple[int, int], tuple[Reason, ...]] = {}
        self.supports: dict[int, tuple[Reason, ...]] = {}
        self.looks_at: dict[int, frozenset[str]] = {}

    def at(self, instant: int) -> Scene:
        """The same chart judged as of an earlier instant: later results are not seen, orders and conditions are as now (F-33)."""
        root = self.origin or self
        found = root._past.get(instant)
        if found is None:
            found = root._past[instant] = Scene(self.chart, self.p, self.state_defs, self.judge, now=instant, origin=root, like=root)
        return found

    def with_results(self, results: Results, analyte: str = "") -> Scene:
        """The same call with other results (for the flip). Orders are read once for both; `analyte` names what alone differs, so that what does not rest
        on it need not be judged again.
        """
        made = Scene(replace(self.chart, results=results), self.p, self.state_defs, self.judge, orders=self.orders, like=self)
        made._whole, made._conditions = self._whole, self._conditions
        if not analyte:
            return made
        if analyte != "weight":
            made._readings = self._readings
        for key, number in self._numbers.items():
            rests_on = _ANALYTES[key[0]]
            if rests_on is not None and analyte not in rests_on:
                made._numbers[key] = number
        for name, value in self._states.items():
            if analyte not in self._reads_of(name):
                made._states[name] = value
                if name in self._state_reads:
                    made._state_reads[name] = self._state_reads[name]
        return made

    def with_numbers(self, changed: Mapping[tuple[Expression, Order | None], Number]) -> Scene:
        """The same call in which some numbers are taken to be others (for the flip of a time)."""
        made = Scene(self.chart, self.p, self.state_defs, self.judge, orders=self.orders, like=self)
        made.read_as_in(self)
        for (expression, order), number in changed.items():
            made._numbers[_key(slot_of(expression), order)] = number
        return made

    def forget(self) -> None:
        """Let go of what the scenes of this call remember; nothing of them can be asked afterwards.

        What is remembered names the scene that remembers it. Left alone, such a circle keeps the whole request alive until the collector comes by, twenty
        requests later, and then stops the service for all of them at once: that was the slowest hundredth of the answers.
        """
        for scene in self.family:
            scene.origin = None
            scene.of_orders, scene.supports_of = {}, {}
            scene._numbers, scene._states, scene._newest, scene._past, scene._seen = {}, {}, {}, {}, {}
            scene._readings, scene.truths, scene.supports, scene.points, scene._weight, scene._doses = {}, {}, {}, {}, None, None
        self.family.clear()

    # Results --------------------------------------------------------------------------------------------------------------------

    def results(self, analyte: str) -> Sequence[Result]:
        """Counted results drawn at or before `now`, newest first."""
        if self._track:
            self._track[-1].add(analyte)
        found = self._by_analyte.get(analyte)
        if found is None:
            found = self.chart.results.of(analyte)
            if self.now < self.chart.now:
                found = tuple(result for result in found if result.at.latest <= self.now)
            self._by_analyte[analyte] = found
        return found

    def recent(self, analyte: str, floor: int) -> Sequence[Result]:
        """The newest of `results`: at least all that may have been drawn at or after `floor` (epoch ms). What is older need not be read for it."""
        if self._track:
            self._track[-1].add(analyte)
        found = self._by_analyte.get(analyte)
        if found is not None:
            return found
        newest = self.chart.results.since(analyte, floor)
        return newest if self.now >= self.chart.now else [result for result in newest if result.at.latest <= self.now]

    def drawn_since(self, analyte: str, floor: int) -> Result | None:
        """The newest result that was surely drawn at or after `floor` (epoch ms). Nothing older is read for it."""
        if self._track:
            self._track[-1].add(analyte)
        return self.chart.results.current(analyte, floor, self.now if self.now < self.chart.now else _NO_LIMIT)

    def newest(self, analyte: str) -> Result | None:
        """The newest result of an analyte, whatever its age."""
        return next(iter(self.recent(analyte, self.now)), None) or next(iter(self.results(analyte)), None)

    def current(self, result: Result, within: Decimal) -> bool:
        """Whether the result is surely no older than `within` minutes; equality counts (MET 1.3)."""
        return result.at.earliest is not None and self.now - result.at.earliest <= within * MINUTE

    def seen_result(self, result: Result) -> Seen:
        """A result as evidence, with its age."""
        known = self._seen.get(id(result))
        if known is not None:
            return known[1]
        age = max(0, (self.chart.now - result.at.latest) // MINUTE)
        notes = [note for note in (result.at.mark, "haemolysed" if result.haemolysed else "", "preliminary" if result.preliminary else "") if note]
        made = Seen(
            "result", result.analyte, result.text, result.ref, result.value, ANALYTES[result.analyte].unit, result.at, age,
            result.method, "; ".join(notes), result.path,
        )  # fmt: skip
        self._seen[id(result)] = (result, made)
        return made

    def sources(self, item: str) -> tuple[Source, ...]:
        """The prefetch lists from which an item may come."""
        return tuple(self.chart.source(key) for key in self.chart.item_keys.get(item, ()))

    def whole(self, item: str) -> bool:
        """Whether the list behind an item was sent whole, so that it may say "there is none"."""
        found = self._whole.get(item)
        if found is None:
            found = self._whole[item] = all(source.feed is Feed.WHOLE for source in self.sources(item))
        return found

    def gap(self, item: str, within: Decimal | None = None, last: Result | None = None) -> Gap:
        """Why there is no current value of an item: the state and the words."""
        sources = self.sources(item)
        keys = tuple(source.key for source in sources)
        since = self.now - int((within or 0) * MINUTE)
        minutes = None if within is None else int(within)
        label = ANALYTES[item].label if item in ANALYTES else item
        seen = None if last is None else self.seen_result(last)
        for source in sources:
            if source.feed is Feed.FAILED:
                return Gap(item, GapState.FETCH_FAILED, f"{label}: {source.detail or 'the list could not be fetched'}", keys, seen, minutes)
            if source.feed is Feed.ABSENT:
                return Gap(item, GapState.NOT_SENT, f"{label}: the list '{source.key}' was not sent", keys, seen, minutes)
            if source.feed is Feed.UNSTATED:
                return Gap(item, GapState.NOT_MEASURED, f"{label}: {source.detail}", keys, seen, minutes)
            if not source.covers(since):
                return Gap(item, GapState.FETCH_FAILED, f"{label}: only part of the list '{source.key}' was sent", keys, seen, minutes)
        problems: tuple[Problem, ...] = self.chart.results.problems_since(item, since) if item in ANALYTES else ()
        # What belongs to another patient says nothing of this one (HZ-01).
        recent = [p for p in problems if p.trouble is not Trouble.OTHER_PATIENT and (p.at is None or p.at.latest >= since)]
        if recent:
            return Gap(item, GapState.UNUSABLE, recent[0].message, keys, seen, minutes)
        if last is not None and seen is not None:
            return Gap(item, GapState.STALE, f"{label} {last.text} is {_old(seen)}", keys, seen, minutes)
        return Gap(item, GapState.NOT_MEASURED, f"{label}: none recorded", keys, None, minutes)

    def latest(self, analyte: str, within: Decimal, together: Decimal | None = None) -> Number | Missing:
        """The newest current result, or with `together` every current one within so many minutes of it."""
        if together is not None:
            return self._latest(analyte, within, together)
        key = (analyte, within)
        found = self._newest.get(key)
        if found is None:
            found = self._newest[key] = self._latest(analyte, within, None)
        elif self._track:
            self._track[-1].add(analyte)
        return found

    def _latest(self, analyte: str, within: Decimal, together: Decimal | None) -> Number | Missing:
        floor = self.now - int(within * MINUTE)
        first = self.drawn_since(analyte, floor)
        if first is None:
            return Missing(lambda: (self.gap(analyte, within, self.newest(analyte)),))
        if together is None:
            return Number((Candidate(first.value, first.reported, first.unit, partial(self.seen_result, first)),), ANALYTES[analyte].unit)
        moment = max(floor, first.at.latest - int(together * MINUTE))
        chosen: list[Result] = []
        for result in self.recent(analyte, moment):
            if result.at.latest < moment:
                # Newest first: nothing that follows can be current, or of the same moment.
                break
            if result.at.earliest is not None and result.at.earliest >= floor:
                chosen.append(result)
        return Number(tuple(Candidate(r.value, r.reported, r.unit, partial(self.seen_result, r)) for r in chosen), ANALYTES[analyte].unit)

    # Conditions and states ------------------------------------------------------------------------------------------------------

    def conditions(self, concepts: Sequence[str]) -> list[Condition]:
        """Conditions that stand and carry one of the concepts, in the order of their references."""
        key = tuple(concepts)
        found = self._conditions.get(key)
        if found is None:
            held = {id(c): c for concept in key for c in self._standing().get(concept, ())}
            found = self._conditions[key] = sorted(held.values(), key=lambda c: (c.ref, c.label))
        return found

    def _standing(self) -> dict[str, list[Condition]]:
        """The conditions that stand, by each of their concepts."""
        root = self.origin or self
        if root._by_concept is None:
            root._by_concept = {}
            for condition in self.chart.conditions:
                if condition.stands:
                    for concept in condition.concepts:
                        root._by_concept.setdefault(concept, []).append(condition)
        return root._by_concept

    def state(self, name: str) -> StateValue:
        """A named state, judged once. KnowledgeError when it does not exist or rests on itself."""
        if name in self._states:
            found = self._states[name]
            if found is None:
                raise KnowledgeError(f"state '{name}' rests on itself")
        else:
            found = self._judge_state(name)
        if self._track:
            self._track[-1] |= self._reads_of(name)
        return found

    def rests_on(self, name: str) -> frozenset[str]:
        """The analytes that were read when a state was judged."""
        self.state(name)
        return self._reads_of(name)

    def _reads_of(self, name: str) -> frozenset[str]:
        """The analytes that a state which was judged may have read: of a criterion what it names, of a function what was noted. Also in a look back."""
        noted = self._state_reads.get(name)
        if noted is not None:
            return noted
        root = self.origin or self
        scenes = (root, *root._past.values())
        judged = sum(len(scene._state_reads) for scene in scenes)
        known = self._reads.get(name)
        if known is not None and known[0] == judged:
            return known[1]
        from cds.logic.reads import reads

        found, functions = reads(self.state_defs[name].node, self.state_defs)
        for function in functions:
            for scene in scenes:
                found |= scene._state_reads.get(function, frozenset())
        self._reads[name] = (judged, found)
        return found

    def _judge_state(self, name: str) -> StateValue:
        definition = self.state_defs.get(name)
        if definition is None:
            raise KnowledgeError(f"no state '{name}'")
        self._states[name] = None
        noted = definition.node is None
        if noted:
            self._track.append(set())
        try:
            value = self._value_of(definition)
        except BaseException:
            # One advisory that breaks must not make the next one say that the state rests on itself (HZ-32).
            del self._states[name]
            if noted:
                self._track.pop()
            raise
        if noted:
            self._state_reads[name] = frozenset(self._track.pop())
        self._states[name] = value
        return value

    def _value_of(self, definition: StateDef) -> StateValue:
        if definition.compute is not None:
            value = definition.compute(self)
            if value.events and not definition.dates:
                raise KnowledgeError(f"state '{definition.name}' dates an event and does not say so")
            return value
        if definition.compiled is not None:
            compiled = definition.compiled
            return StateValue(compiled.truth(self, None), lambda: compiled.evidence(self)[0], lambda: compiled.evidence(self)[1])
        if definition.node is None:
            raise KnowledgeError(f"state '{definition.name}' has neither a criterion nor a function")
        reason = self.judge(definition.node, self)
        return StateValue(reason.truth, leaves_seen(reason), deciding_gaps(reason))

    def event(self, name: str) -> Moment | None:
        """The time of a named event, from whichever state dates it; None when no state does."""
        for state, definition in self.state_defs.items():
            if name not in definition.dates:
                continue
            value = self.state(state)
            if name in value.events:
                return value.events[name]
        return None

    # Orders ---------------------------------------------------------------------------------------------------------------------

    def weight(self) -> Number | Missing:
        """Current body weight (N-02: window by age), as of now also in a look back: orders are as now."""
        if self.origin is not None:
            return self.origin.weight()
        if self._weight is None:
            days = self.chart.age_days()
            key = "weight_age_infant" if days is not None and days[1] < DAYS_OF_AN_INFANT else "weight_age"
            limit: Limit = self.p[key]
            if isinstance(limit, Absent):
                self._weight = Missing((Gap("weight", GapState.OUT_OF_SCOPE, "no window for weight at this age"),))
            else:
                self._weight = self.number(Latest("weight", limit))
        if self._track:
            self._track[-1].add("weight")
        return self._weight

    def weight_kg(self) -> Interval | None:
        """Body weight as an interval in kg; None when there is no current one."""
        found = self.weight()
        return found.candidates[0].value if isinstance(found, Number) else None

    def reading(self, order: Order) -> Reading:
        """The order read as a typed dose, once."""
        found = self._readings.get(id(order))
        if found is None:
            found = self._readings[id(order)] = (order, read_order(order, weight_kg=self.weight_kg(), p=self.p))
        elif self._track:
            self._track[-1].add("weight")
        return found[1]

    def given(self) -> tuple[Dose, ...]:
        """Every single dose on record, each as an order in hand of its own."""
        return self._given()[0]

    def dose_of(self, order: Order) -> Dose | None:
        """The given dose that an order in hand stands for; None for an order."""
        return None if self._doses is None and (self.origin is None or self.origin._doses is None) else self._given()[1].get(id(order))

    def _given(self) -> tuple[tuple[Dose, ...], dict[int, Dose]]:
        if self.origin is not None:
            return self.origin._given()
        if self._doses is None:
            doses = doses_given(self.orders)
            self._doses = (doses, {id(dose.order): dose for dose in doses})
        return self._doses

    def read_as_in(self, other: Scene) -> None:
        """Take over what another scene of the same results, conditions and instant has read: its orders, and what rests on no order at all."""
        self._readings = dict(other._readings)
        self._newest, self._seen, self.points = dict(other._newest), other._seen, dict(other.points)
        self._conditions, self._whole, self.found_possible = other._conditions, other._whole, other.found_possible
        for key, number in other._numbers.items():
            if key[0] in _WITHOUT_ORDERS:
                self._numbers[key] = number

    def intravenous(self, order: Order) -> bool | None:
        """Whether an order goes into a vein; None when neither its route nor its form tells. As `Reading.intravenous`, without reading the whole order."""
        for dosage in order.dosages:
            if dosage.route is not None:
                return any(d.route in INTRAVENOUS for d in order.dosages)
        return self.reading(order).intravenous

    # Numbers --------------------------------------------------------------------------------------------------------------------

    def number(self, expression: Expression, order: Order | None = None) -> Number | Missing:
        """The value of an expression, worked out once."""
        return self.number_at(_key(slot_of(expression), order), expression, order)

    def number_at(self, key: tuple[int, int], expression: Expression, order: Order | None) -> Number | Missing:
        """As `number`, for an expression whose place in memory is known."""
        found = self._numbers.get(key)
        if found is None:
            found = self._numbers[key] = work_out(self, expression, order)
        if self._track:
            rests_on = _ANALYTES[key[0]]
            self._track[-1] |= _EVERY if rests_on is None else rests_on
        return found


def _key(slot: int, order: Order | None) -> tuple[int, int]:
    if order is None or slot not in _OF_ORDER:
        return (slot, 0)
    # An order is named by what it is and not by its id: a draft and the order that it changes may carry one id.
    return (slot, id(order))


def _old(seen: Seen) -> str:
    if seen.age_minutes is None:
        return "of unknown age"
    minutes = seen.age_minutes
    age = f"{minutes} min old" if minutes < 120 else f"{minutes // 60} h old" if minutes < 2880 else f"{minutes // 1440} days old"
    return f"at least {age}" if seen.at is not None and seen.at.earliest is None else age


__all__ = [
    "Candidate",
    "Judge",
    "KnowledgeError",
    "Missing",
    "Number",
    "Scene",
    "StateDef",
    "StateValue",
    "compare",
    "deciding_gaps",
    "is_above",
    "is_at_least",
    "is_at_most",
    "is_below",
    "leaves_seen",
    "next_slot",
    "slot_of",
]
