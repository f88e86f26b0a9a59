"""Section E: what could not be judged, said once. An empty answer means "read, judged, nothing to say", never "could not judge".

Reads the assessment, not the bedside: a gap is said when an advisory of indicator critical or warning waits for it, nothing else has settled that advisory, the
advisory would be heard at this hook, and the patient shows at least part of its problem. What bears on nothing is only in the record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from cds.advisory import Assessment, Outcome, Verdict, rank
from cds.assess import ORDER_HOOKS, Knowledge, Population, Ready, fires_as
from cds.blood_gas import gas_remarks
from cds.chart import MINUTE, Chart, Feed, Moment, Order, Problem, Result, Results, Trouble, newest_between
from cds.logic.compiled import support
from cds.logic.evaluate import matching
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Scene
from cds.logic.truth import FALSE, TRUE
from cds.orders.reading import Read, Reading
from cds.speaking import in_hand, would_speak
from cds.vocabulary import ANALYTES

MISSING, UNUSABLE, GAS, STALE = "critical-input-missing", "input-unusable", "blood-gas-inconsistent", "stale-input"
TOPIC = "what could not be judged"
LISTS = ("results", "medications", "administrations", "conditions", "patient")
_ORDER_TROUBLE = (
    Trouble.DRUG_UNKNOWN,
    Trouble.REFERENCE,
    Trouble.STRENGTH,
    Trouble.NOT_UNDERSTOOD,
    Trouble.RELEASE,
    Trouble.STRUCTURE,
    Trouble.MODIFIER,
    Trouble.STATUS,
)
_WEIGHT = {GapState.UNUSABLE: 0, GapState.STALE: 1}
Waits = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that could not be judged. `waits` are the advisories that it would decide, each with its indicator; `test` is the analyte to measure, ""
    when measuring again would not help (it was not sent, or the order does not state it). `if_held` says what a stale value would have decided; `short` is the
    text where a summary has no room for all of it."""

    code: str
    item: str
    text: str
    state: str
    indicator: str
    waits: Waits = ()
    test: str = ""
    keys: tuple[str, ...] = ()
    ref: str = ""
    path: str = ""
    as_sent: str = ""
    suspicion: str = ""
    if_held: str = ""
    at: Moment | None = None
    short: str = ""


@dataclass(frozen=True, slots=True)
class Account:
    """For one drafted order: drug, route, line, amount, volume, rate and diluent, each read, not stated or not understood."""

    ref: str
    label: str
    parts: tuple[tuple[str, str, str], ...]
    path: str

    @property
    def not_understood(self) -> tuple[str, ...]:
        """The parts that were stated and could not be understood."""
        return tuple(f"{name} ({text})" if text else name for name, state, text in self.parts if state == Read.NOT_UNDERSTOOD.value)


@dataclass(frozen=True, slots=True)
class Quality:
    """Everything of section E for one call: items ranked, the blood-gas check apart, and an account of every draft."""

    items: tuple[Item, ...] = ()
    gas: tuple[Item, ...] = ()
    accounts: tuple[Account, ...] = ()

    def indicator(self, code: str) -> str | None:
        """The highest indicator among the items of a code; None when it has none."""
        found = [item.indicator for item in (*self.items, *self.gas) if item.code == code]
        return max(found, key=rank) if found else None

    def codes(self) -> dict[str, str]:
        """Each section E code that fired, with its indicator."""
        made = {code: self.indicator(code) for code in (MISSING, UNUSABLE, STALE, GAS)}
        return {code: indicator for code, indicator in made.items() if indicator is not None}


def quality(chart: Chart, assessment: Assessment, knowledge: Knowledge) -> Quality:
    """What could not be judged in this call, and for each draft what was read of it."""
    population = knowledge.population(assessment.population)
    scene = assessment.scene or population.scene(chart)
    waiting = _waiting(assessment, population, scene)
    unusable = _unusable(chart, assessment, waiting)
    asked = _asked_elsewhere(assessment, population)
    taken = {item.item for item in unusable if item.item in ANALYTES}
    items = [_item(gap, waits, scene, population) for gap, waits in waiting.values() if gap.item not in asked and gap.item not in taken]
    if not assessment.age_known and any(v.outcome in (Outcome.FIRED, Outcome.ABSORBED, Outcome.FOLDED) for v in assessment.verdicts):
        items += [] if "age" in waiting else [Item(MISSING, "age", "age: not recorded, adult thresholds were used", GapState.NOT_SENT.value, "info", keys=("patient",))]
    items += _by_orders_alone(scene)
    drafts, accounts = _drafts(scene, assessment)
    if assessment.neonate:
        # Under 28 days only what could not be read is said beside the one statement of scope (F-20).
        return Quality(_ranked([*unusable, *(item for item in drafts if item.code == UNUSABLE)]), (), accounts)
    gas = tuple(Item(GAS, r.item, r.text, r.state, r.indicator, test=r.test, ref=r.ref, path=r.path, at=r.at, short=r.short) for r in gas_remarks(scene, assessment))
    return Quality(_ranked([*items, *unusable, *drafts]), gas, accounts)


