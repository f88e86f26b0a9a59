"""Judge a chart: every advisory, precedence, memory, grouping. A pure function of its arguments.

The order of work: which figures apply (age), which advisories can apply (trigger), what each branch says, who may speak at this hook, who absorbs or lowers
whom, what an override holds back, which findings share a card, and what is folded.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from cds.advisory import (
    Advisory,
    Assessment,
    Branch,
    Fact,
    Finding,
    Group,
    Outcome,
    Precedence,
    Verdict,
    lowered,
    rank,
)
from cds.chart import MINUTE, Chart, Memory, Order
from cds.logic.compiled import Compiled, compile_criterion
from cds.logic.evaluate import evaluate, matching
from cds.logic.features import features_of, mask_of
from cds.logic.reason import Gap, GapState, Reason, Seen
from cds.logic.scene import KnowledgeError, Missing, Scene, StateDef, deciding_gaps, leaves_seen
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth
from cds.parameters import Absent, Parameter, ParameterSet
from cds.states import STATES
from cds.topics import CATALOGUE, TOPICS

ORDER_HOOKS = ("order-select", "order-sign")


@dataclass(frozen=True, slots=True)
class Ready:
    """One advisory made ready: its trigger as bit masks, its branches and side criteria compiled."""

    advisory: Advisory
    masks: tuple[int, ...]
    branches: tuple[tuple[Branch, Compiled], ...]
    satisfied: Compiled | None
    quiet: Compiled | None


@dataclass(frozen=True, slots=True)
class Population:
    """The knowledge for adults, or for children: no figure of one ever reaches the other (HZ-17)."""

    name: str
    p: ParameterSet
    states: Mapping[str, StateDef]
    ready: tuple[Ready, ...]

    def advisory(self, code: str) -> Advisory:
        """The advisory of a code. KeyError when there is none."""
        for ready in self.ready:
            if ready.advisory.code == code:
                return ready.advisory
        raise KeyError(code)


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All advisories over one parameter set, compiled for both populations. `digest` names exactly this knowledge."""

    parameters: ParameterSet
    adult: Population
    child: Population
    digest: str

    def population(self, name: str) -> Population:
        """ "adult" or "child"."""
        return self.child if name == "child" else self.adult

    @property
    def codes(self) -> tuple[str, ...]:
        """Every code that can fire, in the order of judgement."""
        return tuple(ready.advisory.code for ready in self.adult.ready)


def knowledge_of(parameters: ParameterSet, *, version: str = "1") -> Knowledge:
    """Compile the topics over a parameter set. KnowledgeError when a code is unknown, given twice, or precedence runs in a circle."""
    made = {name: _population(name, parameters) for name in ("adult", "child")}
    codes = [ready.advisory.code for ready in made["adult"].ready]
    if codes != [ready.advisory.code for ready in made["child"].ready]:
        raise KnowledgeError("adults and children must have the same codes, with figures of their own")
    if len(set(codes)) != len(codes):
        raise KnowledgeError("a code is declared twice")
    for population in made.values():
        for ready in population.ready:
            _check(ready.advisory)
        _no_circle(population)
    digest = hashlib.sha256()
    digest.update(parameters.digest.encode())
    digest.update(version.encode())
    for population in made.values():
        for ready in population.ready:
            digest.update(repr(ready.advisory).encode())
    return Knowledge(parameters, made["adult"], made["child"], digest.hexdigest())


def _population(name: str, parameters: ParameterSet) -> Population:
    p = parameters.for_population("child" if name == "child" else "adult")
    states = STATES(p)
    ready = []
    for topic in TOPICS:
        for advisory in topic.advisories(p):
            ready.append(
                Ready(
                    advisory,
                    tuple(mask_of(clause) for clause in advisory.trigger.clauses),
                    tuple((branch, compile_criterion(branch.when)) for branch in advisory.branches),
                    None if advisory.satisfied is None else compile_criterion(advisory.satisfied),
                    None if advisory.quiet is None else compile_criterion(advisory.quiet),
                )
            )
    return Population(name, p, states, tuple(ready))


def _check(advisory: Advisory) -> None:
    if advisory.code not in CATALOGUE:
        raise KnowledgeError(f"'{advisory.code}' is not in the catalogue")
    for row in advisory.precedence:
        if row.code not in CATALOGUE:
            raise KnowledgeError(f"'{advisory.code}' names '{row.code}', which is not in the catalogue")
        if row.how not in ("absorbs", "silences", "lowers") or row.scope not in ("order", "patient"):
            raise KnowledgeError(f"'{advisory.code}': precedence '{row.how}', scope '{row.scope}'")


