"""Infection suspected or shown, and the early-warning score as far as it is known (D7). A score with gaps is a lower bound, and the gaps are named."""

from __future__ import annotations

from decimal import Decimal

from cds.chart import MINUTE
from cds.formulas import Score, constants, news2
from cds.formulas.monotone import NotComputable
from cds.logic.criteria import AtLeastValue, Criterion, Latest
from cds.logic.reason import Gap, GapState, Seen, may_exist
from cds.logic.scene import Missing, Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN
from cds.numbers import Interval, shown
from cds.orders.given import doses_given
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import if_known
from cds.vocabulary import DRUGS

SOURCE = "Royal College of Physicians 2017; NICE NG253; own rule D7"
INFECTED = (
    "infection", "sepsis", "septic_shock", "pneumonia", "urinary_tract_infection", "pyelonephritis", "cystitis", "catheter_associated_uti", "prostatitis", "abscess",
    "endocarditis", "bacteraemia", "meningitis", "encephalitis", "cns_infection", "ventilator_pneumonia",
)  # fmt: skip
_VITALS = ("respiratory_rate", "spo2", "systolic", "heart_rate", "temperature")
_SCORE = "early-warning score"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """The states about a suspected infection and the score, for one population."""
    return (
        StateDef("suspected infection", "an infection on record, or a culture taken and an antibacterial begun within a day", compute=_suspected, source=SOURCE),
        StateDef("score does not hold", "a child under 16 or a pregnancy, for whom the score was not made", compute=_not_held, source=SOURCE),
        StateDef("fever now", "a temperature of fever among the vital signs of now", _fever(p), source=SOURCE),
        StateDef("early warning 7", "a score of 7 or more, or so much of it as is known", compute=lambda scene: _reaches(scene, "news2_high"), source=SOURCE),
        StateDef("early warning 5", "a score of 5 or more, or so much of it as is known", compute=lambda scene: _reaches(scene, "news2_middle"), source=SOURCE),
        StateDef("early warning single 3", "one part of the score alone is 3", compute=lambda scene: _single(scene, with_alert=True), source=SOURCE),
        StateDef("early warning single 3 beside consciousness", "a part other than consciousness is 3", compute=lambda scene: _single(scene, with_alert=False), source=SOURCE),
    )  # fmt: skip


def _suspected(scene: Scene) -> StateValue:
    """An infection that stands, or a culture with an antibacterial of the same day. UNKNOWN only while a list that could show it was not sent."""
    for condition in scene.conditions(INFECTED):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", condition.concepts[0], condition.label, condition.ref, at=condition.onset or condition.recorded, path=condition.path),))
    window = scene.p["sepsis_infection_within"]
    floor = scene.now - int(window.number * MINUTE) if isinstance(window, Parameter) else scene.now
    cultured = [each for each in scene.chart.cultures if each.at is not None and each.at.latest >= floor]
    ordered = any(item.endswith("_culture") for each in scene.chart.investigations for item in each.items)
    begun = [
        order
        for order in (*scene.orders.drafts, *scene.orders.running, *(dose.order for dose in doses_given(scene.orders) if dose.at is not None and dose.at.latest >= floor))
        if any("antibacterial" in DRUGS[drug].classes for drug in order.drugs)
    ]
    if (cultured or ordered) and begun:
        return StateValue(TRUE, tuple(Seen("culture", each.kind, each.label, each.ref, at=each.at, path=each.path) for each in cultured))
    if not scene.whole("conditions"):
        return StateValue(UNKNOWN, gaps=lambda: (scene.gap("conditions"),))
    return StateValue(FALSE)


def _not_held(scene: Scene) -> StateValue:
    years = scene.chart.age_years()
    if scene.state("pregnant").truth is TRUE:
        return StateValue(TRUE, scene.state("pregnant").seen)
    return StateValue(TRUE if years is not None and years[1] < constants(scene.p).news2_from_years else FALSE)


def _fever(p: ParameterSet) -> Criterion:
    return if_known("temperature", p["vitals_age"], AtLeastValue(Latest("temperature", p["vitals_age"]), p["fever_from"]))


