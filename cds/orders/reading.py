"""One typed dose from any order: seven parts, each read, not stated or not understood, and the amounts that follow from them.

Reads what intake parsed; takes no number and no drug from text (F-16). Rates follow terminology 5: rateRatio, rateQuantity or
rateRange, else dose over duration. Where a stated rate and a stated duration do not agree, the faster one widens the range.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from types import MappingProxyType

from cds.chart import Dosage, Order, Trouble
from cds.numbers import Interval, shown
from cds.orders.amounts import Contribution, SubstanceDose, doses_of, one_to_all, span_of
from cds.orders.contents import Bag, facts
from cds.orders.flow import Limb, limb_of, part_named
from cds.orders.quantities import AMOUNTS, MINUTES_PER_HOUR, VOLUME, quantity, settled
from cds.parameters import ParameterSet

__all__ = ["PARTS", "Contribution", "Part", "Read", "Reading", "SubstanceDose", "read_order"]

PARTS = ("drug", "route", "line", "amount", "volume", "rate", "diluent")
INTRAVENOUS = frozenset({"intravenous", "intraosseous"})


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


@dataclass(frozen=True, slots=True)
class Part:
    """One of the seven parts: its state, and what was read or sent."""

    state: Read
    text: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """An order as a typed dose. See `read_order`."""

    ref: str
    label: str
    drafted: bool
    parts: Mapping[str, Part]
    intravenous: bool | None
    intravenous_by_form: bool
    line: str | None
    line_from_text: bool
    push: bool
    once: bool
    as_needed: bool
    duration_minutes: Interval | None
    volume_ml: Interval | None
    rate_ml_h: Interval | None
    diluents: tuple[str, ...]
    diluent_from_text: bool
    additives: tuple[str, ...]
    per_day: Decimal | None
    doses: tuple[SubstanceDose, ...]
    gaps: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def understood(self) -> bool:
        """No part of the order was sent in a form that could not be read."""
        return all(part.state is not Read.NOT_UNDERSTOOD for part in self.parts.values())

    @property
    def not_stated(self) -> tuple[str, ...]:
        """The parts that the order does not state."""
        return tuple(name for name in PARTS if self.parts[name].state is Read.NOT_STATED)

    @property
    def central(self) -> bool:
        """Through a central line by code. A line read from text lifts no limit (F-16)."""
        return self.line == "central" and not self.line_from_text

    def substance(self, name: str) -> SubstanceDose | None:
        """The dose of "potassium", "insulin", "glucose", "sodium", "magnesium", "phosphate", "bicarbonate", "fluid", "crystalloid" or
        "drug:<name>". None when the order holds none of it."""
        return next((dose for dose in self.doses if dose.substance == name), None)


def read_order(order: Order, *, weight_kg: Interval | None, p: ParameterSet) -> Reading:
    """Read one order. `weight_kg` is the current body weight, None when there is none: what needs it is then not computable.

    Nothing is dropped: every part is in `parts`, every substance of every recognised ingredient in `doses`, with `why_not` where it
    cannot be computed. Several dosage instructions count as given together at most and one at least.
    """
    known = facts(p)
    limbs = tuple(limb_of(order, dosage, weight_kg, known) for dosage in order.dosages or (Dosage(),))
    first = limbs[0]
    volume = first.bag.volume
    intravenous, by_form = _intravenous(order, limbs)
    line, line_from_text, line_conflict = _line(order)
    diluents, from_text, diluent_unread = _diluents(order, limbs)
    doses = doses_of(limbs, intravenous, known)
    parts = _parts(order, limbs, line, line_conflict, diluents, diluent_unread, doses)
    per_day = [limb.dosage.per_day for limb in limbs if limb.dosage.per_day is not None]
    flows = [limb.flow for limb in limbs if limb.flow is not None]
    hours = [limb.hours for limb in limbs if limb.hours is not None]
    return Reading(
        ref=order.ref,
        label=order.label,
        drafted=order.drafted,
        parts=parts,
        intravenous=intravenous,
        intravenous_by_form=by_form,
        line=line,
        line_from_text=line_from_text,
        push=intravenous is not False and any(limb.push for limb in limbs),
        once=all(limb.dosage.once for limb in limbs),
        as_needed=any(limb.dosage.as_needed for limb in limbs),
        duration_minutes=None if not hours else settled(span_of(hours).scale(MINUTES_PER_HOUR)),
        volume_ml=volume,
        rate_ml_h=None if not flows else settled(one_to_all(flows)),
        diluents=diluents,
        diluent_from_text=from_text,
        additives=_additives(first.bag),
        per_day=sum(per_day, Decimal(0)) if per_day else None,
        doses=doses,
        gaps=tuple(
            f"{name}: {part.text} not understood" if part.text else f"{name} not understood"
            for name, part in parts.items()
            if part.state is Read.NOT_UNDERSTOOD
        ),
        remarks=tuple(dict.fromkeys(remark for limb in limbs for remark in limb.remarks)),
    )


def _intravenous(order: Order, limbs: tuple[Limb, ...]) -> tuple[bool | None, bool]:
    """Whether it goes into a vein, and whether that is told only by its form (a rate of flow, or a bag over time)."""
    routes = {limb.dosage.route for limb in limbs if limb.dosage.route is not None}
    if routes:
        return not routes.isdisjoint(INTRAVENOUS), False
    for limb in limbs:
        timed = limb.rate.per_hour is not None or limb.rate.why == "weight not known" or limb.dosage.duration_minutes is not None
        in_bag = limb.bag.volume is not None or any(held.diluent for held in limb.bag.held)
        if limb.rate.basis == VOLUME or (timed and in_bag) or limb.rate.basis in AMOUNTS:
            return True, True
    return None, False


def _line(order: Order) -> tuple[str | None, bool, bool]:
    """Line, whether it was only read from text, and whether the dosages name different lines (then none is taken)."""
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
    order: Order,
    limbs: tuple[Limb, ...],
    line: str | None,
    line_conflict: bool,
    diluents: tuple[str, ...],
    diluent_unread: str,
    doses: tuple[SubstanceDose, ...],
) -> Mapping[str, Part]:
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
        if dosage.dose is not None and quantity(dosage.dose) is None:
            unread.setdefault("amount", dosage.dose.text)
        if limb.bag.volume_conflict:
            unread.setdefault("volume", limb.bag.volume_conflict)
        for held in limb.bag.held:
            if held.not_understood:
                unread.setdefault("amount", held.why)
    if order.volume is not None and quantity(order.volume) is None:
        unread.setdefault("volume", order.volume.text)

    first = limbs[0]
    rates = [limb.dosage.rate.text for limb in limbs if limb.dosage.rate is not None]
    if not rates and first.dosage.duration_minutes is not None:
        rates = [f"over {_words(first.dosage.duration_minutes)} min"]
    amounts = [limb.dosage.dose.text for limb in limbs if limb.dosage.dose is not None]
    known = [dose for dose in doses if dose.amount is not None and dose.substance not in ("fluid", "crystalloid")]
    if not amounts and known:
        amounts = [f"{_words(known[0].amount)} {known[0].unit}"]
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
