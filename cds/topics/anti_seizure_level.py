"""Levels of anti-seizure medicines: missing after a seizure (C11), outside the range (C12). Phenytoin is judged as corrected for albumin; a free level outranks that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cds.advisory import Advisory, Branch, Measure, Proposal, Trigger, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AtLeastValue,
    Below,
    Between,
    Criterion,
    Expression,
    Formula,
    HasOrder,
    InvestigationOrdered,
    Latest,
    NoneWithin,
    Not,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
)
from cds.parameters import ParameterSet
from cds.states.kidney import clearance
from cds.states.parts import computable, if_known

# A draft of one of these is for the same problem (O-N01).
TOUCHES = ("anti_seizure", "benzodiazepine", "anaesthetic_agent", "magnesium_sulfate", "flumazenil")
PROBLEM = "anti-seizure medicine level"
PHENYTOINS = ("phenytoin", "fosphenytoin")
ADHERENCE = ("levetiracetam", "lamotrigine", "lacosamide", "oxcarbazepine")
SOURCES = (
    "Sheiner LB, Tozer TN. Clinical Pharmacokinetics, 1978: phenytoin and albumin",
    "Ranges: laboratory handbooks and labels; each figure's source stands in the knowledge. The critical figures are our own: a pharmacist signs them",
)


@dataclass(frozen=True, slots=True)
class _Level:
    """A level that is measured: its analyte, what it is called, the key of its figures, and the medicines that it is of."""

    analyte: str
    label: str
    key: str
    drugs: tuple[str, ...]


OTHERS = (
    _Level("valproate_level", "Valproate", "valproate", ("valproate",)),
    _Level("carbamazepine_level", "Carbamazepine", "carbamazepine", ("carbamazepine",)),
    _Level("phenobarbital_level", "Phenobarbital", "phenobarbital", ("phenobarbital", "primidone")),
)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """Both codes for one population. Figures and sources: anti_seizure_level.toml."""
    return (_out_of_range(p), _missing(p))


# C11 ---------------------------------------------------------------------------------------------------------------------------------


def _missing(p: ParameterSet) -> Advisory:
    """Each maintenance medicine is judged by itself."""
    facts: dict[str, Expression] = {"since": OfOrder("started_minutes", "")}
    # In steady state: at home, or so many days on the ward (R-n48).
    settled = AnyOf((OrderIs("at home"), AllOf((Not(OrderIs("drafted")), Not(OrderIs("one-off")), AtLeastValue(OfOrder("started_minutes", ""), p["level_settled_after"])))))
    kinds: tuple[tuple[str, tuple[str, ...], tuple[str, ...], str, tuple[Proposal, ...]], ...] = (
        ("phenytoin", PHENYTOINS, ("phenytoin_total", "phenytoin_free"), "Measure phenytoin", (
            Measure("phenytoin_total", "Measure phenytoin now, before the next dose"), Measure("phenytoin_free", "Measure free phenytoin", urgent=False),
            Measure("albumin", "Measure albumin", unless_within=p["albumin_age"]))),
        ("valproate", ("valproate",), ("valproate_level",), "Measure valproate", (
            Measure("valproate_level", "Measure valproate now, before the next dose"), Measure("ammonia", "Measure ammonia", unless_within=p["level_before_onset"]))),
        ("carbamazepine", ("carbamazepine",), ("carbamazepine_level",), "Measure carbamazepine", (Measure("carbamazepine_level", "Measure carbamazepine now, before the next dose"),)),
        ("phenobarbital", ("phenobarbital", "primidone"), ("phenobarbital_level",), "Measure phenobarbital", (
            Measure("phenobarbital_level", "Measure phenobarbital now, before the next dose"),)),
    )  # fmt: skip

    def words(summary: str) -> Words:
        return Words(
            summary, ("About: {order}. No level from {p.level_before_onset} before the seizure to now.",),
            ("By local protocol: take the level before the next dose; do not wait for it to treat.", "Ask what was taken in the last days, what was vomited, and which medicine is new."),
            ("A level in the range does not exclude that it was too low for this patient.",), facts=facts,
        )  # fmt: skip

    branches = [
        Branch(
            name,
            AllOf(
                (
                    OrderHas(drugs, "active"), State("seizure now"), settled, Not(InvestigationOrdered(analytes, "drafted")),
                    NoneWithin(analytes, p["level_before_onset"], "seizure onset", p["level_without_onset"]),
                )
            ),
            "warning", words(f"{summary} now: a seizure on maintenance, and no level since"), measure,
        )
        for name, drugs, analytes, summary, measure in kinds
    ]  # fmt: skip
    branches.append(
        Branch(
            "adherence only", AllOf((OrderHas(ADHERENCE, "active"), State("seizure now"), settled)), "info",
            Words(
                "Check that it was taken: a seizure on maintenance, {order}", ("A level of this medicine tells only whether it was taken; it has no proven range.",),
                ("By local protocol: ask what was taken in the last days; a level now, before the next dose, where the laboratory offers it.",),
                ("Do not wait for it to treat.", "Levels of this medicine are not read by this service."), facts=facts,
            ),
        )
    )  # fmt: skip
    return Advisory(
        code="asm-level-missing-after-breakthrough",
        title="Seizure on maintenance without a level",
        problem=PROBLEM,
        kind="result",
        # By the medicines alone: where their list failed nothing else may gate it.
        trigger=Trigger((tuple(f"{place}:anti_seizure" for place in ("drafted", "running", "listed")),)),
        over=OrderFilter((*PHENYTOINS, "valproate", "carbamazepine", "phenobarbital", "primidone", *ADHERENCE), "active"),
        branches=tuple(branches),
        sources=("Common practice: a level at a breakthrough seizure, before the next dose",),
        touches=TOUCHES,
        touched=("critical", "warning"),
        asks_itself=("phenytoin_total", "phenytoin_free", "valproate_level", "carbamazepine_level", "phenobarbital_level"),
        gap_indicator="info",
        hazards=("HZ-07", "HZ-15"),
        purpose="The commonest cause of a seizure in epilepsy is a level that has fallen.",
    )


# C12 ---------------------------------------------------------------------------------------------------------------------------------


def _out_of_range(p: ParameterSet) -> Advisory:
    phenytoin = _phenytoin(p)
    branches: list[Branch] = list(phenytoin["critical"])
    branches += [_other(p, level, "critical") for level in OTHERS]
    branches += phenytoin["above"]
    branches += [_other(p, level, "above") for level in OTHERS]
    branches += phenytoin["low with a seizure"]
    branches += [_other(p, level, "low with a seizure") for level in OTHERS]
    branches += phenytoin["info"]
    branches += [_other(p, level, "low") for level in OTHERS]
    analytes = ("phenytoin_total", "phenytoin_free", *(level.analyte for level in OTHERS))
    return Advisory(
        code="asm-level-out-of-range",
        title="Level of an anti-seizure medicine out of range",
        problem=PROBLEM,
        kind="result",
        trigger=Trigger((tuple(f"analyte:{analyte}" for analyte in analytes),)),
        branches=tuple(branches),
        sources=SOURCES,
        touches=TOUCHES,
        touched=("critical", "warning"),
        gap_indicator="info",
        hazards=("HZ-02", "HZ-06", "HZ-25"),
        purpose="A level that harms, or that cannot hold the seizures.",
    )


def _too_early(drug: str) -> Criterion:
    return State(f"{drug} level too early")


def _on(drugs: Sequence[str]) -> Criterion:
    return HasOrder(OrderFilter(tuple(drugs), "active"))


def _other(p: ParameterSet, level: _Level, kind: str) -> Branch:
    """One level, one way in which it is out of range. Range edges are inside the range."""
    value = Latest(level.analyte, p["level_age"])
    settled = () if level.key == "carbamazepine" else (Not(_too_early(level.key)),)
    facts: dict[str, Expression] = {"level": value}
    low = (Below(value, p[f"{level.key}_level_low"]), _on(level.drugs))
    name = level.label
    rows: dict[str, tuple[tuple[Criterion, ...], str, str, tuple[str, ...]]] = {
        "critical": ((Above(value, p[f"{level.key}_level_critical"]),), "critical",
                     f"{name} {{level}}, far above {{p.{level.key}_level_high}}: stop the next doses, look for coma and slow breathing", _HIGH),
        "above": ((Above(value, p[f"{level.key}_level_high"]),), "warning", f"{name} {{level}}, above {{p.{level.key}_level_high}}: check for toxicity, reduce the next dose", _HIGH),
        "low with a seizure": ((*low, State("seizure now")), "warning", f"{name} {{level}}, below {{p.{level.key}_level_low}}, after a seizure: check doses taken, raise the level", _LOW),
        "low": (low, "info", f"{name} {{level}}, below {{p.{level.key}_level_low}}: check that it is taken; no change if seizures are held", _LOW),
    }  # fmt: skip
    when, indicator, summary, do = rows[kind]
    cautions = ["When in the dosing interval it was drawn decides what it means: a trough tells most."]
    if level.key == "valproate":
        cautions.append("Above {p.valproate_platelets_female} in women and {p.valproate_platelets_male} in men platelets fall: look at the count; drowsiness: ammonia.")
    return Branch(
        f"{level.key}, {kind}", AllOf((State(f"{level.analyte} known"), *when, *settled)), indicator,
        Words(summary, (f"{name} {{level}}, {{level.age}}; range {{p.{level.key}_level_low}} to {{p.{level.key}_level_high}}.",), do, tuple(cautions), facts=facts),
    )  # fmt: skip


_HIGH = (
    "By local protocol: look for drowsiness, ataxia, nystagmus; hold or reduce the next doses; repeat the level.",
    "Ask which medicine is new, and whether more was taken. An overdose goes to a poisons service.",
)
_LOW = ("By local protocol: ask what was taken; a partial load or a higher dose where seizures return.", "Ask which medicine is new: inducers and carbapenems lower levels.")


def _phenytoin(p: ParameterSet) -> dict[str, list[Branch]]:
    """Free level first; else the total as corrected (kidney failure form below its limit or on dialysis); without an albumin only what is too high anyway."""
    age = p["level_age"]
    total, free, albumin = Latest("phenytoin_total", age), Latest("phenytoin_free", age), Latest("albumin", p["albumin_age"])
    usual, renal = Formula("phenytoin_corrected", age), Formula("phenytoin_corrected_renal", age)
    rate = clearance(p)
    facts: dict[str, Expression] = {"total": total, "free": free, "albumin": albumin, "usual": usual, "renal": renal, "clearance": rate}
    child = p.population == "child"
    failing_below = p["phenytoin_renal_child_below"] if child else p["formula_phenytoin_renal_below"]
    failing = AnyOf((State("on dialysis"), computable(rate, Below(rate, failing_below))))
    no_free, has_albumin = NoneWithin(("phenytoin_free",), age), Not(NoneWithin(("albumin",), p["albumin_age"]))
    displaced = _on(("valproate",))
    judged = Not(_too_early("phenytoin"))

    def of_free(limit: Criterion) -> Criterion:
        return AllOf((State("phenytoin_free known"), limit, judged))

    def of_total(criterion: Criterion) -> Criterion:
        return AllOf((State("phenytoin_total known"), no_free, criterion, judged))

    def over(key: str) -> Criterion:
        """Above by the form that holds; the measured total above it is above it whatever the albumin and whatever displaces (R-n50)."""
        corrected = AllOf((has_albumin, Not(displaced), AnyOf((AllOf((Not(failing), Above(usual, p[key]))), AllOf((failing, Above(renal, p[key])))))))
        return of_total(AnyOf((Above(total, p[key]), corrected)))

    under = AllOf(
        (has_albumin, Not(displaced), _on(PHENYTOINS), AnyOf((AllOf((Not(failing), Below(usual, p["phenytoin_level_low"]))), AllOf((failing, Below(renal, p["phenytoin_level_low"]))))))
    )
    free_low = of_free(AllOf((Below(free, p["phenytoin_free_level_low"]), _on(PHENYTOINS))))
    numbers = (
        "Measured {total}, {total.age}; albumin {albumin}; free {free}; clearance {clearance}.",
        "Corrected for albumin (Sheiner-Tozer) {usual}; by the form for kidney failure {renal}.",
    )
    differs = (
        "The kidney failure form decides below {p.formula_phenytoin_renal_below} or on dialysis; other texts use it below {p.phenytoin_renal_other_text}, or up to {p.formula_phenytoin_both_below}.",
    )
    high = (
        "By local protocol: look for nystagmus, ataxia, drowsiness, a slow heart; leave out the next dose, repeat the level.",
        "Change later doses in small steps: near the top of the range at most {p.phenytoin_small_step}.",
    )
    low = ("By local protocol: ask what was taken; a partial load where seizures return.", "Change doses in small steps: near the top of the range at most {p.phenytoin_small_step}.")
    ask = ("By local protocol: a free level and an albumin; judge by the patient meanwhile.",)
    cautions = ("Nystagmus, ataxia or coma is toxicity even where the total looks normal.", "Valproate displaces phenytoin: the corrected total then reads too low.")
    measure_free = Measure("phenytoin_free", "Measure free phenytoin", unless_within=age)
    measure_albumin = Measure("albumin", "Measure albumin", urgent=False, unless_within=p["albumin_age"])

    def branch(name: str, when: Criterion, indicator: str, summary: str, do: tuple[str, ...], *offered: Proposal) -> Branch:
        return Branch(f"phenytoin, {name}", when, indicator, Words(summary, numbers, do, cautions, () if child else differs, facts=facts), offered)

    between = Between(rate, p["formula_phenytoin_renal_below"], p["formula_phenytoin_both_below"])
    unclear = AnyOf((Below(total, p["phenytoin_level_low"]), State("seizure now"), if_known("gcs", p["consciousness_age"], Below(Latest("gcs", p["consciousness_age"]), p["consciousness_full"]))))
    info = [
        branch("free, low", free_low, "info", "Free phenytoin {free}, below {p.phenytoin_free_level_low}: check that it is taken; no change if seizures are held", low),
        branch("with valproate", of_total(displaced), "info", "Phenytoin {total} with valproate: measure a free level, the total misleads", ask, measure_free),
        branch("albumin not known", of_total(AllOf((Not(has_albumin), unclear))), "info",
               "Phenytoin {total} cannot be judged without albumin: measure albumin or a free level", ask, measure_free, measure_albumin),
        branch("low", of_total(under), "info", "Phenytoin corrected {usual}, below {p.phenytoin_level_low}: check that it is taken; no change if seizures are held", low),
    ]  # fmt: skip
    if not child:
        both_forms = of_total(AllOf((has_albumin, Not(State("on dialysis")), computable(rate, between), Above(renal, p["phenytoin_level_high"]))))
        info.insert(2, branch("two forms differ", both_forms, "info",
                              "Measure free phenytoin: total {total} is {usual}, or {renal} by the form for kidney failure", ask, measure_free))  # fmt: skip
    return {
        "critical": [
            branch("free, far above", of_free(Above(free, p["phenytoin_free_level_critical"])), "critical",
                   "Free phenytoin {free}, far above {p.phenytoin_free_level_high}: stop the next doses, look for toxicity", high),
            branch("far above", over("phenytoin_level_critical"), "critical",
                   "Phenytoin {total} (corrected {usual}), far above {p.phenytoin_level_high}: stop the next doses", high, measure_free),
        ],
        "above": [
            branch("free, above", of_free(Above(free, p["phenytoin_free_level_high"])), "warning",
                   "Free phenytoin {free}, above {p.phenytoin_free_level_high}: check for toxicity, reduce the next dose", high),
            branch("above", over("phenytoin_level_high"), "warning",
                   "Phenytoin {total} (corrected {usual}), above {p.phenytoin_level_high}: check for toxicity, reduce", high, measure_free),
        ],
        "low with a seizure": [
            branch("free, low with a seizure", AllOf((free_low, State("seizure now"))), "warning",
                   "Free phenytoin {free}, below {p.phenytoin_free_level_low}, after a seizure: check doses taken, raise the level", low),
            branch("low with a seizure", AllOf((of_total(under), State("seizure now"))), "warning",
                   "Phenytoin corrected {usual}, below {p.phenytoin_level_low}, after a seizure: check doses, raise the level", low),
        ],
        "info": info,
    }  # fmt: skip
