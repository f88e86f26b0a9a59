"""Section E: what could not be judged, said once. An empty answer means "read, judged, nothing to say", never "could not judge".

Reads the assessment, not the bedside: a gap is said when an advisory of indicator critical or warning waits for it and nothing else has settled that advisory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

from cds import formulas
from cds.advisory import Assessment, Finding, Outcome, rank
from cds.assess import Knowledge, Population, assess
from cds.chart import MINUTE, NO_MEMORY, Chart, Moment, Order, Problem, Result, Results, Trouble
from cds.logic.evaluate import evaluate
from cds.logic.reason import Gap, GapState
from cds.logic.scene import Scene, leaves_seen
from cds.numbers import shown
from cds.orders.reading import Read, Reading
from cds.vocabulary import ANALYTES

MISSING, UNUSABLE, GAS, STALE = "critical-input-missing", "input-unusable", "blood-gas-inconsistent", "stale-input"
TOPIC = "what could not be judged"
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


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that could not be judged. `waits` are the advisories that it would decide, each with its indicator; `test` is the analyte to measure, ""
    when measuring again would not help (it was not sent, or the order does not state it). `if_held` says what a stale value would have decided."""

    code: str
    item: str
    text: str
    state: str
    indicator: str
    waits: tuple[tuple[str, str], ...] = ()
    test: str = ""
    keys: tuple[str, ...] = ()
    ref: str = ""
    path: str = ""
    as_sent: str = ""
    suspicion: str = ""
    if_held: str = ""
    at: Moment | None = None


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
    scene = Scene(chart, population.p, population.states, evaluate)
    asked = _asked_elsewhere(assessment, population)
    waiting = _waiting(assessment, population, asked)
    items = [_item(gap, waits, chart, knowledge, assessment) for gap, waits in waiting]
    unusable = _unusable(chart, items, assessment, population)
    taken = {item.item for item in unusable if item.item}
    items = [item for item in items if item.code == UNUSABLE or item.item not in taken]
    merged = [item for item in items if not (item.code == UNUSABLE and item.item in taken)]
    drafts, accounts = _drafts(scene, assessment)
    everything = sorted((*merged, *unusable, *drafts), key=lambda i: (-rank(i.indicator), -_weight(i), i.code, i.item, i.path))
    return Quality(tuple(everything), tuple(_gas(scene, assessment)), accounts)


def _weight(item: Item) -> int:
    return max((rank(indicator) for _, indicator in item.waits), default=0)


def _asked_elsewhere(assessment: Assessment, population: Population) -> set[str]:
    fired = {v.code for v in assessment.verdicts if v.outcome in (Outcome.FIRED, Outcome.ABSORBED, Outcome.FOLDED, Outcome.HELD_BACK)}
    return {item for ready in population.ready if ready.advisory.code in fired for item in ready.advisory.asks_itself}


def _waiting(
    assessment: Assessment, population: Population, asked: set[str]
) -> list[tuple[Gap, tuple[tuple[str, str], ...]]]:
    """Each gap that an open advisory waits for, with those advisories. One FALSE has settled the others, and they never ask."""
    found: dict[tuple[str, GapState], tuple[Gap, list[tuple[str, str]]]] = {}
    for verdict in assessment.verdicts:
        if verdict.outcome is not Outcome.UNKNOWN or rank(verdict.would_be or "info") == 0:
            continue
        advisory = population.advisory(verdict.code)
        if assessment.hook not in advisory.hooks:
            continue
        for gap in verdict.gaps:
            if gap.state is GapState.OUT_OF_SCOPE or gap.item in asked:
                continue
            key = (gap.item, gap.state)
            waits = found.setdefault(key, (gap, []))[1]
            waits.append((verdict.code, advisory.gap_indicator or verdict.would_be))
    return [(gap, tuple(waits)) for gap, waits in found.values()]


