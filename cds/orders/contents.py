"""What is in the bag: its volume from whichever field states it, and each ingredient's amount and concentration (F-37).

A strength over millilitres is a ratio; over a whole dose form it is per bag. Two statements of the volume, or a dose and a bag
strength, that do not agree are not computed with: one of the two readings may be ten times the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from types import MappingProxyType

from cds.chart import Dosage, Ingredient, Order
from cds.numbers import Interval, point, shown
from cds.orders.quantities import (
    AMOUNTS,
    COUNT,
    EQUIVALENT_MASS,
    MASS,
    MG_PER_G,
    ML_PER_L,
    MOLES,
    ONE,
    UNITS,
    VOLUME,
    Quantity,
    agree,
    quantity,
)
from cds.orders.quantities import CHARGE as EQUIVALENTS
from cds.parameters import ParameterSet
from cds.vocabulary import drug_in_class

FLUIDS = ("saline", "glucose_fluid", "balanced_crystalloid", "crystalloid", "water")
PERCENT_VOLUME_ML = Decimal(100)


@dataclass(frozen=True, slots=True)
class Salt:
    """How much of a substance a stated amount of a salt holds; None where a basis cannot be converted."""

    mmol: Interval
    per_mmol: Decimal
    per_meq: Decimal | None
    mg: Interval | None


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """The constants of order arithmetic, taken from the parameters once."""

    salts: Mapping[tuple[str, str], Salt]
    held_in: Mapping[str, tuple[str, ...]]
    balanced: Mapping[str, Interval]
    disagreement_percent: Decimal
    diluent_minimum_ml: Decimal
    push_minutes: Decimal
    small_diluent_ml: Decimal


@lru_cache(maxsize=16)
def facts(p: ParameterSet) -> Facts:
    """The constants as one value. ParameterError when orders.toml was not loaded."""
    salts: dict[tuple[str, str], Salt] = {}
    held_in: dict[str, tuple[str, ...]] = {}
    for row in p.table("order_salts"):
        drug, substance = str(row["drug"]), str(row["substance"])
        mass = Interval(row["mg_low"], row["mg_high"]) if "mg_low" in row else None
        salts[drug, substance] = Salt(Interval(row["mmol_low"], row["mmol_high"]), row["per_mmol"], row.get("per_meq"), mass)
        held_in[drug] = (*held_in.get(drug, ()), substance)
    return Facts(
        salts=MappingProxyType(salts),
        held_in=MappingProxyType(held_in),
        balanced=MappingProxyType(
            {
                substance: Interval(p.number(f"order_balanced_{substance}_low"), p.number(f"order_balanced_{substance}_high"))
                for substance in ("potassium", "sodium")
            }
        ),
        disagreement_percent=p.number("order_volume_disagreement_percent"),
        diluent_minimum_ml=p.number("order_diluent_minimum_ml"),
        push_minutes=p.number("order_push_minutes"),
        small_diluent_ml=p.number("order_small_diluent_ml"),
    )


@lru_cache(maxsize=4096)
def is_fluid(drug: str | None) -> bool:
    """Whether the drug is a fluid that others are given in."""
    return drug is not None and any(drug_in_class(drug, each) for each in FLUIDS)


@lru_cache(maxsize=4096)
def is_crystalloid(drug: str | None) -> bool:
    """Saline, balanced or other crystalloid."""
    return drug is not None and any(drug_in_class(drug, each) for each in ("crystalloid", "saline", "balanced_crystalloid"))


@lru_cache(maxsize=4096)
def is_balanced(drug: str | None) -> bool:
    """Whether the drug is a balanced crystalloid, whose little potassium never triggers alone."""
    return drug is not None and drug_in_class(drug, "balanced_crystalloid")


@lru_cache(maxsize=4096)
def substances_of(drug: str, known: Facts) -> tuple[tuple[str, str], ...]:
    """The substances (name, unit) that a drug brings, beside itself as `drug:<name>`."""
    found = {substance: "mmol" for substance in known.held_in.get(drug, ())}
    if drug_in_class(drug, "potassium_salt"):
        found.setdefault("potassium", "mmol")
    if drug_in_class(drug, "insulin"):
        found["insulin"] = UNITS
    if drug_in_class(drug, "glucose_fluid"):
        found["glucose"] = "g"
    if is_balanced(drug):
        found |= {substance: "mmol" for substance in known.balanced}
    return tuple(found.items())


def converted(amount: Interval, basis: str, drug: str, substance: str, known: Facts) -> Interval | None:
    """An amount of a drug as an amount of a substance in its unit. None when the stated basis cannot be converted (never guessed)."""
    if substance.startswith("drug:"):
        mass = next((salt.mg for (name, _), salt in known.salts.items() if name == drug), None)
        if basis == MOLES and mass is not None and mass.exact is not None:
            return amount.times(mass)
        return amount if basis in (MASS, UNITS, EQUIVALENT_MASS) else None
    if substance == "insulin":
        return amount if basis == UNITS else None
    if substance == "glucose":
        return amount.over(point(MG_PER_G)) if basis == MASS else None
    if basis == VOLUME and is_balanced(drug) and substance in known.balanced:
        return amount.times(known.balanced[substance]).over(point(ML_PER_L))
    salt = known.salts.get((drug, substance))
    if salt is None:
        return None
    if basis == MOLES:
        return amount.times(salt.mmol).over(point(salt.per_mmol))
    if basis == EQUIVALENTS and salt.per_meq is not None:
        return amount.scale(salt.per_meq)
    if basis == MASS and salt.mg is not None:
        return amount.over(salt.mg)
    return None


@dataclass(frozen=True, slots=True)
class Held:
    """One ingredient as it is in the bag: amount in the bag, per mL, or why neither is known. `basis` is what the two are counted in."""

    drug: str | None
    label: str
    active: bool
    diluent: bool
    basis: str
    amount: Interval | None
    per_ml: Interval | None
    why: str
    not_understood: bool = False


@dataclass(frozen=True, slots=True)
class Bag:
    """The contents. `volume` in mL; `dosed` is the dose in mass, moles or units, spoken of the ingredient at `principal`."""

    volume: Interval | None
    volume_text: str
    volume_conflict: str
    held: tuple[Held, ...]
    principal: int | None
    dosed: tuple[str, Interval] | None
    dose_why: str


@dataclass(frozen=True, slots=True)
class _Source:
    what: str
    ml: Interval
    decides: bool = True


def bag_of(order: Order, dosage: Dosage, weight_kg: Interval | None, known: Facts, rate_basis: str | None = None) -> Bag:
    """What one dosage of the order is given from. `rate_basis` helps to tell which ingredient a rate in mass, moles or units is of."""
    parts = _ingredients(order)
    dose = quantity(dosage.dose)
    sources = _volume_sources(order, parts, dose, known)
    conflict = _conflict(sources, known)
    volume = None if conflict or not sources else sources[0].ml
    independent = bool(sources) and sources[0].what != "strength"
    pieces = dose.value if dose is not None and dose.basis == COUNT else None
    if pieces is not None and volume is not None and sources[0].what != "dose":
        volume = volume.times(pieces)

    why = ""
    dosed: tuple[str, Interval] | None = None
    if dose is not None and dose.basis in AMOUNTS and dose.unit.times_per_hour is None and dose.unit.ml is None:
        if dose.unit.per_kg and weight_kg is None:
            why = "weight not known"
        else:
            dosed = (
                dose.basis,
                dose.value.times(weight_kg) if dose.unit.per_kg and weight_kg is not None else dose.value,
            )
    elif dose is not None and dose.basis == VOLUME and dose.unit.per_kg and weight_kg is None:
        why = "weight not known"
    elif dosage.dose is not None and dose is None:
        why = f"dose '{dosage.dose.text}' not understood"
    principal = _principal(parts, rate_basis if dosed is None else dosed[0], known)
    if dosed is not None and principal is None:
        why = "the dose does not say which ingredient it is of"
    held = tuple(_held(part, volume, conflict, pieces, dosed if place == principal else None, independent, parts, known) for place, part in enumerate(parts))
    text = "" if volume is None else f"{_span(volume)} mL"
    return Bag(volume, text, conflict, held, principal, dosed, why)


def _ingredients(order: Order) -> tuple[Ingredient, ...]:
    """Ingredients, and drugs that the order names only as a whole."""
    named = {part.drug for part in order.ingredients}
    return (*order.ingredients, *(Ingredient(drug, order.label) for drug in order.drugs if drug not in named))


def _volume_sources(order: Order, parts: tuple[Ingredient, ...], dose: Quantity | None, known: Facts) -> tuple[_Source, ...]:
    """Every statement of the volume, in the order in which they decide."""
    found: list[_Source] = []
    if dose is not None and dose.basis == VOLUME and not dose.unit.per_kg and dose.unit.times_per_hour is None:
        found.append(_Source("dose", dose.value))
    package = quantity(order.volume)
    if package is not None and package.basis == VOLUME:
        found.append(_Source("package", package.value))
    volumes = [own for own in map(_own_volume, parts) if own is not None]
    if volumes:
        together = volumes[0]
        for each in volumes[1:]:
            together = together + each
        if together.high is None or together.high >= known.diluent_minimum_ml:
            found.append(_Source("ingredients", together))
    last: list[_Source] = []
    for part in parts:
        strength, per = quantity(part.strength), quantity(part.per)
        if strength is None or per is None or per.basis != VOLUME or strength.basis == VOLUME:
            continue
        ml = per.value.exact
        if ml is None or ml < known.diluent_minimum_ml:
            continue
        ratio = ml == ML_PER_L or (ml == PERCENT_VOLUME_ML and is_fluid(part.drug))
        last.append(_Source("strength", per.value, decides=not ratio))
    return (*found, *sorted(last, key=lambda each: not each.decides))


def _conflict(sources: tuple[_Source, ...], known: Facts) -> str:
    for first in sources:
        for second in sources:
            if first.decides and second.decides and not agree(first.ml, second.ml, known.disagreement_percent):
                return f"volume read two ways: {first.what} {_span(first.ml)} mL, {second.what} {_span(second.ml)} mL"
    return ""


def _own_volume(part: Ingredient) -> Interval | None:
    strength = quantity(part.strength)
    return strength.value if strength is not None and strength.basis == VOLUME else None


def _principal(parts: tuple[Ingredient, ...], basis: str | None, known: Facts) -> int | None:
    """The ingredient that a dose or a rate speaks of: the one active drug that is not a fluid, else the one whose basis fits."""
    active = [place for place, part in enumerate(parts) if part.active]
    drugs = [place for place in active if not is_fluid(parts[place].drug)]
    pool = drugs or active
    if len(pool) == 1:
        return pool[0]
    fitting = [place for place in pool if basis is not None and _fits(parts[place].drug, basis, known)]
    return fitting[0] if len(fitting) == 1 else None


def _fits(drug: str | None, basis: str, known: Facts) -> bool:
    if drug is None:
        return True  # an unrecognised drug may be meant by any dose
    if basis == UNITS:
        return drug_in_class(drug, "insulin")
    salt = drug in known.held_in or drug_in_class(drug, "potassium_salt")
    return salt if basis in (MOLES, EQUIVALENTS) else not salt and not drug_in_class(drug, "insulin")


def _held(
    part: Ingredient,
    volume: Interval | None,
    conflict: str,
    pieces: Interval | None,
    dosed: tuple[str, Interval] | None,
    independent: bool,
    parts: tuple[Ingredient, ...],
    known: Facts,
) -> Held:
    diluent = _is_diluent(part, volume, parts, known)
    basis, amount, per_ml, why, bad = _strength(part, volume, pieces)
    if conflict and per_ml is None and amount is None:
        why = conflict
    if dosed is not None:
        basis, amount, per_ml, why = _with_dose(part, dosed, volume if independent else None, basis, per_ml, known)
    if conflict:
        # one of the two volumes is wrong, so no concentration can be trusted
        per_ml, why = None, conflict
        amount = amount if dosed is not None or (part.per is not None and _per_piece(part)) else None
    return Held(part.drug, part.label, part.active, diluent, basis, amount, per_ml, why, bad)


def _per_piece(part: Ingredient) -> bool:
    per = quantity(part.per)
    return per is not None and per.basis == COUNT


def _strength(part: Ingredient, volume: Interval | None, pieces: Interval | None) -> tuple[str, Interval | None, Interval | None, str, bool]:
    """Basis, amount in the bag, amount per mL, why not, and whether something stated was not understood."""
    if is_balanced(part.drug):
        own = _own_volume(part)
        share = own.over(volume) if own is not None and volume is not None and volume.high not in (None, 0) else point(ONE)
        return VOLUME, own or volume, share, "", False
    if part.strength is None:
        return "", None, None, f"strength of {part.label} not stated", False
    strength = quantity(part.strength)
    per = quantity(part.per)
    unreadable = f"strength of {part.label} '{part.strength.text}' not understood"
    if strength is None or strength.unit.per_kg or strength.unit.times_per_hour is not None:
        return "", None, None, unreadable, True
    if part.per is not None and (per is None or per.basis not in (VOLUME, COUNT)):
        return "", None, None, unreadable, True
    if strength.basis == VOLUME:
        return VOLUME, strength.value, None, f"only the volume of {part.label} is stated, not its strength", False
    if strength.basis not in AMOUNTS:
        return "", None, None, unreadable, True
    below: Interval | None = None
    if per is not None and per.basis == VOLUME:
        below = per.value
    elif strength.unit.ml is not None:
        below = point(strength.unit.ml)
    if below is not None:
        if below.high is None or below.high <= 0:
            return "", None, None, unreadable, True
        amount = None if volume is None else strength.value.times(volume).over(below)
        return (
            strength.basis,
            amount,
            strength.value.over(below),
            "" if amount is not None else "volume not stated",
            False,
        )
    if per is not None and per.value.high == 0:
        return "", None, None, unreadable, True
    amount = strength.value if per is None else strength.value.over(per.value)
    per_ml = amount.over(volume) if volume is not None and volume.high not in (None, 0) and pieces is None else None
    if pieces is not None:
        per_ml = None if volume is None else amount.times(pieces).over(volume)
        amount = amount.times(pieces)
    return strength.basis, amount, per_ml, "" if per_ml is not None else "volume not stated", False


def _with_dose(
    part: Ingredient,
    dosed: tuple[str, Interval],
    volume: Interval | None,
    basis: str,
    per_ml: Interval | None,
    known: Facts,
) -> tuple[str, Interval | None, Interval | None, str]:
    """The ingredient that the dose is of: the dose is the amount; the concentration is dose over volume when nothing speaks against it."""
    given_basis, given = dosed
    if volume is None:
        if basis == given_basis:
            return basis, given, per_ml, "" if per_ml is not None else "volume not stated"
        return given_basis, given, None, "volume not stated"
    by_dose = given.over(volume) if volume.high not in (None, 0) else None
    if per_ml is None or basis != given_basis or by_dose is None or agree(by_dose, per_ml, known.disagreement_percent):
        return given_basis, given, by_dose, ""
    per = quantity(part.per)
    strength = quantity(part.strength)
    of_product = (per is not None and per.basis == VOLUME) or (strength is not None and strength.unit.ml is not None)
    if of_product and (per is None or per.value.high is None or per.value.high < known.diluent_minimum_ml):
        return given_basis, given, by_dose, ""  # the strength is that of the vial from which the dose is drawn
    return given_basis, given, None, f"the dose and the strength of {part.label} in the bag do not agree"


def _is_diluent(part: Ingredient, volume: Interval | None, parts: tuple[Ingredient, ...], known: Facts) -> bool:
    """isActive=false, or a fluid of enough volume beside another active drug. An amount of a salt without volume is an additive."""
    if not part.active:
        return True
    if not is_fluid(part.drug) or not any(other.active and not is_fluid(other.drug) for other in parts):
        return False
    own = _own_volume(part)
    if own is not None:
        return own.high is None or own.high >= known.diluent_minimum_ml
    strength = quantity(part.strength)
    added = strength is not None and strength.basis in (MOLES, EQUIVALENTS) and strength.unit.ml is None
    return not added and (volume is None or volume.high is None or volume.high >= known.diluent_minimum_ml)


def _span(value: Interval) -> str:
    if value.exact is not None:
        return shown(value.exact)
    low = "?" if value.low is None else shown(value.low)
    high = "?" if value.high is None else shown(value.high)
    return f"{low} to {high}"
