"""One typed dose from any order: seven parts, each read, not stated or not understood, and the amounts that follow from them.

Reads what intake parsed; takes no number and no drug from text (F-16). Rates follow terminology 5: rateRatio, rateQuantity or
rateRange, else dose over duration. Where a stated rate and a stated duration do not agree, the faster one widens the range.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from enum import Enum
from types import MappingProxyType

import msgspec

from cds.chart import Dosage, Order, Trouble
from cds.numbers import Interval, shown
from cds.orders.amounts import Contribution, Plan, SubstanceDose, dose_of, one_to_all, plan_of, span_of, substances_in
from cds.orders.contents import Bag, Product, product_of
from cds.orders.flow import Limb, limb_of, part_named
from cds.orders.quantities import AMOUNTS, MINUTES_PER_HOUR, VOLUME, settled
from cds.orders.substances import Facts, facts, may_give
from cds.parameters import ParameterSet

__all__ = ["PARTS", "Contribution", "Part", "Read", "Reading", "SubstanceDose", "read_order"]

PARTS = ("drug", "route", "line", "amount", "volume", "rate", "diluent")
INTRAVENOUS = frozenset({"intravenous", "intraosseous"})
_NO_DOSAGE = (Dosage(),)

_NOT_ABOUT_A_PART = frozenset(
    {
        Trouble.NO_TIME,
        Trouble.TIME_UNREADABLE,
        Trouble.FUTURE,
        Trouble.STATUS,
        Trouble.NO_SUBJECT,
        Trouble.OTHER_PATIENT,
    }
)


class Read(Enum):
    """What became of one part of an order."""

    READ = "read"
    NOT_STATED = "not stated"
    NOT_UNDERSTOOD = "not understood"


class Part(msgspec.Struct, frozen=True, gc=False):
    """One of the seven parts: its state, and what was read or sent."""

    state: Read
    text: str = ""


class Work(msgspec.Struct, frozen=True, gc=False):
    """What is computed of an order: its product, its dosages, and which substances they bring."""

    product: Product
    limbs: tuple[Limb, ...]
    plans: list[Plan]


class Reading:
    """An order as a typed dose, immutable. See `read_order`.

    Most rules ask an order for one substance or for its route, few for everything: each answer is worked out when it is asked for, once.
    It rests on what never changes, so when that is decides nothing.
    """

    __slots__ = ("_all", "_diluted", "_doses", "_duration", "_known", "_line", "_order", "_parts", "_way", "_weight_kg", "_work")

    def __init__(self, order: Order, weight_kg: Interval | None, known: Facts) -> None:
        self._order = order
        self._weight_kg = weight_kg
        self._known = known
        self._work: Work | None = None
        self._way: tuple[bool | None, bool] | None = None
        self._line: tuple[str | None, bool, bool] | None = None
        self._doses: dict[str, SubstanceDose | None] = {}
        self._all: tuple[SubstanceDose, ...] | None = None
        self._diluted: tuple[tuple[str, ...], bool, str] | None = None
        self._duration: tuple[Interval | None] | None = None
        self._parts: Mapping[str, Part] | None = None

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Reading):
            return NotImplemented
        return (self._order, self._weight_kg, self._known) == (other._order, other._weight_kg, other._known)

    def __hash__(self) -> int:
        return hash((self.ref, self.label, self.drafted))

    def __repr__(self) -> str:
        return f"Reading({', '.join(f'{name}={getattr(self, name)!r}' for name in _SHOWN)})"

    def _worked(self) -> Work:
        """The figures that everything else rests on."""
        work = self._work
        if work is None:
            order = self._order
            product = product_of(order)
            limbs = tuple([limb_of(order, product, dosage, self._weight_kg, self._known) for dosage in order.dosages or _NO_DOSAGE])
            work = self._work = Work(product, limbs, [plan_of(limb, self._known) for limb in limbs])
        return work

    # What it is of -----------------------------------------------------------------------------------------------------------------

    @property
    def ref(self) -> str:
        """The reference of the order."""
        return self._order.ref

    @property
    def label(self) -> str:
        """The name of the order, as sent."""
        return self._order.label

    @property
    def drafted(self) -> bool:
        """Whether it is a draft."""
        return self._order.drafted

    @property
    def parts(self) -> Mapping[str, Part]:
        """The seven parts, each read, not stated or not understood."""
        if self._parts is None:
            self._parts = _parts(self._order, self._worked(), self._lines(), self._diluents(), self)
        return self._parts

    @property
    def gaps(self) -> tuple[str, ...]:
        """The parts that were not understood, in words."""
        return tuple(
            f"{name}: {part.text} not understood" if part.text else f"{name} not understood"
            for name, part in self.parts.items()
            if part.state is Read.NOT_UNDERSTOOD
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a person should know of how it was read."""
        return tuple(dict.fromkeys(remark for limb in self._worked().limbs for remark in limb.remarks))

    @property
    def understood(self) -> bool:
        """No part of the order was sent in a form that could not be read."""
        return all(part.state is not Read.NOT_UNDERSTOOD for part in self.parts.values())

    @property
    def not_stated(self) -> tuple[str, ...]:
        """The parts that the order does not state."""
        return tuple(name for name in PARTS if self.parts[name].state is Read.NOT_STATED)

    # By which way ------------------------------------------------------------------------------------------------------------------

    @property
    def intravenous(self) -> bool | None:
        """Whether it goes into a vein; None when neither its route nor its form tells."""
        return self._ways()[0]

    @property
    def intravenous_by_form(self) -> bool:
        """Told only by a rate of flow, or by a bag over time."""
        return self._ways()[1]

    def _ways(self) -> tuple[bool | None, bool]:
        if self._way is None:
            routes = [dosage.route for dosage in self._order.dosages if dosage.route is not None]
            self._way = (not INTRAVENOUS.isdisjoint(routes), False) if routes else _by_form(self._worked().limbs)
        return self._way

    @property
    def line(self) -> str | None:
        """ "central", "peripheral", or None: not stated, or two that differ."""
        return self._lines()[0]

    @property
    def line_from_text(self) -> bool:
        """No code names the line."""
        return self._lines()[1]

    @property
    def central(self) -> bool:
        """Through a central line by code. A line read from text lifts no limit (F-16)."""
        line, from_text, _ = self._lines()
        return line == "central" and not from_text

    def _lines(self) -> tuple[str | None, bool, bool]:
        if self._line is None:
            self._line = _line(self._order)
        return self._line

    # When and how fast ---------------------------------------------------------------------------------------------------------------

    @property
    def push(self) -> bool:
        """An injection, or within the minutes of one."""
        return self.intravenous is not False and any(limb.push for limb in self._worked().limbs)

    @property
    def once(self) -> bool:
        """No dosage states a frequency."""
        return all(dosage.once for dosage in self._order.dosages)

    @property
    def as_needed(self) -> bool:
        """A dosage is given when needed."""
        return any(dosage.as_needed for dosage in self._order.dosages)

    @property
    def per_day(self) -> Decimal | None:
        """Doses in 24 h; None without a frequency."""
        stated = [dosage.per_day for dosage in self._order.dosages if dosage.per_day is not None]
        return sum(stated, Decimal(0)) if stated else None

    @property
    def duration_minutes(self) -> Interval | None:
        """How long it runs, in minutes; None when neither stated nor implied."""
        if self._duration is None:
            hours = [limb.hours for limb in self._worked().limbs if limb.hours is not None]
            self._duration = (settled(span_of(hours).scale(MINUTES_PER_HOUR)) if hours else None,)
        return self._duration[0]

    @property
    def rate_ml_h(self) -> Interval | None:
        """Flow in mL/h."""
        flows = [limb.flow for limb in self._worked().limbs if limb.flow is not None]
        return settled(one_to_all(flows)) if flows else None

    @property
    def volume_ml(self) -> Interval | None:
        """Volume of the bag in mL."""
        return self._worked().limbs[0].bag.volume

    # What is in it -----------------------------------------------------------------------------------------------------------------

    @property
    def diluents(self) -> tuple[str, ...]:
        """The fluids that it is given in, by name."""
        return self._diluents()[0]

    @property
    def diluent_from_text(self) -> bool:
        """Only text names the diluent."""
        return self._diluents()[1]

    def _diluents(self) -> tuple[tuple[str, ...], bool, str]:
        if self._diluted is None:
            self._diluted = _diluents(self._order, self._worked().limbs)
        return self._diluted

    @property
    def additives(self) -> tuple[str, ...]:
        """Active drugs beside the one that the order is about."""
        return _additives(self._worked().limbs[0].bag)

    @property
    def doses(self) -> tuple[SubstanceDose, ...]:
        """Every substance that it gives."""
        if self._all is None:
            work = self._worked()
            names = substances_in(work.limbs, work.plans, self.intravenous, self._known)
            self._all = tuple([dose for dose in map(self.substance, names) if dose is not None])
        return self._all

    def substance(self, name: str) -> SubstanceDose | None:
        """The dose of "potassium", "insulin", "glucose", "sodium", "magnesium", "phosphate", "bicarbonate", "fluid", "crystalloid" or
        "drug:<name>". None when the order holds none of it."""
        found = self._doses
        if name not in found:
            if may_give(self._order, name, self._known):
                work = self._worked()
                found[name] = dose_of(name, work.limbs, work.plans, self.intravenous, self._known)
            else:
                found[name] = None
        return found[name]


