"""Promises: an override "will monitor" has a due time, and the next call says whether the check came (B14, HZ-47)."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from cds.advisory import Outcome
from cds.audit.memory import OverrideMemory
from cds.chart import MINUTE, Chart, Memory, Override, Promise
from cds.intake import EVALUATE_AT
from cds.overviews import PROMISE, checked, without_broken
from cds.overviews import promises as module
from cds.replay import Category, Sources, replay_record
from cds.service.knowledge import parameter_files
from tests.charts import NOW, Item, chart, insulin, result
from tests.logic.shipped import knowledge
from tests.overviews.making import card, outcome, views
from tests.service.inside import Inside, card_with, codes, inside, results_of, scenario

A6 = "insulin-with-low-potassium"  # two hours for a potassium
Patch = pytest.MonkeyPatch


def promised(minutes: float, code: str = A6) -> Memory:
    """A promise made so many minutes ago, with the override that it is."""
    at = NOW - int(minutes * MINUTE)
    return Memory((Override(code, "critical", "f1", at, "u", "e", "will-monitor"),), (Promise(code, "critical", at, "f1"),))


def held(*items: Item, **more: Any) -> Chart:
    """A patient without a crisis in whom a draft is looked at."""
    return chart(result("glucose", "6", age=30), *items, hook="order-sign", **more)


# When, and whether the check came --------------------------------------------------------------------------------------------------------

TIMES = [
    # minutes since the promise, potassium drawn so many minutes ago, the state; the interval is 120 min (own rule)
    (119, None, "waiting"),
    (120, None, "broken"),
    (121, None, "broken"),
    (200, 190, "kept"),
    (200, 80, "kept"),  # at 120 min: the very minute
    (200, 79, "kept late"),  # at 121 min
    (200, 5, "kept late"),
    (200, 200, "broken"),  # drawn at the minute of the promise: it was known then
    (200, 201, "broken"),
    (4320, None, "broken"),
]


@pytest.mark.parametrize(("since", "drawn", "state"), TIMES)
def test_hz_47_kept_late_broken(since: float, drawn: float | None, state: str) -> None:
    items = () if drawn is None else (result("potassium", "4.0", age=drawn),)
    assert [each.state for each in checked(held(*items), promised(since), knowledge())] == [state]


def test_hz_47_a_promise_of_three_days_ago_is_let_go() -> None:
    assert checked(held(), promised(4321), knowledge()) == ()


def test_hz_47_hz_07_a_list_that_was_not_sent_breaks_no_promise() -> None:
    for gap in ({"not_sent": ["potassium"]}, {"failed": ["potassium"]}):
        made = checked(held(**gap), promised(200), knowledge())
        assert [each.state for each in made] == ["not known"]
        assert card(views(held(**gap), promised(200)), PROMISE) is None


def test_hz_47_a_result_of_another_analyte_keeps_nothing() -> None:
    assert [each.state for each in checked(held(result("sodium", "140", age=10)), promised(200), knowledge())] == ["broken"]


def test_hz_47_hz_06_a_result_only_issued_since_keeps_nothing() -> None:
    drawn = result("potassium", "4.0", age=10)
    late = structs.replace(drawn, at=structs.replace(drawn.at, earliest=None))
    assert [each.state for each in checked(held(late), promised(200), knowledge())] == ["broken"]


def test_hz_47_the_newest_promise_of_a_code_counts() -> None:
    both = Memory((), (*promised(300).promises, *promised(60).promises))
    assert [each.state for each in checked(held(), both, knowledge())] == ["waiting"]


def test_hz_47_a_code_without_an_item_promises_nothing() -> None:
    assert checked(held(), promised(2000, "carbapenem-with-valproate"), knowledge()) == ()


# What is said -----------------------------------------------------------------------------------------------------------------------------


def test_hz_47_the_warning_reads_at_three_in_the_morning() -> None:
    made = card(views(held(), promised(165)), PROMISE)
    assert made is not None
    assert made.indicator == "warning"
    assert made.summary == "Potassium check is 45 min overdue: 'will monitor' was promised, no newer result"
    assert "'Insulin with a low potassium'" in made.parts[0].lines[0].text or "was overridden 2 h 45 min ago with 'will monitor'" in made.parts[0].lines[0].text


def test_hz_47_met_is_silent() -> None:
    made = views(held(result("potassium", "4.0", age=20)), promised(165))
    assert card(made, PROMISE) is None
    assert outcome(made, PROMISE) is Outcome.NOT_MET


def test_hz_47_the_course_holds_it_as_a_line() -> None:
    made = views(chart(result("glucose", "28"), result("beta_hydroxybutyrate", "5"), result("ph", "7.1"), insulin("6", start=400), hook="patient-view"), promised(165))
    assert outcome(made, PROMISE) is Outcome.ABSORBED
    assert any("Promised check of potassium: OVERDUE by 45 min" in line.text for part in made.cards[0].parts for line in part.lines)


def test_hz_47_switched_off_says_nothing() -> None:
    assert outcome(views(held(), promised(165), off=frozenset({PROMISE})), PROMISE) is Outcome.SWITCHED_OFF


def test_c_05_the_warning_itself_can_be_overridden() -> None:
    memory = promised(165)
    made = card(views(held(), memory), PROMISE)
    assert made is not None
    own = Override(PROMISE, "warning", made.inputs, NOW - 30 * MINUTE, "u", "e", "already-done")
    assert outcome(views(held(), replace(memory, overrides=(*memory.overrides, own))), PROMISE) is Outcome.HELD_BACK


def check_speaks_again(memory: Memory) -> None:
    assert without_broken(memory, checked(held(), memory, knowledge())).overrides == ()


def test_hz_47_what_was_overridden_on_a_promise_speaks_again_when_it_is_broken() -> None:
    check_speaks_again(promised(121))
    assert without_broken(promised(119), checked(held(), promised(119), knowledge())) == promised(119)


def test_hz_47_an_override_for_another_reason_stands() -> None:
    memory = promised(121)
    other = replace(memory.overrides[0], reason="benefit-outweighs")
    assert without_broken(replace(memory, overrides=(other,)), checked(held(), memory, knowledge())).overrides == (other,)


def test_control_hz_47_where_no_list_is_trusted_nothing_speaks_again(monkeypatch: Patch) -> None:
    monkeypatch.setattr(module, "_sent", lambda *_: False)
    with pytest.raises(AssertionError):
        check_speaks_again(promised(121))


# Through the service: another user, another encounter, and byte for byte ------------------------------------------------------------------


def promise_and_wait(running: Inside, change: Callable[[dict[str, Any]], None] | None = None) -> Any:
    """The lead scenario's potassium card is overridden with a promise three hours ago; then the same patient is called for again."""
    first = running.call(scenario())
    told = running.feedback(card_with(first, A6)["uuid"], overrideReason={"reason": {"code": "will-monitor"}})
    assert told.status_code == 200
    table = running.desk.memory._connection
    table.execute("UPDATE overrides SET at_ms = at_ms - ?", (180 * MINUTE,))
    request = scenario()
    # As of three hours later: the potassium on record is older than the promise.
    request["extension"] = {EVALUATE_AT: "2026-03-14T11:20:00Z"}
    if change is not None:
        change(request)
    return running.call(request)


