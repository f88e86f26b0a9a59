"""What a proposal would order for this patient: a computed dose, time and frequency become a typed order, or a reason why not.

Amounts are rounded down and durations up, so that rounding never gives more, or faster, than the knowledge allows (HZ-05). Nothing here judges: that is done by
`cds.candidates` before anything is offered.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_DOWN, Decimal

from cds import units
from cds.advisory import Amend, Give
from cds.chart import Dosage, Ingredient, Measure, Order
from cds.logic.compare import Missing
from cds.logic.criteria import Expression, Greater, Lesser, Limit, Minus, Plus, Ratio, Scaled
from cds.logic.reason import GapState
from cds.logic.scene import Scene
from cds.numbers import Interval, point, shown
from cds.orders.quantities import AMOUNTS, MINUTES_PER_HOUR, VOLUME, quantity, settled_number
from cds.parameters import Absent, Parameter
from cds.soundness import factor_between
from cds.vocabulary import ANALYTES, DRUGS

DIGITS = 3
"""Significant digits of a computed amount without a usual step."""

_FINEST_RATE = Decimal("0.1")
_UNIT_WORDS = {"[iU]": "units", "mg{PE}": "mg PE", "ug": "microgram", "1": ""}
_TOO_DENSE = 31
"""A frequency is written as times over whole days; a longer period than a month is not a frequency that an order can hold."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """Why a proposal makes no order. "" where it is simply not for this patient or order: then nobody needs to be told."""

    reason: str = ""


NOT_HERE = Unfit()


@dataclass(frozen=True, slots=True)
class Proposed:
    """An order as it would be, and what of it was set. `dose`, `minutes` and `times_a_day` are None where an amended draft keeps its own."""

    order: Order
    label: str
    dose: Measure | None = None
    minutes: Decimal | None = None
    times_a_day: Decimal | None = None
    rate_ml_h: Decimal | None = None


# Numbers -------------------------------------------------------------------------------------------------------------------------------


def worked_out(scene: Scene, wanted: Limit | Expression, unit: str, order: Order | None) -> Interval | Unfit:
    """A figure or expression in a unit. Unfit where any part of it is missing. UnitError when it is of another kind."""
    if isinstance(wanted, Absent):
        return NOT_HERE
    if isinstance(wanted, Parameter):
        return point(units.convert(wanted.number, wanted.unit, unit))
    why_not = _missing(scene, wanted, order)
    if why_not is not None:
        return why_not
    number = scene.number(wanted, order)
    if isinstance(number, Missing):
        return _told(number)
    value = number.candidates[0].value
    for candidate in number.candidates[1:]:
        value = value.hull(candidate.value)
    return value if number.unit == unit else value.scale(factor_between(number.unit, unit))


def _missing(scene: Scene, expression: Expression, order: Order | None) -> Unfit | None:
    """The first part that is not known. `Lesser` leaves a missing part out, which for a dose would give the maximum to a patient who was never weighed."""
    for part in _parts(expression):
        number = scene.number(part, order)
        if isinstance(number, Missing):
            return _told(number)
    return None


def _parts(expression: Expression) -> Iterator[Expression]:
    yield expression
    match expression:
        case Plus(parts) | Lesser(parts) | Greater(parts):
            inner = parts
        case Minus(of, other) | Ratio(of, other):
            inner = (of, other)
        case Scaled(of, by):
            # A factor without a figure for this age is a gap of the product already.
            inner = (of,) if isinstance(by, Parameter) else ()
        case _:
            inner = ()
    for each in inner:
        yield from _parts(each)


def _told(number: Missing) -> Unfit:
    gap = next((gap for gap in number.gaps if gap.state is not GapState.OUT_OF_SCOPE), None)
    if gap is None:
        return NOT_HERE
    label = ANALYTES[gap.item].label if gap.item in ANALYTES else gap.item
    return Unfit(f"{label} not known ({gap.detail.removeprefix(f'{label}: ')})")


def _amount(scene: Scene, wanted: Limit | Expression, unit: str, step: Limit | None, order: Order | None) -> Decimal | Unfit:
    """A dose, never above what was computed; of an inexact number the lower end."""
    value = worked_out(scene, wanted, unit, order)
    if isinstance(value, Unfit):
        return value
    if value.low is None or value.low <= 0:
        return Unfit("no dose is left by the figures of this patient" if value.low is not None else "the dose is not known")
    exact = settled_number(value.low)
    if isinstance(step, Parameter):
        size = units.convert(step.number, step.unit, unit)
        whole = (exact / size).to_integral_value(ROUND_DOWN) * size
        return _plain(whole) if whole > 0 else Unfit(f"the dose is below the smallest step of {dose_in_words(size, unit)}")
    if isinstance(wanted, Parameter):
        return _plain(exact)
    return _plain(exact.quantize(Decimal(1).scaleb(exact.adjusted() - DIGITS + 1), ROUND_DOWN))


def _whole_minutes(scene: Scene, wanted: Limit | Expression, order: Order | None) -> Decimal | Unfit:
    """A duration, never shorter than what was computed; of an inexact number the upper end."""
    value = worked_out(scene, wanted, "min", order)
    if isinstance(value, Unfit):
        return value
    if value.high is None or value.high <= 0:
        return Unfit("the time to give it over is not known")
    return _plain(settled_number(value.high).to_integral_value(ROUND_CEILING))


def _frequency(scene: Scene, wanted: Limit) -> Decimal | Unfit:
    value = worked_out(scene, wanted, "1", None)
    if isinstance(value, Unfit):
        return value
    times = value.exact
    if times is None or times <= 0 or times_over_days(times) is None:
        return Unfit("how often to give it cannot be written in an order")
    return times


def times_over_days(times_a_day: Decimal) -> tuple[int, int] | None:
    """A frequency as whole times over whole days (0.5 a day is once in 2 days); None when it is none that an order can hold."""
    times, days = times_a_day.as_integer_ratio()
    return (times, days) if days < _TOO_DENSE else None


def _plain(number: Decimal) -> Decimal:
    """Without an exponent, as orders are written."""
    return Decimal(shown(number))


# New orders ----------------------------------------------------------------------------------------------------------------------------


def given(proposal: Give, code: str, scene: Scene, order: Order | None) -> Proposed | Unfit:
    """The new order that a proposal makes. `code` names the advisory, `order` is the one in hand."""
    unit = proposal.amount_unit
    amount = _amount(scene, proposal.amount, unit, proposal.round_to, order)
    if isinstance(amount, Unfit):
        return amount
    minutes = _time(scene, proposal, order)
    if isinstance(minutes, Unfit):
        return minutes
    times: Decimal | None = None
    if proposal.times_a_day is not None:
        found = _frequency(scene, proposal.times_a_day)
        if isinstance(found, Unfit):
            return found
        times = found
    volume: Decimal | None = None
    if proposal.volume_ml is not None:
        ml = worked_out(scene, proposal.volume_ml, VOLUME, order)
        if isinstance(ml, Unfit) or ml.exact is None:
            return ml if isinstance(ml, Unfit) else Unfit("the volume is not known")
        volume = ml.exact
    words = in_words(dose_in_words(amount, unit), proposal.route, minutes, times, volume)
    label = _label(proposal, dose_in_words(amount, unit), words)
    rate = None
    if volume is not None and proposal.hours is not None and minutes is not None:
        rate = _rate(volume, minutes)
        minutes = None
    dose = Measure(point(amount), unit, dose_in_words(amount, unit)) if volume is None else _ml(volume)
    dosage = Dosage(
        text=words if volume is None else label, route=proposal.route, route_stated=True, dose=dose,
        rate=None if rate is None else Measure(point(rate), "mL/h", f"{shown(rate)} mL/h"),
        duration_minutes=None if minutes is None else point(minutes), per_day=times, once=times is None,
    )  # fmt: skip
    made = Order(
        ref=f"MedicationRequest/proposed-{code}", drafted=True, status="draft", intent="proposal", drugs=(proposal.drug,),
        label=label if proposal.diluent or volume is not None else DRUGS[proposal.drug].label,
        ingredients=_ingredients(proposal, amount, volume), dosages=(dosage,), path="proposed",
    )  # fmt: skip
    return Proposed(made, label, dose, minutes, times, rate)


def _time(scene: Scene, proposal: Give, order: Order | None) -> Decimal | Unfit | None:
    """Minutes to give it over; None where the proposal names no time."""
    if proposal.minutes is not None:
        return _whole_minutes(scene, proposal.minutes, order)
    if proposal.hours is None:
        return None
    return NOT_HERE if isinstance(proposal.hours, Absent) else _whole_minutes(scene, proposal.hours, order)


def _rate(volume: Decimal, minutes: Decimal) -> Decimal:
    """mL/h, rounded down where the quotient does not end."""
    rate = volume * MINUTES_PER_HOUR / minutes
    return _plain(rate if rate * minutes == volume * MINUTES_PER_HOUR else rate.quantize(_FINEST_RATE, ROUND_DOWN))


def _ingredients(proposal: Give, amount: Decimal, volume: Decimal | None) -> tuple[Ingredient, ...]:
    # The bag's volume stands on both sides, so that a reader cannot take it for a strength.
    ml = None if volume is None else _ml(volume)
    strength = None if volume is None else Measure(point(amount), proposal.amount_unit, f"{shown(amount)} {proposal.amount_unit}")
    parts = [Ingredient(proposal.drug, DRUGS[proposal.drug].label, True, strength, ml)]
    if proposal.diluent:
        parts.append(Ingredient(proposal.diluent, DRUGS[proposal.diluent].label, False, ml, ml))
    return tuple(parts)


def _ml(volume: Decimal) -> Measure:
    return Measure(point(volume), "mL", f"{shown(volume)} mL")


def _label(proposal: Give, dose: str, words: str) -> str:
    """The proposal's words, with what was worked out for this patient where they do not hold it."""
    fixed = isinstance(proposal.amount, Parameter) and (proposal.minutes is None or isinstance(proposal.minutes, Parameter))
    # "20 mg" is not said by "20 mg/kg", nor by "120 mg".
    if fixed and re.search(rf"(?<![\d.,]){re.escape(dose)}(?![\w/])", proposal.label):
        return proposal.label
    return f"{proposal.label}: {words}"


