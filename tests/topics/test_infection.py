"""Infection: every row of the kidney table, alternatives that suit the patient, who speaks at which hook, both figures where guidelines differ, and the controls."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any
from unittest.mock import patch

import pytest

from cds.assess import Assessment, Knowledge, assess, knowledge_of
from cds.candidates import offers
from cds.cards.words import fill
from cds.chart import NO_MEMORY, Chart
from cds.parameters import parameter_set
from cds.topics import allergy as allergy_topic
from cds.topics import antibacterial_kidney, culture, urinary
from tests.charts import allergy, chart, condition, order, result, susceptibility
from tests.topics.table import Row, files, knowledge, parameters, rows

KIDNEY, DELAY, BRAIN = "renally-cleared-neurotoxic-antibiotic", "antibiotic-delayed-in-septic-shock", "cns-infection-not-covered"
CULTURE, COURSE, URINE = "culture-resistant-to-current-antibiotic", "complicated-uti-duration", "urinary-only-antibiotic-in-systemic-uti"
ALLERGY, THRESHOLD, CALCIUM = "beta-lactam-allergy-conflict", "seizure-threshold-lowering-order", "ceftriaxone-with-calcium"


def row(table: str, case: str) -> Row:
    """The row of a table by its case."""
    return next(each for each in rows(table) if str(each).endswith(f": {case}"))


def judged(held: Chart, known: Knowledge | None = None) -> Assessment:
    return assess(held, NO_MEMORY, known or knowledge())


def spoken(held: Chart, *codes: str, known: Knowledge | None = None) -> dict[str, str]:
    """Code to indicator of everything on a card or folded."""
    made = assess(held, NO_MEMORY, known or knowledge(), only=frozenset(codes))
    found = [finding for group in made.groups for finding in group.findings]
    return {finding.code: finding.indicator for finding in (*found, *made.folded)}


def details(held: Chart, code: str, known: Knowledge | None = None) -> str:
    """All the words of a code's finding."""
    made = judged(held, known)
    finding = next(f for group in made.groups for f in group.findings if f.code == code)
    words, p = finding.branch.words, (known or knowledge()).population(made.population).p
    return " ".join(fill(text, finding.facts, p, "") for text in (words.summary, *words.found, *words.do, *words.cautions, *words.differs))


def red(table: str, case: str, known: Knowledge) -> bool:
    """Whether a row fails under other knowledge."""
    each = row(table, case)
    made = assess(each.chart(), NO_MEMORY, known, only=each.codes)
    found = {f.code: f.indicator for group in made.groups for f in (*group.absorbed, *group.others, group.lead)} | {f.code: f.indicator for f in made.folded}
    return found != {code: word for code, word in each.expect().items() if word != "unknown"}


def with_figure(key: str, value: int) -> Knowledge:
    """The knowledge with one figure changed in every row."""
    changed = copy.deepcopy(files())
    for content in changed.values():
        if key in content:
            for each in content[key]["value"]:  # type: ignore[index,call-overload]
                each["is"] = Decimal(value)
    return knowledge_of(parameter_set(changed))


# The kidneys -----------------------------------------------------------------------------------------------------------------------------

MAN = {"years": 60, "sex": "male", "weight": "72"}


def at_clearance(value: Decimal, drug: str, mg: Decimal, route: str, reason: str) -> Chart:
    """A man of 60 years and 72 kg: clearance is 80 divided by his creatinine in mg/dL (Cockcroft and Gault 1976). One dose a day."""
    creatinine = Decimal("80") / value
    given = order(drug, drafted=True, route=route or "intravenous", dose=(f"{mg:f}", "mg"), per_day="1", reasons=(reason,))
    return chart(result("creatinine", f"{creatinine:.6f}", "mg/dL", age=60), given, **MAN)  # type: ignore[arg-type]


LIMITS = [
    each for each in parameters().for_population("adult").table("renal_limits") if each["drug"] not in ("tramadol",)
]  # fmt: skip


