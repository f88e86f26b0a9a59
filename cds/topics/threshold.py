"""Medicines that lower the seizure threshold, by grade and by seizure state (D1, table T1)."""

from __future__ import annotations

from collections.abc import Callable

from cds.advisory import Advisory, Branch, Trigger, Withdraw, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    Below,
    Criterion,
    Expression,
    HasCondition,
    HasOrder,
    HookIs,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    State,
    TableRow,
)
from cds.parameters import ParameterSet
from cds.states.kidney import above_kidney_limit, clearance, clearance_known, clearance_unit, low_clearance
from cds.states.parts import either, row_limit

SOURCES = (
    "Labels and product characteristics, drug by drug; each row's source stands in the table",
    "Grades, and what they mean in each seizure state, are our own: a pharmacist signs them",
)
SERIOUS = ("sepsis", "septic_shock", "meningitis", "encephalitis")
CANNOT_WAIT = ("septic_shock", "meningitis", "encephalitis")
T1 = "t1"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Table and sources: threshold.toml; daily limits by clearance: states/kidney.toml."""
    drugs = tuple(dict.fromkeys(str(row["drug"]) for row in p.table(T1)))
    return (
        Advisory(
            code="seizure-threshold-lowering-order",
            title="Medicine that lowers the seizure threshold",
            problem="seizure-threshold order",
            kind="order",
            trigger=Trigger((tuple(f"{place}:{drug}" for place in ("drafted", "running", "listed") for drug in drugs),)),
            over=OrderFilter(drugs, "active"),
            branches=_branches(p),
            sources=SOURCES,
            quiet=_quiet(),
            touches=(),
            without_age=True,
            table=T1,
            hazards=("HZ-11", "HZ-35", "HZ-36"),
            purpose="A convulsion brought on by an order.",
        ),
    )


def _row(column: str, *values: str) -> Criterion:
    return TableRow(T1, column, values)


def _quiet() -> Criterion:
    """Local anaesthetic beside a nerve, lidocaine for the heart, and a settled home medicine of grade C when the chart is opened (D1 c, d)."""
    return AnyOf(
        (
            AllOf((_row("cap", "local anaesthetic"), AnyOf((Not(OrderIs("intravenous")), OrderReason(("heart_disease",)))))),
            AllOf((HookIs(("patient-view",)), OrderIs("settled at home"), _row("grade", "C"))),
        )
    )


def _grade_b(p: ParameterSet, column: str) -> Criterion:
    """Grade B in a column; cefepime also where the clearance is low or not known."""
    parts: list[Criterion] = [_row(column, "B")]
    for row in p.table(T1):
        if row.get("grade_low_clearance") == "B":
            limit = row_limit(p, f"{row['drug']} clearance", f"{row['drug']}: clearance below which it is graded B", row["kidney_below"], clearance_unit(p), row)
            parts.append(AllOf((OrderHas((str(row["drug"]),), "active"), AnyOf((Not(clearance_known(p)), Below(clearance(p), limit))))))
    return either(parts)


def _two_of_grade_b(p: ParameterSet) -> Criterion:
    """The order in hand is of grade B, and another medicine of grade B is ordered too."""
    names = tuple(dict.fromkeys(str(row["drug"]) for row in p.table(T1) if row["grade"] == "B"))
    return either([AllOf((OrderHas((name,), "active"), HasOrder(OrderFilter(tuple(n for n in names if n != name), "active")))) for name in names])


def _branches(p: ParameterSet) -> tuple[Branch, ...]:
    drafted, epilepsy = OrderIs("drafted"), AnyOf((State("epilepsy"), State("epilepsy reason")))
    now, history, predisposed = State("seizure now"), State("seizure history"), State("seizure predisposed")
    a_now = AnyOf((_row("grade_ongoing", "A"), AllOf((epilepsy, _row("grade_epilepsy", "A")))))
    a = AnyOf((_row("grade", "A"), AllOf((epilepsy, _row("grade_epilepsy", "A")))))
    b_now, b, c = _grade_b(p, "grade_ongoing"), _grade_b(p, "grade"), _row("grade", "C")
    limit = above_kidney_limit(p)
    serious = AnyOf((OrderReason(SERIOUS), HasCondition(SERIOUS)))
    kidneys = low_clearance(p, tuple(row for row in p.table(T1) if row["cap"] == ""))
    prone: Criterion = predisposed
    if kidneys is not None:
        prone = AnyOf((predisposed, AllOf((clearance_known(p), kidneys))))

    fluoroquinolone_with = AllOf((_row("cap", "fluoroquinolone"), HasOrder(OrderFilter(("theophylline_like", "nsaid"), "active"))))
    steps: list[Criterion] = [_two_of_grade_b(p), fluoroquinolone_with]
    critical_now = AllOf((now, AnyOf((a_now, b_now))))
    above: Criterion | None = None if limit is None else AllOf((clearance_known(p), limit))
    if above is not None:
        steps.append(above)
    stepped = AllOf((history, b, either(steps)))
    capped: list[Criterion] = [_row("cap", "anti-infective"), serious, AnyOf((now, history, AllOf((prone, b))))]
    if limit is not None:
        capped.append(Not(limit))
    # Another class is at hand, so these two stay critical even in shock while a seizure goes on (0.5a).
    replaceable = AllOf((State("seizure ongoing"), _row("cap", "fluoroquinolone", "imipenem")))
    must_not_wait = AllOf(
        (
            drafted,
            OrderHas(("antibacterial", "aciclovir"), "active"),
            HasCondition(CANNOT_WAIT),
            Not(replaceable),
            AnyOf((critical_now, AllOf((history, a)), stepped, *(() if above is None else (AllOf((now, c, above)),)))),
        )
    )
    bleeding = AllOf((_row("cap", "haemorrhage"), AnyOf((HasCondition(("haemorrhage",)), OrderReason(("haemorrhage",)))), AnyOf((now, history))))
    words = _words(p)
    take_out = (Withdraw("Take this order out and choose an alternative"),)
    branches: list[Branch] = [
        Branch("anti-infective for a serious infection", AllOf(tuple(capped)), "info", words("{order} lowers the seizure threshold a little: dose by kidney function, treat the infection")),
        Branch("first dose that must not wait", must_not_wait, "warning", words("Give the first dose of {order}; it lowers the seizure threshold, choose another class for the next")),
        Branch("tranexamic acid in haemorrhage", bleeding, "warning", words("Give {order} for the bleeding, by the protocol's dose; it lowers the seizure threshold")),
        Branch("grade A, seizure now, drafted", AllOf((drafted, now, a_now)), "critical", words("{order}: choose an alternative, the label forbids it in a seizure disorder; seizure today"), take_out),
        Branch("grade A, seizure now", AllOf((now, a_now)), "critical", words("{order}: stop or change, the label forbids it in a seizure disorder; seizure today")),
        Branch("grade B, seizure now, drafted", AllOf((drafted, now, b_now)), "critical", words("{order}: choose an alternative, it lowers the seizure threshold; seizure today"), take_out),
        Branch("grade A, history, drafted", AllOf((drafted, history, a)), "critical", words("{order}: choose an alternative, the label forbids it in a seizure disorder; seizure history"), take_out),
        Branch("grade A, history", AllOf((history, a)), "critical", words("{order}: stop or change, the label forbids it in a seizure disorder; seizure history")),
    ]  # fmt: skip
    if above is not None:
        branches += [
            Branch("grade B above the kidney limit, history", AllOf((drafted, history, b, above)), "critical",
                   words("{order}: choose another, too much a day for clearance {clearance}; seizure history"), take_out),
            Branch("grade C above the kidney limit, seizure now", AllOf((drafted, now, c, above)), "critical",
                   words("{order}: reduce or change, too much a day for clearance {clearance}; seizure today"), take_out),
        ]  # fmt: skip
    branches += [
        Branch("grade B stepped up, history", AllOf((drafted, stepped)), "critical", words("{order}: choose an alternative, two reasons lower the seizure threshold; seizure history"), take_out),
        Branch("grade B, seizure now", AllOf((now, b_now)), "warning", words("{order}: check the need, it lowers the seizure threshold; seizure today")),
        Branch("grade C, seizure now, drafted", AllOf((drafted, now, c)), "warning", words("{order}: check the need, it may lower the seizure threshold; seizure today")),
        Branch("grade B, history", AllOf((history, b)), "warning", words("{order}: check the need, it lowers the seizure threshold; seizure history")),
    ]  # fmt: skip
    if above is not None:
        branches.append(
            Branch("grade C above the kidney limit, history", AllOf((drafted, history, c, above)), "warning",
                   words("{order}: reduce, too much a day for clearance {clearance}; seizure history"))
        )  # fmt: skip
    branches += [
        Branch("grade A, predisposed", AllOf((prone, a)), "warning", words("{order}: choose an alternative, it can bring on a seizure in this patient"), take_out),
        Branch("grade C, seizure now", AllOf((now, c)), "info", words("{order} may lower the seizure threshold; seizure today")),
        Branch("grade C, history", AllOf((history, c)), "info", words("{order} may lower the seizure threshold a little; seizure history")),
        Branch("grade B, predisposed", AllOf((drafted, prone, b)), "info", words("{order} lowers the seizure threshold; this patient is prone to seizures")),
    ]  # fmt: skip
    return tuple(branches)


def _words(p: ParameterSet) -> Callable[[str], Words]:
    """The words that all branches share, around a summary of their own. Grade, risks and alternative come from the order's row of the table."""
    facts: dict[str, Expression] = {"clearance": clearance(p)}

    def words(summary: str) -> Words:
        return Words(
            summary,
            ("Grade {grade}. What raises the risk further: {raises_risk}.", "Creatinine clearance: {clearance}."),
            (
                "By local protocol: consider {alternative}.",
                "If it cannot be avoided: correct magnesium, sodium and glucose, dose by clearance, keep the anti-seizure medicine going, EEG if drowsy.",
            ),
            ("Never a reason to leave a serious infection or bleeding untreated.", "An anti-seizure medicine given for pain, mood or migraine is not counted as epilepsy."),
            facts=facts,
        )

    return words