def in_words(dose: str, route: str, minutes: Decimal | None, times: Decimal | None, volume: Decimal | None = None) -> str:
    """ "1500 mg intravenous over 15 min twice a day"."""
    parts = [part for part in (dose, route) if part]
    if volume is not None:
        parts.append(f"in {shown(volume)} mL")
    if minutes is not None:
        hours = minutes / MINUTES_PER_HOUR
        parts.append(f"over {shown(minutes)} min" if hours < 2 or hours != hours.to_integral_value() else f"over {shown(hours)} h")
    if times is not None and (pair := times_over_days(times)) is not None:
        often, days = pair
        count = {1: "once", 2: "twice"}.get(often, f"{often} times")
        parts.append(f"{count} a day" if days == 1 else f"{count} in {days} days")
    return " ".join(parts)


def dose_in_words(amount: Decimal, unit: str) -> str:
    """An amount as a prescriber reads it: "10 units", never "10 U" (AU-40)."""
    return f"{shown(amount)} {_UNIT_WORDS.get(unit, unit)}".strip()


# Changed drafts ------------------------------------------------------------------------------------------------------------------------


def amended(proposal: Amend, scene: Scene, order: Order) -> Proposed | Unfit:
    """A draft with another dose, duration or frequency. Unfit where the draft does not state one dose of one drug that could be exchanged."""
    if proposal.drug and proposal.drug not in order.drugs:
        return NOT_HERE
    why_not = _no_safe_place(order)
    if why_not:
        return Unfit(why_not)
    drug = proposal.drug or order.drugs[0]
    (before,) = order.dosages
    after = before
    dose: Measure | None = None
    minutes = times = None
    if proposal.dose is not None:
        found = _new_dose(proposal.dose, proposal.round_to, scene, order, before)
        if isinstance(found, Unfit):
            return found
        if not _same(found, before.dose):
            dose, after = found, replace(after, dose=found)
    if proposal.minutes is not None:
        long = _whole_minutes(scene, proposal.minutes, order)
        if isinstance(long, Unfit):
            return long
        if scene.reading(order).duration_minutes != point(long):
            minutes, after = long, replace(after, rate=None, rate_per=None, duration_minutes=point(long))
    if proposal.times_a_day is not None:
        often = _frequency(scene, proposal.times_a_day)
        if isinstance(often, Unfit):
            return often
        if before.per_day != often:
            times, after = often, replace(after, per_day=often, once=False)
    if after is before:
        return NOT_HERE
    # The old words would contradict the new numbers.
    made = replace(order, dosages=(replace(after, text="", diluents_in_text=()),))
    if not _reads_as_meant(made, order, drug, dose, minutes, scene):
        return Unfit("the form of the draft leaves no safe place for it")
    words = in_words("" if dose is None else dose.text, "", minutes, times)
    return Proposed(made, f"{proposal.label}: {words}", dose, minutes, times)