def score_of(scene: Scene) -> tuple[Score, tuple[Seen, ...], tuple[Gap, ...]] | None:
    """The score with what it rests on and what is missing of it; None where it does not hold (under 16 years, pregnancy, no age)."""
    years = scene.chart.age_years()
    fresh = scene.p["vitals_age"]
    if years is None or not isinstance(fresh, Parameter) or scene.state("pregnant").truth is TRUE:
        return None
    values: dict[str, Interval] = {}
    seen: list[Seen] = []
    gaps: list[Gap] = []

    def take(item: str, *, asked: bool = True) -> Interval | None:
        found = scene.latest(item, fresh.number)
        if isinstance(found, Missing):
            if asked:
                gaps.extend(found.gaps)
            return None
        seen.extend(found.seen)
        values[item] = found.candidates[0].value
        return values[item]

    vitals = {item: take(item) for item in _VITALS}
    c = constants(scene.p)
    flow, share = take("oxygen_flow", asked=False), take("inspired_oxygen", asked=False)
    oxygen: bool | None = None
    if flow is not None or share is not None:
        oxygen = (flow is not None and flow.above(Decimal(0)) is True) or (share is not None and share.above(c.room_air) is True)
    avpu, gcs = take("avpu", asked=False), take("gcs")
    alert = None if gcs is None else gcs.below(c.gcs_full) is False
    if avpu is not None and gcs is None:
        alert, gaps = avpu.below(c.gcs_full) is False, [gap for gap in gaps if gap.item != "gcs"]
    hypercapnic = any(condition.active for condition in scene.conditions(("hypercapnic_respiratory_failure",)))
    try:
        made = news2(
            respiratory_rate=vitals["respiratory_rate"], spo2=vitals["spo2"], on_oxygen=oxygen, systolic=vitals["systolic"], heart_rate=vitals["heart_rate"],
            alert=alert, temperature=vitals["temperature"], age=Interval(Decimal(years[0]), Decimal(years[1])), hypercapnic=hypercapnic, c=c,
        )  # fmt: skip
    except NotComputable:
        return None
    return made, tuple(seen), tuple(gaps)


def _reaches(scene: Scene, key: str) -> StateValue:
    """TRUE where what is known reaches the limit; with three or more parts missing, or one whose list was not read, it is not known whether it would."""
    limit, most = scene.p[key], scene.p["news2_most_missing"]
    if scene.chart.age_days() is None:
        # Not "not computed": an adult whose birth date was not sent may be as ill (HZ-07).
        return StateValue(UNKNOWN, gaps=(Gap("age", GapState.NOT_SENT, "age: not recorded"),))
    found = score_of(scene)
    if found is None or not isinstance(limit, Parameter) or not isinstance(most, Parameter):
        return StateValue(FALSE, note="not computed at this age or in pregnancy")
    score, seen, gaps = found
    told = (Seen("formula", _SCORE, _told(score), value=score.interval, unit="", parts=seen),)
    if score.at_least >= limit.number:
        return StateValue(TRUE, told)
    if score.at_most >= limit.number and (len(score.missing) >= most.number or any(may_exist(gap) for gap in gaps)):
        return StateValue(UNKNOWN, told, gaps)
    return StateValue(FALSE, told)


def _single(scene: Scene, *, with_alert: bool) -> StateValue:
    found = score_of(scene)
    three = constants(scene.p).news2_single
    if found is None:
        return StateValue(FALSE)
    score, seen, gaps = found
    alone = [name for name, low, _ in score.points if low >= three and (with_alert or name != "alert")]
    told = (Seen("formula", _SCORE, _told(score), value=score.interval, unit="", parts=seen),)
    unread = tuple(gap for gap in gaps if may_exist(gap) and (with_alert or gap.item != "gcs"))
    if unread and not alone:
        return StateValue(UNKNOWN, told, unread)
    return StateValue(TRUE if alone else FALSE, told, note=", ".join(alone))


def _told(score: Score) -> str:
    known = "" if not score.missing else f" ({len(score.missing)} parts not known: {', '.join(name.replace('_', ' ') for name in score.missing)})"
    return f"{'at least ' if score.missing else ''}{shown(Decimal(score.at_least))}{known}"
