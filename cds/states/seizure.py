"""Seizure: ongoing (S3), recent (S3), in history (S2), predisposed (S1); when it began, and what was given for it (own rule 0.2)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from cds.chart import MINUTE, Condition, Moment, Order
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    Below,
    Criterion,
    Formula,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
    State,
)
from cds.logic.reason import Gap, GapState, Seen
from cds.logic.scene import Scene, StateDef, StateValue
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, truth_of
from cds.parameters import Parameter, ParameterSet
from cds.states.parts import if_known
from cds.vocabulary import DRUGS

SOURCE = "own rule 0.2; Trinka 2015, Epilepsia 56:1515"
SEIZURES = ("seizure", "status_epilepticus", "eclampsia", "febrile_seizure")
ONSET = "seizure onset"
SECOND_LINE = ("levetiracetam", "valproate", "phenytoin", "fosphenytoin", "lacosamide", "phenobarbital", "brivaracetam")


def states(p: ParameterSet) -> tuple[StateDef, ...]:
    """Every state about seizures, for one population."""
    return (
        StateDef("seizure ongoing", "an active seizure that began within a day and since which nobody recorded the patient awake (S3)", compute=_ongoing, source=SOURCE, dates=(ONSET,)),
        StateDef("seizure recent", "a seizure within a day that is not ongoing (S3)", compute=_recent, source=SOURCE, dates=(ONSET,)),
        StateDef("seizure now", "a seizure, ongoing or within a day (S3, N-04)", AnyOf((State("seizure ongoing"), State("seizure recent"))), source=SOURCE),
        StateDef("coded status", "status epilepticus is coded, and the seizure is ongoing", compute=_coded_status, source=SOURCE),
        StateDef("undated seizure", "an active seizure without an onset, and nobody recorded the patient awake since (O-N09, R-n13)", compute=_undated, source=SOURCE),
        StateDef("two seizures without recovery", "two seizures within half an hour and a lowered coma score between them (R-n12)", compute=_pair, source=SOURCE),
        StateDef("epilepsy", "epilepsy on record, in any clinical status", _epilepsy(), source=SOURCE),
        StateDef("epilepsy reason", "an anti-seizure medicine that stands for epilepsy", compute=_epilepsy_medicine, source=SOURCE),
        StateDef("seizure history", "epilepsy, an earlier seizure, or a medicine that stands for epilepsy (S2)", compute=_history, source=SOURCE),
        StateDef("seizure predisposed", "brain disease, withdrawal or a metabolic value that favours seizures, and none of the above (S1)", _predisposed(p), source=SOURCE),
        StateDef("benzodiazepine given", "a benzodiazepine dose given within the hour", compute=_one_dose, source=SOURCE),
        StateDef("two benzodiazepine doses", "two benzodiazepine doses given for this seizure, the last long enough ago to have failed", compute=_two_doses, source=SOURCE),
        StateDef("second-line dose given", "a full intravenous anti-seizure dose has been given for this seizure", compute=_second_line, source=SOURCE),
        StateDef("anaesthetic running", "an anaesthetic agent runs by vein", compute=_anaesthetic_running, source=SOURCE),
        StateDef("anaesthetic for a day", "an anaesthetic agent has run for a day", compute=_anaesthetic_day, source=SOURCE),
        StateDef("treated or observed", "a seizure medicine given or drafted, or a coma score recorded, within the hour", compute=_observed, source=SOURCE),
    )  # fmt: skip


# One seizure record ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Record:
    """How one seizure diagnosis counts: ongoing or recent, each TRUE, FALSE or UNKNOWN; `onset` when it is known."""

    condition: Condition
    ongoing: Truth
    recent: Truth
    awake: Seen | None = None


def _minutes(scene: Scene, key: str) -> int:
    limit = scene.p[key]
    return int(limit.number) * MINUTE if isinstance(limit, Parameter) else 0


def _since(moment: Moment, floor: int) -> bool | None:
    """Whether a moment surely lies at or after `floor`; None where the record leaves it open."""
    if moment.earliest is not None and moment.earliest >= floor:
        return True
    return False if moment.latest < floor else None


def _awake(scene: Scene, after: Moment | None) -> Seen | None:
    """A full coma score or "alert" within the hour and after the onset; at the very minute of the onset does not count (R-n10)."""
    floor = scene.now - _minutes(scene, "seizure_awake_age")
    full = scene.p["consciousness_full"]
    if not isinstance(full, Parameter):
        return None
    for analyte in ("gcs", "avpu"):
        for result in scene.recent(analyte, floor):
            if result.at.earliest is None or result.at.earliest < floor:
                continue
            if after is not None and result.at.earliest <= after.latest:
                continue
            if result.value.low is not None and result.value.low >= full.number:
                return scene.seen_result(result)
    return None


def _records(scene: Scene) -> tuple[_Record, ...]:
    """Every seizure diagnosis that bears on now, the latest onset first."""
    day = scene.now - _minutes(scene, "seizure_age")
    hour = scene.now - _minutes(scene, "seizure_recorded_age")
    found = [_judge(scene, condition, day, hour) for condition in scene.conditions(SEIZURES) if not _only_history(condition)]
    return tuple(sorted(found, key=lambda r: -(r.condition.onset or r.condition.recorded or Moment(0, 0)).latest))


def _only_history(condition: Condition) -> bool:
    """An epilepsy code "with status" on a problem list without an onset is history, unless the encounter is for it."""
    return "epilepsy" in condition.concepts and condition.onset is None and not condition.encounter_reason


def _judge(scene: Scene, condition: Condition, day: int, hour: int) -> _Record:
    coded = "status_epilepticus" in condition.concepts
    onset, recorded = condition.onset, condition.recorded
    within_day: bool | None
    if onset is not None:
        ongoing = within_day = _since(onset, day)
        if coded and within_day is False and condition.active and scene.state("anaesthetic running").truth is TRUE:
            ongoing = within_day = True
    elif recorded is not None:
        within_day = _since(recorded, day)
        ongoing = within_day if coded else _since(recorded, hour)
    else:
        within_day = condition.active
        ongoing = coded
    if not condition.active or _convulsion_over(scene, condition):
        ongoing = False
    awake = None if ongoing is False else _awake(scene, onset)
    if awake is not None:
        ongoing = False
    recent = False if ongoing is True else within_day
    if ongoing is None and recent is True:
        recent = None
    return _Record(condition, truth_of(ongoing), truth_of(recent), awake)


def _convulsion_over(scene: Scene, condition: Condition) -> bool:
    """An eclampsia outlives its convulsion: over when a seizure recorded with it has ended (O-N03)."""
    if "eclampsia" not in condition.concepts or condition.onset is None:
        return False
    for other in scene.conditions(("seizure", "status_epilepticus")):
        if other.ref == condition.ref or other.onset is None or other.onset.latest < condition.onset.latest:
            continue
        if not other.active:
            return True
    return False


def _evidence(record: _Record, scene: Scene) -> tuple[Seen, ...]:
    at = record.condition.onset or record.condition.recorded
    age = None if at is None else max(0, (scene.now - at.latest) // MINUTE)
    note = "" if record.condition.onset is not None else "onset not recorded"
    seen = Seen("condition", record.condition.concepts[0], record.condition.label, record.condition.ref, at=at, age_minutes=age, note=note, path=record.condition.path)
    return (seen,) if record.awake is None else (seen, record.awake)


def _value(scene: Scene, records: tuple[_Record, ...], which: str, events: Mapping[str, Moment]) -> StateValue:
    truths = [getattr(record, which) for record in records]
    if TRUE in truths:
        seen = tuple(s for record in records if getattr(record, which) is TRUE for s in _evidence(record, scene))
        return StateValue(TRUE, seen, events=events)
    if UNKNOWN in truths:
        seen = tuple(s for record in records if getattr(record, which) is UNKNOWN for s in _evidence(record, scene))
        return StateValue(UNKNOWN, seen, (Gap("seizure onset", GapState.UNUSABLE, "seizure: its date does not say when it began"),), events)
    if not scene.whole("conditions"):
        return StateValue(UNKNOWN, gaps=(scene.gap("conditions"),))
    return StateValue(FALSE)


def _onset(scene: Scene, records: tuple[_Record, ...], which: str) -> dict[str, Moment]:
    """The onset of the latest seizure of a kind; an active one that began shortly before it and never ended is the same seizure."""
    dated = [r.condition.onset for r in records if getattr(r, which) is TRUE and r.condition.onset is not None]
    if not dated:
        return {}
    begun = dated[0]
    if which == "ongoing":
        chain = _minutes(scene, "seizure_chain")
        for earlier in dated[1:]:
            if begun.latest - earlier.latest <= chain:
                begun = earlier
    return {ONSET: begun}


def _ongoing(scene: Scene) -> StateValue:
    records = _records(scene)
    return _value(scene, records, "ongoing", _onset(scene, records, "ongoing"))


def _recent(scene: Scene) -> StateValue:
    if scene.state("seizure ongoing").truth is TRUE:
        return StateValue(FALSE, note="a seizure is ongoing")
    records = _records(scene)
    return _value(scene, records, "recent", _onset(scene, records, "recent"))


def _coded_status(scene: Scene) -> StateValue:
    ongoing = scene.state("seizure ongoing")
    records = tuple(r for r in _records(scene) if "status_epilepticus" in r.condition.concepts)
    if ongoing.truth is TRUE and any(r.ongoing is TRUE for r in records):
        return _value(scene, records, "ongoing", {})
    return StateValue(FALSE if ongoing.truth is TRUE or not records else ongoing.truth, gaps=ongoing.gaps)


def _undated(scene: Scene) -> StateValue:
    """Active, not coded as status, no onset, recorded within a day or never dated, and not seen awake (C1 Missing)."""
    day = scene.now - _minutes(scene, "seizure_age")
    for record in _records(scene):
        condition = record.condition
        if condition.onset is not None or "status_epilepticus" in condition.concepts or not condition.active:
            continue
        if condition.recorded is not None and _since(condition.recorded, day) is False:
            continue
        if _awake(scene, None) is None:
            return StateValue(TRUE, _evidence(record, scene))
    return StateValue(FALSE if scene.whole("conditions") else UNKNOWN, gaps=() if scene.whole("conditions") else (scene.gap("conditions"),))


def _pair(scene: Scene) -> StateValue:
    """Two dated seizures close together and a coma score below full between them; only where one is ongoing or just over."""
    full = scene.p["consciousness_full"]
    apart = _minutes(scene, "seizure_pair")
    dated = [r for r in _records(scene) if r.condition.onset is not None and (r.ongoing is TRUE or r.recent is TRUE)]
    floor = scene.now - apart
    for later, earlier in zip(dated, dated[1:], strict=False):
        first, second = earlier.condition.onset, later.condition.onset
        if first is None or second is None or second.latest - first.latest > apart or second.latest < floor:
            continue
        if later.awake is not None or not isinstance(full, Parameter):
            continue
        for result in scene.results("gcs"):
            low = result.value.high is not None and result.value.high < full.number
            if low and first.latest < result.at.latest <= second.latest:
                return StateValue(TRUE, (*_evidence(later, scene), *_evidence(earlier, scene), scene.seen_result(result)))
    return StateValue(FALSE)


# History and predisposition ----------------------------------------------------------------------------------------------------------


def _epilepsy() -> Criterion:
    return HasCondition(("epilepsy",), standing="recorded")


def _epilepsy_medicine(scene: Scene) -> StateValue:
    """A maintenance medicine whose reason is epilepsy; with no reason recorded, one that is hardly given for anything else (0.2, R-n14, R-n15)."""
    always = {str(row["drug"]) for row in scene.p.table("epilepsy_medicines")}
    stopped = scene.chart.now - _minutes(scene, "asm_stopped_age")
    recently = {order.ref for order in scene.orders.ended_since(stopped)}
    unsure: list[Seen] = []
    for order in (*scene.orders.listed, *scene.orders.drafts):
        names = {name for drug in order.drugs for name in DRUGS[drug].classes}
        if order.status not in ("active", "draft", "on-hold") and order.ref not in recently:
            continue
        seen = Seen("order", order.drugs[0] if order.drugs else "order", order.label, order.ref, note="stands for epilepsy", path=order.path)
        if "epilepsy" in order.reasons and names & {"anti_seizure", "maintenance_benzodiazepine"}:
            return StateValue(TRUE, (seen,))
        if order.reason_stated or order.drafted:
            continue
        if any(drug in always for drug in order.drugs) or "maintenance_benzodiazepine" in names:
            return StateValue(TRUE, (seen,))
        if "anti_seizure" in names:
            unsure.append(Seen(seen.kind, seen.item, seen.text, seen.ref, note="reason not recorded; taken as epilepsy", path=seen.path))
    if unsure:
        return StateValue(TRUE, tuple(unsure), note="reason not recorded")
    gaps = () if scene.whole("medications") else (scene.gap("medications"),)
    return StateValue(UNKNOWN if gaps else FALSE, gaps=gaps)


def _history(scene: Scene) -> StateValue:
    """Epilepsy in any status, an earlier seizure, or a medicine that stands for epilepsy. What is not on record is not known, and not assumed."""
    epilepsy = scene.state("epilepsy")
    medicine = scene.state("epilepsy reason")
    for value in (epilepsy, medicine):
        if value.truth is TRUE:
            return StateValue(TRUE, value.seen, note=value.note)
    day = scene.now - _minutes(scene, "seizure_age")
    for condition in scene.conditions(SEIZURES):
        at = condition.onset or condition.recorded
        if _only_history(condition) or not condition.active or (at is not None and _since(at, day) is False):
            seen = Seen("condition", condition.concepts[0], condition.label, condition.ref, at=at, path=condition.path)
            return StateValue(TRUE, (seen,))
    gaps = (*epilepsy.gaps, *medicine.gaps)
    return StateValue(UNKNOWN if gaps else FALSE, gaps=gaps)


def _predisposed(p: ParameterSet) -> Criterion:
    age = p["predisposed_value_age"]

    def value(analyte: str, criterion: Criterion) -> Criterion:
        return if_known(analyte, age, criterion)

    glucose = Latest("glucose", age)
    corrected = AllOf((Not(NoneWithin(("glucose",), age)), Above(glucose, p["seizure_sodium_corrects_above"])))
    measured = Latest("sodium", age)
    katz = Formula("sodium_corrected_katz", age)
    return AnyOf(
        (
            HasCondition(("stroke", "brain_injury"), standing="recorded", within=p["predisposed_age"], undated="no"),
            HasCondition(("brain_tumour", "cns_infection", "meningitis", "encephalitis", "alcohol_withdrawal", "sedative_withdrawal")),
            value("glucose", AnyOf((Below(glucose, p["seizure_glucose_low"]), Above(glucose, p["seizure_glucose_high"])))),
            value("sodium", AllOf((Not(corrected), Below(measured, p["seizure_sodium_low"])))),
            value("sodium", AllOf((corrected, Below(katz, p["seizure_sodium_low"])))),
            value("sodium", Above(measured, p["seizure_sodium_high"])),
            value("calcium_ionised", Below(Latest("calcium_ionised", age), p["seizure_calcium_ionised_low"])),
            value("calcium_total", if_known("albumin", p["albumin_age"], Below(Formula("calcium_adjusted", age), p["seizure_calcium_low"]))),
            value("magnesium", Below(Latest("magnesium", age), p["seizure_magnesium_low"])),
            value("urea", Above(Latest("urea", age), p["seizure_urea_high"])),
            value("creatinine", Above(Latest("creatinine", age), p["seizure_creatinine_high"])),
        )
    )


# What was given ----------------------------------------------------------------------------------------------------------------------


def _given(scene: Scene, classes: tuple[str, ...], since: int) -> list[tuple[Seen, Moment]]:
    """Doses that the record shows as given at or after `since`: administrations, else orders with a start. The latest first."""
    found: dict[str, tuple[Seen, Moment]] = {}
    for each in scene.chart.administrations:
        at = each.end or each.start
        if at is None or each.status not in ("completed", "in-progress") or at.latest < since or at.latest > scene.now:
            continue
        if _is_of(each.drugs, classes):
            given = max(0, (scene.now - at.latest) // MINUTE)
            found[each.ref] = (Seen("administration", each.drugs[0], each.label, each.ref, at=at, age_minutes=given, note=f"given {given} min ago"), at)
    if not found:
        for order in scene.orders.listed:
            starts = [d.start for d in order.dosages if d.start is not None and d.once]
            if order.status in ("active", "completed") and starts and _is_of(order.drugs, classes) and since <= starts[0].latest <= scene.now:
                found[order.ref] = (Seen("order", order.drugs[0], order.label, order.ref, at=starts[0], path=order.path), starts[0])
    return sorted(found.values(), key=lambda pair: -pair[1].latest)


def _is_of(drugs: tuple[str, ...], classes: tuple[str, ...]) -> bool:
    return any(drug in classes or not DRUGS[drug].classes.isdisjoint(classes) for drug in drugs)


def _begun(scene: Scene) -> int | None:
    onset = scene.state("seizure ongoing").events.get(ONSET)
    return None if onset is None else onset.earliest if onset.earliest is not None else onset.latest


def _one_dose(scene: Scene) -> StateValue:
    doses = _given(scene, ("benzodiazepine",), scene.now - _minutes(scene, "benzodiazepine_dose_age"))
    return StateValue(TRUE, tuple(seen for seen, _ in doses)) if doses else StateValue(FALSE)


def _two_doses(scene: Scene) -> StateValue:
    doses = _given(scene, ("benzodiazepine",), scene.now - _minutes(scene, "benzodiazepine_dose_age"))
    settled = scene.now - _minutes(scene, "benzodiazepine_settle")
    if len(doses) < 2 or doses[0][1].latest > settled:
        return StateValue(FALSE)
    return StateValue(TRUE, tuple(seen for seen, _ in doses[:2]))


def _second_line(scene: Scene) -> StateValue:
    """A finished intravenous dose of a second-line medicine since the onset; running ones do not count yet."""
    begun = _begun(scene)
    if begun is None:
        return StateValue(FALSE)
    orders = {order.ref.rsplit("/", 1)[-1]: order for order in scene.orders.listed}
    for each in scene.chart.administrations:
        at = each.end or each.start
        if each.status != "completed" or at is None or at.latest < begun or not _is_of(each.drugs, SECOND_LINE):
            continue
        order = orders.get((each.order or "").rsplit("/", 1)[-1])
        if order is not None and _loading(scene, order):
            return StateValue(TRUE, (Seen("administration", each.drugs[0], each.label, each.ref, at=at),))
    return StateValue(FALSE)


def _loading(scene: Scene, order: Order) -> bool:
    reading = scene.reading(order)
    return reading.once and reading.intravenous is True


def _anaesthetics(scene: Scene) -> list[tuple[Order, Moment | None]]:
    found: list[tuple[Order, Moment | None]] = []
    for order in scene.orders.running:
        if _is_of(order.drugs, ("anaesthetic_agent",)) and scene.reading(order).intravenous is not False and not scene.reading(order).push:
            starts = [a.start for a in scene.chart.administrations if a.start is not None and (a.order or "").rsplit("/", 1)[-1] == order.ref.rsplit("/", 1)[-1]]
            starts += [d.start for d in order.dosages if d.start is not None]
            found.append((order, min(starts, key=lambda m: m.latest) if starts else None))
    return found


def _anaesthetic_day(scene: Scene) -> StateValue:
    floor = scene.now - _minutes(scene, "anaesthetic_day")
    for order, start in _anaesthetics(scene):
        if start is not None and start.latest <= floor:
            return StateValue(TRUE, (Seen("order", order.drugs[0], order.label, order.ref, at=start, path=order.path),))
    return StateValue(FALSE)


def _anaesthetic_running(scene: Scene) -> StateValue:
    found = _anaesthetics(scene)
    return StateValue(TRUE if found else FALSE, tuple(Seen("order", o.drugs[0], o.label, o.ref, at=s, path=o.path) for o, s in found))


def _observed(scene: Scene) -> StateValue:
    hour = scene.now - _minutes(scene, "seizure_awake_age")
    for analyte in ("gcs", "avpu"):
        result = scene.drawn_since(analyte, hour)
        if result is not None:
            return StateValue(TRUE, (scene.seen_result(result),))
    given = _given(scene, ("benzodiazepine", "anti_seizure", "anaesthetic_agent"), hour)
    if given:
        return StateValue(TRUE, (given[0][0],))
    for order in scene.orders.drafts:
        if _is_of(order.drugs, ("benzodiazepine", "anti_seizure", "anaesthetic_agent", "magnesium_sulfate")):
            return StateValue(TRUE, (Seen("order", order.drugs[0], order.label, order.ref, note="drafted", path=order.path),))
    return StateValue(FALSE)
