"""Anti-seizure medicines by vein: how fast they run (C6) and how large a load is (C5). The figures of each medicine are rows of anti_seizure_dose.toml."""

from __future__ import annotations

from cds.advisory import Advisory, Amend, Branch, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Below,
    CountOrders,
    Criterion,
    Expression,
    Figure,
    Formula,
    Given,
    HasCondition,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    Plus,
    Ratio,
    Scaled,
    SinceStart,
    State,
)
from cds.parameters import Parameter, ParameterSet
from cds.states.doses import (
    Row,
    amount,
    bound,
    faster,
    frail_heart,
    given_now,
    load,
    per_kg,
    per_minute,
    rate_limit,
    row_figure,
    shortest,
    too_little,
    too_much,
    unit_of,
    weight,
)
from cds.states.parts import either, if_known
from cds.vocabulary import DRUGS

SOURCES = (
    "Kapur J et al. Randomized trial of three anticonvulsant medications for status epilepticus. N Engl J Med 2019;381:2103-2113",
    "Glauser T et al. Evidence-based guideline: treatment of convulsive status epilepticus. Epilepsy Curr 2016;16:48-61",
    "Brophy GM et al. Guidelines for the evaluation and management of status epilepticus. Neurocrit Care 2012;17:3-23",
    "Labels: phenytoin, fosphenytoin, valproate, levetiracetam and lacosamide injections; each row's source stands in the table",
)
PROBLEM = "anti-seizure medicine order"
MAGNESIUM = "magnesium_sulfate"
# Magnesium may run fast for these (N-16), and is never delayed for the first three (own rule 0.5a).
NEVER_DELAYED = ("eclampsia", "torsades")
FAST_FOR = (*NEVER_DELAYED, "seizure", "status_epilepticus", "cardiac_arrest", "severe_asthma")
PHENYTOINS = ("phenytoin", "fosphenytoin")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """Rate and load for one population, in the order of speech."""
    return (_rate(p), _load(p))


def _is(drug: str) -> Criterion:
    return OrderHas((drug,), "active")


def _name(row: Row) -> str:
    return DRUGS[str(row["drug"])].label.capitalize()


# C6: how fast ------------------------------------------------------------------------------------------------------------------------


def _rate(p: ParameterSet) -> Advisory:
    rows = p.table("infusion_rates")
    drugs = tuple(dict.fromkeys(str(row["drug"]) for row in rows))
    ordered = sorted(rows, key=lambda row: row["level"] != "critical")
    branches = [*_too_fast_frail(p, ordered), *(_too_fast(p, row) for row in ordered)]
    place = sum(1 for branch in branches if branch.indicator == "critical")
    branches[place:place] = _magnesium_critical(p)
    branches += [*_magnesium_warning(p), *(_no_rate(p, drug, rows) for drug in PHENYTOINS)]
    return Advisory(
        code="asm-infusion-rate-check",
        title="Rate of an anti-seizure medicine",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running") for drug in (*drugs, MAGNESIUM)),)),
        over=OrderFilter((*drugs, MAGNESIUM), "either"),
        branches=tuple(branches),
        sources=SOURCES,
        # After what forbids the medicine: a slower infusion of what heart or liver cannot bear is no answer.
        speak_order=1,
        hazards=("HZ-05", "HZ-17", "HZ-36"),
        purpose="Low pressure and arrhythmia by an infusion that runs too fast.",
    )


def _who(p: ParameterSet, row: Row) -> list[Criterion]:
    """For whom a row holds."""
    status = AnyOf((State("seizure ongoing"), AllOf((State("seizure recent"), OrderIs("one-off")))))
    pressure = if_known("systolic", p["asm_pressure_age"], Below(Latest("systolic", p["asm_pressure_age"]), p["asm_low_pressure"]))
    known: dict[str, Criterion] = {"frail heart": frail_heart(p, "elderly_from"), "low pressure": pressure, "status": status, "not status": Not(status)}
    who = str(row.get("who", ""))
    parts: list[Criterion] = [known[who]] if who else []
    if "from_age" in row:
        parts.append(AtLeastValue(Age(), row_figure(p, row, "from_age", "a")))
    if "below_age" in row:
        parts.append(Below(Age(), row_figure(p, row, "below_age", "a")))
    return parts


