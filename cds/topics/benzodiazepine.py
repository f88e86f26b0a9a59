"""A benzodiazepine for a seizure: dose by route, age and weight, how many, how soon and how fast (C4). The doses are rows of benzodiazepine.toml."""

from __future__ import annotations

from collections.abc import Sequence

from cds.advisory import Advisory, Amend, Branch, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    Age,
    AllOf,
    AnyOf,
    AtLeastValue,
    AtMostValue,
    Below,
    CountOrders,
    Criterion,
    Expression,
    Figure,
    HasOrder,
    Latest,
    NoneWithin,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    RatePerWeight,
    SinceStart,
    State,
)
from cds.parameters import Parameter, ParameterSet
from cds.states.doses import SEIZURES, Row, amount, bound, chosen, highest, per_hour, per_kg, per_minute, row_figure, too_little, too_much, weight
from cds.states.parts import computable, either, if_known
from cds.vocabulary import DRUGS

SOURCES = (
    "Glauser T et al. Evidence-based guideline: treatment of convulsive status epilepticus. Epilepsy Curr 2016;16:48-61",
    "Silbergleit R et al. Intramuscular versus intravenous therapy for prehospital status epilepticus (RAMPART). N Engl J Med 2012;366:591-600",
    "Kapur J et al. (ESETT). N Engl J Med 2019;381:2103-2113: adequate benzodiazepine doses",
    "NICE NG217. Epilepsies in children, young people and adults, 2022",
)
CLASS = ("benzodiazepine",)
ROUTES = {"intravenous": "by vein", "intramuscular": "into muscle", "nasal": "into the nose", "buccal": "into the cheek", "rectal": "by rectum"}
_FACTS = {"intravenous": "intravenous", "intramuscular": "into muscle", "nasal": "nasal", "buccal": "buccal", "rectal": "rectal"}
# Drug and route that are wrong for a seizure, and what to use.
WRONG = (("diazepam", "intramuscular"), ("lorazepam", "rectal"), ("lorazepam", "intramuscular"))


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Table and sources: benzodiazepine.toml."""
    rows = p.table("benzodiazepines")
    branches = [_over(p, row, "critical") for row in rows]
    branches += [_many(p, dangerous=True), *(_wrong(p, drug, route) for drug, route in WRONG), _many(p, dangerous=False)]
    branches += [_soon(p), _together(p), *(_over(p, row, "warning") for row in rows), *(_fast(p, row) for row in rows if "fastest" in row)]
    branches += [_under(p, row) for row in rows] + [_unweighed(p, row) for row in rows if "unweighed" in row]
    return (
        Advisory(
            code="benzodiazepine-dose-check",
            title="Benzodiazepine for a seizure",
            problem="benzodiazepine order",
            kind="order",
            trigger=Trigger((("drafted:benzodiazepine",),)),
            over=OrderFilter(CLASS, "drafted"),
            branches=tuple(branches),
            sources=SOURCES,
            quiet=_quiet(),
            hazards=("HZ-17", "HZ-18", "HZ-36", "HZ-38"),
            purpose="Under-dosing is the commonest error in status; a third dose is the next.",
        ),
    )


def _quiet() -> Criterion:
    """A withdrawal protocol, or an infusion of midazolam as an anaesthetic."""
    return AnyOf((OrderReason(("alcohol_withdrawal", "sedative_withdrawal")), AllOf((OrderHas(("midazolam",), "active"), OrderIs("infusion")))))


def _for_seizure() -> Criterion:
    """One dose, or one as needed, while a seizure goes on or may go on (O-N09), or for one by its reason."""
    wanted = AnyOf((State("seizure ongoing"), State("undated seizure"), OrderReason(SEIZURES)))
    return AllOf((wanted, AnyOf((OrderIs("one-off"), OrderIs("as needed")))))


def _here(drug: str, route: str) -> tuple[Criterion, ...]:
    return (OrderHas((drug,), "active"), OrderIs(_FACTS[route]), _for_seizure(), chosen(drug))


def _band(p: ParameterSet, row: Row) -> list[Criterion]:
    """The age and weight for which a row holds."""
    parts: list[Criterion] = []
    for column, node, item, unit in (
        ("from_age", AtLeastValue, Age(), "a"), ("below_age", Below, Age(), "a"), ("from_days", AtLeastValue, Age("days"), "d"),
        ("from_kg", AtLeastValue, weight(p), "kg"), ("to_kg", AtMostValue, weight(p), "kg"), ("above_kg", Above, weight(p), "kg"), ("below_kg", Below, weight(p), "kg"),
    ):  # fmt: skip
        if column in row:
            parts.append(node(item, row_figure(p, row, column, unit)))
    return parts


def _name(row: Row) -> str:
    return f"{DRUGS[str(row['drug'])].label.capitalize()} {{dose}} {ROUTES[str(row['route'])]}"


def _label(row: Row) -> str:
    edges = [f"{column} {row[column]}" for column in ("from_age", "from_days", "from_kg", "to_kg", "above_kg", "below_kg") if column in row]
    return " ".join((str(row["drug"]), str(row["route"]), *edges)).replace("_", " ")


def _words(p: ParameterSet, drug: str, summary: str, row: Row | None, *found: str, **facts: Expression) -> Words:
    shown: dict[str, Expression] = {"dose": amount(drug), "per_kg": per_kg(drug), "weight": weight(p), **_doses(p), **facts}
    lines = ["Dose {dose}, {per_kg}; weight {weight}.", *found]
    if row is not None:
        shown |= {"least": bound(p, row, "least"), "most": bound(p, row, "most")}
        lines.append("Dose for a seizure here: {least} to {most}.")
    lines.append("Full benzodiazepine doses on record in the last hour: {count}; time since the last: {since}.")
    return Words(
        summary, tuple(lines),
        ("By local protocol: airway, suction, oxygen and monitor first; a full dose, once more after {p.benzodiazepine_apart}, then the next medicine.",),
        ("Half a dose first in frailty is common practice and is an under-dose in status.", "Never a reason to delay the first dose."),
        ("Second lorazepam dose: guidelines after {p.benzodiazepine_apart}, the label after {p.benzodiazepine_apart_label}.",) if drug == "lorazepam" else (),
        facts=shown,
    )  # fmt: skip


def _change(p: ParameterSet, row: Row, end: str) -> tuple[Proposal, ...]:
    return (Amend("Change to the dose for a seizure", drug=str(row["drug"]), dose=bound(p, row, end)),)


# How much ----------------------------------------------------------------------------------------------------------------------------


def _over(p: ParameterSet, row: Row, level: str) -> Branch:
    """Above a share of the dose or of the maximum. The highest maximum of the drug and route is checked also where weight or age are not known."""
    drug, route = str(row["drug"]), str(row["route"])
    key = "benzodiazepine_over_critical" if level == "critical" else "" if row.get("exact") == "yes" else "benzodiazepine_over"
    over: Criterion = AllOf((*_band(p, row), too_much(p, row, key, key))) if _band(p, row) else too_much(p, row, key, key)
    alike = [other for other in p.table("benzodiazepines") if other["drug"] == drug and other["route"] == route]
    if row is alike[0] and len(alike) > 1:
        over = AnyOf((over, too_much(p, highest(alike), key, key)))
    words = _words(p, drug, f"{_name(row)}: above {{most}}, the dose for a seizure; reduce it", row)
    return Branch(f"{_label(row)} over, {level}", AllOf((*_here(drug, route), over)), level, words, _change(p, row, "most"))


def _under(p: ParameterSet, row: Row) -> Branch:
    drug, route = str(row["drug"]), str(row["route"])
    under = too_little(p, row, "" if row.get("exact") == "yes" else "benzodiazepine_under")
    words = _words(p, drug, f"{_name(row)}: under-dose for a seizure; give the full {{full}}", row, full=bound(p, row, "most"))
    return Branch(f"{_label(row)} under", AllOf((*_here(drug, route), *_band(p, row), under)), "warning", words, _change(p, row, "most"))


def _unweighed(p: ParameterSet, row: Row) -> Branch:
    """An adult without a weight: the usual adult dose is checked."""
    drug, route = str(row["drug"]), str(row["route"])
    usual: Row = {"drug": drug, "least": row["unweighed"], "most": row["most"], "source": row["source"], "verified": row["verified"]}
    none = NoneWithin(("weight",), p["weight_age"])
    words = _words(p, drug, f"{_name(row)}: under the usual adult {{usual}}; give the full dose", None, usual=Figure(row_figure(p, usual, "least", "mg")))
    return Branch(f"{_label(row)} under, no weight", AllOf((*_here(drug, route), none, too_little(p, usual, "benzodiazepine_under"))), "warning", words)


# Which way, how many, how soon, how fast -----------------------------------------------------------------------------------------------


def _wrong(p: ParameterSet, drug: str, route: str) -> Branch:
    way = ROUTES[route]
    instead = "use midazolam into muscle, or a vein" if route == "intramuscular" else "use diazepam by rectum, buccal midazolam, or a vein"
    words = _words(p, drug, f"{DRUGS[drug].label.capitalize()} {way} acts late and unsurely in a seizure: {instead}", None)
    return Branch(f"{drug} {route} wrong", AllOf(_here(drug, route)), "warning", words)


def _given(p: ParameterSet) -> OrderFilter:
    return OrderFilter(CLASS, "given", started_within=p["benzodiazepine_dose_age"])


def _doses(p: ParameterSet) -> dict[str, Expression]:
    return {"count": CountOrders(_given(p), Not(_small(p))), "since": SinceStart(_given(p))}


def _small(p: ParameterSet) -> Criterion:
    """A given dose that is too small by every row of its drug; one whose amount or whose patient's weight is not known counts as a full one."""
    by_drug: dict[str, list[Criterion]] = {}
    for row in p.table("benzodiazepines"):
        by_drug.setdefault(str(row["drug"]), []).append(too_little(p, row, "benzodiazepine_under"))
    weighed = Not(NoneWithin(("weight",), p["weight_age"]))
    known: Sequence[Criterion] = [
        AllOf((OrderHas((drug,), "active"), weighed, Not(NotComputable(amount(drug))), *parts)) for drug, parts in by_drug.items()
    ]
    return either(known)


