"""Charts for tests, a line each: `result("potassium", "3.4", "mmol/L", age=20)`, `insulin("6.8", drafted=True)`, `chart(...)`.

Ages and durations are minutes. Everything is judged at `NOW`; a result, order or diagnosis that is not given was asked for and is not there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import count

from cds.chart import (
    MINUTE,
    Administration,
    Allergy,
    Care,
    Chart,
    Condition,
    Culture,
    Dosage,
    Feed,
    Ingredient,
    Investigation,
    Measure,
    Moment,
    Order,
    Patient,
    Problem,
    Result,
    Source,
    Susceptibility,
    Trouble,
    newest_between,
)
from cds.numbers import Interval, point
from cds.units import to_canonical
from cds.vocabulary import ANALYTES, DRUGS

NOW = 1_773_480_000_000  # 2026-03-14 09:20 UTC
_refs = count(1)


def ago(minutes: float) -> Moment:
    """An exact moment so many minutes before NOW."""
    at = NOW - int(minutes * MINUTE)
    return Moment(at, at)


@dataclass(frozen=True, slots=True)
class Given:
    """The results of a test chart."""

    results: tuple[Result, ...] = ()
    set_aside: tuple[Problem, ...] = ()

    def of(self, analyte: str) -> tuple[Result, ...]:
        """Newest first."""
        return tuple(sorted((r for r in self.results if r.analyte == analyte), key=lambda r: -r.at.latest))

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """All of them."""
        return self.of(analyte)

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest between two instants."""
        return newest_between(self.of(analyte), floor, now)

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """What could not be used."""
        return tuple(p for p in self.set_aside if p.item == analyte)

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """All of them."""
        return self.problems(analyte)

    def analytes(self) -> frozenset[str]:
        """Everything sent."""
        return frozenset(r.analyte for r in self.results) | frozenset(p.item for p in self.set_aside)


def result(analyte: str, value: str, unit: str = "", age: float = 30, *, method: str = "", haemolysed: bool = False, at: Moment | None = None) -> Result:
    """A result `age` minutes old. `value` may be "3.4", "<0.1", ">33.3", ">=6"."""
    unit = unit or ANALYTES[analyte].unit
    number = Decimal(value.lstrip("<>="))

    def span(x: Decimal) -> Interval:
        if value.startswith("<"):
            return Interval(None, x, high_open=not value.startswith("<="))
        if value.startswith(">"):
            return Interval(x, None, low_open=not value.startswith(">="))
        return point(x)

    canonical = to_canonical(analyte, number, unit)
    return Result(
        f"Observation/{analyte}-{next(_refs)}", analyte, span(canonical), span(number), unit, f"{value} {unit}".replace(" 1", "") if unit == "1" else f"{value} {unit}",
        at or ago(age), method, haemolysed=haemolysed,
    )  # fmt: skip


def unusable(analyte: str, age: float = 30) -> Problem:
    """A value that was sent and set aside."""
    return Problem(Trouble.UNIT_UNKNOWN, f"Observation/{analyte}-bad", "", analyte, "unit not recognised", at=ago(age))


def condition(
    *concepts: str,
    onset: float | None = None,
    recorded: float | None = None,
    clinical: str = "active",
    ended: float | None = None,
    verification: str = "confirmed",
) -> Condition:
    """A diagnosis; `onset`, `recorded` and `ended` are minutes ago."""
    return Condition(
        f"Condition/{concepts[0]}-{next(_refs)}", concepts, clinical, verification, concepts[0].replace("_", " "),
        None if onset is None else ago(onset), None if recorded is None else ago(recorded), None if ended is None else ago(ended),
    )  # fmt: skip