def _no_safe_place(order: Order) -> str:
    if len(order.drugs) != 1 or order.unrecognised:
        return "the draft does not hold one recognised drug alone"
    if len(order.dosages) != 1:
        return "the draft does not hold one dosage alone"
    (dosage,) = order.dosages
    if dosage.dose is None:
        return "the draft states no dose"
    if dosage.not_understood or dosage.events:
        return "a part of the draft was not understood" if dosage.not_understood else "the draft names the times of its doses"
    return ""


def _new_dose(wanted: Limit | Expression, step: Limit | None, scene: Scene, order: Order, before: Dosage) -> Measure | Unfit:
    stated = quantity(before.dose)
    text = "" if before.dose is None else before.dose.text
    if stated is None or stated.basis not in AMOUNTS or stated.unit.ml is not None or stated.unit.times_per_hour is not None:
        return Unfit(f"the draft states its dose as '{text}', which leaves no safe place for another")
    unit = unit_of(scene, wanted, order)
    if isinstance(unit, Unfit):
        return unit
    amount = _amount(scene, wanted, unit, step, order)
    if isinstance(amount, Unfit):
        return amount
    made = Measure(point(amount), unit, dose_in_words(amount, unit))
    meant = quantity(made)
    if meant is None or meant.basis != stated.basis:
        return Unfit(f"the draft states its dose as '{text}', the new one is in {_UNIT_WORDS.get(unit, unit)}")
    return made


