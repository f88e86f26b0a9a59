"""What knowledge must be like before it may judge anybody. Every refusal names the advisory and what would do.

Found at start-up: an unknown code, drug, analyte, condition, state, table or order fact; a misspelt trigger; a figure whose unit can never meet its item; a
template that asks for a fact that is not there; precedence in a circle.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, get_args

from cds import formulas, units
from cds.advisory import INDICATORS, Advisory, Amend, Give, Measure, OneOf, Precedence, Proposal, Withdraw, Words
from cds.logic.compare import KnowledgeError
from cds.logic.criteria import (
    Above,
    Age,
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
    InvestigationOrdered,
    Latest,
    Lesser,
    Limit,
    Minus,
    NoneWithin,
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
    TableRow,
    Total,
)
from cds.logic.features import HOOKS, mask_of
from cds.logic.scene import StateDef
from cds.logic.walk import walk
from cds.logic.wording import in_words
from cds.orders.totals import UNIT_OF
from cds.parameters import Absent, Parameter, ParameterSet
from cds.vocabulary import ANALYTES, CLASSES, CONCEPTS, DRUGS, ROUTE_CODES, analyte_code

ORDER_FACTS = frozenset(
    {
        "drafted", "selected", "intravenous", "push", "one-off", "line central", "line stated", "diluent stated", "diluent from text", "additives",
        "reason stated", "new", "settled at home", "detail expected", "at home", "infusion", "as needed", "into muscle", "oral", "rectal",
        "buccal", "nasal",
    }
)  # fmt: skip
ORDER_NUMBERS = frozenset({"per_hour", "amount", "concentration", "mg_per_ml", "duration_minutes", "per_day", "interval_hours", "course_days", "started_minutes"})
PLACES = frozenset({"drafted", "running", "either", "active", "listed", "stopping", "given"})
REACTIONS = frozenset({"severe immediate", "severe delayed", "mild", "not allergy", "unknown"})
SPECIMENS = frozenset({"blood", "urine", "csf", "other"})
MARKERS = frozenset({"esbl", "carbapenemase"})
CULTURE_RESULTS = frozenset({"positive", "negative", "mixed", "pending", "contaminated"})
_COMPARISONS = (Below, AtMostValue, Above, AtLeastValue)
_EXPRESSIONS = get_args(Expression)


def check_advisory(advisory: Advisory, p: ParameterSet, states: Mapping[str, StateDef], catalogue: frozenset[str]) -> None:
    """KnowledgeError for the first thing that is wrong with one advisory."""
    code = advisory.code
    if code not in catalogue:
        raise KnowledgeError(f"'{code}' is not in the catalogue")
    if advisory.kind not in ("order", "result"):
        raise KnowledgeError(f"'{code}': kind '{advisory.kind}' is neither order nor result")
    if not (advisory.title and advisory.problem and advisory.sources and advisory.branches):
        raise KnowledgeError(f"'{code}' needs a title, a problem, a source and a branch")
    names = [branch.name for branch in advisory.branches]
    if len(set(names)) != len(names):
        raise KnowledgeError(f"'{code}': two branches have one name")
    for hook in advisory.hooks:
        if hook not in HOOKS:
            raise KnowledgeError(f"'{code}': no hook '{hook}'; there are {', '.join(HOOKS)}")
    for clause in advisory.trigger.clauses:
        try:
            mask_of(clause)
        except KeyError as error:
            raise KnowledgeError(f"'{code}': trigger {error} is no feature") from error
    for row in advisory.precedence:
        _precedence(code, row, catalogue)
    _names(code, "touches", advisory.touches, _is_drug_or_class)
    for indicator in (*advisory.touched, *advisory.always, *(branch.indicator for branch in advisory.branches)):
        if indicator not in INDICATORS:
            raise KnowledgeError(f"'{code}': no indicator '{indicator}'")
    criteria = [branch.when for branch in advisory.branches]
    criteria += [node for node in (advisory.satisfied, advisory.quiet, advisory.always_when) if node is not None]
    for node in criteria:
        check_criterion(code, node, p, states, in_hand=advisory.over is not None)
        in_words(node)
    if advisory.over is not None:
        _filter(code, advisory.over)
    for branch in advisory.branches:
        if branch.indicator == "critical" and _projection_alone(branch.when):
            raise KnowledgeError(f"'{code}', {branch.name}: a projection alone is never critical; ask for something measured beside it")
        _words(code, branch.name, branch.words, advisory, p, states)
        for proposal in branch.proposals:
            _proposal(code, proposal, in_hand=advisory.over is not None)


def _projection_alone(node: Criterion) -> bool:
    """Whether a criterion compares projected numbers and nothing that was measured (HZ-29)."""
    items = [getattr(part, "item", None) for part, _ in walk(node)]
    return any(isinstance(item, Projected) for item in items) and not any(isinstance(item, (Latest, Formula)) for item in items)


def check_together(advisories: Sequence[Advisory]) -> None:
    """KnowledgeError when a code comes twice, or precedence runs in a circle."""
    over: dict[str, set[str]] = {}
    for advisory in advisories:
        if advisory.code in over:
            raise KnowledgeError(f"'{advisory.code}' is declared twice")
        over[advisory.code] = {row.code for row in advisory.precedence if row.how != "lowers"}
    circle = _circle(over)
    if circle:
        raise KnowledgeError(f"precedence runs in a circle through '{circle}'")


def _precedence(code: str, row: Precedence, catalogue: frozenset[str]) -> None:
    if row.code not in catalogue:
        raise KnowledgeError(f"'{code}' names '{row.code}', which is not in the catalogue")
    if row.how not in ("absorbs", "silences", "lowers") or row.scope not in ("order", "patient"):
        raise KnowledgeError(f"'{code}': precedence '{row.how}', scope '{row.scope}'")
    for indicator in (*row.at, *row.other_at):
        if indicator not in INDICATORS:
            raise KnowledgeError(f"'{code}': precedence at '{indicator}', which is no indicator")


# Criteria ----------------------------------------------------------------------------------------------------------------------------


def check_criterion(code: str, node: Criterion, p: ParameterSet, states: Mapping[str, StateDef], *, in_hand: bool) -> None:
    """KnowledgeError when a criterion names something that does not exist, or compares what can never meet. `in_hand`: an order is being judged."""
    for part, with_order in walk(node, in_hand):
        match part:
            case Below() | AtMostValue() | Above() | AtLeastValue():
                _meets(code, part.item, part.limit, p)
            case Between(item, low, high):
                _meets(code, item, low, p)
                _meets(code, item, high, p)
            case NoneWithin(analytes):
                for analyte in analytes:
                    _analyte(code, analyte)
            case HasCondition(concepts, standing, _, undated):
                _names(code, "condition", concepts, CONCEPTS.__contains__)
                if standing not in ("active", "recorded") or undated not in ("yes", "no"):
                    raise KnowledgeError(f"'{code}': a condition is '{standing}', undated '{undated}'")
            case OrderFilter():
                _filter(code, part)
            case OrderIs(fact):
                _names(code, "order fact", (fact,), ORDER_FACTS.__contains__)
                _order_wanted(code, f"'{fact}'", with_order)
            case OrderHas(classes, place):
                _names(code, "drug or class", classes, _is_drug_or_class)
                if place not in ("active", "diluent", "any"):
                    raise KnowledgeError(f"'{code}': no place '{place}' in an order")
                _order_wanted(code, "what the order holds", with_order)
            case OrderReason(concepts):
                _names(code, "condition", concepts, CONCEPTS.__contains__)
                _order_wanted(code, "the order's reason", with_order)
            case TableRow(table):
                if table not in p.table_names:
                    raise KnowledgeError(f"'{code}': no table '{table}'")
                _order_wanted(code, "a table row", with_order)
            case State(name):
                if name not in states:
                    raise KnowledgeError(f"'{code}': no state '{name}'")
            case HasAllergy(names, groups):
                _names(code, "drug or class", names, _is_drug_or_class)
                _names(code, "group of reactions", groups, REACTIONS.__contains__)
            case HasCare(concepts, standing):
                _names(code, "condition", concepts, CONCEPTS.__contains__)
                _names(code, "standing of a procedure", (standing,), ("ongoing", "recorded").__contains__)
            case InvestigationOrdered(items, where):
                _names(code, "place of an investigation", (where,), ("drafted", "any").__contains__)
                if not items:
                    raise KnowledgeError(f"'{code}': an investigation of nothing")
            case OrderTested(results, _, specimens):
                _names(code, "susceptibility", results, ("S", "I", "R").__contains__)
                _names(code, "specimen", specimens, SPECIMENS.__contains__)
                _order_wanted(code, "what a culture says of the order", with_order)
            case CultureShows(results, _, markers, _, specimens):
                allowed = frozenset(("S", "I", "R")) if markers else CULTURE_RESULTS
                _names(code, "result of a culture", results, allowed.__contains__)
                _names(code, "marker", markers, lambda name: name in MARKERS or name in DRUGS)
                _names(code, "specimen", specimens, SPECIMENS.__contains__)
            case PatientIs(fact):
                _names(code, "fact of a patient", (fact,), ("adult", "child", "neonate", "female").__contains__)
            case _:
                if isinstance(part, _EXPRESSIONS):
                    _expression(code, part, with_order)


def check_states(states: Mapping[str, StateDef], p: ParameterSet) -> None:
    """KnowledgeError for a state that names what does not exist, or that rests on itself through criteria."""
    rests: dict[str, set[str]] = {}
    for name, state in states.items():
        rests[name] = set()
        if state.node is not None:
            check_criterion(f"state {name}", state.node, p, states, in_hand=False)
            in_words(state.node)
            rests[name] = {part.name for part, _ in walk(state.node, False) if isinstance(part, State)}
    circle = _circle(rests)
    if circle:
        raise KnowledgeError(f"state '{circle}' rests on itself")


def _circle(over: Mapping[str, set[str]]) -> str:
    """The first name that leads back to itself; "" when none does."""
    for start in over:
        seen: set[str] = set()
        todo = list(over[start])
        while todo:
            name = todo.pop()
            if name == start:
                return start
            if name not in seen:
                seen.add(name)
                todo.extend(over.get(name, ()))
    return ""


def _expression(code: str, item: Expression, with_order: bool) -> None:
    match item:
        case Latest(analyte):
            _analyte(code, analyte)
        case Slope(of) | Change(of) | Extreme(of):
            if of not in ANALYTES and of not in formulas.FORMULAS:
                raise KnowledgeError(f"'{code}': no analyte or formula '{of}'")
            if isinstance(item, Change) and item.against not in ("oldest", "lowest", "highest"):
                raise KnowledgeError(f"'{code}': a change is against the oldest, lowest or highest, not the '{item.against}'")
            if isinstance(item, Extreme) and item.which not in ("oldest", "lowest", "highest"):
                raise KnowledgeError(f"'{code}': an extreme is the oldest, lowest or highest, not the '{item.which}'")
        case Formula(name):
            if name not in formulas.FORMULAS:
                raise KnowledgeError(f"'{code}': no formula '{name}'")
        case OfOrder(fact, substance):
            _names(code, "number of an order", (fact,), ORDER_NUMBERS.__contains__)
            _substance(code, substance)
            _order_wanted(code, f"'{fact}' of an order", with_order)
        case DosePerWeight(substance) | RatePerWeight(substance):
            _substance(code, substance)
            _order_wanted(code, "a dose per weight", with_order)
        case Total(substance, scope) | DayTotal(substance, scope):
            _substance(code, substance)
            if scope not in ("running", "if signed"):
                raise KnowledgeError(f"'{code}': no scope '{scope}'")
        case Given(substance):
            _substance(code, substance)
        case Plus(parts) | Lesser(parts) | Greater(parts):
            _one_kind(code, parts)
        case Minus(of_, less):
            _one_kind(code, (of_, less))
        case Projected() | Since() | Age() | CountOrders() | SinceStart() | Figure() | Ratio() | Scaled():
            pass  # their parts are walked too


def _one_kind(code: str, parts: Sequence[Expression]) -> None:
    """KnowledgeError when numbers that are added or compared cannot meet in one unit."""
    if not parts:
        raise KnowledgeError(f"'{code}': arithmetic over nothing")
    if any(_unknown(part) for part in parts):
        return
    known = [unit for unit in map(unit_of, parts) if unit is not None]
    for unit in known[1:]:
        try:
            units.convert(Decimal(1), unit, known[0])
        except units.UnitError as error:
            raise KnowledgeError(f"'{code}': {unit} and {known[0]} cannot be added or compared") from error


def unit_of(item: Expression) -> str | None:
    """The unit of an expression; None where only the order tells (a drug by its name)."""
    match item:
        case Latest(analyte):
            return ANALYTES[analyte].unit
        case Change(of) | Extreme(of):
            return _unit_of_series(of)
        case Projected(series, _):
            return _unit_of_series(series.of)
        case Slope(of):
            return f"{_unit_of_series(of)}/h"
        case Given(substance, _, per_kg):
            unit = _unit_of_substance(substance)
            return None if unit is None else f"{unit}/kg" if per_kg else unit
        case CountOrders():
            return "1"
        case SinceStart():
            return "min"
        case Figure(limit):
            return None if isinstance(limit, Absent) else limit.unit
        case Plus(parts) | Lesser(parts) | Greater(parts):
            return unit_of(parts[0])
        case Minus(of_, _):
            return unit_of(of_)
        case Scaled(of_, _, unit):
            return unit or unit_of(of_)
        case Ratio(of_, to):
            return _unit_of_ratio(unit_of(of_), unit_of(to))
        case Formula(name):
            return formulas.FORMULAS[name].unit
        case Total(substance, _, _, per_kg):
            unit = _unit_of_substance(substance)
            return None if unit is None else f"{unit}/kg/h" if per_kg else f"{unit}/h"
        case DayTotal(substance):
            return _unit_of_substance(substance)
        case OfOrder(fact, substance):
            unit = _unit_of_substance(substance)
            plain = {"duration_minutes": "min", "mg_per_ml": "mg/mL", "interval_hours": "h", "course_days": "d", "started_minutes": "min"}
            if fact in plain:
                return plain[fact]
            return None if unit is None else {"per_hour": f"{unit}/h", "concentration": f"{unit}/L"}.get(fact, unit)
        case DosePerWeight(substance):
            unit = _unit_of_substance(substance)
            return None if unit is None else f"{unit}/kg"
        case RatePerWeight(substance):
            unit = _unit_of_substance(substance)
            return None if unit is None else f"{unit}/kg/h"
        case Since():
            return "min"
        case Age(unit):
            return "a" if unit == "years" else "d"


def _unit_of_series(name: str) -> str:
    return ANALYTES[name].unit if name in ANALYTES else formulas.FORMULAS[name].unit


def _unit_of_ratio(top: str | None, bottom: str | None) -> str | None:
    """A bare number where the two can meet, else a quotient, which only a figure of the same quotient can be compared with."""
    if top is None or bottom is None:
        return None
    try:
        units.convert(Decimal(1), bottom, top)
    except units.UnitError:
        return f"{top}/{bottom}"
    return "1"


def _unit_of_substance(substance: str) -> str | None:
    return None if substance.startswith("drug:") else UNIT_OF.get(substance, "mmol")


def _meets(code: str, item: Expression, limit: Parameter | Absent, p: ParameterSet) -> None:
    """Whether some unit holds both the item and its limit."""
    if isinstance(limit, Absent):
        return
    if not isinstance(limit.value, Decimal):
        raise KnowledgeError(f"'{code}': '{limit.key}' is not a number, and a number is compared with it")
    unit = unit_of(item) if not _unknown(item) else None
    if unit is None or limit.in_unit(unit) is not None:
        return
    try:
        units.convert(limit.number, limit.unit, unit)
    except units.UnitError as error:
        raise KnowledgeError(f"'{code}': '{limit.key}' is in {limit.unit}, what it is compared with in {unit}") from error


def _unknown(item: Expression) -> bool:
    """What `_expression` refuses in words of its own."""
    drawn = item.series if isinstance(item, Projected) else item
    if isinstance(drawn, (Slope, Change, Extreme)):
        return drawn.of not in ANALYTES and drawn.of not in formulas.FORMULAS
    analyte = getattr(item, "analyte", None)
    return (analyte is not None and analyte not in ANALYTES) or (isinstance(item, Formula) and item.name not in formulas.FORMULAS)


def _filter(code: str, orders: OrderFilter) -> None:
    _names(code, "drug or class", orders.classes, _is_drug_or_class)
    _names(code, "condition", orders.reasons, CONCEPTS.__contains__)
    if orders.where == "given" and orders.started_within is None:
        raise KnowledgeError(f"'{code}': doses given need a time to look back")
    if orders.where not in PLACES:
        raise KnowledgeError(f"'{code}': orders are {', '.join(sorted(PLACES))}, not '{orders.where}'")


def _analyte(code: str, analyte: str) -> None:
    if analyte not in ANALYTES:
        raise KnowledgeError(f"'{code}': no analyte '{analyte}'")


def _substance(code: str, substance: str) -> None:
    if substance.startswith("drug:") and substance.removeprefix("drug:") not in DRUGS:
        raise KnowledgeError(f"'{code}': no drug '{substance.removeprefix('drug:')}'")


def _order_wanted(code: str, what: str, with_order: bool) -> None:
    if not with_order:
        raise KnowledgeError(f"'{code}' asks for {what} where no order is in hand")


def _is_drug_or_class(name: str) -> bool:
    return name == "*" or name in CLASSES or name in DRUGS


def _names(code: str, what: str, names: Sequence[str], known: Any) -> None:
    for name in names:
        if not known(name):
            raise KnowledgeError(f"'{code}': no {what} '{name}'")


# Words -------------------------------------------------------------------------------------------------------------------------------


def _words(code: str, branch: str, words: Words, advisory: Advisory, p: ParameterSet, states: Mapping[str, StateDef]) -> None:
    columns = {name for row in p.table(advisory.table) for name in row} if advisory.table else set()
    for text in (words.summary, *words.found, *words.do, *words.cautions, *words.differs):
        for _, name, _, _ in string.Formatter().parse(text):
            if name is None:
                continue
            first, _, rest = name.partition(".")
            if first == "p":
                if rest not in p:
                    raise KnowledgeError(f"'{code}', {branch}: no parameter '{rest}' for the words")
            elif first != "order" and first not in words.facts and first not in columns:
                raise KnowledgeError(f"'{code}', {branch}: no fact '{first}' for the words")
    for expression in words.facts.values():
        for part, with_order in walk(expression, advisory.over is not None):
            if isinstance(part, _EXPRESSIONS):
                _expression(code, part, with_order)
    if not words.summary.strip():
        raise KnowledgeError(f"'{code}', {branch}: no summary")


# Proposals ---------------------------------------------------------------------------------------------------------------------------


def _proposal(code: str, proposal: Proposal, *, in_hand: bool) -> None:
    """KnowledgeError for a suggestion that could never be made: every number of it must come in the unit in which an order states it."""
    match proposal:
        case Measure(analyte):
            _analyte(code, analyte)
            try:
                analyte_code(analyte)
            except KeyError as error:
                raise KnowledgeError(f"'{code}' proposes to measure '{analyte}', which no code asks for") from error
        case Withdraw(label):
            _labelled(code, label)
        case Give():
            _give(code, proposal, in_hand)
        case Amend():
            _amend(code, proposal, in_hand)
        case OneOf(label, choices):
            _labelled(code, label)
            if not choices:
                raise KnowledgeError(f"'{code}': '{label}' has no alternatives")
            if len({choice.label for choice in choices}) < len(choices):
                raise KnowledgeError(f"'{code}': two alternatives of '{label}' have one label")
            for choice in choices:
                _give(code, choice, in_hand)


def _labelled(code: str, label: str) -> None:
    if not label.strip():
        raise KnowledgeError(f"'{code}': a suggestion without a label")


def _give(code: str, give: Give, in_hand: bool) -> None:
    _labelled(code, give.label)
    _names(code, "drug", (give.drug, *((give.diluent,) if give.diluent else ())), DRUGS.__contains__)
    if give.route not in ROUTE_CODES:
        raise KnowledgeError(f"'{code}': no route '{give.route}' that an order can name")
    if units.unit(give.amount_unit) is None:
        raise KnowledgeError(f"'{code}': '{give.label}' is in '{give.amount_unit}', which is no unit")
    if give.volume_ml is not None and (give.hours is None) is (give.minutes is None):
        raise KnowledgeError(f"'{code}': '{give.label}' is a bag; it runs over hours or over minutes")
    if give.hours is not None and give.minutes is not None:
        raise KnowledgeError(f"'{code}': '{give.label}' runs over hours or over minutes, not both")
    _number(code, give.label, give.amount, give.amount_unit, in_hand)
    for number, unit in ((give.round_to, give.amount_unit), (give.volume_ml, "mL"), (give.hours, "h"), (give.minutes, "min"), (give.times_a_day, "1")):
        _number(code, give.label, number, unit, in_hand)


def _amend(code: str, amend: Amend, in_hand: bool) -> None:
    _labelled(code, amend.label)
    _names(code, "drug", tuple(name for name in (amend.drug, amend.diluent) if name), DRUGS.__contains__)
    if amend.substance:
        _substance(code, amend.substance)
    dosed = not (amend.dose is None and amend.minutes is None and amend.times_a_day is None)
    if [bool(amend.diluent), amend.per_hour is not None, dosed].count(True) != 1:
        raise KnowledgeError(f"'{code}': '{amend.label}' changes one thing: the diluent, the rate, or dose, minutes and frequency")
    if amend.dose is not None:
        _number(code, amend.label, amend.dose, "", in_hand)
        unit = amend.dose.unit if isinstance(amend.dose, Parameter) else None if isinstance(amend.dose, Absent) else unit_of(amend.dose)
        if unit is not None:
            _number(code, amend.label, amend.round_to, unit, in_hand)
    for number, unit in ((amend.minutes, "min"), (amend.times_a_day, "1")):
        _number(code, amend.label, number, unit, in_hand)


def _number(code: str, label: str, wanted: Limit | Expression | None, unit: str, in_hand: bool) -> None:
    """KnowledgeError when a figure or expression of a proposal cannot be told in `unit` ("" for any)."""
    if wanted is None or isinstance(wanted, Absent):
        return
    if isinstance(wanted, Parameter):
        if not isinstance(wanted.value, Decimal):
            raise KnowledgeError(f"'{code}': '{wanted.key}' is not a number, and '{label}' needs one")
        own: str | None = wanted.unit
    else:
        for part, with_order in walk(wanted, in_hand):
            if isinstance(part, _EXPRESSIONS):
                _expression(code, part, with_order)
        own = unit_of(wanted)
    if own is None or not unit:
        return
    try:
        factor_between(own, unit)
    except units.UnitError as error:
        raise KnowledgeError(f"'{code}': '{label}' needs a number in {unit}, not in {own}") from error


def factor_between(own: str, unit: str) -> Decimal:
    """What a number in `own` is multiplied by to be in `unit`. A dose over a rate is a time: "mg/mg/min" is in minutes. UnitError when the two never meet."""
    try:
        return units.convert(Decimal(1), own, unit)
    except units.UnitError:
        parts = own.split("/")
        half = len(parts) // 2
        if len(parts) != 2 * half + 1 or not half:
            raise
        dose, rated, time = "/".join(parts[:half]), "/".join(parts[half:-1]), parts[-1]
        return units.convert(Decimal(1), dose, rated) * units.convert(Decimal(1), time, unit)