def order(
    *drugs: str,
    drafted: bool = False,
    status: str = "",
    route: str | None = "intravenous",
    line: str | None = None,
    dose: tuple[str, str] | None = None,
    rate: tuple[str, str] | None = None,
    minutes: str | None = None,
    per_day: str | None = None,
    contents: Sequence[tuple[str, str, str]] = (),
    diluent: str = "",
    volume: str = "",
    diluent_text: str = "",
    push: bool = False,
    start: float | None = None,
    home: bool = False,
    authored: float | None = None,
    reasons: Sequence[str] = (),
    reason_stated: bool | None = None,
    line_from_text: bool = False,
    ended: float | None = None,
    ref: str = "",
) -> Order:
    """An order. `contents` names the amount of each drug in the bag (drug, amount, unit); `volume` is the bag in mL; `rate` is (number, unit per hour)."""
    ref = ref or f"MedicationRequest/{drugs[0]}-{next(_refs)}"
    amounts = {name: (amount, unit) for name, amount, unit in contents}
    bag = Measure(point(Decimal(volume)), "mL", f"{volume} mL") if volume else None
    parts = []
    for name in drugs:
        strength = Measure(point(Decimal(amounts[name][0])), amounts[name][1], " ".join(amounts[name])) if name in amounts else None
        parts.append(Ingredient(name, DRUGS[name].label, True, strength, bag if strength is not None else None))
    if diluent:
        parts.append(Ingredient(diluent, DRUGS[diluent].label, False, bag))
    if dose is None and bag is not None and contents:
        given: Measure | None = bag
    else:
        given = None if dose is None else Measure(point(Decimal(dose[0])), dose[1], " ".join(dose))
    dosage = Dosage(
        route=route, route_stated=route is not None, line=line, line_from_text=line_from_text, push=push, dose=given,
        rate=None if rate is None else Measure(point(Decimal(rate[0])), rate[1], " ".join(rate)),
        duration_minutes=None if minutes is None else point(Decimal(minutes)),
        per_day=None if per_day is None else Decimal(per_day), once=per_day is None,
        start=None if start is None else ago(start), end=None if ended is None else ago(ended),
        diluents_in_text=(diluent_text,) if diluent_text else (),
    )  # fmt: skip
    return Order(
        ref, drafted, status or ("draft" if drafted else "active"), "order", " and ".join(DRUGS[name].label for name in drugs), drugs, tuple(parts), (dosage,),
        volume=bag, community=home, authored=None if authored is None else ago(authored), reasons=tuple(reasons),
        reason_stated=bool(reasons) if reason_stated is None else reason_stated,
    )  # fmt: skip


def insulin(
    units_per_hour: str | None = "6.8",
    *,
    drafted: bool = False,
    push: bool = False,
    start: float | None = None,
    drug: str = "insulin_soluble",
    route: str = "intravenous",
) -> Order:
    """Insulin by vein at so many units an hour; a push has a dose and no rate."""
    if push or route != "intravenous":
        return order(drug, drafted=drafted, push=push, dose=(units_per_hour or "10", "[iU]"), route=route, start=start)
    return order(drug, drafted=drafted, rate=None if units_per_hour is None else (units_per_hour, "[iU]/h"), start=start)


def potassium_bag(
    mmol: str | None, volume: str = "500", hours: str | None = None, rate: str | None = None, *, drafted: bool = False, line: str | None = None,
    line_from_text: bool = False, drug: str = "potassium_chloride", diluent: str = "sodium_chloride", diluent_text: str = "", ref: str = "",
) -> Order:  # fmt: skip
    """Potassium in a bag, run over `hours` or at `rate` mL/h."""
    if rate is None and hours is not None:
        rate = f"{Decimal(volume) / Decimal(hours):f}"
    return order(
        drug, drafted=drafted, line=line, line_from_text=line_from_text, contents=() if mmol is None else ((drug, mmol, "mmol"),), diluent=diluent,
        volume=volume, rate=None if rate is None else (rate, "mL/h"), ref=ref, diluent_text=diluent_text,
    )  # fmt: skip


def given(drugs: Iterable[str], minutes: float, *, status: str = "completed", of: Order | None = None) -> Administration:
    """A dose on the administration record."""
    names = tuple(drugs)
    return Administration(
        f"MedicationAdministration/{next(_refs)}", None if of is None else of.ref, status, names, ago(minutes), ago(minutes) if status == "completed" else None,
        " and ".join(names),
    )  # fmt: skip