def _item(gap: Gap, waits: tuple[tuple[str, str], ...], chart: Chart, knowledge: Knowledge, assessment: Assessment) -> Item:
    critical = any(indicator == "critical" for _, indicator in waits)
    if gap.state is GapState.UNUSABLE:
        return Item(UNUSABLE, gap.item, gap.detail, gap.state.value, "warning" if critical else "info", waits, "", gap.keys)
    if gap.state is GapState.STALE and gap.last is not None:
        held, worst = _if_it_held(gap, waits, chart, knowledge)
        indicator = "warning" if worst == "critical" else "info"
        test = gap.item if gap.item in ANALYTES else ""
        return Item(STALE, gap.item, gap.detail, gap.state.value, indicator, waits, test, gap.keys, gap.last.ref, if_held=held, at=gap.last.at)
    test = gap.item if gap.state in (GapState.NOT_MEASURED, GapState.STALE) and gap.item in ANALYTES else ""
    return Item(MISSING, gap.item, gap.detail, gap.state.value, "warning" if critical else "info", waits, test, gap.keys)


class _Held:
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

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """As in the chart."""
        return self._inner.problems(analyte)

    def analytes(self) -> frozenset[str]:
        """As in the chart."""
        return self._inner.analytes()


def _if_it_held(gap: Gap, waits: tuple[tuple[str, str], ...], chart: Chart, knowledge: Knowledge) -> tuple[str, str]:
    assert gap.last is not None  # noqa: S101 - the caller has just seen it
    codes = frozenset(code for code, _ in waits)
    again = assess(replace(chart, results=_Held(chart.results, gap.last.ref, chart.now)), NO_MEMORY, knowledge, only=codes)
    worst, text = "info", ""
    for verdict in again.verdicts:
        for finding in verdict.findings:
            if not text or rank(finding.indicator) > rank(worst):
                worst, text = finding.indicator, f"if still {gap.last.text}, '{finding.code}' ({finding.indicator}) would stand"
    return text, worst


def _unusable(chart: Chart, items: Iterable[Item], assessment: Assessment, population: Population) -> list[Item]:
    waits_for = {item.item: item.waits for item in items}
    found: list[Item] = []
    problems = list(chart.problems)
    for analyte in sorted(chart.results.analytes()):
        problems += chart.results.problems(analyte)
    others = 0
    for problem in dict.fromkeys(problems):
        if problem.trouble is Trouble.OTHER_PATIENT:
            others += 1
            continue
        waits = waits_for.get(problem.item, ())
        newer = problem.item in ANALYTES and _hides_newer(problem, chart, assessment)
        drafted = problem.path.startswith("context.draftOrders")
        if not waits and not newer and not (drafted and problem.trouble in _ORDER_TROUBLE) and problem.item not in ("results", "medications", "conditions", "patient"):
            continue
        critical = any(indicator == "critical" for _, indicator in waits)
        indicator = "warning" if critical or (drafted and assessment.hook == "order-sign") or newer else "info"
        found.append(
            Item(UNUSABLE, problem.item, problem.message, problem.trouble.value, indicator, waits, "", (), problem.ref, problem.path, problem.as_sent, problem.suspicion, at=problem.at)
        )  # fmt: skip
    count = max(others, chart.other_patient_items)
    if count:
        word = "item" if count == 1 else "items"
        text = f"{count} {word} of another patient came with this request and were set aside"
        found.append(Item(UNUSABLE, "other patient", text, Trouble.OTHER_PATIENT.value, "warning"))
    return found


def _hides_newer(problem: Problem, chart: Chart, assessment: Assessment) -> bool:
    """Whether what was set aside is newer than the value that a card or a silence rests on."""
    if problem.at is None:
        return False
    used = [seen for v in assessment.verdicts for f in v.findings for seen in leaves_seen(f.reason) if seen.item == problem.item and seen.at is not None]
    return any(seen.at is not None and seen.at.latest < problem.at.latest for seen in used)


def _drafts(scene: Scene, assessment: Assessment) -> tuple[list[Item], tuple[Account, ...]]:
    """The account of every draft; what is not understood on an intravenous draft is said, and an unknown drug on one is a warning (F-38)."""
    items: list[Item] = []
    accounts: list[Account] = []
    for order in scene.orders.drafts:
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
        text = f"drug not recognised: {', '.join(unknown)}. No interaction was checked for it"
        items.append(Item(MISSING, "drug", text, GapState.UNUSABLE.value, "warning", ref=order.ref, path=order.path))
    rest = [part for part in account.not_understood if not part.startswith("drug")]
    if rest and intravenous:
        text = f"{order.label}: not understood: {', '.join(rest)}"
        items.append(Item(UNUSABLE, "order", text, Trouble.NOT_UNDERSTOOD.value, "warning", ref=order.ref, path=order.path))
    return items