@pytest.mark.parametrize("limit", LIMITS, ids=lambda each: f"{each['drug']} {each.get('regimen', '')} {each.get('route', '')} {each.get('from_clearance', 0)}")
def test_hz_11_every_row_speaks_above_its_limit_and_is_silent_at_it(limit: Any) -> None:
    """Labels, as each row names them: at the limit silent, a milligram more a warning. Just inside the printed lower end of the band."""
    clearance = limit.get("from_clearance", Decimal(2)) + Decimal("0.3")
    most = limit["most_mg_a_day"] if "most_mg_a_day" in limit else limit["most_mg_per_kg_a_day"] * 72
    reason = "cystic_fibrosis" if limit.get("regimen") == "2 g base" else "infection"
    above = at_clearance(clearance, str(limit["drug"]), most + 1, str(limit.get("route", "")), reason)
    assert spoken(above, KIDNEY) == {KIDNEY: "warning"}
    assert str(limit["source"])
    if most:
        assert spoken(at_clearance(clearance, str(limit["drug"]), most, str(limit.get("route", "")), reason), KIDNEY) == {}


def test_hz_11_the_card_names_the_dose_the_limit_and_the_clearance() -> None:
    """Cefepime label digests: 11 to 29 mL/min, 2 g a day."""
    text = details(at_clearance(Decimal(20), "cefepime", Decimal(3000), "", "infection"), KIDNEY)
    assert all(part in text for part in ("3000 mg", "2000 mg", "20 mL/min", "first dose in full")), text


def test_hz_37_the_regimen_of_the_row_is_offered_and_passes() -> None:
    """Cefepime at 20 mL/min: 2 g once a day (label digests), which is silent itself."""
    held = chart(
        result("creatinine", "4.0", "mg/dL", age=60), order("cefepime", drafted=True, dose=("2000", "mg"), per_day="3", reasons=("infection",)), **MAN
    )  # fmt: skip
    made = judged(held)
    changes = [change for group in offers(held, made, knowledge()).by_problem.values() for change in group if change.kind == "amend"]
    assert [(change.code, change.times_a_day) for change in changes] == [(KIDNEY, Decimal(1))]


def test_one_antibacterial_one_card() -> None:
    """N-18: seizure risk, overdose and low glucose of one fluoroquinolone stand on one card, led by the highest."""
    held = chart(
        result("creatinine", "4.0", "mg/dL", age=60), condition("epilepsy"), order("gliclazide", route="oral", dose=("80", "mg"), per_day="2"),
        order("ciprofloxacin", drafted=True, route="oral", dose=("500", "mg"), per_day="2", reasons=("pyelonephritis",)), **MAN,
    )  # fmt: skip
    group = next(group for group in judged(held).groups if THRESHOLD in {finding.code for finding in group.findings})
    assert {finding.code for finding in group.findings} >= {THRESHOLD, KIDNEY, "fluoroquinolone-with-glucose-lowering-drug"}
    assert group.lead.code == THRESHOLD and group.indicator == "critical"


# Alternatives ----------------------------------------------------------------------------------------------------------------------------


def alternatives(*things: Any) -> tuple[list[str], dict[str, str]]:
    """The labels offered for a resistant organism, and those dropped with the reason."""
    held = chart(
        condition("pyelonephritis"), order("ceftriaxone", dose=("2000", "mg"), per_day="1", start=1440), susceptibility("esbl", "R"), result("creatinine", "70", age=60),
        order("ceftriaxone", drafted=True, dose=("2000", "mg"), per_day="1"), *things, sex="male",
    )  # fmt: skip
    made = offers(held, judged(held), knowledge())
    new = [change.label for group in made.by_problem.values() for change in group if change.kind == "new order"]
    return new, {dropped.label: dropped.reason for dropped in made.dropped if dropped.code == CULTURE}


def test_hz_37_an_alternative_must_test_susceptible() -> None:
    """IDSA 2024 prefers trimethoprim with sulfamethoxazole or a fluoroquinolone; what was not tested, or tests resistant, is not offered."""
    new, dropped = alternatives(susceptibility("trimethoprim", "R"), susceptibility("ciprofloxacin", "S"), susceptibility("ertapenem", "S"))
    assert [label.split(",")[0].split(":")[0] for label in new][:1] and new[0].startswith("Ciprofloxacin")
    assert any("Trimethoprim" in label and CULTURE in reason for label, reason in dropped.items())


def test_hz_37_an_alternative_must_suit_a_patient_with_epilepsy_on_valproate() -> None:
    """D1 drops the fluoroquinolone and ertapenem, D3 the carbapenems: gentamicin is left, and the others are named with the reason."""
    things = (
        susceptibility("trimethoprim", "R"), susceptibility("ciprofloxacin", "S"), susceptibility("ertapenem", "S"), susceptibility("meropenem", "S"), susceptibility("gentamicin", "S"),
        condition("epilepsy"), order("valproate", route="oral", dose=("500", "mg"), per_day="2", reasons=("epilepsy",), start=9999),
    )  # fmt: skip
    new, dropped = alternatives(*things)
    assert [label for label in new if label.startswith("Gentamicin")] == new and new
    assert any(label.startswith("Ciprofloxacin") and THRESHOLD in reason for label, reason in dropped.items())
    assert any(label.startswith("Meropenem") and "carbapenem-with-valproate" in reason for label, reason in dropped.items())


