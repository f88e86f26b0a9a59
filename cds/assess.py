"""Judge a chart: every advisory, precedence, memory, grouping. A pure function of its arguments.

The order of work: which figures apply (age), which advisories can apply (trigger), what each branch says; then `cds.speaking` decides who may speak at this hook,
who absorbs or lowers whom, what an override holds back, which findings share a card, and what is folded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache, partial

from msgspec import structs

from cds.advisory import NOT_KNOWN, Assessment, Branch, Fact, Finding, Outcome, Verdict, Why, rank
from cds.chart import MINUTE, Chart, Memory, Order
from cds.knowledge import Knowledge, Population, Ready, knowledge_of
from cds.logic.compare import Missing, Number, compare
from cds.logic.compiled import TESTS, Compiled
from cds.logic.criteria import Expression
from cds.logic.edges import Comparison, comparisons_of
from cds.logic.evaluate import evaluate, matching
from cds.logic.features import features_of
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import KnowledgeError, Scene
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from cds.parameters import Parameter, ParameterSet
from cds.speaking import ORDER_HOOKS, conclude, speaks

__all__ = [
    "ORDER_HOOKS",
    "Knowledge",
    "KnowledgeError",
    "Population",
    "Ready",
    "age_in_words",
    "assess",
    "fact_of",
    "fires_as",
    "judge",
    "knowledge_of",
    "speaks",
]


def assess(
    chart: Chart,
    memory: Memory,
    knowledge: Knowledge,
    *,
    off: frozenset[str] = frozenset(),
    gated: bool = True,
    interpreted: bool = False,
    only: frozenset[str] | None = None,
    like: Scene | None = None,
    told: bool = True,
) -> Assessment:
    """Judge the chart with every advisory.

    `off` are codes that the site switched off (recorded as such). `gated=False` and `interpreted=True` are the slow ways that tests compare with; `only` limits
    the work to some codes, and `like` is a scene of the same results whose orders need not be read again (used when a suggestion is judged). `told=False`: only
    the outcomes are wanted, and what a card would show is not worked out.
    """
    age = chart.age_years()
    adult_from = knowledge.adult.p.number("adult_age")
    known = age is not None and (age[0] >= adult_from or age[1] < adult_from)
    population = knowledge.population("child" if known and age is not None and age[1] < adult_from else "adult")
    scene = population.scene(chart, like=like)
    child = None if known else knowledge.child.scene(chart, scene.orders, scene)
    neonate = _is_neonate(chart, population.p)
    present = features_of(scene)
    verdicts: dict[str, Verdict] = {}
    for ready in population.ready:
        code = ready.advisory.code
        if only is not None and code not in only:
            continue
        triggered = True
        for mask in ready.masks:
            if not present & mask:
                triggered = False
                break
        if code in off:
            verdict = Verdict(code, Outcome.SWITCHED_OFF, "switched off at this site")
        elif neonate and not ready.advisory.neonate:
            verdict = Verdict(code, Outcome.OUT_OF_SCOPE, "under 28 days")
        elif gated and not triggered:
            verdict = _not_triggered(code)
        else:
            twin = None if known or ready.advisory.without_age else knowledge.child.by_code[code]
            verdict = _kept_apart(ready, scene, twin, child, interpreted=interpreted, told=told)
            if not triggered and verdict.outcome not in (Outcome.FIRED, Outcome.UNKNOWN):
                verdict = _not_triggered(code)
        verdicts[code] = verdict
    return conclude(verdicts, scene, population, memory, known=known, neonate=neonate)


@lru_cache(maxsize=None)
def _not_triggered(code: str) -> Verdict:
    """Most advisories on most charts: the same each time, so made once for each code."""
    return Verdict(code, Outcome.NOT_APPLICABLE, "trigger")


def _kept_apart(ready: Ready, scene: Scene, twin: Ready | None, child: Scene | None, *, interpreted: bool, told: bool) -> Verdict:
    """One advisory's verdict. One that breaks is UNKNOWN and named, and never takes the others with it (HZ-32). `twin`: where the age is not known."""
    try:
        verdict = judge(ready, scene, interpreted=interpreted) if twin is None else _without_age(ready, scene, twin, child, interpreted=interpreted)
        for finding in verdict.findings if told else ():
            # What is made on demand must not break later, where it would take the whole answer with it.
            _ = finding.facts, finding.seen
    except Exception as error:
        advisory = ready.advisory
        detail = f"'{advisory.title}' was not judged: the service met an error of its own ({type(error).__name__})"
        would_be = ready.worst if rank(ready.worst) else "warning"
        return Verdict(advisory.code, Outcome.UNKNOWN, "failed", (Gap(advisory.code, GapState.UNUSABLE, detail),), would_be=would_be)
    return verdict