def _no_circle(population: Population) -> None:
    over = {r.advisory.code: {row.code for row in r.advisory.precedence if row.how != "lowers"} for r in population.ready}
    for start in over:
        seen: set[str] = set()
        todo = list(over[start])
        while todo:
            code = todo.pop()
            if code == start:
                raise KnowledgeError(f"precedence runs in a circle through '{start}'")
            if code not in seen:
                seen.add(code)
                todo.extend(over.get(code, ()))


# Judging -----------------------------------------------------------------------------------------------------------------------------


def assess(
    chart: Chart,
    memory: Memory,
    knowledge: Knowledge,
    *,
    off: frozenset[str] = frozenset(),
    gated: bool = True,
    interpreted: bool = False,
    only: frozenset[str] | None = None,
) -> Assessment:
    """Judge the chart with every advisory.

    `off` are codes that the site switched off (recorded as such). `gated=False` and `interpreted=True` are the slow ways that tests compare with;
    `only` limits the work to some codes (used when a suggestion is judged).
    """
    age = chart.age_years()
    adult_from = knowledge.adult.p.number("adult_age")
    known = age is not None and (age[0] >= adult_from or age[1] < adult_from)
    name = "child" if known and age is not None and age[1] < adult_from else "adult"
    population = knowledge.population(name)
    scene = Scene(chart, population.p, population.states, evaluate)
    neonate = _is_neonate(chart, population.p)
    other = None if known else Scene(chart, knowledge.child.p, knowledge.child.states, evaluate)
    twins = {} if known else {ready.advisory.code: ready for ready in knowledge.child.ready}
    present = features_of(scene)
    verdicts: dict[str, Verdict] = {}
    for ready in population.ready:
        code = ready.advisory.code
        if only is not None and code not in only:
            continue
        if code in off:
            verdicts[code] = Verdict(code, Outcome.SWITCHED_OFF, "switched off at this site")
        elif neonate and not ready.advisory.neonate:
            verdicts[code] = Verdict(code, Outcome.OUT_OF_SCOPE, "under 28 days")
        elif gated and not all(present & mask for mask in ready.masks):
            verdicts[code] = Verdict(code, Outcome.NOT_APPLICABLE, "trigger")
        else:
            verdicts[code] = _kept_apart(ready, scene, None if known or ready.advisory.without_age else twins[code], other, interpreted=interpreted)
            if not gated and not all(present & mask for mask in ready.masks):
                if verdicts[code].outcome in (Outcome.FIRED, Outcome.UNKNOWN):
                    continue
                verdicts[code] = Verdict(code, Outcome.NOT_APPLICABLE, "trigger")
    return _conclude(verdicts, scene, population, memory, known=known, neonate=neonate)


def _kept_apart(ready: Ready, scene: Scene, twin: Ready | None, child: Scene | None, *, interpreted: bool) -> Verdict:
    """One advisory's verdict. One that breaks is UNKNOWN and named, and never takes the others with it (HZ-32). `twin`: where the age is not known."""
    try:
        return judge(ready, scene, interpreted=interpreted) if twin is None else _without_age(ready, scene, twin, child, interpreted=interpreted)
    except Exception as error:
        advisory = ready.advisory
        detail = f"'{advisory.title}' was not judged: the service met an error of its own ({type(error).__name__})"
        would_be = max(("warning", *(branch.indicator for branch in advisory.branches)), key=rank)
        return Verdict(advisory.code, Outcome.UNKNOWN, "failed", (Gap(advisory.code, GapState.UNUSABLE, detail),), would_be=would_be)


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
    return Verdict(ready.advisory.code, Outcome.UNKNOWN, "not_sent", (gap, *open_[0].gaps), would_be=would_be)


def judge(ready: Ready, scene: Scene, *, interpreted: bool = False) -> Verdict:
    """One advisory over each order that it is about, or over the patient."""
    advisory = ready.advisory
    if advisory.over is None:
        return _merged(advisory, [_judge_one(ready, scene, None, UNKNOWN, interpreted=interpreted)])
    pairs = matching(advisory.over, scene)
    if not pairs:
        if advisory.over.where != "drafted" and not scene.whole("medications"):
            # The draft is known to hold no such order; what runs is not known.
            return Verdict(advisory.code, Outcome.NOT_APPLICABLE, "no such order drafted; the medication list is not whole", (scene.gap("medications"),))
        return Verdict(advisory.code, Outcome.NOT_APPLICABLE, "no such order")
    return _merged(advisory, [_judge_one(ready, scene, order, match, interpreted=interpreted) for order, match in pairs])