def unit_of(scene: Scene, wanted: Limit | Expression, order: Order | None) -> str | Unfit:
    """The unit in which a figure or an expression stands."""
    if isinstance(wanted, Absent):
        return NOT_HERE
    if isinstance(wanted, Parameter):
        return wanted.unit
    number = scene.number(wanted, order)
    return _told(number) if isinstance(number, Missing) else number.unit


def _same(new: Measure, old: Measure | None) -> bool:
    a, b = quantity(new), quantity(old)
    return a is not None and b is not None and (a.value, a.basis, a.unit.per_kg) == (b.value, b.basis, b.unit.per_kg)


def _reads_as_meant(order: Order, before: Order, drug: str, dose: Measure | None, minutes: Decimal | None, scene: Scene) -> bool:
    """Whether our own reading of the changed draft finds the new dose and time, and loses nothing that the draft told before: a strength of the bag may
    contradict another dose."""
    reading = scene.reading(order)
    if minutes is not None and reading.duration_minutes != point(minutes):
        return False
    was, now = scene.reading(before).substance(f"drug:{drug}"), reading.substance(f"drug:{drug}")
    if was is None or now is None or now.amount is None:
        return False
    if (was.per_hour is not None and now.per_hour is None) or (was.concentration is not None and now.concentration is None):
        return False
    meant = quantity(dose)
    return dose is None or (meant is not None and now.amount == meant.value)


__all__ = ["NOT_HERE", "Proposed", "Unfit", "amended", "dose_in_words", "given", "in_words", "times_over_days", "unit_of", "worked_out"]
