"""Suggestions, each judged before it is offered: a corrected order must not raise a danger of its own.

Topics say what they propose (`Proposal`); here a proposal becomes a typed change of the order list, is judged by `assess` on the chart with that change, and is
dropped, with its reason, when a finding is new or worse. The FHIR form is written by the cards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, Decimal

from cds.advisory import Amend, Assessment, Finding, Give, Measure, OneOf, Outcome, Proposal, Withdraw, rank
from cds.assess import Knowledge, Population, assess
from cds.chart import NO_MEMORY, Chart, Dosage, Ingredient, Order
from cds.chart import Measure as Stated
from cds.logic.criteria import Total
from cds.logic.reason import GapState
from cds.logic.scene import Number, Scene
from cds.numbers import point, shown
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES, DRUGS

MOST = 6


@dataclass(frozen=True, slots=True)
class Change:
    """One offered change. `kind`: "test" (measure an analyte), "new order", "amend" or "withdraw" a draft, "stop" a running order.

    `order` is the order as it would be (new order, amend); `target` the reference of the order that is changed.
    """

    kind: str
    label: str
    code: str
    target: str = ""
    order: Order | None = None
    analyte: str = ""
    urgent: bool = True
    recommended: bool = False
    rate_ml_h: Decimal | None = None
    diluent: str = ""


@dataclass(frozen=True, slots=True)
class Dropped:
    """A proposal that was not offered, and why."""

    label: str
    code: str
    reason: str


@dataclass(frozen=True, slots=True)
class Offers:
    """What is offered on each problem's card, and what was dropped. `tests_ordered` are the analytes that a draft of this call measures already."""

    by_problem: dict[str, tuple[Change, ...]]
    dropped: tuple[Dropped, ...] = ()
    tests_ordered: tuple[str, ...] = ()


def offers(chart: Chart, assessment: Assessment, knowledge: Knowledge, *, tests_ordered: Sequence[str] = ()) -> Offers:
    """The changes to offer for an assessment; at most six are judged in a call, in the order of the cards."""
    population = knowledge.population(assessment.population)
    scene = assessment.scene or population.scene(chart)
    made: dict[str, tuple[Change, ...]] = {}
    dropped: list[Dropped] = []
    judged = 0
    for group in assessment.groups:
        kept: dict[tuple[str, str, str], Change] = {}
        for finding in group.findings:
            for proposal in finding.branch.proposals:
                try:
                    change = _change(proposal, finding, scene, tests_ordered)
                    if change is None:
                        continue
                    key = (change.kind, change.target, change.analyte or change.label)
                    if key in kept:
                        continue
                    if change.order is not None:
                        if judged == MOST:
                            dropped.append(Dropped(change.label, finding.code, "not judged: too many suggestions in one call"))
                            continue
                        judged += 1
                        reason = _objection(change, change.order, chart, assessment, knowledge, population)
                        if reason:
                            dropped.append(Dropped(change.label, finding.code, reason))
                            continue
                except Exception as error:
                    # A suggestion that breaks is not offered; the card stands (HZ-32).
                    dropped.append(Dropped(getattr(proposal, "label", "a test"), finding.code, f"could not be worked out ({type(error).__name__})"))
                    continue
                kept[key] = change
        made[group.problem] = tuple(kept.values())
    return Offers(made, tuple(dropped), tuple(tests_ordered))


def _not_for_want_of_measuring(analyte: str, finding: Finding) -> bool:
    """Whether the finding stands because a result was not sent, not fetched or not usable: measuring again would not mend that, and the card names it (F-9)."""
    return any(
        gap.item == analyte and gap.state not in (GapState.NOT_MEASURED, GapState.STALE) for leaf in finding.why.leaves for gap in leaf.gaps
    )


def _change(proposal: Proposal, finding: Finding, scene: Scene, tests_ordered: Sequence[str]) -> Change | None:
    match proposal:
        case Measure(analyte, why, urgent, unless_within):
            if analyte in tests_ordered or _not_for_want_of_measuring(analyte, finding):
                return None
            if isinstance(unless_within, Parameter) and isinstance(scene.latest(analyte, unless_within.number), Number):
                return None
            return Change("test", f"Measure {ANALYTES[analyte].label} now" if not why else why, finding.code, analyte=analyte, urgent=urgent)
        case Withdraw(label, recommended):
            return _withdrawn(label, recommended, finding, scene)
        case Give():
            return _given(proposal, finding)
        case OneOf():
            return None
        case Amend():
            return _amended(proposal, finding, scene)


def _withdrawn(label: str, recommended: bool, finding: Finding, scene: Scene) -> Change | None:
    order = _target(finding, scene)
    if order is None:
        return None
    life_saving = any(not DRUGS[d].classes.isdisjoint(_NEVER_RECOMMENDED) for d in order.drugs)
    kind = "withdraw" if order.drafted else "stop"
    return Change(kind, label, finding.code, order.ref, recommended=recommended and not life_saving)


_NEVER_RECOMMENDED = frozenset(
    {"insulin", "anti_seizure", "benzodiazepine", "antibacterial", "glucose_fluid", "glucagon", "calcium_salt", "magnesium_sulfate"}
)


def _target(finding: Finding, scene: Scene) -> Order | None:
    """The order in hand; for a finding about several orders the first drafted one."""
    if finding.why.order is not None:
        return finding.why.order
    pool = {order.ref: order for order in (*scene.orders.running, *scene.orders.listed, *scene.orders.drafts)}
    found = [pool[ref] for ref in finding.orders if ref in pool]
    return next((order for order in found if order.drafted), found[0] if found else None)


