"""How much of each substance an order gives: per bag, per litre, per hour, and why not where it cannot be computed."""

from __future__ import annotations

import msgspec

from cds.numbers import Interval, point
from cds.orders.contents import Held
from cds.orders.flow import Limb
from cds.orders.quantities import EQUIVALENT_MASS, MASS, MINUTES_PER_HOUR, ML_PER_L, UNITS, VOLUME, settled
from cds.orders.substances import Facts, converted, is_balanced, is_crystalloid, is_insulin, substances_of


class Contribution(msgspec.Struct, frozen=True, gc=False):
    """What one ingredient gives of a substance. `balanced` marks the few mmol/L of a balanced crystalloid, which never trigger alone."""

    drug: str
    label: str
    balanced: bool
    amount: Interval | None
    per_hour: Interval | None
    concentration: Interval | None
    why_not: str = ""


class SubstanceDose(msgspec.Struct, frozen=True, gc=False):
    """How much of a substance an order gives, in `unit` (mmol, [iU], g, mg, mg{PE}, mL).

    `amount` per bag or dose, `per_hour`, `concentration` per litre, `hours` that it runs. None: cannot be computed, and `why_not` says
    why. An interval without an upper end: a part of it cannot be computed; `why_not` names that part.
    `own_per_hour` is `per_hour` without balanced crystalloids, None when they are all there is.
    """

    substance: str
    unit: str
    amount: Interval | None = None
    per_hour: Interval | None = None
    concentration: Interval | None = None
    hours: Interval | None = None
    own_per_hour: Interval | None = None
    balanced: bool = False
    why_not: str = ""
    contributions: tuple[Contribution, ...] = ()

    @property
    def mg_per_ml(self) -> Interval | None:
        """Concentration of a drug in mg (or mg{PE}) per mL; None for other units."""
        if self.unit not in (MASS, EQUIVALENT_MASS) or self.concentration is None:
            return None
        return settled(self.concentration.over(point(ML_PER_L)))


Plan = dict[str, tuple[str, list[int]]]
"""For each substance of a bag: its unit, and the places of the ingredients that bring it."""


def plan_of(limb: Limb, known: Facts) -> Plan:
    """Which substances a limb's ingredients bring."""
    plan: Plan = {}
    for place, held in enumerate(limb.bag.held):
        drug = held.drug
        if drug is None:
            continue
        for substance, unit in substances_of(drug, known):
            if substance in plan:
                plan[substance][1].append(place)
            else:
                plan[substance] = (unit, [place])
        if held.active and not held.diluent and not is_balanced(drug):
            substance = f"drug:{drug}"
            if substance in plan:
                plan[substance][1].append(place)
            else:
                plan[substance] = (_drug_unit(held, limb), [place])
    return plan


def substances_in(limbs: tuple[Limb, ...], plans: list[Plan], intravenous: bool | None, known: Facts) -> tuple[str, ...]:
    """Every substance that an order gives, a fluid order's volume last."""
    found: dict[str, None] = {}
    for limb, plan in zip(limbs, plans, strict=True):
        found.update(dict.fromkeys(plan))
        if intravenous:
            found.update(dict.fromkeys(name for name in ("fluid", "crystalloid") if _is_fluid_order(limb, name, known)))
    return tuple(found)


def dose_of(substance: str, limbs: tuple[Limb, ...], plans: list[Plan], intravenous: bool | None, known: Facts) -> SubstanceDose | None:
    """The dose of one substance over all limbs; None when there is none of it."""
    found: list[SubstanceDose] = []
    for limb, plan in zip(limbs, plans, strict=True):
        wanted = plan.get(substance)
        if wanted is not None:
            unit, places = wanted
            found.append(_summed(substance, unit, [_contribution(limb, place, substance, known) for place in places], limb))
        elif intravenous and _is_fluid_order(limb, substance, known):
            found.append(_fluid(limb, substance))
    if not found:
        return None
    return found[0] if len(found) == 1 else _together(found, limbs)


def _drug_unit(held: Held, limb: Limb) -> str:
    if held.drug == "fosphenytoin":
        return EQUIVALENT_MASS
    if UNITS in (held.basis, limb.direct[0] if limb.direct is not None and not held.basis else ""):
        return UNITS
    return MASS


def _contribution(limb: Limb, place: int, substance: str, known: Facts) -> Contribution:
    held = limb.bag.held[place]
    drug = held.drug or ""
    balanced = is_balanced(drug)
    if limb.blocked:
        return Contribution(drug, held.label, balanced, None, None, None, limb.blocked)
    basis = held.basis
    amount = None if held.amount is None else converted(held.amount, basis, drug, substance, known)
    per_ml = None if held.per_ml is None else converted(held.per_ml, basis, drug, substance, known)
    per_hour: Interval | None = None
    if limb.direct is not None and place == limb.bag.principal:
        per_hour = converted(limb.direct[1], limb.direct[0], drug, substance, known)
    if per_hour is None:
        minutes = limb.dosage.duration_minutes
        if per_ml is not None and limb.flow is not None:
            per_hour = per_ml.times(limb.flow)
        elif limb.dosage.rate is None and amount is not None and minutes is not None:
            per_hour = None if minutes.high in (None, 0) else amount.scale(MINUTES_PER_HOUR).over(minutes)
    why = _why_not(limb, held, substance, amount, per_ml) if per_hour is None else ""
    return Contribution(drug, held.label, balanced, amount, per_hour, None if per_ml is None else per_ml.scale(ML_PER_L), why)


