"""Groups D to J of the clauses on the running service: one test a clause, each a probe that must find nothing."""

from pathlib import Path

import httpx

from tests.conformance import probes, probes_feedback
from tests.conformance.service import Service
from tests.service_process import start_service


def test_ch_22_hz_32_required_data_missing(service: Service) -> None:
    assert probes.ch_22_required_data_missing(service) == []


def test_ch_23_fhir_server_down(service: Service) -> None:
    assert probes.ch_23_fhir_server_down(service) == []


def test_ch_24_null_prefetch(service: Service) -> None:
    assert probes.ch_24_null_prefetch(service) == []


def test_ch_25_empty_searchset(service: Service) -> None:
    assert probes.ch_25_empty_searchset(service) == []


def test_ch_26_hz_07_operation_outcome(service: Service) -> None:
    assert probes.ch_26_operation_outcome(service) == []


def test_ch_27_partial_prefetch(service: Service) -> None:
    assert probes.ch_27_partial_prefetch(service) == []


def test_ch_28_hz_14_paged_searchset(service: Service) -> None:
    assert probes.ch_28_paged_searchset(service) == []


def test_ch_29_unknown_prefetch_key(service: Service) -> None:
    assert probes.ch_29_unknown_prefetch_key(service) == []


def test_ch_30_valid_request(service: Service) -> None:
    assert probes.ch_30_valid_request(service) == []


def test_ch_31_missing_hook(service: Service) -> None:
    assert probes.ch_31_missing_hook(service) == []


def test_ch_32_missing_hook_instance(service: Service) -> None:
    assert probes.ch_32_missing_hook_instance(service) == []


def test_ch_33_missing_context(service: Service) -> None:
    assert probes.ch_33_missing_context(service) == []


def test_ch_34_wrong_hook(service: Service) -> None:
    assert probes.ch_34_wrong_hook(service) == []


def test_ch_35_malformed_hook_instance(service: Service) -> None:
    assert probes.ch_35_malformed_hook_instance(service) == []


def test_ch_36_repeated_hook_instance(service: Service) -> None:
    assert probes.ch_36_repeated_hook_instance(service) == []


def test_ch_37_authorization_without_server(service: Service) -> None:
    assert probes.ch_37_authorization_without_server(service) == []


def test_ch_38_malformed_body(service: Service) -> None:
    assert probes.ch_38_malformed_body(service) == []


def test_ch_39_unknown_service(service: Service) -> None:
    assert probes.ch_39_unknown_service(service) == []


def test_ch_40_wrong_method(service: Service) -> None:
    assert probes.ch_40_wrong_method(service) == []


def test_ch_41_extensions_and_unknown_members(service: Service) -> None:
    assert probes.ch_41_extensions_and_unknown_members(service) == []


def test_ch_42_missing_patient_id(service: Service) -> None:
    assert probes.ch_42_missing_patient_id(service) == []


def test_ch_43_missing_user_id(service: Service) -> None:
    assert probes.ch_43_missing_user_id(service) == []


def test_ch_44_user_id_forms(service: Service) -> None:
    assert probes.ch_44_user_id_forms(service) == []


def test_ch_45_encounter_optional(service: Service) -> None:
    assert probes.ch_45_encounter_optional(service) == []


def test_ch_46_missing_draft_orders(service: Service) -> None:
    assert probes.ch_46_missing_draft_orders(service) == []


def test_ch_47_missing_selections(service: Service) -> None:
    assert probes.ch_47_missing_selections(service) == []


def test_ch_48_dangling_selection(service: Service) -> None:
    assert probes.ch_48_dangling_selection(service) == []


def test_ch_49_order_without_dosage(service: Service) -> None:
    assert probes.ch_49_order_without_dosage(service) == []


def test_ch_50_other_order_types(service: Service) -> None:
    assert probes.ch_50_other_order_types(service) == []


def test_ch_51_status_not_draft(service: Service) -> None:
    assert probes.ch_51_status_not_draft(service) == []


def test_ch_52_extensions_in_resources(service: Service) -> None:
    assert probes.ch_52_extensions_in_resources(service) == []


def test_ch_53_one_bad_resource(service: Service) -> None:
    assert probes.ch_53_one_bad_resource(service) == []


def test_ch_54_r5_shaped_order(service: Service) -> None:
    assert probes.ch_54_r5_shaped_order(service) == []


def test_ch_55_hz_01_patient_mismatch(service: Service) -> None:
    assert probes.ch_55_patient_mismatch(service) == []


def test_ch_56_referenced_medication(service: Service) -> None:
    assert probes.ch_56_referenced_medication(service) == []


def test_ch_57_ch_58_bearer_on_every_fhir_call(service: Service) -> None:
    assert probes.ch_57_58_bearer_on_every_fhir_call(service) == []


def test_ch_59_hz_42_token_is_transient(service: Service) -> None:
    assert probes.ch_59_token_is_transient(service) == []


def test_ch_60_authorization_members(service: Service) -> None:
    assert probes.ch_60_authorization_members(service) == []


def test_ch_68_uuids_are_new(service: Service) -> None:
    assert probes.ch_68_uuids_are_new(service) == []


def test_ch_85_same_input_same_cards(service: Service) -> None:
    assert probes.ch_85_same_input_same_cards(service) == []


def test_ch_96_open_on_loopback(service: Service) -> None:
    assert probes.ch_96_open_on_loopback(service) == []


def test_ch_86_operation_outcome_on_errors(service: Service) -> None:
    assert probes_feedback.ch_86_operation_outcome_on_errors(service) == []


def test_ch_87_hz_45_errors_leak_nothing(service: Service) -> None:
    assert probes_feedback.ch_87_errors_leak_nothing(service) == []


def test_ch_88_hz_31_about_half_a_second(service: Service) -> None:
    assert probes_feedback.ch_88_about_half_a_second(service) == []


def test_ch_89_feedback_for_a_card_received(service: Service) -> None:
    assert probes_feedback.ch_89_feedback_for_a_card_received(service) == []


def test_ch_90_feedback_accepted(service: Service) -> None:
    assert probes_feedback.ch_90_feedback_accepted(service) == []


def test_ch_91_feedback_outcome_values(service: Service) -> None:
    assert probes_feedback.ch_91_feedback_outcome_values(service) == []


def test_ch_92_feedback_override_reason(service: Service) -> None:
    assert probes_feedback.ch_92_feedback_override_reason(service) == []


def test_ch_93_feedback_required_members(service: Service) -> None:
    assert probes_feedback.ch_93_feedback_required_members(service) == []


def test_ch_94_repeated_and_batched_feedback(service: Service) -> None:
    assert probes_feedback.ch_94_repeated_and_batched_feedback(service) == []


def test_ch_95_cors_off(service: Service) -> None:
    assert probes_feedback.ch_95_cors_off(service) == []


def test_ch_95_cors_for_a_listed_origin(service: Service, data_path: Path) -> None:
    origin = "https://ehr.example"
    with (
        start_service(data_path, TRIVET_CORS_ORIGINS=f'["{origin}"]') as running,
        httpx.Client(base_url=running.url) as listed,
    ):
        assert probes_feedback.cors_for_listed_origin(Service(listed), origin) == []