def _given(proposal: Give, finding: Finding) -> Change | None:
    amount, volume, hours = proposal.amount, proposal.volume_ml, proposal.hours
    if not (isinstance(amount, Parameter) and isinstance(volume, Parameter) and isinstance(hours, Parameter)):
        return None
    rate = volume.number / hours.number
    ml = point(volume.number)
    order = Order(
        ref=f"MedicationRequest/proposed-{finding.code}",
        drafted=True,
        status="draft",
        intent="proposal",
        label=proposal.label,
        drugs=(proposal.drug,),
        ingredients=(
            Ingredient(
                proposal.drug, DRUGS[proposal.drug].label, True,
                Stated(point(amount.number), proposal.amount_unit, f"{shown(amount.number)} {proposal.amount_unit}"),
                Stated(ml, "mL", f"{shown(volume.number)} mL"),
            ),
            # The bag's volume stands on both sides, so that a reader cannot take it for a strength.
            Ingredient(
                proposal.diluent, DRUGS[proposal.diluent].label, False,
                Stated(ml, "mL", f"{shown(volume.number)} mL"), Stated(ml, "mL", f"{shown(volume.number)} mL"),
            ),
        ),
        dosages=(
            Dosage(
                text=proposal.label, route=proposal.route, route_stated=True,
                dose=Stated(ml, "mL", f"{shown(volume.number)} mL"),
                rate=Stated(point(rate), "mL/h", f"{shown(rate)} mL/h"),
            ),
        ),
        path="proposed",
    )  # fmt: skip
    return Change("new order", proposal.label, finding.code, order=order, rate_ml_h=rate)


def _amended(proposal: Amend, finding: Finding, scene: Scene) -> Change | None:
    order = _target(finding, scene)
    if order is None or not order.drafted:
        return None
    if proposal.diluent:
        label = DRUGS[proposal.diluent].label
        ingredients = tuple(
            i if i.active and not _is_diluent(i) else replace(i, drug=proposal.diluent, label=label, codes=())
            for i in order.ingredients
        )
        if all(i.active for i in ingredients):
            return None
        dosages = tuple(replace(d, diluents_in_text=()) for d in order.dosages)
        return Change("amend", proposal.label, finding.code, order.ref, replace(order, ingredients=ingredients, dosages=dosages), diluent=proposal.diluent)
    if proposal.per_hour is None or not isinstance(proposal.per_hour, Parameter):
        return None
    return _slowed(proposal, proposal.per_hour, order, finding, scene)


def _is_diluent(ingredient: Ingredient) -> bool:
    if ingredient.drug is None:
        return False
    return not DRUGS[ingredient.drug].classes.isdisjoint({"glucose_fluid", "saline", "balanced_crystalloid", "crystalloid", "water"})


def _slowed(proposal: Amend, limit: Parameter, order: Order, finding: Finding, scene: Scene) -> Change | None:
    """The draft at a rate that brings the sum of the substance down to the limit; None when even stopping it would not, or a number is missing."""
    if len(order.dosages) != 1:
        return None
    dose = scene.reading(order).substance(proposal.substance)
    rate = scene.reading(order).rate_ml_h
    sum_ = scene.number(Total(proposal.substance))
    if dose is None or dose.per_hour is None or dose.per_hour.exact is None or rate is None or rate.exact is None:
        return None
    if not isinstance(sum_, Number) or sum_.candidates[0].value.high is None:
        return None
    own = dose.per_hour.exact
    allowed = limit.number - (sum_.candidates[0].value.high - own)
    if allowed <= 0 or own <= 0:
        return None
    slower = (rate.exact * allowed / own).quantize(Decimal(1), rounding=ROUND_DOWN)
    if slower <= 0 or slower >= rate.exact:
        return None
    text = f"{shown(slower)} mL/h"
    dosages = tuple(replace(d, rate=Stated(point(slower), "mL/h", text), rate_per=None, duration_minutes=None) for d in order.dosages)
    label = f"{proposal.label}: {text}"
    return Change("amend", label, finding.code, order.ref, replace(order, dosages=dosages), rate_ml_h=slower)


def _objection(change: Change, order: Order, chart: Chart, before: Assessment, knowledge: Knowledge, population: Population) -> str:
    """Why a change may not be offered: the first finding that would be new or worse with it. "" when there is none."""
    others = tuple(each for each in chart.orders if not (each.drafted and each.ref == order.ref))
    only = frozenset(ready.advisory.code for ready in population.ready if _concerns(ready.advisory.trigger.clauses, order))
    if not only:
        return ""
    after = assess(replace(chart, orders=(*others, order)), NO_MEMORY, knowledge, only=only, like=before.scene)
    worst: dict[tuple[str, str | None], int] = {}
    for verdict in before.verdicts:
        for finding in verdict.findings:
            key = (finding.code, finding.order)
            worst[key] = max(worst.get(key, 0), rank(finding.indicator))
    for verdict in after.verdicts:
        for finding in verdict.findings:
            if rank(finding.indicator) > worst.get((finding.code, finding.order), 0):
                return f"it would raise '{finding.code}' ({finding.indicator})"
        if verdict.outcome is Outcome.UNKNOWN and before.verdict(verdict.code).outcome is not Outcome.UNKNOWN and order.ref in verdict.orders:
            return f"'{verdict.code}' could not be judged with it"
    return ""


def _concerns(clauses: Sequence[Sequence[str]], order: Order) -> bool:
    """Whether a drug of the order may set an advisory's trigger off."""
    words = {"*", *order.drugs, *(name for drug in order.drugs for name in DRUGS[drug].classes)}
    names = {f"{place}:{word}" for place in ("drafted", "running", "listed") for word in words}
    return any(not names.isdisjoint(clause) for clause in clauses)


__all__ = ["Change", "Dropped", "Offers", "offers"]