def test_hz_37_an_alternative_must_pass_the_allergy() -> None:
    """D12: a carbapenem is not offered to a patient with a carbapenem allergy."""
    things = (
        susceptibility("trimethoprim", "R"), susceptibility("ciprofloxacin", "R"), susceptibility("ertapenem", "S"), susceptibility("meropenem", "S"), susceptibility("gentamicin", "S"),
        allergy("ertapenem", "severe immediate"),
    )  # fmt: skip
    new, dropped = alternatives(*things)
    assert new and new[0].startswith("Gentamicin")
    assert any(label.startswith("Meropenem") and ALLERGY in reason for label, reason in dropped.items())


def test_hz_36_one_broad_dose_is_offered_in_shock_and_suits_the_allergy() -> None:
    shock = condition("septic_shock", onset=70)
    plain = chart(shock, sex="male")
    assert any(change.label.startswith("Give ceftriaxone") for group in offers(plain, judged(plain), knowledge()).by_problem.values() for change in group)
    allergic = chart(shock, allergy("ceftriaxone", "severe immediate"), sex="male")
    offered = [change.label for group in offers(allergic, judged(allergic), knowledge()).by_problem.values() for change in group]
    assert any(label.startswith("Give meropenem") for label in offered) and not any("ceftriaxone" in label for label in offered)


def test_hz_17_a_child_is_offered_no_adult_dose() -> None:
    held = chart(condition("septic_shock", onset=70), years=8, weight="25")
    assert spoken(held, DELAY) == {DELAY: "critical"}
    assert not [change for group in offers(held, judged(held), knowledge()).by_problem.values() for change in group if change.order is not None]


# Both figures where guidelines differ ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("profile", "speaks"), [("", False), ("uk", True), ("us-label", True)])
def test_hz_25_nitrofurantoin_prints_every_clearance(profile: str, speaks: bool) -> None:
    """Beers 30, MHRA 2014 45, US label 60: at 40 the one is silent and the others speak, and the card that speaks prints all three."""
    held = chart(
        result("creatinine", "2.0", "mg/dL", age=60), condition("cystitis"), order("nitrofurantoin", drafted=True, route="oral", dose=("100", "mg"), per_day="2"), **MAN
    )  # fmt: skip
    assert (spoken(held, URINE, known=knowledge(profile)) == {URINE: "warning"}) is speaks
    if speaks:
        text = details(held, URINE, knowledge(profile))
        assert all(figure in text for figure in ("30 mL/min (default)", "60 mL/min (us-label)", "45 mL/min (uk)")), text


def test_hz_25_course_prints_both_guidelines() -> None:
    held = chart(condition("pyelonephritis"), order("ceftriaxone", drafted=True, dose=("2000", "mg"), per_day="1", start=0, ended=-6 * 1440))
    text = details(held, COURSE)
    assert "IDSA 2025" in text and "EAU" in text and "14 for men" in text


def test_hz_36_every_card_about_a_late_dose_says_who_holds_what() -> None:
    text = details(chart(condition("septic_shock", onset=70)), DELAY)
    assert "70 min" in text and "within 1 h" in text and "local protocol" in text


# What is taken over ----------------------------------------------------------------------------------------------------------------------


def test_overdose_in_a_patient_who_is_only_prone_is_said_once() -> None:
    """D2 owns the overdose in S1: the line about the threshold is a line on its card."""
    held = chart(
        result("creatinine", "4.0", "mg/dL", age=60), condition("brain_tumour"),
        order("levofloxacin", drafted=True, dose=("500", "mg"), per_day="1", reasons=("pneumonia",)), **MAN,
    )  # fmt: skip
    made = judged(held)
    group = next(group for group in made.groups if KIDNEY in {finding.code for finding in group.findings})
    assert THRESHOLD in {finding.code for finding in group.absorbed}


def test_hz_01_the_same_report_three_times_is_one_card() -> None:
    each = row("culture.md", "the same organism three times")
    made = each.judged()
    assert [group.lead.code for group in made.groups] == [CULTURE] and not made.groups[0].more


# Controls --------------------------------------------------------------------------------------------------------------------------------


