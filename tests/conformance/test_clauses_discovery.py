"""Groups A to C of the clauses on the running service: JSON, discovery and the prefetch templates announced."""

from typing import Any

import httpx
import pytest

from tests.conformance import checks
from tests.conformance.requests import HOOKS, small_request
from tests.conformance.service import Service

Json = Any


@pytest.fixture(scope="module")
def discovery(service: Service) -> httpx.Response:
    return service.discovery()


def faults(discovery: httpx.Response, clause: str) -> list[str]:
    return [fault for fault in checks.check_discovery(discovery.json()) if fault.startswith(clause)]


def test_ch_01_discovery_is_json(discovery: httpx.Response) -> None:
    assert checks.check_json_body(discovery.content, discovery.headers["content-type"]) == []


def test_ch_05_discovery_always_answers_the_same(service: Service, discovery: httpx.Response) -> None:
    again = service.discovery()
    assert (discovery.status_code, again.status_code) == (200, 200)
    assert again.content == discovery.content


def test_ch_06_discovery_holds_the_four_services(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-06") == []
    assert {(s["id"], s["hook"]) for s in discovery.json()["services"]} == {(f"trivet-{hook}", hook) for hook in HOOKS}


def test_ch_08_service_ids_are_addresses(service: Service, discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-08") == []
    for announced in discovery.json()["services"]:
        assert service.call(small_request(announced["hook"]), announced["id"]).status_code == 200


def test_ch_12_usage_requirements_name_the_fhir_version(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-12") == []
    assert all("R4" in announced["usageRequirements"] for announced in discovery.json()["services"])


def test_ch_19_templates_are_relative_reads_or_searches(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-19") == []
    assert all(announced["prefetch"] for announced in discovery.json()["services"])


def test_ch_02_discovery_has_no_empty_values(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-02") == []


def test_ch_07_service_hook(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-07") == []


def test_ch_09_service_description(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-09") == []


def test_ch_10_service_title(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-10") == []


def test_ch_11_prefetch_is_a_map_of_strings(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-11") == []


def test_ch_13_service_version(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-13") == []


def test_ch_14_hook_version(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-14") == []


def test_ch_15_id_and_hook_pairs_are_unique(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-15") == []


def test_ch_16_hook_names(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-16") == []


def test_ch_17_prefetch_tokens_are_well_formed(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-17") == []


def test_ch_18_prefetch_tokens_exist_in_the_hook(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-18") == []


def test_ch_20_templates_stay_in_the_simple_subset(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-20") == []


def test_ch_21_no_template_leans_on_another(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-21") == []


def test_ch_84_discovery_has_no_invented_members(discovery: httpx.Response) -> None:
    assert faults(discovery, "CH-84") == []