_SHOWN = (
    "ref", "label", "drafted", "parts", "intravenous", "intravenous_by_form", "line", "line_from_text", "push", "once", "as_needed", "duration_minutes",
    "volume_ml", "rate_ml_h", "diluents", "diluent_from_text", "additives", "per_day", "doses", "gaps", "remarks",
)  # fmt: skip


def read_order(order: Order, *, weight_kg: Interval | None, p: ParameterSet) -> Reading:
    """Read one order. `weight_kg` is the current body weight, None when there is none: what needs it is then not computable.

    Nothing is dropped: every part is in `parts`, every substance of every recognised ingredient in `doses`, with `why_not` where it
    cannot be computed. Several dosage instructions count as given together at most and one at least. ParameterError when orders.toml was
    not loaded.
    """
    return Reading(order, weight_kg, facts(p))


def _by_form(limbs: tuple[Limb, ...]) -> tuple[bool | None, bool]:
    """Whether an order without a route goes into a vein (a rate of flow, or a bag over time), and whether its form tells so."""
    for limb in limbs:
        timed = limb.rate.per_hour is not None or limb.rate.why == "weight not known" or limb.dosage.duration_minutes is not None
        in_bag = limb.bag.volume is not None or any(held.diluent for held in limb.bag.held)
        if limb.rate.basis == VOLUME or (timed and in_bag) or limb.rate.basis in AMOUNTS:
            return True, True
    return None, False


