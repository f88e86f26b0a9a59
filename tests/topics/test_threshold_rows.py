"""Every medicine of table T1: its grade as signed by hand here, and what each grade does in a patient who seized today, has epilepsy, is prone, or none of these."""

from __future__ import annotations

import pytest

from cds.assess import assess
from cds.chart import NO_MEMORY
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge

CODE = "seizure-threshold-lowering-order"
# Grades by labels and reports, copied by hand; cefepime is B at a low clearance.
GRADES = {
    "A": ("bupropion", "maprotiline", "fampridine", "mefloquine"),
    "B": (
        "metoclopramide", "tramadol", "tapentadol", "pethidine", "ciprofloxacin", "levofloxacin", "moxifloxacin", "ofloxacin", "norfloxacin", "imipenem", "ertapenem",
        "linezolid", "clozapine", "chlorpromazine", "amitriptyline", "imipramine", "clomipramine", "nortriptyline", "venlafaxine", "theophylline", "aminophylline",
        "tranexamic_acid", "lidocaine", "bupivacaine", "baclofen", "ciclosporin", "tacrolimus", "busulfan", "chlorambucil", "chloroquine", "hydroxychloroquine",
        "methylphenidate", "other_fluoroquinolone",
    ),
    "C": (
        "meropenem", "cefepime", "ceftazidime", "cefazolin", "benzylpenicillin", "piperacillin", "metronidazole", "isoniazid", "aciclovir", "olanzapine", "quetiapine",
        "lithium", "diphenhydramine",
    ),
}  # fmt: skip
ALL = [(grade, drug) for grade, drugs in GRADES.items() for drug in drugs]


def fires(drug: str, *conditions: object) -> str:
    """The indicator for one draft of the drug, in a patient with good kidneys."""
    route = "intravenous" if drug in ("lidocaine", "bupivacaine") else "oral"
    draft = order(drug, drafted=True, route=route, dose=("1", "mg"), per_day="1")
    made = assess(chart(result("creatinine", "55"), *conditions, draft, hook="order-sign"), NO_MEMORY, knowledge())  # type: ignore[arg-type]
    found = [f for g in made.groups for f in g.findings if f.code == CODE] + [f for f in made.folded if f.code == CODE]
    return found[0].indicator if found else ""


def test_the_table_holds_these_medicines_and_no_others() -> None:
    rows = knowledge().parameters.for_population("adult").table("t1")
    assert {str(row["drug"]) for row in rows} == {drug for _, drug in ALL}
    assert {str(row["drug"]): str(row["grade"]) for row in rows} == {drug: grade for grade, drug in ALL}


@pytest.mark.parametrize(("grade", "drug"), ALL, ids=[drug for _, drug in ALL])
def test_each_row_in_each_state(grade: str, drug: str) -> None:
    seized = condition("seizure", onset=60, ended=50, clinical="resolved")
    assert fires(drug, seized) == {"A": "critical", "B": "critical", "C": "warning"}[grade]
    # Metoclopramide is contraindicated in epilepsy alone (SmPC 4.3).
    in_epilepsy = "critical" if drug == "metoclopramide" else {"A": "critical", "B": "warning", "C": "info"}[grade]
    assert fires(drug, condition("epilepsy")) == in_epilepsy
    assert fires(drug, condition("brain_tumour")) == {"A": "warning", "B": "info", "C": ""}[grade]
    assert fires(drug) == ""
