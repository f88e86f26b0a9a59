"""Charts, scenes and small local knowledge for the tests of the heart, in few words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Any

from cds.chart import MINUTE, Chart, Condition, Feed, Moment, Order, Patient, Problem, Result, Source, newest_between
from cds.logic.compiled import compile_states
from cds.logic.evaluate import evaluate
from cds.logic.scene import Scene, StateDef
from cds.numbers import Interval, point
from cds.parameters import Absent, Parameter, ParameterSet, load_toml_text, parameter_set
from cds.units import analyte_factor
from cds.vocabulary import ANALYTES
from tests.orders.builders import dosage, ingredient, order

NOW = 1_773_475_200_000
BORN = (dt.date(1965, 1, 1), dt.date(1965, 1, 1))

__all__ = ["NOW", "chart", "condition", "dosage", "figure", "ingredient", "limit", "no_figure", "order", "parameters", "result", "scene", "span", "toml"]


class Held:
    """Results by analyte, newest first."""

    def __init__(self, results: Iterable[Result], problems: Iterable[Problem] = ()) -> None:
        self._by: dict[str, list[Result]] = {}
        for each in results:
            self._by.setdefault(each.analyte, []).append(each)
        for found in self._by.values():
            found.sort(key=lambda r: (-r.at.latest, r.ref))
        self._problems = tuple(problems)

    def of(self, analyte: str) -> tuple[Result, ...]:
        return tuple(self._by.get(analyte, ()))

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """All of them."""
        return self.of(analyte)

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest between two instants."""
        return newest_between(self.of(analyte), floor, now)

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        return tuple(p for p in self._problems if p.item == analyte)

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """All of them."""
        return self.problems(analyte)

    def analytes(self) -> frozenset[str]:
        return frozenset(self._by) | {p.item for p in self._problems}


def span(text: str) -> Interval:
    """ "3.1", "<0.6", ">33.3", "<=2", ">=2"."""
    for sign in ("<=", ">=", "<", ">"):
        if text.startswith(sign):
            value = Decimal(text.removeprefix(sign))
            is_open = len(sign) == 1
            return Interval(None, value, high_open=is_open) if sign[0] == "<" else Interval(value, None, low_open=is_open)
    return point(Decimal(text))


def result(analyte: str, text: str, minutes: int | None = 10, *, unit: str = "", ref: str = "", method: str = "laboratory", **more: Any) -> Result:
    """A result so many minutes old; `text` is the number with an optional comparator, in `unit` (default: the unit in which it is kept)."""
    unit = unit or ANALYTES[analyte].unit
    reported = span(text)
    factor = analyte_factor(analyte, unit) or Decimal(1)
    at = more.pop("at", None) or Moment(NOW - (minutes or 0) * MINUTE, NOW - (minutes or 0) * MINUTE)
    ref = ref or f"Observation/{analyte}-{text.strip('<>=')}-{minutes}"
    shown = text if unit == "1" else f"{text} {unit}"
    return Result(ref, analyte, reported.scale(factor), reported, unit, shown, at, method, path=f"prefetch.{ref}", **more)


def condition(*concepts: str, minutes: int | None = None, label: str = "", **more: Any) -> Condition:
    """A diagnosis, with an onset so many minutes ago, or without a date."""
    onset = None if minutes is None else Moment(NOW - minutes * MINUTE, NOW - minutes * MINUTE)
    ref = more.pop("ref", f"Condition/{concepts[0]}")
    return Condition(
        ref, concepts, more.pop("clinical", "active"), more.pop("verification", "confirmed"), label or concepts[0].replace("_", " "), onset,
        path=f"prefetch.{ref}", **more,
    )  # fmt: skip


LISTS = {"medications": "medications", "conditions": "conditions", **dict.fromkeys(ANALYTES, "results")}