def _line(order: Order) -> tuple[str | None, bool, bool]:
    """Line, whether it was only read from text, and whether the dosages name different lines (then none is taken)."""
    if len(order.dosages) == 1:
        only = order.dosages[0]
        return only.line, only.line is not None and only.line_from_text, False
    stated = {(dosage.line, dosage.line_from_text) for dosage in order.dosages if dosage.line is not None}
    coded = {line for line, from_text in stated if not from_text}
    lines = coded or {line for line, _ in stated}
    if len(lines) > 1:
        return None, False, True
    return (next(iter(lines)), not coded, False) if lines else (None, False, False)


def _diluents(order: Order, limbs: tuple[Limb, ...]) -> tuple[tuple[str, ...], bool, str]:
    """Diluents, whether only text names them, and the label of one that was not recognised."""
    held = [each for each in limbs[0].bag.held if each.diluent]
    unread = ", ".join(each.label for each in held if each.drug is None)
    coded = tuple(dict.fromkeys(each.drug for each in held if each.drug is not None))
    if coded:
        return coded, False, unread
    text = tuple(dict.fromkeys(drug for dosage in order.dosages for drug in dosage.diluents_in_text))
    return text, bool(text), unread


def _additives(bag: Bag) -> tuple[str, ...]:
    """Active drugs beside the one that the order is about."""
    active = [(place, held.drug) for place, held in enumerate(bag.held) if held.active and not held.diluent and held.drug is not None]
    if not active:
        return ()
    about = bag.principal if bag.principal in [place for place, _ in active] else active[0][0]
    return tuple(dict.fromkeys(drug for place, drug in active if place != about))


