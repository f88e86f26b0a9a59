"""The same patient, told in another way: other units, codes, order, copies, times, zones, splits. The same advisories with the same indicators.

"Same" is the code, the indicator, the lead and the role of everything on a card; where a change touches no word, also the words.
Each protection has a control: with it switched off, the test that leans on it goes red.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from cds.call import Answer
from cds.vocabulary import ATC, ICD_10_CM, RXNORM, SNOMED_CT
from tests.metamorphic import changes
from tests.synthetic.judging import FOLDERS, Json, Said, body_of, judge, request_of, rules_of, said, scenario

CHART = {folder.name[:2]: request_of(folder) for folder in FOLDERS}
_BEFORE: dict[str, Answer] = {}
# The answer says how many items of another patient were set aside; a copy is one more.
COUNTED = ("10",)
every_chart = pytest.mark.parametrize("number", sorted(CHART))
some = settings(max_examples=8, deadline=None, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow])


def before(number: str) -> Answer:
    """The answer to the unchanged request, kept. A control calls it before it switches anything off: else the answer to compare with lacks the protection too."""
    if number not in _BEFORE:
        _BEFORE[number] = judge(CHART[number])
    return _BEFORE[number]


def same(number: str, changed: Json, *, older: bool = False) -> Answer:
    """Refuse a changed request whose answer says anything else. With `older` results in it, what was never recorded may be too old instead."""
    after = judge(changed)
    one, other = said(before(number)), said(after)
    if older:
        one, other = aged(one), aged(other)
    assert other == one, difference(one, other)
    return after


def aged(one: Said) -> Said:
    """The same with "missing" and "too old" as one."""
    names = {"critical-input-missing": "stale-input"}
    return Said(tuple(sorted({(names.get(code, code), indicator) for code, indicator in one.codes})), one.cards)


def difference(one: Said, other: Said) -> str:
    return f"\n  was {one.codes}\n  now {other.codes}\n  was {one.cards}\n  now {other.cards}"


def words_of(made: Answer) -> list[tuple[str, str, str]]:
    """Summary, detail and suggestions of each card."""
    return [
        (card["summary"], card["detail"], json.dumps([s["label"] for s in card.get("suggestions", [])])) for card in body_of(made)["cards"]
    ]  # fmt: skip


def same_words(number: str, changed: Json) -> None:
    assert words_of(same(number, changed)) == words_of(before(number))


# Units ---------------------------------------------------------------------------------------------------------------------------------


@every_chart
@pytest.mark.parametrize("choose", [0, 1])
@pytest.mark.parametrize("code_too", [False, True], ids=["unit only", "unit and code"])
def test_hz_02_results_in_other_units(number: str, code_too: bool, choose: int) -> None:
    changed = changes.in_other_units(CHART[number], code_too=code_too, choose=choose)
    assert changed != CHART[number]
    same(number, changed)


@every_chart
def test_hz_02_canonical_numbers_agree(number: str) -> None:
    """The same number is kept, whatever the unit (within the five decimals that the changed request carries)."""
    first, second = judge(CHART[number]).intake, judge(changes.in_other_units(CHART[number], code_too=True)).intake
    assert first is not None and second is not None
    for analyte in changes.UNITS:
        mine, yours = first.chart.results.of(analyte), second.chart.results.of(analyte)
        assert [r.ref for r in mine] == [r.ref for r in yours]
        for one, other in zip(mine, yours, strict=True):
            if one.value.exact is not None and other.value.exact is not None:
                assert abs(one.value.exact - other.value.exact) <= Decimal("0.0005") * abs(one.value.exact)


@every_chart
def test_hz_04_orders_in_other_units(number: str) -> None:
    same(number, changes.in_other_order_units(CHART[number]))


@pytest.mark.parametrize(("one", "other"), [("13.87", "249.88"), ("14.01", "252.40")])
def test_values_between_printed_figures_are_left_out_and_only_those(one: str, other: str) -> None:
    """13.9 (in children 14.0) mmol/L and 250 mg/dL are one threshold in print and not in fact: 249.88 and 252.40 mg/dL lie outside that band (F-3)."""
    between = changes.between_printed
    assert not between(Decimal(one), "mmol/L", Decimal(other), "mg/dL")
    assert between(Decimal("13.89"), "mmol/L", Decimal("250.24"), "mg/dL") == any(pair[1] == Decimal("13.9") for pair in changes.printed_pairs())


def test_control_without_conversion_other_units_go_red() -> None:
    """Conversion switched off: every pair of analyte and unit counts one to one."""
    from cds.intake import values

    changed = changes.in_other_units(CHART["01"], code_too=True)
    before("01")
    with patch.object(values, "analyte_factor", lambda analyte, unit, code=None: Decimal(1)), pytest.raises(AssertionError):
        same("01", changed)


def test_control_other_unit_of_an_order_goes_red() -> None:
    """A label swapped without its number is another amount: g read as mg."""
    changed = json.loads(json.dumps(CHART["02"]).replace('"code": "mL/h"', '"code": "L/h"').replace('"unit": "mL/h"', '"unit": "L/h"'))
    with pytest.raises(AssertionError):
        same("02", changed)


# Codes ---------------------------------------------------------------------------------------------------------------------------------


@every_chart
def test_other_loinc_codes_of_the_same_analyte(number: str) -> None:
    same(number, changes.with_other_loinc(CHART[number]))


@every_chart
@pytest.mark.parametrize(
    ("keep", "drop"), [(RXNORM, ATC), (ATC, RXNORM), (SNOMED_CT, ICD_10_CM), (ICD_10_CM, SNOMED_CT)], ids=["RxNorm", "ATC", "SNOMED CT", "ICD-10-CM"]
)
def test_hz_10_one_code_system_is_enough(number: str, keep: str, drop: str) -> None:
    same(number, changes.only_system(keep, drop)(CHART[number]))


def test_control_unmapped_code_goes_red() -> None:
    """With valproate's ATC code out of the table, valproate known by ATC alone is not valproate."""
    from cds.vocabulary import _tables

    changed = changes.only_system(ATC, RXNORM)(CHART["01"])
    codes = {key: names for key, names in _tables.DRUG_CODES.items() if key != (ATC, "N03AG01")}
    groups = {key: name for key, name in _tables.ATC_GROUPS.items() if not "N03AG01".startswith(key)}
    before("01")
    with patch.object(_tables, "DRUG_CODES", codes), patch.object(_tables, "ATC_GROUPS", groups), pytest.raises(AssertionError):
        same("01", changed)


