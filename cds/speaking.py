"""Who may speak: at this hook, over whom, for how long, and on which card (MET 1.7, Q-M01 to Q-M03, O-N01, C-05, N-08 to N-10)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from msgspec import structs

from cds.advisory import Advisory, Assessment, Finding, Group, Outcome, Precedence, Verdict, lowered, rank
from cds.chart import MINUTE, Memory
from cds.knowledge import Population, Ready
from cds.logic.evaluate import order_is_of
from cds.logic.scene import Scene
from cds.logic.truth import FALSE
from cds.parameters import Absent, ParameterSet

ORDER_HOOKS = ("order-select", "order-sign")
Taken = list[tuple[Finding, Finding]]


def conclude(
    verdicts: dict[str, Verdict], scene: Scene, population: Population, memory: Memory, *, known: bool, neonate: bool
) -> Assessment:
    """From what fired to what is said. A code that fired and is on no card leaves a verdict that says why."""
    fired = [finding for verdict in verdicts.values() if verdict.outcome is Outcome.FIRED for finding in verdict.findings]
    speaking: list[Finding] = []
    lines: list[Finding] = []
    for finding in fired:
        how = speaks(finding, population.by_code[finding.code], scene)
        if how:
            (speaking if how == "card" else lines).append(finding)
    speaking = _lower(speaking, fired, population)
    kept, taken = _absorb(speaking, lines, population)
    gone = {id(finding) for finding, _ in taken}
    lines = [finding for finding in lines if id(finding) not in gone]
    held = [finding for finding in (*kept, *lines) if memory.overrides and _held(finding, population, memory, scene)]
    quiet = {id(finding) for finding in held}
    kept = [finding for finding in kept if id(finding) not in quiet]
    lines = [finding for finding in lines if id(finding) not in quiet]
    groups, folded = _capped(_grouped(kept, taken, population), lines, population.p)
    _record(verdicts, fired, groups, folded, taken, held)
    return Assessment(
        tuple(verdicts.values()), tuple(groups), tuple(folded), population.name, known, neonate, scene.chart.hook, scene.chart.now, scene
    )  # fmt: skip


def _record(
    verdicts: dict[str, Verdict], fired: Iterable[Finding], groups: Iterable[Group], folded: Iterable[Finding], taken: Taken, held: Iterable[Finding]
) -> None:
    """What became of each code that fired, best first: on a card, folded, said by another, held back, not for this hook."""
    became: dict[str, tuple[Outcome, str]] = {f.code: (Outcome.NOT_APPLICABLE, "this hook") for f in fired}
    became |= {f.code: (Outcome.HELD_BACK, "overridden on the same inputs") for f in held}
    became |= {f.code: (Outcome.ABSORBED, by.code) for f, by in reversed(taken)}
    became |= {f.code: (Outcome.FOLDED, "further points") for f in folded}
    for group in groups:
        for finding in (group.lead, *group.others):
            became.pop(finding.code, None)
    for code, (outcome, why) in became.items():
        verdicts[code] = structs.replace(verdicts[code], outcome=outcome, why=why)


def speaks(finding: Finding, ready: Ready, scene: Scene) -> str:
    """ "card", "line" (of another card or of the further points) or "" at this hook."""
    hook, advisory = scene.chart.hook, ready.advisory
    if hook not in advisory.hooks:
        return ""
    if hook not in ORDER_HOOKS:
        return "card"
    if advisory.kind == "order" and in_hand(finding.orders, scene):
        return "line" if finding.indicator == "info" else "card"
    return would_speak(ready, finding.indicator, scene)


def would_speak(ready: Ready, indicator: str, scene: Scene) -> str:
    """As `speaks`, at an order hook, for what is not about the order in hand."""
    advisory = ready.advisory
    if indicator in advisory.always and (ready.always_when is None or ready.always_when.truth(scene, None) is not FALSE):
        return "card"
    if not touched(advisory, scene):
        return ""
    return "card" if indicator in advisory.touched else "line"


def in_hand(orders: Iterable[str], scene: Scene) -> bool:
    """Whether one of the orders is a draft of this call, or is stopped by one (at order-select: one that was just selected)."""
    pool = (*scene.orders.drafts, *scene.orders.stopping)
    drafts = {order.ref for order in pool if order.selected or scene.chart.hook != "order-select"}
    return any(ref in drafts for ref in orders)


def touched(advisory: Advisory, scene: Scene) -> bool:
    """Whether a draft, or the order that it stops, is for the same problem (Q-M01)."""
    pool = (*scene.orders.drafts, *scene.orders.stopping)
    return bool(advisory.touches) and any(order_is_of(order, advisory.touches) for order in pool)


# Precedence --------------------------------------------------------------------------------------------------------------------------


def _matches(row: Precedence, finding: Finding, other: Finding) -> bool:
    if row.code != other.code or finding.indicator not in row.at or other.indicator not in row.other_at:
        return False
    if row.branches and finding.branch.name not in row.branches:
        return False
    if row.other_branches and other.branch.name not in row.other_branches:
        return False
    return row.scope == "patient" or (finding.order is not None and (finding.order == other.order or finding.order in other.orders))


def _lower(speaking: list[Finding], fired: list[Finding], population: Population) -> list[Finding]:
    made = []
    for finding in speaking:
        for other in fired:
            for row in population.advisory(other.code).precedence:
                if row.how == "lowers" and finding.indicator == "critical" and _matches(row, other, finding):
                    finding = replace(finding, indicator=lowered(finding.indicator), lowered_by=other.code)
        made.append(finding)
    return made


def _absorb(speaking: list[Finding], lines: list[Finding], population: Population) -> tuple[list[Finding], Taken]:
    """Which findings another one takes over, with the one that does. One that is taken over still takes over what it would have; both end up with the last."""
    by: dict[int, Finding] = {}
    taken: list[Finding] = []
    for finding in (*speaking, *lines):
        for other in speaking:
            rows = population.advisory(other.code).precedence
            if other is not finding and any(row.how != "lowers" and _matches(row, other, finding) for row in rows):
                by[id(finding)] = other
                taken.append(finding)
                break
    made: Taken = []
    for finding in taken:
        last = by[id(finding)]
        while id(last) in by:
            last = by[id(last)]
        made.append((finding, last))
    return [finding for finding in speaking if id(finding) not in by], made


# Memory ------------------------------------------------------------------------------------------------------------------------------


def _held(finding: Finding, population: Population, memory: Memory, scene: Scene) -> bool:
    """An override holds a finding back only with the same deciding inputs, at no higher indicator, and for no longer than its time (C-05, N-08)."""
    for override in memory.overrides:
        if override.code != finding.code or rank(override.indicator) < rank(finding.indicator) or override.inputs != finding.inputs:
            continue
        limit = population.advisory(finding.code).refire_minutes
        if finding.indicator != "critical" or limit is None:
            limit = scene.p[f"refire_{finding.indicator}"]
        if isinstance(limit, Absent):
            continue
        if finding.indicator == "info" or 0 <= scene.chart.now - override.at < int(limit.number * MINUTE):
            return True
    return False


# Cards -------------------------------------------------------------------------------------------------------------------------------


def _grouped(kept: list[Finding], taken: Taken, population: Population) -> list[Group]:
    place = {code: number for number, code in enumerate(population.by_code)}

    def order(finding: Finding) -> tuple[int, int, int, str]:
        return (-rank(finding.indicator), population.advisory(finding.code).speak_order, place[finding.code], finding.order or "")

    by_problem: dict[str, list[Finding]] = {}
    for finding in sorted(kept, key=order):
        by_problem.setdefault(finding.problem, []).append(finding)
    groups = []
    for problem, findings in by_problem.items():
        first: dict[str, Finding] = {}
        more = [finding for finding in findings if first.setdefault(finding.code, finding) is not finding]
        lead, *others = first.values()
        mine = [f for f, by in taken if by.problem == problem and f.code not in first and _as_line(by, f, population)]
        absorbed = {f.code: f for f in reversed(mine)}
        groups.append(Group(problem, lead, tuple(others), tuple(reversed(absorbed.values())), tuple(more)))
    return sorted(groups, key=lambda group: order(group.lead))


def _as_line(by: Finding, finding: Finding, population: Population) -> bool:
    """Whether what was taken over is said as a line: silenced codes are recorded and not said."""
    return any(row.code == finding.code and row.how == "absorbs" for row in population.advisory(by.code).precedence)


def _capped(groups: list[Group], lines: list[Finding], p: ParameterSet) -> tuple[list[Group], list[Finding]]:
    """Every critical card is returned; what is beyond the cap goes into one further-points card, each with its own indicator (N-09, R-n3)."""
    cap = p.number("card_cap")
    shown: list[Group] = []
    folded: list[Finding] = []
    for group in groups:
        if group.indicator == "critical" or len(shown) < cap:
            shown.append(group)
        else:
            folded += [group.lead, *group.others, *group.more]
    on_cards = {f.code for g in shown for f in (g.lead, *g.others, *g.absorbed)}
    folded += [f for f in lines if f.code not in on_cards]
    return shown, folded