def _why_not(limb: Limb, held: Held, substance: str, amount: Interval | None, per_ml: Interval | None) -> str:
    if limb.rate.why:
        return limb.rate.why
    if limb.bag.dose_why:
        return limb.bag.dose_why
    if held.basis == VOLUME and not is_balanced(held.drug):
        return held.why
    stated = held.basis if held.amount is not None or held.per_ml is not None else ""
    if stated and amount is None and per_ml is None:
        return f"{stated} of {held.label} cannot be converted to {substance.removeprefix('drug:')}"
    if held.why and not (limb.flow is None and amount is not None and held.why == "volume not stated"):
        return held.why
    return "given as a push, time not stated" if limb.dosage.push else "rate not stated"


def _summed(substance: str, unit: str, parts: list[Contribution], limb: Limb) -> SubstanceDose:
    hours = None if limb.hours is None else settled(limb.hours)
    if len(parts) == 1:
        part = parts[0]
        per_hour = None if part.per_hour is None else settled(part.per_hour)
        return SubstanceDose(
            substance,
            unit,
            None if part.amount is None else settled(part.amount),
            per_hour,
            None if part.concentration is None else settled(part.concentration),
            hours,
            None if part.balanced else per_hour,
            part.balanced,
            part.why_not,
            (part,),
        )
    own = [part for part in parts if not part.balanced]
    return SubstanceDose(
        substance=substance,
        unit=unit,
        amount=_sum([part.amount for part in parts]),
        per_hour=_sum([part.per_hour for part in parts]),
        concentration=_sum([part.concentration for part in parts]),
        hours=hours,
        own_per_hour=_sum([part.per_hour for part in own]),
        balanced=not own,
        why_not="; ".join(dict.fromkeys(part.why_not for part in parts if part.why_not)),
        contributions=tuple(parts),
    )


def _is_fluid_order(limb: Limb, name: str, known: Facts) -> bool:
    """Whether the volume counts as "fluid" or as "crystalloid". Up to 100 mL around insulin is no fluid, and up to 100 mL around any drug no
    crystalloid order.
    """
    if name not in ("fluid", "crystalloid"):
        return False
    volume = limb.bag.volume
    most = None if volume is None else volume.high
    if (volume is None and limb.flow is None) or (most is not None and most < known.diluent_minimum_ml):
        return False
    small = most is not None and most <= known.small_diluent_ml
    if small and any(is_insulin(held.drug) for held in limb.bag.held):
        return False
    return name == "fluid" or any(is_crystalloid(held.drug) and not (small and held.diluent) for held in limb.bag.held)


def _fluid(limb: Limb, name: str) -> SubstanceDose:
    flow = None if limb.flow is None else settled(limb.flow)
    hours = None if limb.hours is None else settled(limb.hours)
    why = "" if flow is not None else limb.rate.why or limb.blocked or "rate not stated"
    return SubstanceDose(name, VOLUME, limb.bag.volume, flow, None, hours, flow, False, why)


def _sum(values: list[Interval | None]) -> Interval | None:
    """All known: the sum. Some known: at least their sum. None known: None."""
    present = [value for value in values if value is not None]
    if not present:
        return None
    together = present[0]
    for value in present[1:]:
        together = together + value
    if len(present) < len(values):
        together = Interval(together.low, None, together.low_open)
    return settled(together)


def _together(doses: list[SubstanceDose], limbs: tuple[Limb, ...]) -> SubstanceDose:
    """Several dosage instructions of one order: one at least, all at most. A push without a time adds nothing to an hourly rate."""
    steady = [d for d, limb in zip(doses, limbs, strict=False) if not (limb.push and d.per_hour is None)] or doses
    per_hour = [d.per_hour for d in steady if d.per_hour is not None]
    own = [d.own_per_hour for d in steady if d.own_per_hour is not None]
    rates = one_to_all(per_hour) if per_hour else None
    own_rates = one_to_all(own) if own else None
    if rates is not None and len(per_hour) < len(steady):
        rates = Interval(rates.low, None)
        own_rates = None if own_rates is None else Interval(own_rates.low, None)
    amounts = [d.amount for d in doses if d.amount is not None]
    concentrations = [d.concentration for d in doses if d.concentration is not None]
    hours = [d.hours for d in doses if d.hours is not None]
    return SubstanceDose(
        substance=doses[0].substance,
        unit=doses[0].unit,
        amount=span_of(amounts) if amounts else None,
        per_hour=rates,
        concentration=span_of(concentrations) if concentrations else None,
        hours=span_of(hours) if hours else None,
        own_per_hour=own_rates,
        balanced=all(d.balanced for d in doses),
        why_not="; ".join(dict.fromkeys(d.why_not for d in steady if d.why_not)),
        contributions=tuple(part for d in doses for part in d.contributions),
    )


def span_of(values: list[Interval]) -> Interval:
    together = values[0]
    for value in values[1:]:
        together = together.hull(value)
    return together


def one_to_all(values: list[Interval]) -> Interval:
    together = values[0]
    for value in values[1:]:
        together = together + value
    low = min((value.low for value in values if value.low is not None), default=None)
    return Interval(low, together.high, together.low_open, together.high_open)
