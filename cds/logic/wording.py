"""Criteria and expressions in words: the one place where a node gets its English."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import assert_never

from cds.formulas import FORMULAS
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeast,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    Change,
    CountOrders,
    Criterion,
    CultureShows,
    DayTotal,
    DosePerWeight,
    Expression,
    Extreme,
    Figure,
    Formula,
    Given,
    Greater,
    HasAllergy,
    HasCare,
    HasCondition,
    HasOrder,
    HookIs,
    InvestigationOrdered,
    Latest,
    Lesser,
    Limit,
    Minus,
    NoneWithin,
    NoOrder,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    OrderTested,
    PatientIs,
    Plus,
    Projected,
    RatePerWeight,
    Ratio,
    Scaled,
    Since,
    SinceStart,
    Slope,
    State,
    StillIn,
    TableRow,
    Total,
)
from cds.numbers import shown
from cds.parameters import Absent
from cds.vocabulary import ANALYTES

_UNIT = {"[iU]": "unit", "mm[Hg]": "mmHg", "umol/L": "micromol/L", "1": "", "a": "years", "d": "days", "Cel": "degrees C"}
_IS = ("drafted", "intravenous", "push", "one-off", "new", "into muscle", "oral", "rectal", "buccal", "nasal")


def limit_in_words(limit: Limit) -> str:
    """A figure with its unit and, in brackets, what the source prints in another unit."""
    if isinstance(limit, Absent):
        return "(no figure for this age)"
    if not isinstance(limit.value, Decimal):
        return str(limit.value)
    main = _figure(limit.value, limit.unit)
    also = [_figure(a.value, a.unit) for a in limit.also]
    return f"{main} ({', '.join(also)})" if also else main


def _figure(value: Decimal, unit: str) -> str:
    text = _UNIT.get(unit, unit).replace("[iU]", "unit")
    return f"{shown(value)} {text}".strip()


def expression_in_words(item: Expression) -> str:
    """An expression as a clinician says it."""
    match item:
        case Latest(analyte, within, _):
            return f"{_label(analyte)} of the last {limit_in_words(within)}"
        case Formula(name, within):
            return f"{FORMULAS[name].label} from results of the last {limit_in_words(within)}"
        case Total(substance, scope, lines, per_kg):
            line = "" if lines == "any" else f" by a {lines} line" if lines == "central" else " not by a central line"
            kg = " per kg" if per_kg else ""
            return f"{substance} per hour{kg} over all orders{line} ({'running now' if scope == 'running' else 'if this is signed'})"
        case DayTotal(substance, scope):
            return f"{substance} in 24 h over all orders ({'running now' if scope == 'running' else 'if this is signed'})"
        case Slope(of, window, _, _, since):
            start = f", from {since} on" if since else ""
            return f"change per hour of {_label(of)} over the last {limit_in_words(window)}{start}"
        case Projected(series, ahead):
            return f"{_label(series.of)} projected {limit_in_words(ahead)} ahead"
        case Change(of, window, against):
            than = "" if against == "oldest" else f" against the {against}"
            return f"change of {_label(of)}{than} in the last {limit_in_words(window)}"
        case Extreme(of, window, which):
            return f"{which} {_label(of)} of the last {limit_in_words(window)}"
        case Given(substance, within, per_kg):
            return f"{_substance(substance)} given{' per kg' if per_kg else ''} in the last {limit_in_words(within)}"
        case CountOrders(orders, such_that):
            tail = "" if such_that is None else f" with {_wrapped(such_that)}"
            return f"number of orders for {orders_in_words(orders)}{tail}"
        case SinceStart(orders):
            return f"time since the start of {orders_in_words(orders)}"
        case OfOrder(fact, substance):
            return f"{fact.replace('_', ' ')} of {substance.replace('_', ' ').replace('drug:', '')} in the order"
        case DosePerWeight(substance):
            return f"{substance} dose per kg"
        case RatePerWeight(substance):
            return f"{substance} per kg per hour"
        case Since(event):
            return f"time since {event}"
        case Age(unit):
            return f"age in {unit}"
        case Figure(limit):
            return limit_in_words(limit)
        case Plus(parts):
            return " plus ".join(expression_in_words(part) for part in parts)
        case Minus(of_, less):
            return f"{expression_in_words(of_)} less {expression_in_words(less)}"
        case Ratio(of_, to):
            return f"{expression_in_words(of_)} divided by {expression_in_words(to)}"
        case Scaled(of_, by, _):
            return f"{expression_in_words(of_)} times {limit_in_words(by)}"
        case Lesser(parts):
            return f"the lesser of {'; '.join(expression_in_words(part) for part in parts)}"
        case Greater(parts):
            return f"the greater of {'; '.join(expression_in_words(part) for part in parts)}"
        case _ as never:
            assert_never(never)


def orders_in_words(orders: OrderFilter) -> str:
    """Which orders a filter means."""
    names = " or ".join(name.replace("_", " ") for name in orders.classes)
    route = f" {orders.route}" if orders.route else ""
    where = {"drafted": "drafted", "running": "running", "either": "drafted or running", "active": "drafted, running or an active home medicine",
             "listed": "on the medication list", "stopping": "stopped by a draft", "given": "given"}[orders.where]
    ended = "" if orders.ended_within is None else f" or ended in the last {limit_in_words(orders.ended_within)}"
    begun = "" if orders.started_within is None else f", begun in the last {limit_in_words(orders.started_within)}"
    before = "" if orders.started_before is None else f", begun at least {limit_in_words(orders.started_before)} ago"
    reasons = "" if not orders.reasons else f" for {' or '.join(r.replace('_', ' ') for r in orders.reasons)}"
    return f"{names}{route}{reasons} ({where}{ended}{begun}{before})"


def in_words(node: Criterion) -> str:
    """A criterion in words, without a patient."""
    match node:
        case AllOf(parts):
            return " and ".join(_wrapped(part) for part in parts)
        case AnyOf(parts):
            return " or ".join(_wrapped(part) for part in parts)
        case AtLeast(count, parts):
            return f"at least {count} of: {'; '.join(in_words(part) for part in parts)}"
        case Not(part):
            return f"not {_wrapped(part)}"
        case Below(item, limit):
            return f"{expression_in_words(item)} below {limit_in_words(limit)}"
        case AtMostValue(item, limit):
            return f"{expression_in_words(item)} at most {limit_in_words(limit)}"
        case Above(item, limit):
            return f"{expression_in_words(item)} above {limit_in_words(limit)}"
        case AtLeastValue(item, limit):
            return f"{expression_in_words(item)} at least {limit_in_words(limit)}"
        case Between(item, low, high):
            return f"{expression_in_words(item)} from {limit_in_words(low)} to below {limit_in_words(high)}"
        case NoneWithin(analytes, within, before_event):
            names = " or ".join(_label(a) for a in analytes)
            since = f"from {limit_in_words(within)} before {before_event} to now" if before_event else f"in the last {limit_in_words(within)}"
            return f"no {names} result {since}"
        case HasCondition(concepts, standing, within, _):
            names = " or ".join(c.replace("_", " ") for c in concepts)
            time = "" if within is None else f", begun or recorded in the last {limit_in_words(within)}"
            return f"{names} {'active' if standing == 'active' else 'on record'}{time}"
        case HasOrder(orders):
            return f"an order for {orders_in_words(orders)}"
        case NoOrder(orders):
            return f"no order for {orders_in_words(orders)}"
        case AnyOrder(orders, such_that):
            tail = "" if such_that is None else f" with {_wrapped(such_that)}"
            return f"an order for {orders_in_words(orders)}{tail}"
        case OrderIs(fact):
            return f"the order is {fact}" if fact in _IS else f"the order's {fact}"
        case OrderHas(classes, place):
            where = {"active": "as a drug", "diluent": "as diluent", "any": ""}[place]
            return f"the order holds {' or '.join(c.replace('_', ' ') for c in classes)} {where}".strip()
        case OrderReason(concepts):
            return f"the order is for {' or '.join(c.replace('_', ' ') for c in concepts)}"
        case NotComputable(item):
            return f"{expression_in_words(item)} cannot be computed"
        case TableRow(table, column, values):
            return f"the drug stands in table {table} with {column} {' or '.join(values)}"
        case State(name):
            return name
        case StillIn(begins, ends, _, window, _):
            return f"in the last {limit_in_words(window)} once: {_wrapped(begins)}, and not since: {_wrapped(ends)}"
        case HookIs(hooks):
            return f"at {' or '.join(hooks)}"
        case PatientIs(fact):
            return f"the patient is {fact}"
        case HasAllergy(allergens, groups):
            return f"allergy to {_either(allergens)} ({' or '.join(groups)})"
        case HasCare(concepts, standing, within):
            time = "" if within is None else f" in the last {limit_in_words(within)}"
            return f"{_either(concepts)} {standing}{time}"
        case InvestigationOrdered(items, where):
            return f"{_either(items)} {'drafted' if where == 'drafted' else 'ordered'}"
        case OrderTested(results, within, specimens):
            return f"a culture of the last {limit_in_words(within)}{_from(specimens)} tests the drug of the order as {' or '.join(results)}"
        case CultureShows(results, within, markers, organisms, specimens):
            what = f"{_either(markers)} tested " if markers else ""
            which = f" with {_either(organisms)}" if organisms else ""
            return f"a culture of the last {limit_in_words(within)}{_from(specimens)}{which}: {what}{' or '.join(results)}"
        case _ as never:
            assert_never(never)


def _wrapped(node: Criterion) -> str:
    text = in_words(node)
    return f"({text})" if isinstance(node, (AllOf, AnyOf)) else text


def _either(names: Iterable[str]) -> str:
    return " or ".join(name.replace("_", " ") for name in names)


def _from(specimens: tuple[str, ...]) -> str:
    return f" from {_either(specimens)}" if specimens else ""


def _substance(name: str) -> str:
    return name.removeprefix("drug:").replace("_", " ")


def _label(name: str) -> str:
    """An analyte or a formula as people call it."""
    return ANALYTES[name].label if name in ANALYTES else FORMULAS[name].label
