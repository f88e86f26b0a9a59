"""What is in the bag: its volume from whichever field states it, and each ingredient's amount and concentration (F-37).

A strength over millilitres is a ratio; over a whole dose form it is per bag. Two statements of the volume, or a dose and a bag
strength, that do not agree are not computed with: one of the two readings may be ten times the other.
"""

from __future__ import annotations

from decimal import Decimal

import msgspec

from cds.chart import Ingredient, Measure, Order
from cds.numbers import ZERO, Interval, point, shown
from cds.orders.quantities import AMOUNTS, COUNT, ML_PER_L, MOLES, ONE, UNITS, VOLUME, Quantity, agree, quantity
from cds.orders.quantities import CHARGE as EQUIVALENTS
from cds.orders.substances import Facts, is_balanced, is_fluid, is_insulin, is_potassium_salt

PERCENT_VOLUME_ML = Decimal(100)


class Stated(msgspec.Struct, frozen=True, gc=False):
    """One ingredient with its strength read once. `own_volume` in mL, when the strength is a volume."""

    part: Ingredient
    strength: Quantity | None
    per: Quantity | None
    own_volume: Interval | None
    fluid: bool


class Product(msgspec.Struct, frozen=True, gc=False):
    """What an order states of the product, the same for each of its dosages.

    `candidates` are the places of the ingredients that a dose or a rate may speak of: active drugs that are no fluids, else active fluids.
    """

    parts: tuple[Stated, ...]
    package: Quantity | None
    package_not_understood: bool
    candidates: tuple[int, ...]
    drug_beside_fluid: bool


class Held(msgspec.Struct, frozen=True, gc=False):
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


class Bag(msgspec.Struct, frozen=True, gc=False):
    """The contents. `volume` in mL; `dosed` is the dose in mass, moles or units, spoken of the ingredient at `principal`."""

    volume: Interval | None
    volume_conflict: str
    held: tuple[Held, ...]
    principal: int | None
    dosed: tuple[str, Interval] | None
    dose_why: str

    @property
    def volume_text(self) -> str:
        """The volume in words, "" when it is not known."""
        return "" if self.volume is None else f"{_span(self.volume)} mL"


class _Source(msgspec.Struct, frozen=True, gc=False):
    what: str
    ml: Interval
    decides: bool = True


def product_of(order: Order) -> Product:
    """The product of an order, its quantities read once."""
    ingredients = order.ingredients
    if order.drugs:
        named = [part.drug for part in ingredients]
        # drugs that the order names only as a whole
        more = [Ingredient(drug, order.label) for drug in order.drugs if drug not in named]
        if more:
            ingredients = (*ingredients, *more)
    parts = tuple([_stated(part) for part in ingredients])
    active = [place for place, each in enumerate(parts) if each.part.active]
    drugs = [place for place in active if not parts[place].fluid]
    package = quantity(order.volume)
    return Product(parts, package, order.volume is not None and package is None, tuple(drugs or active), bool(drugs))


def _stated(part: Ingredient) -> Stated:
    strength = quantity(part.strength)
    own = strength.value if strength is not None and strength.unit.basis == VOLUME else None
    return Stated(part, strength, quantity(part.per), own, is_fluid(part.drug))


def bag_of(
    product: Product, stated_dose: Measure | None, dose: Quantity | None, weight_kg: Interval | None, known: Facts, rate_basis: str | None = None
) -> Bag:
    """What one dosage is given from. `rate_basis` helps to tell which ingredient a rate in mass, moles or units is of."""
    parts = product.parts
    sources = _volume_sources(product, dose, known)
    conflict = _conflict(sources, known) if sources else ""
    volume = None if conflict or not sources else sources[0].ml
    independent = bool(sources) and sources[0].what != "strength"
    pieces = dose.value if dose is not None and dose.unit.basis == COUNT else None
    if pieces is not None and volume is not None and sources[0].what != "dose":
        volume = volume.times(pieces)

    why = ""
    dosed: tuple[str, Interval] | None = None
    if dose is None:
        if stated_dose is not None:
            why = f"dose '{stated_dose.text}' not understood"
    elif dose.unit.basis in AMOUNTS and dose.unit.times_per_hour is None and dose.unit.ml is None:
        if not dose.unit.per_kg:
            dosed = (dose.unit.basis, dose.value)
        elif weight_kg is None:
            why = "weight not known"
        else:
            dosed = (dose.unit.basis, dose.value.times(weight_kg))
    elif dose.unit.basis == VOLUME and dose.unit.per_kg and weight_kg is None:
        why = "weight not known"
    principal = _principal(product, rate_basis if dosed is None else dosed[0], known)
    if dosed is not None and principal is None:
        why = "the dose does not say which ingredient it is of"
    held = tuple(
        [
            _held(each, product, volume, conflict, pieces, dosed if place == principal else None, independent, known)
            for place, each in enumerate(parts)
        ]
    )
    return Bag(volume, conflict, held, principal, dosed, why)