def _many(p: ParameterSet, *, dangerous: bool) -> Branch:
    two = AtLeastValue(CountOrders(_given(p), Not(_small(p))), p["benzodiazepine_doses"])
    facts: dict[str, Expression] = {}
    summary = "A third benzodiazepine dose within {p.benzodiazepine_dose_age}: give the second-line medicine now instead"
    parts: tuple[Criterion, ...] = ()
    if dangerous:
        age = p["benzodiazepine_sign_age"]
        rate, spo2, gcs = Latest("respiratory_rate", age), Latest("spo2", age), Latest("gcs", p["consciousness_age"])
        coma = AllOf((Not(State("seizure ongoing")), if_known("gcs", p["consciousness_age"], AtMostValue(gcs, p["benzodiazepine_coma"]))))
        low = (
            if_known("respiratory_rate", age, Below(rate, p["benzodiazepine_breathing_low"])), if_known("spo2", age, Below(spo2, p["benzodiazepine_saturation_low"])), coma,
        )  # fmt: skip
        parts = (AnyOf(low), Not(State("airway shown protected")))
        facts = {"rate": rate, "spo2": spo2, "gcs": gcs}
        summary = "A third benzodiazepine at breathing rate {rate}, saturation {spo2}: stop, secure the airway, second-line now"
    words = Words(
        summary,
        ("Full benzodiazepine doses on record in the last hour: {count}; time since the last: {since}.", *(("Breathing rate {rate}, saturation {spo2}, coma score {gcs}.",) if dangerous else ())),
        ("By local protocol: levetiracetam, fosphenytoin or valproate now; airway and a trained person at hand.",),
        ("A dose whose amount is not recorded counts as a full one: check what was given, before the hospital too.",),
        facts={**_doses(p), **facts},
    )  # fmt: skip
    name = "too many, breathing" if dangerous else "too many"
    return Branch(name, AllOf((_for_seizure(), two, *parts)), "critical" if dangerous else "warning", words)