def _is_neonate(chart: Chart, p: ParameterSet) -> bool:
    days = chart.age_days()
    return days is not None and days[0] <= p.number("neonate_days")


def _without_age(ready: Ready, adult: Scene, twin: Ready, child: Scene | None, *, interpreted: bool) -> Verdict:
    """Age not known: a dose, rate or volume code is UNKNOWN for want of age, unless neither set of figures could fire (C-08, HZ-17)."""
    verdicts = [judge(ready, adult, interpreted=interpreted)]
    if child is not None:
        verdicts.append(judge(twin, child, interpreted=interpreted))
    open_ = [v for v in verdicts if v.outcome in (Outcome.FIRED, Outcome.UNKNOWN)]
    if not open_:
        return verdicts[0]
    gap = Gap("age", GapState.NOT_SENT, "age: not recorded", ("patient",))
    would_be = max((v.would_be or max((f.indicator for f in v.findings), key=rank, default="warning") for v in open_), key=rank)
    orders = tuple(dict.fromkeys(ref for v in open_ for ref in (*v.orders, *(o for f in v.findings for o in f.orders))))
    return Verdict(ready.advisory.code, Outcome.UNKNOWN, gap.state.value, (gap, *open_[0].gaps), would_be=would_be, orders=orders)


def judge(ready: Ready, scene: Scene, *, interpreted: bool = False) -> Verdict:
    """One advisory over each order that it is about, or over the patient."""
    advisory = ready.advisory
    if advisory.over is None:
        return _judge_one(ready, scene, None, TRUE, interpreted=interpreted)
    pairs = matching(advisory.over, scene)
    if not pairs:
        if advisory.over.where != "drafted" and not scene.whole("medications"):
            # No draft is such an order; whether one runs is not known (HZ-07).
            gap = scene.gap("medications")
            return Verdict(advisory.code, Outcome.UNKNOWN, gap.state.value, (gap,), would_be=ready.worst)
        return Verdict(advisory.code, Outcome.NOT_APPLICABLE, "no such order")
    return _merged([_judge_one(ready, scene, order, match, interpreted=interpreted) for order, match in pairs])


def fires_as(ready: Ready, scene: Scene, order: Order | None) -> str:
    """The indicator with which an advisory fires on a scene for the order in hand; "" when it does not. No findings are made."""
    if ready.advisory.over is not None and order is None:
        raise KnowledgeError(f"'{ready.advisory.code}' is about an order, and none is in hand")
    for side in (ready.quiet, ready.satisfied):
        if side is not None and side.truth(scene, order) is TRUE:
            return ""
    for branch, compiled in ready.branches:
        if compiled.truth(scene, order) is TRUE:
            return branch.indicator
    return ""


def _judge_one(ready: Ready, scene: Scene, order: Order | None, match: Truth, *, interpreted: bool) -> Verdict:
    advisory = ready.advisory

    def truth(compiled: Compiled) -> Truth:
        return evaluate(compiled.node, scene, order).truth if interpreted else compiled.truth(scene, order)

    if ready.quiet is not None and truth(ready.quiet) is TRUE:
        return Verdict(advisory.code, Outcome.NOT_MET, "quiet")
    if ready.satisfied is not None and truth(ready.satisfied) is TRUE:
        return Verdict(advisory.code, Outcome.ALREADY_SATISFIED, "another order does it")
    open_: list[tuple[Branch, Compiled]] = []
    for branch, compiled in ready.branches:
        result = truth(compiled)
        if result is TRUE and match is TRUE:
            why = Why(branch, compiled, scene, order, partial(_facts, ready))
            finding = Finding(advisory.code, branch, branch.indicator, advisory.problem, None if order is None else order.ref, why)
            return Verdict(advisory.code, Outcome.FIRED, branch.name, tuple(_gaps(open_, scene, order)), (finding,))
        if result is not FALSE:
            open_.append((branch, compiled))
    if not open_:
        return Verdict(advisory.code, Outcome.NOT_MET)
    gaps = _gaps(open_, scene, order)
    if order is not None and match is UNKNOWN:
        gaps.append(Gap(f"route of {order.label}", GapState.NOT_SENT, f"{order.label}: the route is not stated"))
    if gaps and all(gap.state is GapState.OUT_OF_SCOPE for gap in gaps):
        return Verdict(advisory.code, Outcome.OUT_OF_SCOPE, "no figure for this age", tuple(gaps))
    would_be = max((branch.indicator for branch, _ in open_), key=rank)
    states = ",".join(dict.fromkeys(gap.state.value for gap in gaps))
    orders = () if order is None else (order.ref,)
    return Verdict(advisory.code, Outcome.UNKNOWN, states, tuple(gaps), would_be=would_be, orders=orders)


