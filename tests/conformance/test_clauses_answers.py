"""Groups A and H of the clauses on the running service: every answer to every small request and every shipped scenario."""

from typing import Any

import httpx
import pytest

from tests.conformance import checks, probes
from tests.conformance.requests import EXPECTED, again, all_requests, scenario_requests
from tests.conformance.service import Service

Json = Any
Answers = dict[str, tuple[Json, httpx.Response]]


@pytest.fixture(scope="module")
def answers(service: Service) -> Answers:
    """Request and answer by name, asked by a user of their own: an override that another test sent holds nothing back here (C-05)."""
    requests = {name: again(request) for name, request in all_requests().items()}
    for request in requests.values():
        request["context"]["userId"] = "Practitioner/prac-answers"
    return {name: (request, service.call(request)) for name, request in requests.items()}


def faults(answers: Answers, clause: str) -> list[str]:
    return [
        f"{name}: {fault}"
        for name, (request, response) in answers.items()
        for fault in checks.check_response(response.json(), request["context"]["patientId"])
        if fault.startswith(clause)
    ]


def test_ch_01_answers_are_json(answers: Answers) -> None:
    assert [
        f"{name}: {fault}"
        for name, (_, response) in answers.items()
        for fault in checks.check_json_body(response.content, response.headers["content-type"])
    ] == []


def test_answers_give_the_clauses_something_to_judge(answers: Answers) -> None:
    """Without cards and suggestions every clause below would hold for nothing."""
    bodies = [response.json() for _, response in answers.values()]
    assert all(
        EXPECTED in checks.advisory_codes(answers[f"small-{hook}"][1].json()) for hook in ("order-select", "order-sign")
    )
    if scenario_requests():
        assert any(card.get("suggestions") for body in bodies for card in body["cards"])
        assert any(card.get("overrideReasons") for body in bodies for card in body["cards"])


def test_ch_75_updates_carry_the_whole_draft(answers: Answers) -> None:
    assert faults(answers, "CH-75") == []
    assert [
        f"{name}: {fault}"
        for name, (request, response) in answers.items()
        for fault in checks.check_updates(response.json(), request["context"].get("draftOrders"), request.get("prefetch", {}).get("medications"))
    ] == []


def test_ch_68_card_uuids(service: Service, answers: Answers) -> None:
    assert faults(answers, "CH-68") == []
    assert probes.ch_68_uuids_are_new(service) == []


def test_f_10_cards_list_their_advisories(answers: Answers) -> None:
    assert faults(answers, "F-10") == []


def test_ch_02_no_null_or_empty_values(answers: Answers) -> None:
    assert faults(answers, "CH-02") == []


def test_ch_04_resources_are_r4(answers: Answers) -> None:
    assert faults(answers, "CH-04") == []


def test_ch_61_cards_are_always_there(answers: Answers) -> None:
    assert faults(answers, "CH-61") == []


def test_ch_62_summary(answers: Answers) -> None:
    assert faults(answers, "CH-62") == []


def test_ch_63_indicator(answers: Answers) -> None:
    assert faults(answers, "CH-63") == []


def test_ch_64_source_label(answers: Answers) -> None:
    assert faults(answers, "CH-64") == []


def test_ch_65_source_addresses_are_absolute(answers: Answers) -> None:
    assert faults(answers, "CH-65") == []


def test_ch_66_topic_is_a_coding(answers: Answers) -> None:
    assert faults(answers, "CH-66") == []


def test_ch_67_detail_is_markdown_without_html(answers: Answers) -> None:
    assert faults(answers, "CH-67") == []


def test_ch_69_suggestions_have_selection_behavior(answers: Answers) -> None:
    assert faults(answers, "CH-69") == []


def test_ch_70_selection_behavior_values(answers: Answers) -> None:
    assert faults(answers, "CH-70") == []


def test_ch_71_one_recommendation(answers: Answers) -> None:
    assert faults(answers, "CH-71") == []


def test_ch_72_suggestion_label_and_types(answers: Answers) -> None:
    assert faults(answers, "CH-72") == []


def test_ch_73_action_type_and_description(answers: Answers) -> None:
    assert faults(answers, "CH-73") == []


def test_ch_74_create_carries_a_resource(answers: Answers) -> None:
    assert faults(answers, "CH-74") == []


def test_ch_76_delete_uses_resource_id(answers: Answers) -> None:
    assert faults(answers, "CH-76") == []


def test_ch_77_no_action_selection_behavior(answers: Answers) -> None:
    assert faults(answers, "CH-77") == []


def test_ch_78_override_reasons_are_codings(answers: Answers) -> None:
    assert faults(answers, "CH-78") == []


def test_ch_79_links(answers: Answers) -> None:
    assert faults(answers, "CH-79") == []


def test_ch_80_app_context_only_on_smart_links(answers: Answers) -> None:
    assert faults(answers, "CH-80") == []


def test_ch_81_no_safety_card_launches_itself(answers: Answers) -> None:
    assert faults(answers, "CH-81") == []


def test_ch_82_system_actions(answers: Answers) -> None:
    assert faults(answers, "CH-82") == []


def test_ch_83_extensions_are_objects(answers: Answers) -> None:
    assert faults(answers, "CH-83") == []


def test_ch_84_no_invented_members(answers: Answers) -> None:
    assert faults(answers, "CH-84") == []