# Order, copies, noise ------------------------------------------------------------------------------------------------------------------


@every_chart
@seed(1)
@some
@given(number_of_order=st.integers(0, 10_000))
def test_permuted_entries_give_the_same_words(number: str, number_of_order: int) -> None:
    same_words(number, changes.permuted(number_of_order)(CHART[number]))


@every_chart
@pytest.mark.parametrize("chance", range(4))
def test_results_under_another_key_are_read(number: str, chance: int) -> None:
    same(number, changes.moved_between_lists(chance)(CHART[number]))


@every_chart
@pytest.mark.parametrize("chance", range(6))
def test_hz_12_exact_copies_change_no_word(number: str, chance: int) -> None:
    (same if number in COUNTED else same_words)(number, changes.with_copies(chance)(CHART[number]))


@every_chart
def test_hz_12_every_resource_twice(number: str) -> None:
    (same if number in COUNTED else same_words)(number, changes.with_copies(0, share=1.0)(CHART[number]))


def test_control_copies_counted_twice_go_red() -> None:
    """A copy under another id, with another start, is another bag: then the total doubles, and the scenario of silence speaks."""
    changed = changes.split_drafts(1, "8591")(CHART["03"])
    entries = changes.drafts_of(changed)
    for number in range(6):
        entries.append(json.loads(json.dumps(entries[0]).replace(entries[0]["resource"]["id"], f"another-{number}")))
    with pytest.raises(AssertionError):
        same("03", changed)


def test_control_copies_taken_for_other_orders_go_red() -> None:
    """With every entry given an id of its own, 02's bags are counted as often as they were sent."""
    changed = changes.with_copies(0, share=1.0)(CHART["02"])
    for number, entry in enumerate(changes.drafts_of(changed)):
        entry["resource"]["id"] = f"copy-{number}"
    with pytest.raises(AssertionError):
        same_words("02", changed)


@every_chart
def test_unknown_prefetch_key_is_not_read(number: str) -> None:
    same_words(number, changes.with_unknown_key(CHART[number]))


@every_chart
def test_old_normal_results_change_nothing(number: str) -> None:
    same(number, changes.with_old_normal_results(500)(CHART[number]), older=True)