def _judge_one(ready: Ready, scene: Scene, order: Order | None, match: Truth, *, interpreted: bool) -> Verdict:
    advisory = ready.advisory

    def truth(compiled: Compiled) -> Truth:
        return evaluate(compiled.node, scene, order).truth if interpreted else compiled.truth(scene, order)

    if ready.quiet is not None and truth(ready.quiet) is TRUE:
        return Verdict(advisory.code, Outcome.NOT_MET, "quiet")
    if ready.satisfied is not None and truth(ready.satisfied) is TRUE:
        return Verdict(advisory.code, Outcome.ALREADY_SATISFIED, "another order does it")
    open_: list[tuple[Branch, Reason]] = []
    for branch, compiled in ready.branches:
        result = truth(compiled)
        if result is TRUE and (order is None or match is TRUE):
            reason = evaluate(branch.when, scene, order)
            finding = _finding(advisory, branch, reason, scene, order)
            gaps = tuple(gap for _, r in open_ for gap in deciding_gaps(r))
            return Verdict(advisory.code, Outcome.FIRED, branch.name, gaps, (finding,))
        if result is not FALSE:
            open_.append((branch, evaluate(branch.when, scene, order)))
    if not open_:
        return Verdict(advisory.code, Outcome.NOT_MET)
    found = {(gap.item, gap.state): gap for _, reason in open_ for gap in deciding_gaps(reason)}
    if order is not None and match is UNKNOWN:
        gap = Gap(f"route of {order.label}", GapState.NOT_SENT, f"{order.label}: the route is not stated")
        found.setdefault((gap.item, gap.state), gap)
    if found and all(gap.state is GapState.OUT_OF_SCOPE for gap in found.values()):
        return Verdict(advisory.code, Outcome.OUT_OF_SCOPE, "no figure for this age", tuple(found.values()))
    would_be = max((branch.indicator for branch, _ in open_), key=rank)
    states = ",".join(dict.fromkeys(gap.state.value for gap in found.values()))
    return Verdict(advisory.code, Outcome.UNKNOWN, states, tuple(found.values()), would_be=would_be, reason=open_[0][1])


_STRENGTH = (Outcome.FIRED, Outcome.UNKNOWN, Outcome.OUT_OF_SCOPE, Outcome.ALREADY_SATISFIED, Outcome.NOT_MET)


def _merged(advisory: Advisory, verdicts: Sequence[Verdict]) -> Verdict:
    """One verdict for a code judged over several orders: the strongest outcome, with every finding and every gap."""
    if len(verdicts) == 1:
        return verdicts[0]
    strongest = min(verdicts, key=lambda v: _STRENGTH.index(v.outcome))
    gaps = {(gap.item, gap.state): gap for v in verdicts for gap in v.gaps}
    findings = tuple(finding for v in verdicts for finding in v.findings)
    open_ = [v.would_be for v in verdicts if v.would_be]
    return replace(strongest, gaps=tuple(gaps.values()), findings=findings, would_be=max(open_, key=rank, default=""))


def _finding(advisory: Advisory, branch: Branch, reason: Reason, scene: Scene, order: Order | None) -> Finding:
    facts = {name: fact_of(scene.number(expression, order), scene) for name, expression in branch.words.facts.items()}
    facts |= _row_facts(advisory, scene, order)
    seen = leaves_seen(reason)
    orders = (order.ref,) if order is not None else tuple(dict.fromkeys(s.ref for s in seen if s.kind == "order"))
    return Finding(
        advisory.code, branch, branch.indicator, advisory.problem, None if order is None else order.ref, orders, reason, facts,
        fingerprint(advisory.code, branch.name, seen, scene, order),
    )  # fmt: skip


def _row_facts(advisory: Advisory, scene: Scene, order: Order | None) -> dict[str, Fact]:
    """The words of the drug table's row for the order in hand."""
    if not advisory.table or order is None:
        return {}
    row = next((row for row in scene.p.table(advisory.table) if row.get("drug") in order.drugs), {})
    return {column: Fact(text or "none named") for column, text in row.items() if isinstance(text, str)}


def fact_of(number: object, scene: Scene) -> Fact:
    """A number as a card shows it, with its age; a gap shows as what it is."""
    if isinstance(number, Missing):
        gap = number.gaps[0]
        return Fact("not known", gap.detail, seen=number.seen)
    candidate = number.candidates[0]  # type: ignore[attr-defined]
    seen: Seen = candidate.seen
    return Fact(seen.text, age_in_words(seen, scene.chart.now), candidate.value, candidate.unit, (seen,))