def _too_fast(p: ParameterSet, row: Row) -> Branch:
    drug, level, who = str(row["drug"]), str(row["level"]), str(row.get("who", ""))
    by_time = "least_minutes" in row
    minutes = OfOrder("duration_minutes", f"drug:{drug}")
    facts: dict[str, Expression] = {
        "dose": amount(drug), "weight": weight(p), "shortest": shortest(p, row), "rate": minutes if by_time else per_minute(p, drug),
        "limit": Figure(row_figure(p, row, "least_minutes", "min")) if by_time else rate_limit(p, row), "age": Age(),
        "pressure": Latest("systolic", p["asm_pressure_age"]),
    }  # fmt: skip
    reason = {"frail heart": " from {p.elderly_from} or with heart disease", "low pressure": " at pressure {pressure}"}.get(who, "")
    if by_time:
        summary = f"{_name(row)} over {{rate}}: give it over {{limit}} or longer"
    else:
        summary = f"{_name(row)} at {{rate}}: slow to {{limit}} or less{reason}"
    found: tuple[str, ...] = ("Dose {dose}, weight {weight}. Shortest time for this dose: {shortest}.",)
    if "per_kg_minute" in row and not by_time:
        found = (*found, "The limit goes by weight" + (", and by a rate for everybody: the lesser holds." if "per_minute" in row else "."))
    words = Words(summary, found, _rate_do(drug), _rate_cautions(drug), _rate_differs(row), facts=facts)
    name = " ".join(filter(None, (drug, level, who, "grown" if "from_age" in row else "")))
    when = AllOf((_is(drug), OrderIs("intravenous"), *_who(p, row), faster(p, row), given_now(p)))
    amend = Amend("Same order over the shortest allowed time", drug=drug, minutes=facts["shortest"])
    return Branch(name, when, level, words, (amend,))


def _too_fast_frail(p: ParameterSet, rows: list[Row]) -> list[Branch]:
    """Beyond the limit for everybody in one who has a lower limit: the card names the lower, or the order as amended would be warned of again."""
    pairs = [(own, row) for own in rows if own.get("who") == "frail heart" for row in rows if row["drug"] == own["drug"] and row["level"] == "critical"]
    made = [(own, _too_fast(p, own), _too_fast(p, row)) for own, row in pairs]
    return [Branch(f"{worst.name}, frail heart", AllOf((*_who(p, own), worst.when)), "critical", low.words, low.proposals) for own, low, worst in made]


def _rate_do(drug: str) -> tuple[str, ...]:
    watch = "By local protocol: the same dose, slower; stop and slow if the pressure falls or the QRS widens."
    if drug in PHENYTOINS:
        return (watch, "ECG and blood pressure every minute during it, and for {p.fosphenytoin_watch} after fosphenytoin; large vein, flush with saline.")
    return (watch,)


def _rate_cautions(drug: str) -> tuple[str, ...]:
    if drug in PHENYTOINS:
        return ("Boxed warning: severe low pressure and arrhythmia, also seen at or below the limit.", "A seizure that goes on needs the next medicine, not a faster one.")
    return ("A slower infusion is no reason to delay the medicine.",)


def _rate_differs(row: Row) -> tuple[str, ...]:
    """What other texts print; of levetiracetam its label and the trials."""
    lines = (str(row["elsewhere"]),) if "elsewhere" in row else ()
    if row["drug"] == "levetiracetam":
        return (*lines, "The label gives it over {p.levetiracetam_label_minutes}; trials in status gave it over {p.levetiracetam_trial_minutes}.")
    return lines


def _no_rate(p: ParameterSet, drug: str, rows: tuple[Row, ...]) -> Branch:
    """Phenytoin without a rate or a time; F-11: not while the order is still being chosen."""
    own = [row for row in rows if row["drug"] == drug and row["level"] == "critical"]
    per_order = OfOrder("per_hour", f"drug:{drug}")
    facts = {"dose": amount(drug), "shortest": shortest(p, own[0])}
    when = AllOf((_is(drug), OrderIs("intravenous"), OrderIs("drafted"), OrderIs("detail expected"), NotComputable(per_order), Not(OrderIs("infusion"))))
    words = Words(
        f"{DRUGS[drug].label.capitalize()} {{dose}} by vein without a rate or a time: state it, {{shortest}} or longer",
        ("Nothing in the order says how fast it runs.",), _rate_do(drug), _rate_cautions(drug), facts=facts,
    )  # fmt: skip
    return Branch(f"{drug} without a rate", when, "warning", words, (Amend("Write the shortest allowed time", drug=drug, minutes=facts["shortest"]),))


# Magnesium ---------------------------------------------------------------------------------------------------------------------------