def _soon(p: ParameterSet) -> Branch:
    since = SinceStart(_given(p))
    words = Words(
        "Benzodiazepine again after {since}: wait {p.benzodiazepine_apart} from the last dose, then give it if it still seizes",
        ("Doses on record in the last hour: {count}.",), ("By local protocol: prepare the second dose and the next medicine meanwhile.",),
        ("A first dose that was too small is made full at once.",), facts=_doses(p),
    )  # fmt: skip
    return Branch("too soon", AllOf((_for_seizure(), HasOrder(_given(p)), computable(since, Below(since, p["benzodiazepine_apart"])))), "warning", words)


def _together(p: ParameterSet) -> Branch:
    """Two in one set of drafts: the second would come too soon (R-n29)."""
    drafts = CountOrders(OrderFilter(CLASS, "drafted"), AllOf((_for_seizure(), Not(OrderIs("as needed")))))
    words = Words(
        "Benzodiazepines drafted together: {drafts}; give one, and the second only after {p.benzodiazepine_apart}",
        ("Doses on record in the last hour: {count}.",), ("By local protocol: one full dose now; decide on the second when it still seizes.",),
        ("Never a reason to delay the first dose.",), facts={"drafts": drafts, **_doses(p)},
    )  # fmt: skip
    return Branch("two drafted", AllOf((_for_seizure(), AtLeastValue(drafts, p["benzodiazepine_doses"]))), "warning", words)


def _fast(p: ParameterSet, row: Row) -> Branch:
    drug, route = str(row["drug"]), str(row["route"])
    hourly = per_hour(drug)
    limit: Parameter = row_figure(p, row, "fastest", "mg/min")
    rates: list[Criterion] = [Above(hourly, limit)]
    found: tuple[str, ...] = ("Given over {minutes}.",)
    facts: dict[str, Expression] = {"rate": per_minute(p, drug), "limit": Figure(limit), "minutes": OfOrder("duration_minutes", f"drug:{drug}")}
    if "fastest_per_kg" in row:
        by_weight = row_figure(p, row, "fastest_per_kg", "mg/kg/h")
        rates.append(Above(RatePerWeight(f"drug:{drug}"), by_weight))
        facts["by_weight"] = Figure(by_weight)
        found = (*found, "And at most {by_weight}.")
    words = _words(p, drug, f"{_name(row)} at {{rate}}: slow to {{limit}} or less", row, *found, **facts)
    return Branch(f"{_label(row)} too fast", AllOf((*_here(drug, route), computable(hourly, either(rates)))), "warning", words)