def chart(
    *things: Result | Condition | Order | Problem, hook: str = "order-sign", feeds: Mapping[str, Feed] | None = None, now: int = NOW, **more: Any
) -> Chart:
    """A chart of these things. Every list was sent whole, but for those in `feeds` ("results", "medications", "conditions")."""
    feeds = feeds or {}
    sources = {key: Source(key, feeds.get(key, Feed.WHOLE)) for key in ("results", "medications", "conditions")}
    more.setdefault("patient", Patient("female", BORN))
    problems = [t for t in things if isinstance(t, Problem)]
    return Chart(
        now=now,
        hook=hook,
        results=Held([t for t in things if isinstance(t, Result)], [p for p in problems if p.item in ANALYTES]),
        conditions=tuple(t for t in things if isinstance(t, Condition)),
        orders=tuple(t for t in things if isinstance(t, Order)),
        problems=tuple(p for p in problems if p.item not in ANALYTES),
        sources=sources,
        item_keys={item: (key,) for item, key in LISTS.items()},
        **more,
    )


def figure(key: str, value: str, unit: str, *, also: tuple[tuple[str, str], ...] = (), **rows: str) -> str:
    """One parameter block of a local file: the same figure for everybody, or `adult=` and `child=`."""
    block = [f"[{key}]", f'means = "{key.replace("_", " ")}"', f'unit = "{unit}"']
    for population, profile, own in (("any", "any", value), ("adult", "consensus-2024", rows.get("adult")), ("child", "paediatric-2022", rows.get("child"))):
        if own:
            block += [f"[[{key}.value]]", f'profile = "{profile}"', f'population = "{population}"', "since = 2026-01-01", f"is = {own}"]
            if also:
                block.append("also = [" + ", ".join(f'{{unit = "{u}", is = {v}}}' for v, u in also) + "]")
            block += ['source = "local to this test"', 'verified = "ours"']
    return "\n".join(block) + "\n"


def toml(*blocks: str) -> str:
    """A parameter file."""
    return "\n".join(blocks)


SHIPPED = ("formulas.toml", "orders/orders.toml")
HOUSEKEEPING = (
    figure("weight_age", "43200", "min"), figure("weight_age_infant", "1440", "min"), figure("together", "15", "min"), figure("review_after", "365", "d"), figure("adult_age", "18", "a"),
    figure("neonate_days", "28", "d"), figure("card_cap", "5", "1"), figure("home_medicine_settled", "43200", "min"),
    figure("refire_critical", "120", "min"), figure("refire_warning", "720", "min"), figure("refire_info", "1440", "min"),
)  # fmt: skip


@cache
def _shipped() -> dict[str, dict[str, Any]]:
    root = resources.files("cds")
    return {name: load_toml_text((root / name).read_text(encoding="utf-8")) for name in SHIPPED}


@cache
def parameters(*blocks: str, housekeeping: bool = True) -> ParameterSet:
    """Local figures beside the constants of formulas and orders."""
    local = load_toml_text(toml(*(HOUSEKEEPING if housekeeping else ()), *blocks))
    return parameter_set({**_shipped(), "local.toml": local})


def limit(value: str, unit: str, key: str = "limit", also: tuple[tuple[str, str], ...] = ()) -> Parameter:
    """A limit by itself."""
    from cds.parameters import Also

    return Parameter(
        key=key, means=key, unit=unit, value=Decimal(value), also=tuple(Also(u, Decimal(v)) for v, u in also), range=None, profile="any",
        population="any", since="", source="local to this test", verified="ours", table="",
    )  # fmt: skip


def no_figure(key: str = "limit", unit: str = "mmol/L") -> Absent:
    """A limit that this population has no figure for."""
    return Absent(key, key, unit, "child", "local.toml")


def scene(held: Chart, p: ParameterSet | None = None, states: Mapping[str, StateDef] | None = None, population: str = "adult") -> Scene:
    """A scene over a chart, its states made ready."""
    figures = (p or parameters()).for_population("child" if population == "child" else "adult")
    return Scene(held, figures, compile_states(states or {}), evaluate)
