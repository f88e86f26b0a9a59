"""Suggestions, each judged before it is offered: a corrected order must not raise a danger of its own.

Topics say what they propose (`Proposal`); here a proposal becomes a typed change of the order list, is judged by `assess` on the chart with that change, and is
dropped, with its reason, when a finding is new or worse. The FHIR form is written by the cards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, Decimal

from cds.advisory import Advisory, Amend, Assessment, Finding, Give, Measure, OneOf, Outcome, Proposal, Withdraw, rank
from cds.assess import Knowledge, Population, assess
from cds.chart import NO_MEMORY, Chart, Ingredient, Order
from cds.chart import Measure as Stated
from cds.logic.criteria import Total
from cds.logic.reason import GapState
from cds.logic.scene import Number, Scene
from cds.numbers import point, shown
from cds.parameters import Parameter
from cds.proposed import Unfit, amended, given
from cds.vocabulary import ANALYTES, DRUGS

MOST = 6
MOST_TRIED = 12
TOO_MANY = "not judged: too many suggestions in one call"
ORDERED = "ordered already"
NONE_LEFT = "none of the alternatives passed; choose by local protocol"


@dataclass(frozen=True, slots=True)
class Change:
    """One offered change. `kind`: "test" (measure an analyte), "new order", "amend" or "withdraw" a draft, "stop" a running order.

    `order` is the order as it would be (new order, amend); `target` the reference of the order that is changed. Of an amended draft `dose`, `minutes`,
    `times_a_day`, `rate_ml_h` and `diluent` are what is set; what is None or "" stays as it was received.
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
    dose: Stated | None = None
    minutes: Decimal | None = None
    times_a_day: Decimal | None = None


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
    """The changes to offer for an assessment; at most six suggestions are judged in a call, in the order of the cards. Of alternatives the first that
    raises nothing is offered (they count as one suggestion); those before it are among the dropped."""
    judging = _Judging(chart, assessment, knowledge, tests_ordered)
    made: dict[str, tuple[Change, ...]] = {}
    for group in assessment.groups:
        kept: dict[tuple[str, str, str], Change] = {}
        for finding in group.findings:
            for proposal in finding.branch.proposals:
                judging.keep(proposal, finding, kept)
        made[group.problem] = tuple(kept.values())
    # Two orders of one finding may drop the same proposal for the same reason.
    return Offers(made, tuple(dict.fromkeys(judging.dropped)), tuple(tests_ordered))


class _Judging:
    """One call's proposals: what was dropped, and how much was judged already."""

    __slots__ = ("_before", "_chart", "_judged", "_knowledge", "_population", "_scene", "_tests_ordered", "_tried", "dropped")

    def __init__(self, chart: Chart, assessment: Assessment, knowledge: Knowledge, tests_ordered: Sequence[str]) -> None:
        self._chart, self._before, self._knowledge, self._tests_ordered = chart, assessment, knowledge, tests_ordered
        self._population = knowledge.population(assessment.population)
        self._scene = assessment.scene or self._population.scene(chart)
        self._judged = self._tried = 0
        self.dropped: list[Dropped] = []

    def keep(self, proposal: Proposal, finding: Finding, kept: dict[tuple[str, str, str], Change]) -> None:
        """Judge a proposal, or alternatives until one passes, and put what may be offered with the others of its card."""
        choices: tuple[Proposal, ...] = proposal.choices if isinstance(proposal, OneOf) else (proposal,)
        counted, told = False, len(self.dropped)
        for choice in choices:
            if isinstance(proposal, OneOf) and isinstance(choice, Give) and choice.drug in self._ordered():
                # Another medicine is wanted: not the one in hand, nor one that runs.
                self._drop(choice, finding, ORDERED)
                continue
            try:
                found = _change(choice, finding, self._scene, self._tests_ordered)
                if isinstance(found, Unfit):
                    self._drop(choice, finding, found.reason)
                    continue
                if found is None:
                    continue
                key = (found.kind, found.target, found.analyte or found.label)
                if key in kept:
                    return
                if found.order is not None:
                    if self._tried == MOST_TRIED or (self._judged == MOST and not counted):
                        self.dropped.append(Dropped(found.label, finding.code, TOO_MANY))
                        return
                    self._judged += not counted
                    self._tried += 1
                    counted = True
                    reason = _objection(found, found.order, self._chart, self._before, self._knowledge, self._population)
                    if reason:
                        self.dropped.append(Dropped(found.label, finding.code, reason))
                        continue
            except Exception as error:
                # A suggestion that breaks is not offered; the card stands (HZ-32).
                self._drop(choice, finding, f"could not be worked out ({type(error).__name__})")
                continue
            kept[key] = found
            return
        if isinstance(proposal, OneOf) and len(self.dropped) > told:
            self._drop(proposal, finding, NONE_LEFT)

    def _ordered(self) -> frozenset[str]:
        """The drugs that would run if the drafts were signed; home medicines are not among them."""
        return frozenset(drug for order in self._scene.orders.if_signed for drug in order.drugs)

    def _drop(self, proposal: Proposal, finding: Finding, reason: str) -> None:
        if reason:
            self.dropped.append(Dropped(getattr(proposal, "label", "a test"), finding.code, reason))