def _volume_sources(product: Product, dose: Quantity | None, known: Facts) -> list[_Source]:
    """Every statement of the volume, in the order in which they decide."""
    found: list[_Source] = []
    if dose is not None and dose.unit.basis == VOLUME and not dose.unit.per_kg and dose.unit.times_per_hour is None:
        found.append(_Source("dose", dose.value))
    package = product.package
    if package is not None and package.unit.basis == VOLUME:
        found.append(_Source("package", package.value))
    together: Interval | None = None
    for each in product.parts:
        if each.own_volume is not None:
            together = each.own_volume if together is None else together + each.own_volume
    if together is not None and (together.high is None or together.high >= known.diluent_minimum_ml):
        found.append(_Source("ingredients", together))
    ratios: list[_Source] = []
    for each in product.parts:
        strength, per = each.strength, each.per
        if strength is None or per is None or per.unit.basis != VOLUME or strength.unit.basis == VOLUME:
            continue
        ml = per.value.exact
        if ml is None or ml < known.diluent_minimum_ml:
            continue
        if ml == ML_PER_L or (ml == PERCENT_VOLUME_ML and each.fluid):
            ratios.append(_Source("strength", per.value, decides=False))
        else:
            found.append(_Source("strength", per.value))
    return found + ratios


def _conflict(sources: list[_Source], known: Facts) -> str:
    ml = sources[0].ml
    if ml.high is not None and all(each.ml.low == ml.low and each.ml.high == ml.high for each in sources):
        return ""
    for first in sources:
        for second in sources:
            if first.decides and second.decides and not agree(first.ml, second.ml, known.disagreement_percent):
                return f"volume read two ways: {first.what} {_span(first.ml)} mL, {second.what} {_span(second.ml)} mL"
    return ""


def _principal(product: Product, basis: str | None, known: Facts) -> int | None:
    """The ingredient that a dose or a rate speaks of: the one active drug that is not a fluid, else the one whose basis fits."""
    if len(product.candidates) == 1:
        return product.candidates[0]
    fitting = [place for place in product.candidates if basis is not None and _fits(product.parts[place].part.drug, basis, known)]
    return fitting[0] if len(fitting) == 1 else None


def _fits(drug: str | None, basis: str, known: Facts) -> bool:
    if drug is None:
        return True  # an unrecognised drug may be meant by any dose
    if basis == UNITS:
        return is_insulin(drug)
    salt = drug in known.held_in or is_potassium_salt(drug)
    return salt if basis in (MOLES, EQUIVALENTS) else not salt and not is_insulin(drug)


def _held(
    stated: Stated,
    product: Product,
    volume: Interval | None,
    conflict: str,
    pieces: Interval | None,
    dosed: tuple[str, Interval] | None,
    independent: bool,
    known: Facts,
) -> Held:
    basis, amount, per_ml, why, bad = _strength(stated, volume, pieces)
    if conflict and per_ml is None and amount is None:
        why = conflict
    if dosed is not None:
        basis, amount, per_ml, why = _with_dose(stated, dosed, volume if independent else None, basis, per_ml, known)
    if conflict:
        # one of the two volumes is wrong, so no concentration can be trusted
        per_ml, why = None, conflict
        amount = amount if dosed is not None or (stated.per is not None and stated.per.unit.basis == COUNT) else None
    part = stated.part
    return Held(part.drug, part.label, part.active, _is_diluent(stated, volume, product, known), basis, amount, per_ml, why, bad)


