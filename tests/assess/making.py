"""Small local knowledge for the tests of judging: advisories in few words, made ready for adults and children."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from cds.advisory import INDICATORS, Advisory, Branch, Finding, Trigger, Words
from cds.assess import assess
from cds.chart import NO_MEMORY, Chart, Memory, Override
from cds.knowledge import Knowledge, join, population_of
from cds.logic.criteria import AllOf, Below, Criterion, Latest, OrderFilter, OrderIs
from cds.logic.scene import StateDef
from cds.parameters import ParameterSet
from tests.logic.scenes import dosage, figure, ingredient, order, parameters

P = parameters(
    figure("age", "240", "min"), figure("low", "3.5", "mmol/L"), figure("very_low", "3.0", "mmol/L"), figure("high", "6.0", "mmol/L"),
    figure("child_only", "0", "mmol/L", child="3.2"), figure("apart", "0", "mmol/L", adult="3.5", child="3.0"), figure("refire_own", "60", "min"),
    figure("gap_recent_condition", "2880", "min"), figure("gas_age", "240", "min"), figure("gas_together", "5", "min"), figure("gas_inconsistent", "0.10", "1"),
    figure("gas_doubtful", "0.05", "1"), figure("samples_together", "30", "min"), figure("samples_differ_potassium", "0.6", "mmol/L"),
    figure("samples_differ_sodium", "6", "mmol/L"), figure("samples_differ_glucose", "0.20", "1"),
)  # fmt: skip
CATALOGUE = frozenset(
    {
        "insulin-with-low-potassium", "insulin-without-recent-potassium", "potassium-replacement-missing", "hypoglycaemia", "dka-criteria-met",
        "magnesium-low", "phosphate-low", "calcium-low", "hyperkalaemia", "crisis-resolved",
    }
)  # fmt: skip
A6, A7, B3, A5, A1 = "insulin-with-low-potassium", "insulin-without-recent-potassium", "potassium-replacement-missing", "hypoglycaemia", "dka-criteria-met"


def potassium_below(key: str, p: ParameterSet) -> Criterion:
    return Below(Latest("potassium", p["age"]), p[key])


def branch(name: str, when: Criterion, indicator: str, summary: str = "Something is low", **more: Any) -> Branch:
    return Branch(name, when, indicator, Words(summary, **more))


def advisory(code: str, *branches: Branch, **more: Any) -> Advisory:
    made: dict[str, Any] = {
        "title": code, "problem": code, "kind": "result", "trigger": Trigger(), "sources": ("local to this test",), "without_age": True, "always": INDICATORS,
    }  # fmt: skip
    return Advisory(code=code, branches=branches, **{**made, **more})


Advisories = Callable[[ParameterSet], tuple[Advisory, ...]]


def knowledge_of(advisories: Advisories, states: Mapping[str, StateDef] | None = None, p: ParameterSet = P) -> Knowledge:
    """Both populations over local figures."""
    made = {
        who: population_of(who, p, advisories(p.for_population(who)), catalogue=CATALOGUE, states=states or {})  # type: ignore[arg-type]
        for who in ("adult", "child")
    }
    return join(p, made["adult"], made["child"])


def over_drafts(p: ParameterSet, code: str = A6, key: str = "low", indicator: str = "critical", **more: Any) -> Advisory:
    """A code about each drafted insulin."""
    when = AllOf((OrderIs("drafted"), potassium_below(key, p)))
    return advisory(code, branch("low", when, indicator), kind="order", over=OrderFilter(("insulin",), "either", "intravenous"), always=(), **more)


def insulin(ref: str = "i", *, drafted: bool = True, rate: str = "6 mL/h", **more: Any) -> Any:
    return order(
        ingredient("insulin_soluble", "50 [iU] / 50 mL"), ref=f"MedicationRequest/{ref}", drafted=drafted, doses=(dosage(dose="50 mL", rate=rate),), **more
    )


def override(finding: Finding, *, minutes: int, indicator: str = "", inputs: str = "", now: int) -> Memory:
    row = Override(finding.code, indicator or finding.indicator, inputs or finding.inputs, now - minutes * 60_000, "u")
    return Memory((row,))


def judged(held: Chart, knowledge: Knowledge, memory: Memory = NO_MEMORY, **more: Any) -> Any:
    return assess(held, memory, knowledge, **more)


def outcomes(made: Any) -> dict[str, str]:
    return {v.code: v.outcome.value for v in made.verdicts}