def _gaps(open_: Sequence[tuple[Branch, Compiled]], scene: Scene, order: Order | None) -> list[Gap]:
    """What the branches that stayed open wait for, without repeats."""
    found: dict[tuple[str, GapState], Gap] = {}
    for _, compiled in open_:
        for gap in compiled.evidence(scene, order)[1]:
            found.setdefault((gap.item, gap.state), gap)
    return list(found.values())


_STRENGTH = (Outcome.FIRED, Outcome.UNKNOWN, Outcome.OUT_OF_SCOPE, Outcome.ALREADY_SATISFIED, Outcome.NOT_MET)


def _merged(verdicts: Sequence[Verdict]) -> Verdict:
    """One verdict for a code judged over several orders: the strongest outcome, with every finding and every gap."""
    if len(verdicts) == 1:
        return verdicts[0]
    strongest = min(verdicts, key=lambda v: _STRENGTH.index(v.outcome))
    gaps = {(gap.item, gap.state): gap for v in verdicts for gap in v.gaps}
    findings = tuple(finding for v in verdicts for finding in v.findings)
    orders = tuple(dict.fromkeys(ref for v in verdicts for ref in v.orders))
    open_ = [v.would_be for v in verdicts if v.would_be]
    return structs.replace(strongest, gaps=tuple(gaps.values()), findings=findings, orders=orders, would_be=max(open_, key=rank, default=""))


# Facts -------------------------------------------------------------------------------------------------------------------------------


def _facts(ready: Ready, why: Why) -> Mapping[str, Fact]:
    """The numbers that the words of a branch show."""
    facts = {}
    for name, expression in why.branch.words.facts.items():
        number = why.scene.number(expression, why.order)
        several = isinstance(number, Number) and len({c.value for c in number.candidates}) > 1
        facts[name] = fact_of(number, why.scene, _deciding(expression, why) if several else None)
    return facts | _row_facts(ready, why.scene, why.order)


def _deciding(expression: Expression, why: Why) -> tuple[Comparison, Parameter] | None:
    """The comparison of an expression that decided. Of several results of one moment the card shows the one that decides, never the other (HZ-28)."""
    for leaf in why.leaves:
        for node in comparisons_of(leaf):
            if leaf.truth is TRUE and node.item == expression and isinstance(node.limit, Parameter):
                return node, node.limit
    return None


def _row_facts(ready: Ready, scene: Scene, order: Order | None) -> dict[str, Fact]:
    """The words of the drug table's row for the order in hand."""
    if not ready.advisory.table or order is None:
        return {}
    row: Mapping[str, object] = next((row for row in scene.p.table(ready.advisory.table) if row.get("drug") in order.drugs), {})
    return {column: Fact(text or "none named") for column, text in row.items() if isinstance(text, str)}


def fact_of(number: Number | Missing, scene: Scene, deciding: tuple[Comparison, Parameter] | None = None) -> Fact:
    """A number as a card shows it, with its age; a gap shows as what it is. `deciding` chooses among several results of one moment."""
    if isinstance(number, Missing):
        return Fact(NOT_KNOWN, number.gaps[0].detail, seen=number.seen)
    candidate = number.candidates[0]
    if deciding is not None and len(number.candidates) > 1:
        node, limit = deciding
        candidate = next((c for c in number.candidates if compare(Number((c,), number.unit, number.total), limit, TESTS[type(node)]) is True), candidate)
    seen = candidate.seen
    return Fact(seen.text, age_in_words(seen, scene.chart.now), candidate.value, candidate.unit, (seen,))


def age_in_words(seen: Seen, now: int) -> str:
    """ "40 min ago"; "" for what has no time."""
    if seen.at is None:
        return ""
    minutes = max(0, (now - seen.at.latest) // MINUTE)
    text = f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago"
    return text if seen.at.exact else f"{text} ({seen.at.mark or 'time not exact'})"