def _ranked(items: Iterable[Item]) -> tuple[Item, ...]:
    return tuple(sorted(items, key=lambda i: (-rank(i.indicator), -max((rank(x) for _, x in i.waits), default=0), i.code, i.item, i.ref, i.text)))


def _by_orders_alone(scene: Scene) -> list[Item]:
    """Says that what runs was judged by the orders alone, where the list of administrations, which outranks them, was not sent whole (HZ-13, HZ-14)."""
    source = scene.chart.source("administrations")
    cut = source.feed in (Feed.PARTIAL, Feed.FAILED)
    if not (scene.orders.running or (cut and scene.orders.drafts)) or source.feed is Feed.WHOLE or not scene.chart.item_keys.get("administrations"):
        return []
    state = GapState.NOT_SENT if source.feed is Feed.ABSENT else GapState.FETCH_FAILED
    text = f"administrations: {source.detail or 'the list was not sent whole'}; what runs was judged by the orders alone"
    return [Item(MISSING, "administrations", text, state.value, "info", keys=(source.key,))]


# E1 and E4: what advisories wait for -------------------------------------------------------------------------------------------------


def _asked_elsewhere(assessment: Assessment, population: Population) -> set[str]:
    fired = {v.code for v in assessment.verdicts if v.outcome in (Outcome.FIRED, Outcome.ABSORBED, Outcome.FOLDED, Outcome.HELD_BACK)}
    return {item for code in fired for item in population.advisory(code).asks_itself}


def _waiting(assessment: Assessment, population: Population, scene: Scene) -> dict[str, tuple[Gap, Waits]]:
    """For each datum the worst gap that an open advisory waits for, with those advisories. One FALSE has settled the others, and they never ask."""
    found: dict[str, tuple[Gap, dict[str, str]]] = {}
    for verdict in assessment.verdicts:
        if verdict.outcome is not Outcome.UNKNOWN:
            continue
        ready = population.by_code[verdict.code]
        indicator = ready.advisory.gap_indicator or verdict.would_be
        if verdict.why != "failed" and (rank(verdict.would_be or "info") == 0 or not _heard(verdict, ready, scene)):
            continue
        shown = _problem_shown(verdict, ready, scene)
        for gap in verdict.gaps:
            if gap.state is GapState.OUT_OF_SCOPE or (scene.chart.hook == "order-select" and not _of_the_patient(gap, verdict)):
                continue
            if not shown and not _asks_anyway(gap, ready, scene):
                continue
            known, waits = found.setdefault(gap.item, (gap, {}))
            if _WEIGHT.get(gap.state, 2) < _WEIGHT.get(known.state, 2):
                found[gap.item] = (gap, waits)
            waits[verdict.code] = indicator
    return {item: (gap, tuple(waits.items())) for item, (gap, waits) in found.items()}


def _of_the_patient(gap: Gap, verdict: Verdict) -> bool:
    """Whether a gap is of the patient's data. At order-select a detail of an order is not missing but not chosen yet (F-11)."""
    return gap.item in ANALYTES or gap.item in (*LISTS, "age", "sex") or verdict.why == "failed"


def _heard(verdict: Verdict, ready: Ready, scene: Scene) -> bool:
    """Whether the advisory would say something at this hook if it fired as badly as it may."""
    if scene.chart.hook not in ready.advisory.hooks:
        return False
    if scene.chart.hook not in ORDER_HOOKS or (ready.advisory.kind == "order" and in_hand(verdict.orders, scene)):
        return True
    return bool(would_speak(ready, verdict.would_be, scene))


def _problem_shown(verdict: Verdict, ready: Ready, scene: Scene) -> bool:
    """Whether the patient shows part of the problem: an order that the advisory is about, a current result that meets one of its criteria, a fresh diagnosis.

    Without this a well patient with one unmeasured value would be asked for everything that could be wrong.
    """
    if ready.advisory.over is not None or verdict.why == "failed":
        return bool(verdict.orders) or verdict.why == "failed"
    recent = scene.p.number("gap_recent_condition")
    for _, compiled in ready.branches:
        if compiled.truth(scene, None) is FALSE:
            continue
        for leaf in support(compiled, scene):
            if leaf.truth is TRUE and any(_is_current(seen, recent) for seen in leaf.seen):
                return True
    return False