def age_in_words(seen: Seen, now: int) -> str:
    """ "40 min ago"; "" for what has no time."""
    if seen.at is None:
        return ""
    minutes = max(0, (now - seen.at.latest) // MINUTE)
    text = f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago"
    return text if seen.at.exact else f"{text} ({seen.at.mark or 'time not exact'})"


def fingerprint(code: str, branch: str, seen: Iterable[Seen], scene: Scene, order: Order | None) -> str:
    """Names the deciding inputs, so that an override counts only for the same ones (N-08). Time alone never changes it."""
    parts = [code, branch]
    parts += sorted(f"{s.kind}|{s.item}|{s.ref}|{s.text if s.kind in ('result', 'condition') else ''}" for s in seen)
    if order is not None:
        parts.append(repr(order.ref))
        parts.append(repr(order.dosages))
        parts.append(repr(order.ingredients))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


# Who speaks --------------------------------------------------------------------------------------------------------------------------


def _conclude(
    verdicts: dict[str, Verdict], scene: Scene, population: Population, memory: Memory, *, known: bool, neonate: bool
) -> Assessment:
    advisories = {ready.advisory.code: ready.advisory for ready in population.ready}
    fired = [finding for verdict in verdicts.values() if verdict.outcome is Outcome.FIRED for finding in verdict.findings]
    speaking = []
    lines = []
    for finding in fired:
        how = speaks(finding, advisories[finding.code], scene)
        if how == "card":
            speaking.append(finding)
        elif how == "line":
            lines.append(finding)
    for finding in fired:
        if finding not in speaking and finding not in lines:
            verdict = verdicts[finding.code]
            if not any(f in speaking or f in lines for f in verdict.findings):
                verdicts[finding.code] = replace(verdict, outcome=Outcome.NOT_APPLICABLE, why="this hook")
    speaking = _lower(speaking, fired, advisories)
    kept, absorbed = _absorb(speaking, lines, advisories)
    for finding, by in absorbed:
        if not any(f.code == finding.code for f in kept):
            verdicts[finding.code] = replace(verdicts[finding.code], outcome=Outcome.ABSORBED, why=by.code)
    lines = [f for f in lines if not any(a.code == f.code and a.order == f.order for a, _ in absorbed)]
    kept, held = _hold_back(kept, advisories, memory, scene)
    for finding in held:
        if not any(f.code == finding.code for f in kept):
            verdicts[finding.code] = replace(verdicts[finding.code], outcome=Outcome.HELD_BACK, why="overridden on the same inputs")
    groups = _grouped(kept, absorbed, advisories)
    groups, folded = _capped(groups, lines, population.p)
    for finding in folded:
        if not any(f.code == finding.code for g in groups for f in (g.lead, *g.others)):
            verdicts[finding.code] = replace(verdicts[finding.code], outcome=Outcome.FOLDED, why="further points")
    return Assessment(
        tuple(verdicts.values()), tuple(groups), tuple(folded), population.name, known, neonate, scene.chart.hook, scene.chart.now
    )  # fmt: skip


def speaks(finding: Finding, advisory: Advisory, scene: Scene) -> str:
    """ "card", "line" (of another card or of the further points) or "" at this hook (MET 1.7, Q-M01 to Q-M03, O-N01, N-10)."""
    hook = scene.chart.hook
    if hook not in advisory.hooks:
        return ""
    if hook not in ORDER_HOOKS:
        return "card"
    about_draft = _about_draft(finding, scene)
    if advisory.kind == "order" and about_draft:
        return "line" if finding.indicator == "info" else "card"
    if finding.indicator in advisory.always:
        if advisory.always_when is None or evaluate(advisory.always_when, scene).truth is not FALSE:
            return "card"
    if not _touched(advisory, scene):
        return ""
    return "card" if finding.indicator in advisory.touched else "line"


def _about_draft(finding: Finding, scene: Scene) -> bool:
    drafted = {order.ref: order for order in scene.orders.drafts}
    for ref in finding.orders:
        if ref in drafted and (scene.chart.hook != "order-select" or drafted[ref].selected):
            return True
    return False


def _touched(advisory: Advisory, scene: Scene) -> bool:
    from cds.logic.evaluate import order_is_of

    pool = (*scene.orders.drafts, *scene.orders.stopping)
    return bool(advisory.touches) and any(order_is_of(order, advisory.touches) for order in pool)


def _matches(row: Precedence, finding: Finding, other: Finding) -> bool:
    if row.code != other.code or finding.indicator not in row.at:
        return False
    if row.branches and finding.branch.name not in row.branches:
        return False
    if row.other_branches and other.branch.name not in row.other_branches:
        return False
    return row.scope == "patient" or (finding.order is not None and (finding.order == other.order or finding.order in other.orders))


def _lower(speaking: list[Finding], fired: list[Finding], advisories: Mapping[str, Advisory]) -> list[Finding]:
    made = []
    for finding in speaking:
        for other in fired:
            for row in advisories[other.code].precedence:
                if row.how == "lowers" and _matches(row, other, finding) and finding.indicator == "critical":
                    finding = replace(finding, indicator=lowered(finding.indicator), lowered_by=other.code)
        made.append(finding)
    return made


def _absorb(
    speaking: list[Finding], lines: list[Finding], advisories: Mapping[str, Advisory]
) -> tuple[list[Finding], list[tuple[Finding, Finding]]]:
    gone: list[tuple[Finding, Finding]] = []
    for finding in (*speaking, *lines):
        for other in speaking:
            if other is not finding and any(
                row.how != "lowers" and _matches(row, other, finding) for row in advisories[other.code].precedence
            ):
                gone.append((finding, other))
                break
    lost = [id(finding) for finding, _ in gone]
    return [finding for finding in speaking if id(finding) not in lost], gone


def _hold_back(
    kept: list[Finding], advisories: Mapping[str, Advisory], memory: Memory, scene: Scene
) -> tuple[list[Finding], list[Finding]]:
    """An override holds a finding back only with the same deciding inputs, and for no longer than its time (C-05, N-08)."""
    if not memory.overrides:
        return kept, []
    held = [finding for finding in kept if _held(finding, advisories[finding.code], memory, scene)]
    return [finding for finding in kept if finding not in held], held


def _held(finding: Finding, advisory: Advisory, memory: Memory, scene: Scene) -> bool:
    for override in memory.overrides:
        if override.code != finding.code or override.inputs != finding.inputs or rank(override.indicator) < rank(finding.indicator):
            continue
        limit = advisory.refire_minutes
        if finding.indicator != "critical" or limit is None:
            limit = scene.p[f"refire_{finding.indicator}"]
        if isinstance(limit, Absent):
            continue
        if finding.indicator == "info" or scene.chart.now - override.at < int(limit.number * MINUTE):
            return True
    return False


def _grouped(kept: list[Finding], absorbed: list[tuple[Finding, Finding]], advisories: Mapping[str, Advisory]) -> list[Group]:
    order = {code: place for place, code in enumerate(advisories)}
    by_problem: dict[str, list[Finding]] = {}
    for finding in kept:
        by_problem.setdefault(finding.problem, []).append(finding)
    groups = []
    for problem, findings in by_problem.items():
        ranked = sorted(findings, key=lambda f: (-rank(f.indicator), advisories[f.code].speak_order, order[f.code], f.order or ""))
        unique: dict[str, Finding] = {}
        for finding in ranked:
            if finding.code not in unique:
                unique[finding.code] = finding
            else:
                first = unique[finding.code]
                unique[finding.code] = replace(first, orders=tuple(dict.fromkeys((*first.orders, *finding.orders))))
        lead, *others = unique.values()
        taken = [
            f for f, by in absorbed
            if by.problem == problem and f.code not in unique and _line_of(by, f, advisories)
        ]  # fmt: skip
        once = {f.code: f for f in taken}
        groups.append(Group(problem, lead, tuple(others), tuple(once.values())))
    return sorted(groups, key=lambda g: (-rank(g.indicator), advisories[g.lead.code].speak_order, order[g.lead.code]))


def _line_of(by: Finding, finding: Finding, advisories: Mapping[str, Advisory]) -> bool:
    return any(row.how == "absorbs" and _matches(row, by, finding) for row in advisories[by.code].precedence)


def _capped(groups: list[Group], lines: list[Finding], p: ParameterSet) -> tuple[list[Group], list[Finding]]:
    """Every critical card is returned; what is beyond the cap goes into one further-points card, each with its own indicator (N-09, R-n3)."""
    cap = p.number("card_cap")
    shown: list[Group] = []
    folded: list[Finding] = []
    for group in groups:
        if group.indicator == "critical" or len(shown) < cap:
            shown.append(group)
        else:
            folded += [group.lead, *group.others]
    on_cards = {f.code for g in shown for f in (g.lead, *g.others, *g.absorbed)}
    folded += [f for f in lines if f.code not in on_cards]
    unique = {f.code: f for f in reversed(folded)}
    return shown, list(reversed(unique.values()))


def parameter(population: Population, key: str) -> Parameter | None:
    """A parameter of a population; None where the knowledge has no figure for it."""
    found = population.p.get(key)
    return found if isinstance(found, Parameter) else None