def test_control_a_newer_normal_result_is_noticed() -> None:
    """The same noise with today's date is no noise."""
    changed = changes.with_old_normal_results(7)(CHART["01"])
    text = json.dumps(changed)
    old = re.findall(r'"old-\d+".*?"effectiveDateTime": "([^"]+)"', text)
    for each in old:
        text = text.replace(each, "2026-03-14T08:19:00+00:00")
    with pytest.raises(AssertionError):
        same("01", json.loads(text))


# Time ----------------------------------------------------------------------------------------------------------------------------------


@every_chart
@pytest.mark.parametrize(
    "delta", [timedelta(hours=-19), timedelta(minutes=1), timedelta(minutes=37), timedelta(hours=11), timedelta(days=2, hours=5)], ids=str
)
def test_hz_15_everything_moved_in_time(number: str, delta: timedelta) -> None:
    same(number, changes.shifted(delta)(CHART[number]))


OFFSETS = [*range(-12, 15), 5.5, 5.75, -3.5]
# All thirty for the lead, for one with old results, for one with partial dates and for one whose list was cut; a few for the others.
THIRTY = ("01", "05", "08", "15")


@pytest.mark.parametrize(
    ("number", "hours"), [(number, hours) for number in sorted(CHART) for hours in (OFFSETS if number in THIRTY else (-12, -3.5, 0, 5.75, 14))]
)
def test_hz_15_offsets(number: str, hours: float) -> None:
    """The same instants in another offset: not a word differs."""
    same_words(number, changes.in_zone(round(hours * 60))(CHART[number]))


@every_chart
@pytest.mark.parametrize("chance", range(3))
def test_hz_15_offset_of_each_time_its_own(number: str, chance: int) -> None:
    same(number, changes.in_mixed_zones(chance)(CHART[number]))


CLOCK_CHANGES = {
    "spring, Berlin": (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), ZoneInfo("Europe/Berlin")),
    "autumn, Berlin": (datetime(2026, 10, 25, 1, 20, tzinfo=UTC), ZoneInfo("Europe/Berlin")),
    "spring, New York": (datetime(2026, 3, 8, 7, 25, tzinfo=UTC), ZoneInfo("America/New_York")),
    "autumn, New York": (datetime(2026, 11, 1, 6, 25, tzinfo=UTC), ZoneInfo("America/New_York")),
}
# Moved over months the patients' ages change; these charts lie within a year of age that holds the same figures.
MOVABLE = ("01", "02", "04", "05", "06", "07", "09", "11", "14")


@pytest.mark.parametrize("number", MOVABLE)
@pytest.mark.parametrize("name", CLOCK_CHANGES)
def test_hz_15_clock_change_with_offsets(number: str, name: str) -> None:
    moment, zone = CLOCK_CHANGES[name]
    moved = changes.moved_to(moment, CHART[number])
    assert said(judge(moved)).codes == said(judge(changes.on_the_wall_clock(moved, zone))).codes


@pytest.mark.parametrize("number", MOVABLE)
@pytest.mark.parametrize("name", [name for name in CLOCK_CHANGES if name.startswith("spring")])
def test_hz_15_clock_change_without_offsets(number: str, name: str) -> None:
    """Times without an offset, in the zone of the site: in spring no wall-clock time is ambiguous, so nothing differs."""
    moment, zone = CLOCK_CHANGES[name]
    moved = changes.moved_to(moment, CHART[number])
    after = judge(changes.without_offsets(moved, zone), site_zone=zone.key)
    assert said(judge(moved)).codes == said(after).codes


def test_hz_15_repeated_hour_is_never_read_as_fresher_than_it_may_be() -> None:
    """In the hour that autumn has twice, a potassium 100 min old may read as 40: with no offset it cannot prove itself current (window 120 min)."""
    moment, zone = CLOCK_CHANGES["autumn, Berlin"]
    moved = changes.moved_to(moment, CHART["01"])
    made = judge(changes.without_offsets(moved, zone), site_zone=zone.key)
    assert made.intake is not None
    moment = made.intake.chart.results.of("potassium")[0].at
    minutes = [(made.now - each) / 60_000 for each in (moment.latest, moment.earliest or 0)]
    # Drawn 40 min ago: 02:40 on the wall, an hour that comes twice. The later reading lies 20 min ahead of now and counts as now.
    assert minutes == [0, 40]