def _not_for_want_of_measuring(analyte: str, finding: Finding) -> bool:
    """Whether the finding stands because a result was not sent, not fetched or not usable: measuring again would not mend that, and the card names it (F-9)."""
    return any(
        gap.item == analyte and gap.state not in (GapState.NOT_MEASURED, GapState.STALE) for leaf in finding.why.leaves for gap in leaf.gaps
    )


def _change(proposal: Proposal, finding: Finding, scene: Scene, tests_ordered: Sequence[str]) -> Change | Unfit | None:
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
            return _given(proposal, finding, scene)
        case OneOf():
            raise TypeError("alternatives are judged one by one")
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


def _given(proposal: Give, finding: Finding, scene: Scene) -> Change | Unfit:
    made = given(proposal, finding.code, scene, finding.why.order)
    if isinstance(made, Unfit):
        return made
    return Change("new order", made.label, finding.code, order=made.order, rate_ml_h=made.rate_ml_h)


def _amended(proposal: Amend, finding: Finding, scene: Scene) -> Change | Unfit | None:
    order = _target(finding, scene)
    if order is None or not order.drafted:
        return None
    if proposal.dose is not None or proposal.minutes is not None or proposal.times_a_day is not None:
        made = amended(proposal, scene, order)
        if isinstance(made, Unfit):
            return made
        return Change(
            "amend", made.label, finding.code, order.ref, made.order, dose=made.dose, minutes=made.minutes, times_a_day=made.times_a_day,
        )  # fmt: skip
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
    if change.kind == "amend" and (forbids := _taken_out_by(change, before)):
        return f"the order is to be taken out: '{forbids}'"
    others = tuple(each for each in chart.orders if not (each.drafted and each.ref == order.ref))
    words = frozenset(("*", *order.drugs, *(name for drug in order.drugs for name in DRUGS[drug].classes)))
    names = frozenset(f"{place}:{word}" for place in ("drafted", "running", "listed") for word in words)
    only = frozenset(ready.advisory.code for ready in population.ready if _concerns(ready.advisory, words, names))
    if not only:
        return ""
    after = assess(replace(chart, orders=(*others, order)), NO_MEMORY, knowledge, only=only, like=before.scene, told=False)
    worst: dict[tuple[str, str | None], int] = {}
    for verdict in before.verdicts:
        for finding in verdict.findings:
            key = (finding.code, finding.order)
            worst[key] = max(worst.get(key, 0), rank(finding.indicator))
    for verdict in after.verdicts:
        for finding in verdict.findings:
            # Its own code may not come back even as info: an alternative that the culture did not test is none.
            least = -1 if finding.code == change.code else 0
            if rank(finding.indicator) > worst.get((finding.code, finding.order), least):
                return f"it would raise '{finding.code}' ({finding.indicator})"
        if verdict.outcome is Outcome.UNKNOWN and order.ref in verdict.orders:
            known = before.verdict(verdict.code)
            # What could not be judged of this very draft before is no worse now; of another order it says nothing.
            if known.outcome is not Outcome.UNKNOWN or order.ref not in known.orders:
                return f"'{verdict.code}' could not be judged with it"
    return ""


def _taken_out_by(change: Change, before: Assessment) -> str:
    """The code of another critical finding that takes the amended order out: no slower and no smaller form of it is an answer. "" when there is none."""
    for verdict in before.verdicts:
        for finding in verdict.findings:
            forbids = finding.indicator == "critical" and any(isinstance(each, Withdraw) for each in finding.branch.proposals)
            if forbids and finding.code != change.code and finding.order == change.target:
                return finding.code
    return ""


def _concerns(advisory: Advisory, words: frozenset[str], names: frozenset[str]) -> bool:
    """Whether a drug of the order may set an advisory off: by its trigger, or because it is asked about such orders whatever its trigger names. `words` are the
    drugs and classes of the order, `names` the features that it may set."""
    if advisory.over is not None and not words.isdisjoint(advisory.over.classes):
        return True
    return any(not names.isdisjoint(clause) for clause in advisory.trigger.clauses)


__all__ = ["Change", "Dropped", "Offers", "offers"]
