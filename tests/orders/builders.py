"""Orders for the tests of order arithmetic, in few words."""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import cds.orders
from cds.chart import MINUTE, Administration, Chart, Dosage, Feed, Ingredient, Measure, Moment, Order, Source
from cds.numbers import Interval, point
from cds.orders.reading import Reading, SubstanceDose, read_order
from cds.parameters import ParameterSet, load_toml_text, parameter_set
from cds.units import canonical_unit

NOW = 1_773_475_200_000


@cache
def parameters() -> ParameterSet:
    """The constants of orders.toml."""
    text = (Path(cds.orders.__file__).parent / "orders.toml").read_text(encoding="utf-8")
    return parameter_set({"orders.toml": load_toml_text(text)})


def measure(text: str) -> Measure:
    """ "40 mmol", "0.1 to 0.2 [iU]/kg/h", "40 furlong" (unit not recognised) as intake hands it on."""
    number, _, unit = text.rpartition(" ")
    low, _, high = number.partition(" to ")
    return Measure(Interval(Decimal(low), Decimal(high or low)), canonical_unit(unit), text)


def ingredient(drug: str | None, strength: str = "", *, active: bool = True, label: str = "") -> Ingredient:
    """Strength "40 mmol / 1000 mL", "40 mmol", or nothing."""
    above, _, below = strength.partition(" / ")
    return Ingredient(
        drug,
        label or drug or "unknown",
        active,
        measure(above) if above else None,
        measure(below) if below else None,
    )


def dosage(*, dose: str = "", rate: str = "", minutes: str = "", **more: Any) -> Dosage:
    """Rate "125 mL/h" or "600 mg / 30 min"."""
    above, _, below = rate.partition(" / ")
    return Dosage(
        dose=measure(dose) if dose else None,
        rate=measure(above) if above else None,
        rate_per=measure(below) if below else None,
        duration_minutes=point(Decimal(minutes)) if minutes else None,
        **{"route": "intravenous", "route_stated": True, **more},
    )


def order(
    *parts: Ingredient,
    ref: str = "MedicationRequest/1",
    drafted: bool = False,
    doses: tuple[Dosage, ...] = (),
    volume: str = "",
    **more: Any,
) -> Order:
    """An order of ingredients."""
    drugs = tuple(part.drug for part in parts if part.active and part.drug)
    return Order(
        ref=ref,
        drafted=drafted,
        status=more.pop("status", "draft" if drafted else "active"),
        intent=more.pop("intent", "order"),
        label=more.pop("label", " + ".join(part.label for part in parts)),
        drugs=more.pop("drugs", drugs),
        ingredients=parts,
        dosages=doses,
        volume=measure(volume) if volume else None,
        **more,
    )


def bag(mmol: str, rate: str, *, ml: str = "1000", ref: str = "MedicationRequest/1", drafted: bool = False, **more: Any) -> Order:
    """Potassium chloride in saline at a rate in mL/h."""
    return order(
        ingredient("potassium_chloride", f"{mmol} mmol / {ml} mL"),
        ingredient("sodium_chloride", f"{ml} mL", active=False),
        ref=ref,
        drafted=drafted,
        doses=(dosage(rate=f"{rate} mL/h", **{k: more.pop(k) for k in ("line", "line_from_text", "start", "end") if k in more}),),
        **more,
    )


def read(given: Order, weight: str = "") -> Reading:
    """The order read, with a weight in kg or without."""
    return read_order(given, weight_kg=point(Decimal(weight)) if weight else None, p=parameters())


def dose(given: Order, substance: str, weight: str = "") -> SubstanceDose:
    """The dose of a substance; the order must hold it."""
    found = read(given, weight).substance(substance)
    assert found is not None
    return found


def per_hour(given: Order, substance: str, weight: str = "") -> Decimal | None:
    """The exact amount per hour, None when it cannot be computed."""
    found = dose(given, substance, weight).per_hour
    return None if found is None else found.exact


def at(minutes: int) -> Moment:
    """So many minutes after now."""
    instant = NOW + minutes * MINUTE
    return Moment(instant, instant)


def chart(*orders: Order, administrations: tuple[Administration, ...] = (), feed: Feed = Feed.WHOLE) -> Chart:
    """A chart of orders only."""
    return Chart(
        now=NOW,
        hook="order-sign",
        orders=orders,
        administrations=administrations,
        sources={"medications": Source("medications", feed)},
        item_keys={"medications": ("medications",)},
    )