def _strength(stated: Stated, volume: Interval | None, pieces: Interval | None) -> tuple[str, Interval | None, Interval | None, str, bool]:
    """Basis, amount in the bag, amount per mL, why not, and whether something stated was not understood."""
    part, strength, per = stated.part, stated.strength, stated.per
    if is_balanced(part.drug):
        own = stated.own_volume
        share = own.over(volume) if own is not None and volume is not None and _some(volume) else point(ONE)
        return VOLUME, own or volume, share, "", False
    if part.strength is None:
        return "", None, None, f"strength of {part.label} not stated", False
    if strength is None or strength.unit.per_kg or strength.unit.times_per_hour is not None:
        return _unreadable(part.label, part.strength)
    if part.per is not None and (per is None or per.unit.basis not in (VOLUME, COUNT)):
        return _unreadable(part.label, part.strength)
    basis = strength.unit.basis
    if basis == VOLUME:
        return VOLUME, strength.value, None, f"only the volume of {part.label} is stated, not its strength", False
    if basis not in AMOUNTS:
        return _unreadable(part.label, part.strength)
    below: Interval | None = None
    if per is not None and per.unit.basis == VOLUME:
        below = per.value
    elif strength.unit.ml is not None:
        below = point(strength.unit.ml)
    if below is not None:
        if below.high is None or below.high <= ZERO:
            return _unreadable(part.label, part.strength)
        if volume is None:
            amount = None
        elif volume.low == volume.high == below.low == below.high:
            amount = strength.value  # times and over one volume
        else:
            amount = strength.value.times(volume).over(below)
        return basis, amount, strength.value.over(below), "" if amount is not None else "volume not stated", False
    if per is not None and per.value.high == ZERO:
        return _unreadable(part.label, part.strength)
    amount = strength.value if per is None else strength.value.over(per.value)
    per_ml = amount.over(volume) if pieces is None and volume is not None and _some(volume) else None
    if pieces is not None:
        per_ml = None if volume is None or volume.high == ZERO else amount.times(pieces).over(volume)
        amount = amount.times(pieces)
    return basis, amount, per_ml, "" if per_ml is not None else "volume not stated", False


def _unreadable(label: str, strength: Measure) -> tuple[str, None, None, str, bool]:
    return "", None, None, f"strength of {label} '{strength.text}' not understood", True


def _some(volume: Interval) -> bool:
    """Whether the volume has an upper end that is not zero, so that it can be divided by."""
    return volume.high is not None and volume.high != ZERO


def _with_dose(
    stated: Stated,
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
    by_dose = given.over(volume) if _some(volume) else None
    if per_ml is None or basis != given_basis or by_dose is None or agree(by_dose, per_ml, known.disagreement_percent):
        return given_basis, given, by_dose, ""
    strength, per = stated.strength, stated.per
    of_product = (per is not None and per.unit.basis == VOLUME) or (strength is not None and strength.unit.ml is not None)
    if of_product and (per is None or per.value.high is None or per.value.high < known.diluent_minimum_ml):
        return given_basis, given, by_dose, ""  # the strength is that of the vial from which the dose is drawn
    return given_basis, given, None, f"the dose and the strength of {stated.part.label} in the bag do not agree"


def _is_diluent(stated: Stated, volume: Interval | None, product: Product, known: Facts) -> bool:
    """isActive=false, or a fluid of enough volume beside another active drug. An amount of a salt without volume is an additive."""
    if not stated.part.active:
        return True
    if not stated.fluid or not product.drug_beside_fluid:
        return False
    own = stated.own_volume
    if own is not None:
        return own.high is None or own.high >= known.diluent_minimum_ml
    strength = stated.strength
    added = strength is not None and strength.unit.basis in (MOLES, EQUIVALENTS) and strength.unit.ml is None
    return not added and (volume is None or volume.high is None or volume.high >= known.diluent_minimum_ml)


def _span(value: Interval) -> str:
    if value.exact is not None:
        return shown(value.exact)
    low = "?" if value.low is None else shown(value.low)
    high = "?" if value.high is None else shown(value.high)
    return f"{low} to {high}"