def test_control_hz_36_without_the_cap_a_first_dose_in_shock_is_critical() -> None:
    with patch.object(antibacterial_kidney, "CANNOT_WAIT", ("anuria_oliguria",)):
        known = knowledge_of(parameters())
    assert red("antibacterial_kidney.md", "septic shock, nothing charted yet", known)
    assert not red("antibacterial_kidney.md", "septic shock, nothing charted yet", knowledge())


def test_control_hz_36_without_the_cap_an_unknown_allergy_holds_up_shock() -> None:
    with patch.object(allergy_topic, "CANNOT_WAIT", ("anuria_oliguria",)):
        known = knowledge_of(parameters())
    assert red("allergy.md", "shock, unknown", known) and red("allergy.md", "meningitis, unknown", known)


@pytest.mark.parametrize(
    ("key", "value", "table", "case"),
    [
        ("creatinine_window_acute", 2880, "antibacterial_kidney.md", "sepsis, creatinine older"),
        ("creatinine_window_kidney_injury", 2880, "antibacterial_kidney.md", "kidney injury, creatinine older"),
        ("renal_far_above", 20, "antibacterial_kidney.md", "cefepime, twice the limit"),
        ("shock_delay_critical", 600, "antibacterial_delay.md", "shock 60 min"),
        ("shock_single_dose_counts", 60, "antibacterial_delay.md", "one dose of twelve hours ago"),
        ("shock_look_back", 100000, "antibacterial_delay.md", "shock of last week"),
        ("culture_age", 100000, "culture.md", "older than seven days"),
        ("improving_window", 1, "culture.md", "bacteraemia, fever gone"),
        ("uti_review_course", 0, "culture.md", "stop and review at 72 h"),
        ("dialysis_age", 1, "antibacterial_kidney.md", "dialysis by procedure"),
    ],
)
def test_control_hz_22_a_moved_figure_is_noticed(key: str, value: int, table: str, case: str) -> None:
    """Windows and limits that protect: moved, their row is red; as they stand it is not."""
    assert red(table, case, with_figure(key, value))
    assert not red(table, case, knowledge())


@pytest.mark.parametrize(
    ("name", "value", "case"),
    [
        ("STAPHYLOCOCCUS", ("escherichia",), "Escherichia, cefoxitin R, meropenem"),
        ("STILL_ACTIVE", ("vancomycin",), "staphylococcus, oxacillin R, ceftaroline"),
        ("COMBINED", ("sulbactam",), "amoxicillin R, with clavulanate S"),
        ("ELSEWHERE", ("endocarditis",), "pneumonia, urine resistant"),
        ("AVOID_WITH_ESBL", ("cefepime",), "ESBL, piperacillin with tazobactam"),
    ],
)
def test_control_hz_22_what_keeps_a_culture_in_its_place(name: str, value: tuple[str, ...], case: str) -> None:
    with patch.object(culture, name, value):
        known = knowledge_of(parameters())
    assert red("culture.md", case, known)


def test_control_a_reason_for_a_longer_course_is_heeded() -> None:
    with patch.object(urinary, "LONGER", ("anuria_oliguria",)):
        known = knowledge_of(parameters())
    assert red("culture.md", "longer, with an abscess", known)


def test_control_hz_11_a_row_that_is_left_out_is_noticed() -> None:
    """The search over the rows sees a limit that is gone."""
    changed = copy.deepcopy(files())
    table: Any = changed["kidney.toml"]["table"]
    table["renal_limits"] = [each for each in table["renal_limits"] if each["drug"] != "aciclovir"]
    held = at_clearance(Decimal(20), "aciclovir", Decimal(1500), "intravenous", "infection")
    assert spoken(held, KIDNEY) and not spoken(held, KIDNEY, known=knowledge_of(parameter_set(changed)))


def test_hz_20_a_newborn_is_judged_for_calcium_and_for_little_else() -> None:
    held = chart(
        condition("septic_shock", onset=70), allergy("penicillin", "severe immediate"), order("amoxicillin", drafted=True, dose=("100", "mg"), per_day="3"),
        order("ceftriaxone", drafted=True, dose=("200", "mg"), per_day="1"), order("calcium_gluconate", drafted=True, dose=("400", "mg"), minutes="30"),
        days=10, weight="4",
    )  # fmt: skip
    fired = {finding.code for verdict in judged(held).verdicts for finding in verdict.findings}
    assert CALCIUM in fired and not fired & {ALLERGY, DELAY, KIDNEY, BRAIN}