def _parts(
    order: Order, work: Work, lines: tuple[str | None, bool, bool], diluted: tuple[tuple[str, ...], bool, str], reading: Reading
) -> Mapping[str, Part]:
    limbs = work.limbs
    line, _, line_conflict = lines
    diluents, _, diluent_unread = diluted
    unread: dict[str, str] = {}
    for dosage in order.dosages:
        for words in dosage.not_understood:
            unread.setdefault(part_named(words), words)
    for problem in order.problems:
        told = problem.trouble is Trouble.NOT_UNDERSTOOD and "dosageInstruction" in problem.path
        if problem.trouble in _NOT_ABOUT_A_PART or told:
            continue
        unread.setdefault(_part_of_problem(problem.trouble, problem.path), problem.as_sent or problem.message)
    if order.unrecognised:
        unread.setdefault("drug", ", ".join(order.unrecognised))
    if line_conflict:
        unread.setdefault("line", "two lines")
    if diluent_unread:
        unread.setdefault("diluent", diluent_unread)
    for limb in limbs:
        dosage = limb.dosage
        if dosage.route_stated and dosage.route is None:
            unread.setdefault("route", "the stated route")
        if limb.rate.not_understood and dosage.rate is not None:
            unread.setdefault("rate", dosage.rate.text)
        if dosage.dose is not None and limb.dose is None:
            unread.setdefault("amount", dosage.dose.text)
        if limb.bag.volume_conflict:
            unread.setdefault("volume", limb.bag.volume_conflict)
        for held in limb.bag.held:
            if held.not_understood:
                unread.setdefault("amount", held.why)
    if order.volume is not None and work.product.package_not_understood:
        unread.setdefault("volume", order.volume.text)

    first = limbs[0]
    rates = [limb.dosage.rate.text for limb in limbs if limb.dosage.rate is not None]
    if not rates and first.dosage.duration_minutes is not None:
        rates = [f"over {_words(first.dosage.duration_minutes)} min"]
    amounts = [limb.dosage.dose.text for limb in limbs if limb.dosage.dose is not None]
    known = () if amounts else (dose for dose in reading.doses if dose.amount is not None and dose.substance not in ("fluid", "crystalloid"))
    if (dose := next(iter(known), None)) is not None:
        amounts = [f"{_words(dose.amount)} {dose.unit}"]
    elif not amounts:
        amounts = [part.strength.text for part in order.ingredients if part.strength is not None and part.active]
    routes = dict.fromkeys(limb.dosage.route for limb in limbs if limb.dosage.route is not None)
    read = {
        "drug": order.label if order.drugs else "",
        "route": ", ".join(routes),
        "line": line or "",
        "amount": "; ".join(amounts),
        "volume": first.bag.volume_text,
        "rate": "; ".join(rates),
        "diluent": ", ".join(diluents),
    }
    return MappingProxyType(
        {name: Part(Read.NOT_UNDERSTOOD, unread[name]) if name in unread else Part(Read.READ if read[name] else Read.NOT_STATED, read[name]) for name in PARTS}
    )


def _words(value: Interval | None) -> str:
    if value is None or value.low is None:
        return "?"
    if value.exact is not None:
        return shown(value.exact, 2)
    return f"{shown(value.low, 2)} to {'?' if value.high is None else shown(value.high, 2)}"


def _part_of_problem(trouble: Trouble, path: str) -> str:
    if trouble in (Trouble.DRUG_UNKNOWN, Trouble.REFERENCE):
        return "drug"
    return part_named(path)