def _is_current(seen: Seen, recent: Decimal) -> bool:
    if seen.kind == "condition":
        return seen.age_minutes is not None and seen.age_minutes <= recent
    if seen.kind == "total":
        return seen.value is not None and seen.value.high != 0
    return seen.kind in ("result", "formula", "series", "event", "administration") or (seen.kind == "order" and seen.note == "drafted")


def _asks_anyway(gap: Gap, ready: Ready, scene: Scene) -> bool:
    """A datum that was sent and could not be used, or that could not be got, is said also where nothing else points to the problem (HZ-07). One that was
    simply not measured is not, and an old one only where it would have stood."""
    if gap.state is GapState.NOT_MEASURED:
        return False
    if gap.state is GapState.STALE:
        return gap.last is not None and rank(_held(gap, ready, scene) or "info") > 0
    return True


def _item(gap: Gap, waits: Waits, scene: Scene, population: Population) -> Item:
    critical = any(indicator == "critical" for _, indicator in waits)
    if gap.state is GapState.UNUSABLE:
        return Item(UNUSABLE, gap.item, gap.detail, gap.state.value, "warning" if critical else "info", waits, "", gap.keys)
    test = gap.item if gap.state in (GapState.NOT_MEASURED, GapState.STALE) and gap.item in ANALYTES else ""
    if gap.state is GapState.STALE and gap.last is not None:
        text, worst = "", "info"
        for code, _ in waits:
            indicator = _held(gap, population.by_code[code], scene)
            if indicator and (not text or rank(indicator) > rank(worst)):
                title = population.advisory(code).title
                worst, text = indicator, f"if it were still {gap.last.text}: {title[:1].lower()}{title[1:]} ({indicator})"
        shown = "warning" if worst == "critical" else "info"
        return Item(STALE, gap.item, gap.detail, gap.state.value, shown, waits, test, gap.keys, gap.last.ref, gap.last.path, if_held=text, at=gap.last.at)
    return Item(MISSING, gap.item, gap.detail, gap.state.value, "warning" if critical else "info", waits, test, gap.keys)