def _magnesium(p: ParameterSet) -> tuple[dict[str, Expression], Criterion, Criterion, Criterion, Criterion]:
    """Facts; a large load pushed; maintenance too fast; a load faster than usual; whether it must not wait."""
    minutes, dose, hourly = OfOrder("duration_minutes", f"drug:{MAGNESIUM}"), amount(MAGNESIUM), OfOrder("per_hour", f"drug:{MAGNESIUM}")
    facts: dict[str, Expression] = {
        "dose": dose, "minutes": minutes, "rate": per_minute(p, MAGNESIUM), "hourly": hourly,
        "shortest": Scaled(Ratio(dose, Figure(p["magnesium_load_rate"])), p["same_number"], "min"),
    }  # fmt: skip
    timed = Not(NotComputable(minutes))
    pushed = AllOf((timed, Below(minutes, p["magnesium_push_minutes"]), AtLeastValue(dose, p["magnesium_push_amount"])))
    long = AnyOf((NotComputable(minutes), Above(minutes, p["magnesium_load_length"])))
    maintained = AllOf((Not(NotComputable(hourly)), long, Above(hourly, p["magnesium_maintenance_rate"])))
    quick = AllOf((Not(NotComputable(hourly)), timed, Not(Above(minutes, p["magnesium_load_length"])), Above(hourly, p["magnesium_load_rate"])))
    urgent = AnyOf(
        (HasCondition(NEVER_DELAYED), OrderReason(NEVER_DELAYED), AllOf((State("seizure now"), AnyOf((State("pregnant"), State("post-partum"))))))
    )  # fmt: skip
    return facts, pushed, maintained, quick, urgent


_MAGNESIUM_DO = ("By local protocol: the same dose, slower; watch breathing, reflexes and pressure.", "Calcium gluconate ready as antidote.")
_MAGNESIUM_CAUTIONS = ("In eclampsia and torsades magnesium is the treatment: never a reason to withhold it.",)


def _magnesium_branch(p: ParameterSet, name: str, when: Criterion, indicator: str, summary: str, *proposals: Proposal) -> Branch:
    facts = _magnesium(p)[0]
    words = Words(summary, ("Dose {dose} over {minutes}, {rate}.",), _MAGNESIUM_DO, _MAGNESIUM_CAUTIONS, facts=facts)
    return Branch(name, AllOf((_is(MAGNESIUM), OrderIs("intravenous"), when, given_now(p))), indicator, words, proposals)


def _has_magnesium(p: ParameterSet) -> bool:
    return isinstance(p["magnesium_load_rate"], Parameter)


def _magnesium_critical(p: ParameterSet) -> list[Branch]:
    if not _has_magnesium(p):
        return []
    _, pushed, maintained, _, urgent = _magnesium(p)
    slower = Amend("Same dose over the shortest usual time", drug=MAGNESIUM, minutes=p["magnesium_push_minutes"])
    return [
        _magnesium_branch(p, "magnesium pushed, must not wait", AllOf((pushed, urgent)), "warning",
                          "Give the magnesium {dose} now, over {p.magnesium_load_usual}; over {minutes} is too fast", slower),
        _magnesium_branch(p, "magnesium pushed", pushed, "critical",
                          "Magnesium sulfate {dose} over {minutes}: slow to {p.magnesium_load_usual}; a push can stop breathing and heart", slower),
        _magnesium_branch(p, "magnesium maintenance too fast", maintained, "critical",
                          "Magnesium sulfate maintenance {hourly}: slow to {p.magnesium_maintenance_rate} or less"),
    ]  # fmt: skip


def _magnesium_warning(p: ParameterSet) -> list[Branch]:
    if not _has_magnesium(p):
        return []
    facts, _, _, quick, _ = _magnesium(p)
    fast_for = AnyOf((HasCondition(FAST_FOR), OrderReason(FAST_FOR), State("seizure now")))
    slower = Amend("Same dose at the usual rate", drug=MAGNESIUM, minutes=facts["shortest"])
    return [
        _magnesium_branch(p, "magnesium load fast", AllOf((quick, Not(fast_for))), "warning",
                          "Magnesium sulfate at {rate}: slow to {p.magnesium_load_rate} or less, nothing on record asks for more", slower),
    ]  # fmt: skip


# C5: how large -----------------------------------------------------------------------------------------------------------------------


def _load(p: ParameterSet) -> Advisory:
    rows = tuple(row for row in p.table("anti_seizure") if row["judged"] != "no")
    drugs = tuple(str(row["drug"]) for row in rows)
    branches = [*(_again(p, row, full=True) for row in rows), *(_two_over(p, row) for row in rows)]
    branches += [_large(p, row, "critical") for row in rows]
    branches += [_again(p, row, full=False) for row in rows] + [_large(p, row, "warning") for row in rows]
    branches += [branch for row in rows for branch in _small(p, row)]
    return Advisory(
        code="asm-loading-dose-check",
        title="Loading dose of an anti-seizure medicine",
        problem=PROBLEM,
        kind="order",
        trigger=Trigger((tuple(f"drafted:{drug}" for drug in drugs),)),
        over=OrderFilter(drugs, "drafted"),
        branches=tuple(branches),
        sources=SOURCES,
        speak_order=1,
        hazards=("HZ-17", "HZ-18", "HZ-38"),
        purpose="A load that cannot work, or that is too much.",
    )