def another(request: dict[str, Any]) -> None:
    """Another user, in another encounter: the shift changed and the patient moved."""
    request["context"] |= {"userId": "Practitioner/night", "encounterId": "enc-moved"}


def check_moved(data: Path) -> None:
    with inside(data) as running:
        assert PROMISE in codes(promise_and_wait(running, another))


def test_hz_47_a_promise_outlives_a_shift_and_a_move(tmp_path: Path) -> None:
    check_moved(tmp_path)


def test_control_hz_47_without_the_promises_of_others_nothing_is_said(tmp_path: Path, monkeypatch: Patch) -> None:
    monkeypatch.setattr(OverrideMemory, "promises", lambda *_, **__: ())
    with pytest.raises(AssertionError):
        check_moved(tmp_path)


def test_hz_47_the_same_user_is_told(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        answer = promise_and_wait(running)
        told = [card["detail"] for card in answer.json()["cards"] if card["source"]["topic"]["code"] == PROMISE]
    assert any("potassium was due at 10:19 UTC" in detail or "potassium was due at 10:20 UTC" in detail for detail in told)


def test_hz_47_a_newer_potassium_keeps_it(tmp_path: Path) -> None:
    def newer(request: dict[str, Any]) -> None:
        made = deepcopy(next(r for r in results_of(request, "electrolytes", "potassium") if r["id"] == "s01-potassium-4"))
        made |= {"id": "s01-potassium-new", "effectiveDateTime": "2026-03-14T10:10:00+01:00", "issued": "2026-03-14T10:15:00+01:00"}
        made["identifier"] = [{"system": "https://laboratory.example/results", "value": "S01-POTASSIUM-NEW"}]
        request["prefetch"]["electrolytes"]["entry"].insert(0, {"resource": made})

    with inside(tmp_path) as running:
        told = [card["detail"] for card in promise_and_wait(running, newer).json()["cards"] if card["source"]["topic"]["code"] == PROMISE]
    # The card held a glucose code too, whose promise stays open; the potassium's is kept.
    assert not any("potassium was due" in detail for detail in told)


def test_f_41_hz_47_an_answer_with_a_promise_is_made_again_byte_for_byte(tmp_path: Path) -> None:
    with inside(tmp_path) as running:
        answer = promise_and_wait(running, another)
        record = next(r for r in reversed(running.records()) if r.header.get("outcome") == "answered")
        assert "promises" in record.parts
        assert replay_record(record, Sources(running.desk.reader, str(record.header["hashes"]["software"]), parameter_files())).category is Category.EQUAL
        assert PROMISE in codes(answer)