def test_control_without_offsets_read_as_utc_goes_red() -> None:
    """A service that drops the offset takes a chart of +14:00 for one of the future."""
    changed = changes.in_zone(14 * 60)(CHART["01"])
    text = re.sub(r"\+14:00", "Z", json.dumps(changed))
    changed = json.loads(text)
    changed["extension"] = CHART["01"]["extension"]
    with pytest.raises(AssertionError):
        same("01", changed)


def test_control_offset_ignored_goes_red() -> None:
    from cds.intake import times

    changed = changes.in_mixed_zones(1)(CHART["01"])
    before("01")
    with patch.object(times, "_plain", lambda text: False), patch.object(times, "_minutes", lambda zone: 0), pytest.raises(AssertionError):
        same("01", changed)


# Orders --------------------------------------------------------------------------------------------------------------------------------

POTASSIUM, INSULIN, MEROPENEM = "8591", "253182", "29561"


@pytest.mark.parametrize("parts", [2, 3, 4, 5])
@pytest.mark.parametrize(("number", "drug"), [("02", POTASSIUM), ("03", POTASSIUM), ("11", POTASSIUM), ("01", INSULIN), ("05", INSULIN), ("09", INSULIN)])
def test_hz_38_one_order_split_into_several(number: str, drug: str, parts: int) -> None:
    """The same codes and indicators, and the same total (F-2); not the same words."""
    changed = changes.split_drafts(parts, drug)(CHART[number])
    assert len(changes.drafts_of(changed)) >= len(changes.drafts_of(CHART[number])) + parts - 1
    after = judge(changed)
    assert dict(after.codes) == dict(before(number).codes)
    assert totals_of(after) == totals_of(before(number))


def totals_of(made: Answer) -> set[str]:
    """Every hourly potassium total that a summary prints."""
    return {found for card in body_of(made)["cards"] for found in re.findall(r"[\d.]+ mmol/h", card["summary"])}


def test_hz_38_split_of_a_dangerous_bag_is_as_dangerous() -> None:
    """Scenario 02's draft alone is 7 mmol/h; the card speaks because of the sum, however it is cut."""
    assert totals_of(before("02")) >= {"18 mmol/h"}


def test_control_each_order_judged_alone_goes_red() -> None:
    """With only one piece of the split order kept, the sum is lower: the comparison sees it."""
    changed = changes.split_drafts(5, POTASSIUM)(CHART["02"])
    del changes.drafts_of(changed)[1:]
    after = judge(changed)
    with pytest.raises(AssertionError):
        assert totals_of(after) == totals_of(before("02"))


@every_chart
def test_referenced_medication_is_read_like_a_contained_one(number: str) -> None:
    same(number, changes.with_referenced_medications(CHART[number]))


def test_control_reference_without_its_medication_goes_red() -> None:
    changed = changes.with_referenced_medications(CHART["02"])
    changed["context"]["draftOrders"]["entry"] = [e for e in changes.drafts_of(changed) if e["resource"]["resourceType"] != "Medication"]
    with pytest.raises(AssertionError):
        same("02", changed)


# All together --------------------------------------------------------------------------------------------------------------------------

INVISIBLE: tuple[Callable[[Json], Json], ...] = (
    lambda r: changes.in_other_units(r, code_too=True), changes.in_other_order_units, changes.with_other_loinc, changes.only_system(RXNORM, ATC),
    changes.permuted(3), changes.with_copies(5), changes.shifted(timedelta(minutes=13)), changes.in_zone(-570), changes.with_referenced_medications,
    changes.with_unknown_key, changes.with_old_normal_results(50),
)  # fmt: skip


@every_chart
@seed(2)
@settings(some, max_examples=6)
@given(chosen=st.lists(st.integers(0, len(INVISIBLE) - 1), min_size=2, max_size=5, unique=True))
def test_several_changes_at_once(number: str, chosen: list[int]) -> None:
    changed = CHART[number]
    for index in chosen:
        changed = INVISIBLE[index](changed)
    same(number, changed, older=True)


def test_gaps_stay_gaps_through_every_change() -> None:
    """What is open before a change is open after it, for the same reason."""
    for number in ("10", "15"):
        for change in INVISIBLE:
            after = rules_of(judge(change(CHART[number])))
            for code, row in rules_of(before(number)).items():
                assert (row["outcome"], row.get("why")) == (after[code]["outcome"], after[code].get("why")), (number, code)


def test_scenarios_are_unchanged_by_all_this() -> None:
    """No change has touched the requests themselves."""
    for folder in FOLDERS:
        assert CHART[folder.name[:2]] == scenario(folder.name[:2])