def _load_words(p: ParameterSet, row: Row, summary: str, *found: str, **facts: Expression) -> Words:
    drug = str(row["drug"])
    shown: dict[str, Expression] = {
        "dose": amount(drug), "per_kg": per_kg(drug), "weight": weight(p), "least": bound(p, row, "least"), "most": bound(p, row, "most"), **facts,
    }  # fmt: skip
    differs: tuple[str, ...] = (str(row["elsewhere"]),) if "elsewhere" in row else ()
    if "label_per_kg" in row:
        shown["label"] = Figure(row_figure(p, row, "label_per_kg", f"{unit_of(drug)}/kg"))
        shown["low"] = Figure(row_figure(p, row, "least_per_kg", f"{unit_of(drug)}/kg"))
        differs = (*differs, "US label from {label}; guidelines and trials from {low}.")
    lines = ["Dose {dose}: {per_kg}.", "Range for this patient: {least} to {most}.", *found]
    if row["judged"] == "weight":
        shown["full"] = Figure(row_figure(p, row, "most", unit_of(drug)))
        shown["binds"] = Scaled(Ratio(shown["full"], Figure(row_figure(p, row, "most_per_kg", f"{unit_of(drug)}/kg"))), p["same_number"], "kg")
        lines.append("Maximum {full}, reached at {binds}.")
    return Words(
        summary, tuple(lines),
        ("By local protocol: check weight and dose; change the draft where they do not agree.",),
        ("Do not reduce a load for kidney failure.", "Weight {weight}, {weight.age}: a wrong weight makes a wrong dose."),
        differs, facts=shown,
    )  # fmt: skip


def _change(p: ParameterSet, row: Row, end: str) -> tuple[Proposal, ...]:
    """The draft with the usual load, over its usual or its shortest allowed time."""
    drug, dose = str(row["drug"]), bound(p, row, end)
    minutes: Expression | None = None
    if "over_minutes" in row:
        minutes = Figure(row_figure(p, row, "over_minutes", "min"))
    else:
        rates = [r for r in p.table("infusion_rates") if r["drug"] == drug and r["level"] == "warning" and not r.get("who")]
        rates = rates or [r for r in p.table("infusion_rates") if r["drug"] == drug and not r.get("who")]
        minutes = shortest(p, rates[0], dose) if rates else None
    return (Amend("Change to the usual load for this patient", drug=drug, dose=dose, minutes=minutes),)


def _large(p: ParameterSet, row: Row, level: str) -> Branch:
    drug = str(row["drug"])
    key, most_key = ("load_over_critical", "load_over_critical") if level == "critical" else ("load_over_warning", "load_over_most_warning")
    over: Criterion = too_much(p, row, key, most_key)
    if row["judged"] == "either":
        # Two ranges: only what is above both is too much (R-n33).
        over = AllOf(over.parts) if isinstance(over, AnyOf) else over
    words = _load_words(p, row, f"{_name(row)} load {{dose}}: above {{most}} for this patient; reduce it, by local protocol")
    return Branch(f"{drug} load too large, {level}", AllOf((_is(drug), load(drug), over)), level, words, _change(p, row, "most"))


