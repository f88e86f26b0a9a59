"""Hyperglycaemic crisis: criteria met, over, and the context in which other rules are stricter (A1, A2, A13, 1.5, F-33)."""

from __future__ import annotations

from collections.abc import Sequence

from cds.chart import MINUTE, Moment, Order, Result
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeast,
    AtLeastValue,
    AtMostValue,
    Below,
    Criterion,
    Formula,
    HasCondition,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    State,
    StillIn,
)
from cds.logic.reason import Gap, Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN, all_of, any_of
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import either, falls_under, held, if_known, insulin_by_vein, measured, reaches, word
from cds.vocabulary import DRUGS

SOURCE = "Umpierrez 2024; JBDS-IP 02, 2023; JBDS 06; Kitabchi 2009; ISPAD 2022"


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about a hyperglycaemic crisis, for one population."""
    return (
        StateDef("glucose measured", "a glucose is current, or its list could not be read, or the last one was low", compute=_glucose_measured, source=SOURCE),
        StateDef("known diabetes", "diabetes on record, or a glucose-lowering medicine from before this episode", compute=_known_diabetes, source=SOURCE),
        StateDef("ketones or gas measured", "ketones, pH or bicarbonate are current, or their list could not be read", compute=_ketones_or_gas, source=SOURCE),
        StateDef("blood ketones measured", "blood ketones are current, or their list could not be read", compute=_blood_ketones, source=SOURCE),
        StateDef("ketoacidosis criteria met", "diabetes or a high glucose, with ketosis, with acidosis (A1)", _ketoacidosis(p), source=SOURCE),
        StateDef("hyperosmolar numbers met", "very high glucose and osmolality, any variant (A2, Q-M04)", _hyperosmolar_numbers(p), source=SOURCE),
        StateDef("hyperosmolar criteria met", "very high glucose and osmolality without ketosis or acidosis (A2)", _hyperosmolar(p), source=SOURCE),
        StateDef("ketoacidosis over", "ketones cleared and acidosis corrected (A13)", _ketoacidosis_over(p), source=SOURCE),
        StateDef("hyperosmolar state over", "osmolality and glucose down, passing urine, awake (A13)", _hyperosmolar_over(p), source=SOURCE),
        StateDef("ketoacidosis context", "ketoacidosis now, in the last day and not over, or a recent diagnosis of it", _ketoacidosis_context(p), source=SOURCE),
        StateDef("hyperosmolar context", "hyperosmolar now, in the last day and not over, or a recent diagnosis of it", _hyperosmolar_context(p), source=SOURCE),
        StateDef(
            "crisis context", "a hyperglycaemic crisis of either kind (1.5)",
            AnyOf((State("ketoacidosis context"), State("hyperosmolar context"))), source=SOURCE,
        ),
        StateDef("crisis shown", "the record shows a crisis context; what is not known does not show one", compute=_crisis_shown, source=SOURCE),
        StateDef("crisis resolved", "each crisis that is on record is over by its criteria (A13)", compute=_resolved, source=SOURCE),
        StateDef("unresolved crisis", "a crisis context whose end is not shown", compute=_unresolved, source=SOURCE),
        StateDef("unresolved crisis shown", "the record shows a crisis and does not show its end", compute=_unresolved_shown, source=SOURCE),
        StateDef("insulin running", "insulin runs by vein; dates its start", compute=_insulin_running, source=SOURCE, dates=("insulin start",)),
        StateDef("insulin shown running", "the record shows insulin running by vein; a list that was not sent shows none", compute=_insulin_shown, source=SOURCE),
    )  # fmt: skip


# Criteria ----------------------------------------------------------------------------------------------------------------------------


def ketosis(p: ParameterSet) -> Criterion:
    """Enough ketones. A current blood value outranks urine (M-02); UNKNOWN when neither is current."""
    age = p["result_age"]
    return AnyOf(
        (
            if_known("beta_hydroxybutyrate", age, reaches(Latest("beta_hydroxybutyrate", age), p, "ketoacidosis_ketones")),
            AllOf(
                (
                    NoneWithin(("beta_hydroxybutyrate",), age),
                    reaches(Latest("urine_ketones", age), p, "ketoacidosis_urine_ketones"),
                )
            ),
        )
    )


def _acidosis(p: ParameterSet) -> Criterion:
    """Acid blood. One of pH and bicarbonate is enough to judge, unless the source asks for both; UNKNOWN when neither is current."""
    age = p["result_age"]
    ph = falls_under(Latest("ph", age), p, "ketoacidosis_ph")
    bicarbonate = falls_under(Latest("bicarbonate", age), p, "ketoacidosis_bicarbonate")
    if word(p, "ketoacidosis_acidosis_needs") == "both":
        acid: Criterion = AllOf((ph, bicarbonate))
    else:
        neither = AllOf((NoneWithin(("ph", "bicarbonate"), age), ph))
        acid = AnyOf((if_known("ph", age, ph), if_known("bicarbonate", age, bicarbonate), neither))
    if held(p, "ketoacidosis_gap_above"):
        acid = AllOf((acid, Above(Formula("anion_gap", age), p["ketoacidosis_gap_above"])))
    return acid


def _ketoacidosis(p: ParameterSet) -> Criterion:
    glucose = reaches(Latest("glucose", p["result_age"]), p, "ketoacidosis_glucose")
    # With neither ketones nor a gas there is no question yet; with one of them that speaks for it the other is asked for.
    return AllOf((State("ketones or gas measured"), AnyOf((glucose, State("known diabetes"))), ketosis(p), _acidosis(p)))


def _hyperosmolar_numbers(p: ParameterSet) -> Criterion:
    age = p["result_age"]
    uses = word(p, "hyperosmolar_osmolality_uses")
    osmolality: list[Criterion] = []
    if uses in ("either", "effective"):
        osmolality.append(Above(Formula("effective_osmolality", age), p["hyperosmolar_effective"]))
    if uses in ("either", "total"):
        osmolality.append(reaches(Formula("total_osmolality", age), p, "hyperosmolar_total"))
        # A measured osmolality is rarely there: without it nothing is left open.
        osmolality.append(if_known("osmolality", age, reaches(Latest("osmolality", age), p, "hyperosmolar_total")))
    return AllOf((reaches(Latest("glucose", age), p, "hyperosmolar_glucose"), either(osmolality)))


def _hyperosmolar(p: ParameterSet) -> Criterion:
    age = p["result_age"]
    no_ketosis = AnyOf(
        (
            Below(Latest("beta_hydroxybutyrate", age), p["hyperosmolar_ketones"]),
            AllOf(
                (
                    NoneWithin(("beta_hydroxybutyrate",), age),
                    Below(Latest("urine_ketones", age), p["ketoacidosis_urine_ketones"]),
                )
            ),
        )
    )
    return AllOf(
        (
            State("hyperosmolar numbers met"),
            no_ketosis,
            AtLeastValue(Latest("ph", age), p["hyperosmolar_ph"]),
            AtLeastValue(Latest("bicarbonate", age), p["hyperosmolar_bicarbonate"]),
        )
    )


def _ketoacidosis_over(p: ParameterSet) -> Criterion:
    age = p["resolution_age"]
    ph = reaches(Latest("ph", age), p, "ketoacidosis_over_ph")
    needs = word(p, "ketoacidosis_over_needs")
    if needs.startswith("glucose"):
        return AllOf(
            (
                Below(Latest("glucose", age), p["ketoacidosis_over_glucose"]),
                AtLeast(
                    2,
                    (
                        AtLeastValue(Latest("bicarbonate", age), p["ketoacidosis_over_bicarbonate"]),
                        ph,
                        AtMostValue(Formula("anion_gap", age), p["ketoacidosis_over_gap"]),
                    ),
                ),
            )
        )
    ketones = Below(Latest("beta_hydroxybutyrate", age), p["ketoacidosis_over_ketones"])
    if needs == "ketones and pH":
        return AllOf((ketones, ph))
    bicarbonate = AtLeastValue(Latest("bicarbonate", age), p["ketoacidosis_over_bicarbonate"])
    if needs == "ketones, pH and bicarbonate":
        return AllOf((ketones, ph, bicarbonate))
    return AllOf((ketones, AnyOf((ph, bicarbonate))))


def _hyperosmolar_over(p: ParameterSet) -> Criterion:
    age = p["resolution_age"]
    limit = p["hyperosmolar_over_osmolality"]
    osmolality = AnyOf(
        (
            Below(Formula("total_osmolality", age), limit),
            AllOf((NoneWithin(("urea",), age), Below(Formula("effective_osmolality", age), limit))),
        )
    )
    return AllOf(
        (
            osmolality,
            Below(Latest("glucose", age), p["hyperosmolar_over_glucose"]),
            AtLeastValue(Latest("gcs", p["consciousness_age"]), p["consciousness_full"]),
            Not(State("little urine")),
            Not(NoneWithin(("urine_output",), p["urine_output_age"])),
        )
    )


# Contexts ----------------------------------------------------------------------------------------------------------------------------


def _by_diagnosis(p: ParameterSet, concepts: tuple[str, ...]) -> Criterion:
    """A diagnosis recorded or begun in the last two days; without any date only beside something that supports it."""
    age = p["result_age"]
    support = AnyOf(
        (
            AtLeastValue(Latest("glucose", age), p["crisis_undated_glucose"]),
            AtLeastValue(Latest("beta_hydroxybutyrate", age), p["crisis_undated_ketones"]),
            HasOrder(insulin_by_vein("either")),
        )
    )
    return AnyOf(
        (
            HasCondition(concepts, within=p["crisis_condition_age"], undated="no"),
            AllOf((HasCondition(concepts, within=p["crisis_condition_age"], undated="yes"), support)),
        )
    )


def _still(p: ParameterSet, begins: str, ends: str, analytes: tuple[str, ...]) -> Criterion:
    return StillIn(State(begins), State(ends), analytes, p["crisis_look_back"], p["crisis_look_back_instants"])


def _ketoacidosis_context(p: ParameterSet) -> Criterion:
    return AnyOf(
        (
            State("ketoacidosis criteria met"),
            _still(p, "ketoacidosis criteria met", "ketoacidosis over", ("beta_hydroxybutyrate", "urine_ketones", "ph", "bicarbonate")),
            _by_diagnosis(p, ("diabetic_ketoacidosis",)),
        )
    )


def _hyperosmolar_context(p: ParameterSet) -> Criterion:
    # Sodium is looked at too: a hyperosmolar patient who waits for a gas has a chemistry first.
    analytes = ("beta_hydroxybutyrate", "urine_ketones", "ph", "bicarbonate", "sodium")
    return AnyOf(
        (
            State("hyperosmolar numbers met"),
            _still(p, "hyperosmolar numbers met", "hyperosmolar state over", analytes),
            _by_diagnosis(p, ("hyperosmolar_state",)),
        )
    )


def _crisis_shown(scene: Scene) -> StateValue:
    """TRUE when a crisis context is TRUE; never UNKNOWN. The gaps are kept beside it."""
    context = scene.state("crisis context")
    return StateValue(TRUE if context.truth is TRUE else FALSE, lambda: context.seen, lambda: context.gaps, note=context.note)


def _resolved(scene: Scene) -> StateValue:
    contexts = [scene.state(name) for name in ("ketoacidosis context", "hyperosmolar context")]
    ends = [
        scene.state(end)
        for context, end in zip(contexts, ("ketoacidosis over", "hyperosmolar state over"), strict=True)
        if context.truth is TRUE
    ]  # fmt: skip
    if not ends:
        return StateValue(any_of(context.truth for context in contexts), gaps=lambda: _gaps(contexts))
    return StateValue(all_of(end.truth for end in ends), lambda: tuple(seen for end in ends for seen in end.seen), lambda: _gaps((*contexts, *ends)))


def _gaps(values: Sequence[StateValue]) -> tuple[Gap, ...]:
    return tuple(gap for value in values for gap in value.gaps)


def _unresolved(scene: Scene) -> StateValue:
    """A crisis whose end is not shown. UNKNOWN only while it is not known whether there is a crisis."""
    context = scene.state("crisis context")
    if context.truth is not TRUE:
        return StateValue(context.truth, lambda: context.seen, lambda: context.gaps)
    over = scene.state("crisis resolved")
    return StateValue(FALSE if over.truth is TRUE else TRUE, lambda: (*context.seen, *over.seen), lambda: over.gaps)


def _unresolved_shown(scene: Scene) -> StateValue:
    """TRUE when an unresolved crisis is TRUE; never UNKNOWN."""
    unresolved = scene.state("unresolved crisis")
    return StateValue(TRUE if unresolved.truth is TRUE else FALSE, lambda: unresolved.seen, lambda: unresolved.gaps)


def _ketones_or_gas(scene: Scene) -> StateValue:
    return measured(scene, ("beta_hydroxybutyrate", "urine_ketones", "ph", "bicarbonate"), "result_age")


def _blood_ketones(scene: Scene) -> StateValue:
    return measured(scene, ("beta_hydroxybutyrate",), "result_age")


def _glucose_measured(scene: Scene) -> StateValue:
    below = scene.p["hypoglycaemia_below"]

    def low(last: Result) -> bool:
        return isinstance(below, Parameter) and last.value.below(below.number) is not False

    running = scene.state("insulin shown running").truth is TRUE
    return measured(scene, ("glucose",), "glucose_age_on_insulin_if_none_later" if running else "glucose_age_on_insulin", low)


# Records that meet each other --------------------------------------------------------------------------------------------------------


def _known_diabetes(scene: Scene) -> StateValue:
    """Diabetes on record, or a glucose-lowering order that is older than this episode. Insulin begun now does not show it."""
    episode = scene.p["episode_minutes"]
    since = scene.chart.now - int(episode.number * MINUTE) if isinstance(episode, Parameter) else scene.chart.now
    for condition in scene.conditions(("diabetes", "diabetes_type_1")):
        if condition.active:
            return StateValue(TRUE, (Seen("condition", "diabetes", condition.label, condition.ref, at=condition.onset or condition.recorded, path=condition.path),))
    for order in scene.orders.listed:
        if order.status in ("active", "on-hold", "unknown") and _shows_diabetes(order, since):
            return StateValue(TRUE, (Seen("order", order.drugs[0], order.label, order.ref, note="on the list", path=order.path),))
    gaps = tuple(scene.gap(item) for item in ("conditions", "medications") if not scene.whole(item))
    return StateValue(UNKNOWN if gaps else FALSE, gaps=gaps)


def _shows_diabetes(order: Order, since: int) -> bool:
    classes = {name for drug in order.drugs for name in DRUGS[drug].classes}
    if "glucose_lowering" not in classes:
        return False
    if "insulin" not in classes or order.community or order.reported:
        return True
    if any(dosage.route == "intravenous" for dosage in order.dosages):
        return False
    return order.authored is not None and order.authored.latest < since


def _insulin_running(scene: Scene) -> StateValue:
    """Insulin by vein that runs now, and the earliest start that the record names ("insulin start")."""
    starts: list[Moment] = []
    seen: list[Seen] = []
    for order in scene.orders.running:
        if not any("insulin" in DRUGS[drug].classes for drug in order.drugs) or scene.reading(order).intravenous is not True:
            continue
        seen.append(Seen("order", order.drugs[0], order.label, order.ref, note="on the list", path=order.path))
        starts += [a.start for a in scene.chart.administrations if a.start is not None and a.order in (order.ref, order.ref.rsplit("/", 1)[-1])]
        starts += [d.start for d in order.dosages if d.start is not None]
    events = {} if not starts else {"insulin start": min(starts, key=lambda moment: (moment.latest, moment.earliest or 0))}
    gaps = () if scene.whole("medications") else (scene.gap("medications"),)
    truth = TRUE if seen else UNKNOWN if gaps else FALSE
    return StateValue(truth, tuple(seen), gaps if truth is UNKNOWN else (), events)


def _insulin_shown(scene: Scene) -> StateValue:
    running = scene.state("insulin running")
    return StateValue(TRUE if running.truth is TRUE else FALSE, lambda: running.seen, lambda: running.gaps)


__all__ = ["ketosis", "states"]
