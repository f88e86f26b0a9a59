"""Which of several copies and versions of a result counts, and which statuses count at all (F-7)."""

from __future__ import annotations

import itertools
from unittest import mock

import pytest

from cds.chart import Trouble
from cds.intake import results as intake_results
from tests.intake.payloads import at, bundle, observation, quantity, read, request, results


@pytest.mark.parametrize("status", ["preliminary", "final", "amended", "corrected"])
def test_hz_08_statuses_that_count(status: str) -> None:
    (result,), problems = results(observation(status=status))
    assert problems == () and result.preliminary == (status == "preliminary")


@pytest.mark.parametrize("status", ["registered", "cancelled", "entered-in-error", "unknown"])
def test_hz_08_statuses_that_are_ignored_without_a_word(status: str) -> None:
    assert results(observation(status=status)) == ((), ())


@pytest.mark.parametrize("status", ["bogus", "", "Final", "final "])
def test_hz_08_a_status_that_fhir_does_not_know_is_set_aside(status: str) -> None:
    found, problems = results(observation(status=status))
    assert found == () and problems[0].trouble is Trouble.STATUS


def test_control_hz_08_without_the_list_of_statuses_a_withdrawn_value_counts() -> None:
    with mock.patch.object(intake_results, "COUNTED", {"entered-in-error"}), mock.patch.object(intake_results, "IGNORED", set()):
        with pytest.raises(AssertionError):
            assert results(observation(status="entered-in-error"))[0] == ()


VERSIONS = [
    # older, newer (same result), what counts
    ({"meta": {"lastUpdated": at(20)}}, {"meta": {"lastUpdated": at(10)}}),
    ({"meta": {"versionId": "9"}}, {"meta": {"versionId": "10"}}),
    ({}, {"status": "corrected"}),
    ({"status": "preliminary"}, {}),
    ({"issued": at(20)}, {"issued": at(10)}),
]


@pytest.mark.parametrize(("older", "newer"), VERSIONS)
@pytest.mark.parametrize("swap", [False, True])
def test_the_newest_version_of_one_id_counts(older: dict[str, object], newer: dict[str, object], swap: bool) -> None:
    sent = [observation(3.1, **older), observation(4.4, **newer)]
    (result,), problems = results(*(reversed(sent) if swap else sent))
    assert problems == () and str(result.value.exact) == "4.4"


@pytest.mark.parametrize("swap", [False, True])
def test_the_newest_version_of_one_identifier_counts(swap: bool) -> None:
    name = [{"system": "urn:lab", "value": "K-1"}]
    sent = [observation(3.1, identifier=name), observation(4.4, id="o2", identifier=name, status="corrected")]
    (result,), _ = results(*(reversed(sent) if swap else sent))
    assert str(result.value.exact) == "4.4"


def test_an_identifier_joins_ids_that_were_apart() -> None:
    one, two = {"system": "urn:lab", "value": "1"}, {"system": "urn:lab", "value": "2"}
    sent = [
        observation(3.0, id="a", identifier=[one]),
        observation(3.1, id="b", identifier=[two]),
        observation(3.2, id="c", identifier=[one, two], status="corrected"),
    ]
    for order in itertools.permutations(sent):
        (result,), problems = results(*order)
        assert str(result.value.exact) == "3.2" and problems == ()


def test_a_result_withdrawn_by_its_newest_version_is_gone() -> None:
    assert results(observation(), observation(status="entered-in-error")) == ((), ())


def test_two_versions_that_cannot_be_told_apart_are_both_set_aside() -> None:
    found, problems = results(observation(3.1), observation(4.4))
    assert found == () and [each.trouble for each in problems] == [Trouble.CONFLICT] * 2


@pytest.mark.parametrize("other", [{}, {"id": "o2"}, {"id": ...}])
def test_copies_collapse(other: dict[str, object]) -> None:
    (result,), problems = results(observation(), observation(**other))
    assert problems == () and str(result.value.exact) == "3.1"


def test_a_copy_in_another_list_collapses() -> None:
    chart = read(request(prefetch={"electrolytes": bundle(observation()), "renal": bundle(observation())})).chart
    assert len(chart.results.of("potassium")) == 1


def test_two_values_of_one_specimen_code_and_time_are_set_aside() -> None:
    sent = [observation(value, id=name, specimen={"reference": "Specimen/s1"}) for value, name in ((3.1, "o1"), (4.4, "o2"))]
    found, problems = results(*sent)
    assert found == () and [each.trouble for each in problems] == [Trouble.CONFLICT] * 2


def test_two_values_at_one_time_without_a_common_specimen_both_count() -> None:
    found, problems = results(observation(3.1), observation(4.4, id="o2"))
    assert len(found) == 2 and problems == ()


def test_results_come_newest_first_whatever_the_order_sent() -> None:
    sent = [observation(3 + i / 10, id=f"o{i}", effectiveDateTime=at(10 * i)) for i in range(1, 5)]
    expected = results(*sent)[0]
    assert [str(each.value.exact) for each in expected] == ["3.1", "3.2", "3.3", "3.4"]
    for order in itertools.permutations(sent):
        found = results(*order)[0]
        assert [(each.ref, each.value, each.at) for each in found] == [(each.ref, each.value, each.at) for each in expected]


def test_reading_twice_gives_the_same() -> None:
    found = read(request(prefetch={"electrolytes": bundle(observation(), observation(value="x", id="o2"))})).chart.results
    assert found.of("potassium") is found.of("potassium") and found.problems("potassium") is found.problems("potassium")
    assert found.of("nothing of ours") == ()


@pytest.mark.parametrize("member", ["modifierExtension", "implicitRules"])
def test_a_modifier_that_is_not_understood_sets_the_result_aside(member: str) -> None:
    value = [{"url": "urn:not", "valueBoolean": True}] if member == "modifierExtension" else "urn:rules"
    found, problems = results(observation(**{member: value}))
    assert found == () and problems[0].trouble is Trouble.MODIFIER


def test_control_modifiers_unchecked_would_let_the_value_through() -> None:
    sent = observation(modifierExtension=[{"url": "urn:not", "valueBoolean": True}])
    plain = mock.patch.object(intake_results.LazyResults, "_plain", lambda self, analyte, held: None)
    with mock.patch.object(intake_results, "_modified", lambda each: False), plain, pytest.raises(AssertionError):
        assert results(sent)[0] == ()


def test_extensions_elsewhere_are_tolerated() -> None:
    extra = [{"url": "urn:x", "valueString": "y"}]
    sent = observation(extension=extra, _status={"extension": extra}, valueQuantity={**quantity(3.1), "extension": extra})
    assert len(results(sent)[0]) == 1