def _small(p: ParameterSet, row: Row) -> list[Branch]:
    drug = str(row["drug"])
    usual = "least" if row["judged"] == "fixed" else "most"
    under, start = too_little(p, row), f"{_name(row)} load {{dose}}"
    if row["judged"] == "either":
        unit = unit_of(drug)
        under = AllOf((Below(amount(drug), row_figure(p, row, "least", unit)), Below(per_kg(drug), row_figure(p, row, "least_per_kg", f"{unit}/kg"))))
    found: list[Branch] = []

    def branch(name: str, when: Criterion, indicator: str, words: Words, *proposals: Proposal) -> None:
        found.append(Branch(f"{drug} load small{name}", AllOf((_is(drug), load(drug), under, when)), indicator, words, proposals))

    if drug in PHENYTOINS:
        level, age = Latest("phenytoin_total", p["phenytoin_level_age"]), p["phenytoin_level_age"]
        partial = Formula("phenytoin_partial_load", age)
        taken = AnyOrder(OrderFilter(PHENYTOINS, "active"), Not(OrderIs("one-off")))
        none = NoneWithin(("phenytoin_total",), age)
        branch(", level known", AllOf((Not(none), taken)), "info", _load_words(
            p, row, f"{start} at level {{level}}: a partial load, check it against {{partial}}", "Level {level}, {level.age}; load that would lift it to the target: {partial}.", level=level, partial=partial))  # fmt: skip
        branch(", taken before, no level", AllOf((none, taken)), "info", _load_words(
            p, row, f"{start} in a patient on phenytoin: measure the level now, give by local protocol", "A phenytoin is on the list; no level on record."))
    if "label_per_kg" in row:
        inside = AtLeastValue(per_kg(drug), row_figure(p, row, "label_per_kg", f"{unit_of(drug)}/kg"))
        branch(", within the label", inside, "info", _load_words(p, row, f"{start}: within the US label, below the guideline's {{least}}; check which is meant"), *_change(p, row, usual))
    branch("", _is(drug), "warning", _load_words(p, row, f"{start}: under {{least}} for this patient; give the full load, by local protocol"), *_change(p, row, usual))
    return found


def _family(drug: str) -> tuple[str, ...]:
    return PHENYTOINS if drug in PHENYTOINS else (drug,)


def _earlier(p: ParameterSet, drug: str, such_that: tuple[Criterion, ...] = ()) -> Criterion:
    """A load of the same medicine given within a day: one dose by vein, not one of a course."""
    return AnyOrder(OrderFilter(_family(drug), "given", started_within=p["load_again_within"]), AllOf((OrderIs("one-off"), OrderIs("intravenous"), *such_that)))


def _is_full(p: ParameterSet, drug: str) -> Criterion:
    """The order in hand is a full load of a medicine of the family."""
    rows = [row for row in p.table("anti_seizure") if row["drug"] in _family(drug)]
    return either([AllOf((_is(str(row["drug"])), Not(too_little(p, row)))) for row in rows])


def _again(p: ParameterSet, row: Row, *, full: bool) -> Branch:
    drug = str(row["drug"])
    since = SinceStart(OrderFilter(_family(drug), "given", started_within=p["load_again_within"]))
    if full:
        drafts = CountOrders(OrderFilter(_family(drug), "drafted"), AllOf((load(drug), _is_full(p, drug))))
        again = AnyOf((_earlier(p, drug, (_is_full(p, drug),)), AtLeastValue(drafts, p["load_twice"])))
        when = AllOf((_is(drug), OrderIs("new"), load(drug), Not(too_little(p, row)), again))
        summary = f"{_name(row)} {{dose}}: a second full load within {{p.load_again_within}}; stop and check what was given"
    else:
        when = AllOf((_is(drug), OrderIs("new"), load(drug), _earlier(p, drug)))
        summary = f"{_name(row)} {{dose}}: a load was given {{since}} ago; check that both together are meant"
    words = _load_words(p, row, summary, "Last dose by vein on record: {since} ago.", since=since)
    return Branch(f"{drug} second load{', full' if full else ''}", when, "critical" if full else "warning", words)


def _two_over(p: ParameterSet, row: Row) -> Branch:
    """Both loads together exceed the upper end (R-n31); not judged where doses of a course run beside them."""
    drug = str(row["drug"])
    unit, within = unit_of(drug), p["load_again_within"]
    others = [other for other in _family(drug) if other != drug]
    given: list[Expression] = [Given(f"drug:{drug}", within), *(Scaled(Given(f"drug:{o}", within), p["phenytoin_per_equivalent"], unit) for o in others)]
    by_weight: list[Expression] = [Given(f"drug:{drug}", within, True), *(Scaled(Given(f"drug:{o}", within, True), p["phenytoin_per_equivalent"], f"{unit}/kg") for o in others)]
    together = Plus((amount(drug), *given))
    parts: list[Criterion] = [Above(together, row_figure(p, row, "most", unit))]
    if "most_per_kg" in row:
        parts.append(Above(Plus((per_kg(drug), *by_weight)), row_figure(p, row, "most_per_kg", f"{unit}/kg")))
    course = AnyOrder(OrderFilter(_family(drug), "running"), Not(OrderIs("one-off")))
    when = AllOf((_is(drug), OrderIs("new"), load(drug), _earlier(p, drug), Not(course), either(parts)))
    words = _load_words(p, row, f"{_name(row)} {{dose}}, with what was given {{together}}: above {{most}}; check and reduce", together=together)
    return Branch(f"{drug} two loads too large", when, "critical", words)