def born(years: int | None = None, days: int | None = None) -> tuple[dt.date, dt.date] | None:
    """The birth date of someone so many completed years, or days, old at NOW; None: not recorded."""
    today = dt.datetime.fromtimestamp(NOW / 1000, dt.UTC).date()
    if days is not None:
        date = today - dt.timedelta(days=days)
    elif years is not None:
        date = today.replace(year=today.year - years)
    else:
        return None
    return date, date


def allergy(name: str, group: str, *, stands: bool = True) -> Allergy:
    """An allergy to a drug (which carries its classes) or to a class, with the group of its reaction."""
    drug = DRUGS.get(name)
    return Allergy(
        f"AllergyIntolerance/{next(_refs)}",
        () if drug is None else (name,),
        (name,) if drug is None else tuple(sorted(drug.classes)),
        group,
        name,
        None,
        stands,
    )


def susceptibility(drug: str, answer: str, specimen: str = "urine", age: float = 1440, *, organism: str = "", colonisation: bool = False) -> Susceptibility:
    """What a laboratory says of one drug, so many minutes ago."""
    return Susceptibility(f"Observation/{drug}-{next(_refs)}", drug, answer, drug, organism, specimen, ago(age), colonisation=colonisation)


def culture(kind: str, answer: str, age: float = 1440, *, organisms: Sequence[str] = ()) -> Culture:
    """A culture of one kind of specimen."""
    return Culture(f"Observation/culture-{next(_refs)}", kind, answer, f"{kind} culture", tuple(organisms), ago(age))


Item = Result | Problem | Condition | Order | Administration | Allergy | Care | Investigation | Susceptibility | Culture


@dataclass
class Draft:
    """What a test chart is made of."""

    results: list[Result] = field(default_factory=list)
    set_aside: list[Problem] = field(default_factory=list)
    conditions: list[Condition] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    administrations: list[Administration] = field(default_factory=list)
    allergies: list[Allergy] = field(default_factory=list)
    procedures: list[Care] = field(default_factory=list)
    investigations: list[Investigation] = field(default_factory=list)
    susceptibilities: list[Susceptibility] = field(default_factory=list)
    cultures: list[Culture] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


def chart(
    *items: Item,
    hook: str = "",
    years: int | None = 61,
    days: int | None = None,
    weight: str | None = "68",
    sex: str = "female",
    failed: Sequence[str] = (),
    not_sent: Sequence[str] = (),
) -> Chart:
    """A chart of the given things. The hook is order-sign where something is drafted, else patient-view. `failed` and `not_sent` are analytes, "conditions"
    or "medications" whose list could not be fetched, or was not sent."""
    draft = Draft()
    for item in items:
        match item:
            case Result():
                draft.results.append(item)
            case Problem():
                draft.set_aside.append(item)
            case Condition():
                draft.conditions.append(item)
            case Order():
                draft.orders.append(item)
            case Administration():
                draft.administrations.append(item)
            case Allergy():
                draft.allergies.append(item)
            case Care():
                draft.procedures.append(item)
            case Investigation():
                draft.investigations.append(item)
            case Susceptibility():
                draft.susceptibilities.append(item)
            case Culture():
                draft.cultures.append(item)
    if weight is not None:
        draft.results.append(result("weight", weight, "kg", age=600))
    sources = {item: Source(item, Feed.FAILED, "could not be fetched") for item in failed}
    sources |= {item: Source(item, Feed.ABSENT) for item in not_sent}
    return Chart(
        NOW, hook or ("order-sign" if any(o.drafted for o in draft.orders) else "patient-view"), Patient(sex, born(years, days)),
        Given(tuple(draft.results), tuple(draft.set_aside)), tuple(draft.conditions), tuple(draft.orders), tuple(draft.administrations), sources,
        {item: (item,) for item in sources}, allergies=tuple(draft.allergies), procedures=tuple(draft.procedures), investigations=tuple(draft.investigations),
        susceptibilities=tuple(draft.susceptibilities), cultures=tuple(draft.cultures),
    )  # fmt: skip
