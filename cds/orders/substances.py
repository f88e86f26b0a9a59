"""Which drug brings which substance, and how much of it a stated amount holds (F-37): salts, balanced fluids, insulin, glucose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from types import MappingProxyType

from cds.chart import Order
from cds.numbers import Interval, point
from cds.orders.quantities import CHARGE as EQUIVALENTS
from cds.orders.quantities import EQUIVALENT_MASS, MASS, MG_PER_G, ML_PER_L, MOLES, ONE, UNITS, VOLUME, scaled
from cds.parameters import ParameterSet
from cds.vocabulary import DRUGS, class_members, drug_in_class

FLUIDS = ("saline", "glucose_fluid", "balanced_crystalloid", "crystalloid", "water")


def _members(*classes: str) -> frozenset[str | None]:
    """Every drug of the classes, and the drugs of these names."""
    return frozenset(name for each in classes for name in (*class_members(each), *((each,) if drug_in_class(each, each) else ())))


_FLUIDS, _BALANCED, _INSULINS = _members(*FLUIDS), _members("balanced_crystalloid"), _members("insulin")
_POTASSIUM_SALTS, _GLUCOSES = _members("potassium_salt"), _members("glucose_fluid")
_CRYSTALLOIDS = _members("crystalloid", "saline", "balanced_crystalloid")


@dataclass(frozen=True, slots=True)
class Salt:
    """How much of a substance a stated amount of a salt holds; None where a basis cannot be converted."""

    mmol: Interval
    per_mmol: Decimal
    per_meq: Decimal | None
    mg: Interval | None
    one_in_one: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """The constants of order arithmetic, taken from the parameters once."""

    salts: Mapping[tuple[str, str], Salt]
    held_in: Mapping[str, tuple[str, ...]]
    masses: Mapping[str, Interval | None]
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
    masses: dict[str, Interval | None] = {}
    for row in p.table("order_salts"):
        drug, substance = str(row["drug"]), str(row["substance"])
        mass = Interval(row["mg_low"], row["mg_high"]) if "mg_low" in row else None
        mmol = Interval(row["mmol_low"], row["mmol_high"])
        salts[drug, substance] = Salt(mmol, row["per_mmol"], row.get("per_meq"), mass, mmol.exact == row["per_mmol"] == ONE)
        masses.setdefault(drug, mass)
        held_in[drug] = (*held_in.get(drug, ()), substance)
    return Facts(
        salts=MappingProxyType(salts),
        held_in=MappingProxyType(held_in),
        masses=MappingProxyType(masses),
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


def is_fluid(drug: str | None) -> bool:
    """Whether the drug is a fluid that others are given in."""
    return drug in _FLUIDS


def is_crystalloid(drug: str | None) -> bool:
    """Saline, balanced or other crystalloid."""
    return drug in _CRYSTALLOIDS


def is_balanced(drug: str | None) -> bool:
    """Whether the drug is a balanced crystalloid, whose little potassium never triggers alone."""
    return drug in _BALANCED


def is_insulin(drug: str | None) -> bool:
    """Any insulin."""
    return drug in _INSULINS


def is_potassium_salt(drug: str | None) -> bool:
    """Any potassium salt."""
    return drug in _POTASSIUM_SALTS


@lru_cache(maxsize=4096)
def substances_of(drug: str, known: Facts) -> tuple[tuple[str, str], ...]:
    """The substances (name, unit) that a drug brings, beside itself as `drug:<name>`."""
    found = {substance: "mmol" for substance in known.held_in.get(drug, ())}
    if drug in _POTASSIUM_SALTS:
        found.setdefault("potassium", "mmol")
    if drug in _INSULINS:
        found["insulin"] = UNITS
    if drug in _GLUCOSES:
        found["glucose"] = "g"
    if is_balanced(drug):
        found |= {substance: "mmol" for substance in known.balanced}
    return tuple(found.items())


@lru_cache(maxsize=1024)
def holders_of(substance: str, known: Facts) -> frozenset[str | None]:
    """Every drug that brings a substance, or is the drug of "drug:<name>"; for a crystalloid, every crystalloid. An order of none of
    these holds none of it.
    """
    if substance == "crystalloid":
        return _CRYSTALLOIDS
    if substance.startswith("drug:"):
        return frozenset((substance.removeprefix("drug:"),))
    return frozenset(drug for drug in {*DRUGS, *known.held_in} if any(substance == name for name, _ in substances_of(drug, known)))


def may_give(order: Order, substance: str, known: Facts) -> bool:
    """Whether a drug in the order brings the substance, so that the order need be read for it; any order may be a fluid order."""
    if substance == "fluid":
        return True
    holders = holders_of(substance, known)
    return not holders.isdisjoint(order.drugs) or any(part.drug in holders for part in order.ingredients)


def converted(amount: Interval, basis: str, drug: str, substance: str, known: Facts) -> Interval | None:
    """An amount of a drug as an amount of a substance in its unit. None when the stated basis cannot be converted (never guessed)."""
    if substance.startswith("drug:"):
        if basis == MOLES:
            mass = known.masses.get(drug)
            return None if mass is None or mass.exact is None else amount.times(mass)
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
        return amount if salt.one_in_one else amount.times(salt.mmol).over(point(salt.per_mmol))
    if basis == EQUIVALENTS and salt.per_meq is not None:
        return scaled(amount, salt.per_meq)
    if basis == MASS and salt.mg is not None:
        return amount.over(salt.mg)
    return None