# Blood gas ---------------------------------------------------------------------------------------------------------------------------


def _gas(scene: Scene, assessment: Assessment) -> list[Item]:
    made: list[Item] = []
    triple = _triple(scene)
    if triple is not None:
        ph, pco2, bicarbonate = triple
        exact = [r.value.exact for r in triple]
        if exact[0] is not None and exact[1] is not None and exact[2] is not None:
            computed = formulas.compute("henderson_hasselbalch_ph", {"pco2": pco2.value, "bicarbonate": bicarbonate.value}, scene.p).exact
            if computed is not None:
                made += _judge_gas(scene, assessment, ph, exact[0], computed)
    made += _disagreeing(scene)
    return made


def _triple(scene: Scene) -> tuple[Result, Result, Result] | None:
    """pH, pCO2 and bicarbonate of one specimen: same specimen kind, drawn within the limit of each other, newest first."""
    window = scene.p.number("gas_age")
    apart = int(scene.p.number("gas_together") * MINUTE)
    for ph in scene.results("ph"):
        if not scene.current(ph, window):
            continue
        partners = []
        for analyte in ("pco2", "bicarbonate"):
            same = [
                r for r in scene.results(analyte)
                if abs(r.at.latest - ph.at.latest) <= apart and (not r.specimen or not ph.specimen or r.specimen == ph.specimen or "blood" in (r.specimen, ph.specimen))
            ]  # fmt: skip
            partners.append(next((r for r in same if r.method == ph.method), same[0] if same else None))
        if partners[0] is not None and partners[1] is not None:
            return ph, partners[0], partners[1]
    return None


def _judge_gas(scene: Scene, assessment: Assessment, ph: Result, measured: Decimal, computed: Decimal) -> list[Item]:
    difference = abs(measured - computed)
    text = (
        f"the blood gas does not agree with itself: pH {shown(measured, 2)} measured, {shown(computed, 2)} computed from its pCO2 and bicarbonate "
        f"(difference {shown(difference, 2)})"
    )
    if difference > scene.p.number("gas_inconsistent"):
        return [Item(GAS, "blood gas", text, "inconsistent", "warning", test="ph", ref=ph.ref, at=ph.at)]
    if difference > scene.p.number("gas_doubtful") and _rests_on_gas(assessment):
        return [Item(GAS, "blood gas", text, "doubtful", "info", test="ph", ref=ph.ref, at=ph.at)]
    return []


def _rests_on_gas(assessment: Assessment) -> bool:
    findings: list[Finding] = [f for v in assessment.verdicts for f in v.findings]
    return any(seen.item in ("ph", "bicarbonate") for f in findings for seen in leaves_seen(f.reason))


def _disagreeing(scene: Scene) -> list[Item]:
    """The same analyte on the gas and in the laboratory, drawn close together and far apart in value."""
    made = []
    together = int(scene.p.number("samples_together") * MINUTE)
    window = scene.p.number("gas_age")
    for analyte in ("potassium", "sodium", "glucose"):
        recent = [r for r in scene.results(analyte) if scene.current(r, window) and r.value.exact is not None]
        gas = next((r for r in recent if r.method == "gas"), None)
        lab = next((r for r in recent if r.method == "laboratory"), None)
        if gas is None or lab is None or abs(gas.at.latest - lab.at.latest) > together:
            continue
        a, b = gas.value.exact, lab.value.exact
        if a is None or b is None:
            continue
        limit = scene.p.number(f"samples_differ_{analyte}") * (max(a, b) if analyte == "glucose" else Decimal(1))
        if abs(a - b) > limit:
            label = ANALYTES[analyte].label
            text = f"samples disagree: {label} {gas.text} on the gas, {lab.text} in the laboratory (haemolysis, drip arm, delay?)"
            made.append(Item(GAS, analyte, text, "disagree", "info", test=analyte, ref=lab.ref, at=lab.at))
    return made