class _HeldResults:
    """The chart's results with one of them drawn now: what would the old value have decided if it still held?"""

    __slots__ = ("_inner", "_now", "_ref")

    def __init__(self, inner: Results, ref: str, now: int) -> None:
        self._inner, self._ref, self._now = inner, ref, now

    def of(self, analyte: str) -> tuple[Result, ...]:
        """Results, with the held one first."""
        found = self._inner.of(analyte)
        held = [
            Result(r.ref, r.analyte, r.value, r.reported, r.unit, r.text, Moment(self._now, self._now), r.method, r.specimen, r.code, r.preliminary, r.haemolysed, r.label, r.path)
            for r in found if r.ref == self._ref
        ]  # fmt: skip
        return (*held, *(r for r in found if r.ref != self._ref)) if held else found

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """As `of`: the held one is the newest of all."""
        return self.of(analyte)

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest between two instants."""
        return newest_between(self.of(analyte), floor, now)

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems(analyte)

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems_since(analyte, floor)

    def analytes(self) -> frozenset[str]:
        """As in the chart."""
        return self._inner.analytes()


def _held(gap: Gap, ready: Ready, scene: Scene) -> str:
    """The indicator with which an advisory would fire if the old value still held; "" when it would not."""
    if gap.last is None:
        return ""
    then = scene.with_results(_HeldResults(scene.chart.results, gap.last.ref, scene.chart.now), gap.item)
    over = ready.advisory.over
    orders: list[Order | None] = [None] if over is None else [order for order, match in matching(over, then) if match is TRUE]
    return max((fires_as(ready, then, order) for order in orders), key=lambda i: rank(i) if i else -1, default="")


# E2: what was set aside --------------------------------------------------------------------------------------------------------------


def _unusable(chart: Chart, assessment: Assessment, waiting: Mapping[str, tuple[Gap, Waits]]) -> list[Item]:
    found: list[Item] = []
    problems = list(chart.problems)
    used_until = _used_until(assessment)
    for analyte in sorted(chart.results.analytes()):
        if analyte in waiting:
            problems += chart.results.problems(analyte)
        elif (used := used_until.get(analyte)) is not None:
            problems += chart.results.problems_since(analyte, used)
    for problem in dict.fromkeys(problems):
        if problem.trouble is not Trouble.OTHER_PATIENT:
            found += _set_aside(problem, chart, assessment, waiting, used_until)
    others = max(chart.other_patient_items, len({p.path for p in problems if p.trouble is Trouble.OTHER_PATIENT}))
    if others:
        text = f"{others} {'item' if others == 1 else 'items'} of another patient came with this request and {'was' if others == 1 else 'were'} set aside"
        found.append(Item(UNUSABLE, "other patient", text, Trouble.OTHER_PATIENT.value, "warning"))
    return found


def _set_aside(
    problem: Problem, chart: Chart, assessment: Assessment, waiting: Mapping[str, tuple[Gap, Waits]], used_until: Mapping[str, int]
) -> list[Item]:
    """The item for one thing that was set aside, when it bears on the case."""
    waits = _waits_for(problem, chart, waiting)
    used = used_until.get(problem.item) if problem.item in ANALYTES else None
    newer = used is not None and problem.at is not None and used < problem.at.latest
    drafted = problem.path.startswith("context.draftOrders")
    if not (waits or newer or problem.item in LISTS or (drafted and problem.trouble in _ORDER_TROUBLE)):
        return []
    grave = any(indicator == "critical" for _, indicator in waits) or newer or (drafted and assessment.hook == "order-sign")
    return [
        Item(
            UNUSABLE, problem.item, problem.message, problem.trouble.value, "warning" if grave else "info", waits, "", (), problem.ref, problem.path,
            problem.as_sent, problem.suspicion, at=problem.at,
        )
    ]  # fmt: skip


def _waits_for(problem: Problem, chart: Chart, waiting: Mapping[str, tuple[Gap, Waits]]) -> Waits:
    """The advisories for which a thing that was set aside could have decided: its own item, inside the window; or, where nobody can know what it was, any
    datum that is missing and comes from the same list."""
    if problem.item in waiting:
        gap, waits = waiting[problem.item]
        within = gap.within_minutes
        return waits if within is None or problem.at is None or problem.at.latest >= chart.now - within * MINUTE else ()
    if problem.item:
        return ()
    key = problem.path.removeprefix("prefetch.").split(".")[0].split("[")[0]
    found = {code: indicator for gap, waits in waiting.values() if key in gap.keys for code, indicator in waits}
    return tuple(found.items())


def _used_until(assessment: Assessment) -> dict[str, int]:
    """The draw time of the newest value of each item that a finding rests on."""
    newest: dict[str, int] = {}
    for verdict in assessment.verdicts:
        for finding in verdict.findings:
            for seen in finding.seen:
                if seen.at is not None and seen.at.latest >= newest.get(seen.item, seen.at.latest):
                    newest[seen.item] = seen.at.latest
    return newest


# Drafts ------------------------------------------------------------------------------------------------------------------------------


def _drafts(scene: Scene, assessment: Assessment) -> tuple[list[Item], tuple[Account, ...]]:
    """The account of every draft; what is not understood on an intravenous draft is said, and an unknown drug on one is a warning (F-38)."""
    items: list[Item] = []
    accounts: list[Account] = []
    for order in sorted(scene.orders.drafts, key=lambda o: o.ref):
        reading = scene.reading(order)
        account = Account(order.ref, order.label, tuple((name, part.state.value, part.text) for name, part in reading.parts.items()), order.path)
        accounts.append(account)
        if assessment.hook == "order-sign":
            items += _of_draft(order, reading, account)
    return items, tuple(accounts)


def _of_draft(order: Order, reading: Reading, account: Account) -> list[Item]:
    items: list[Item] = []
    intravenous = reading.intravenous is not False
    unknown = order.unrecognised or (() if order.drugs else (order.label,))
    if unknown and intravenous:
        # Tablets that are in no table of ours are the rule on a ward: their account in the answer's extension says so, and no card does.
        text = f"drug not recognised: {', '.join(unknown)}. No interaction was checked for it"
        items.append(Item(MISSING, "drug", text, GapState.UNUSABLE.value, "warning", ref=order.ref, path=order.path))
    rest = [part for part in account.not_understood if not part.startswith("drug")]
    if rest and intravenous:
        text = f"{order.label}: not understood: {', '.join(rest)}"
        items.append(Item(UNUSABLE, "order", text, Trouble.NOT_UNDERSTOOD.value, "warning", ref=order.ref, path=order.path))
    return items
