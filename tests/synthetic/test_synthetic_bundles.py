"""The shipped scenarios are whole, current, valid FHIR, internally consistent and plainly synthetic.

What the service answers to them is tested elsewhere; here only the bundles themselves are judged.
"""

from __future__ import annotations

import importlib.util
import json
import math
import re
import uuid
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds.topics.catalogue import CATALOGUE
from tests.synthetic.judging import knowledge

ROOT = Path(__file__).resolve().parents[2] / "synthetic_bundles"
FOLDERS = sorted(path for path in ROOT.iterdir() if path.is_dir() and path.name[:2].isdigit())
INDICATORS = {"info", "warning", "critical"}
VIEWS = {"course of the crisis", "readiness for discharge"}
PROBLEMS = {ready.advisory.problem for named in (knowledge().adult, knowledge().child) for ready in named.ready} | {"what could not be judged", "blood gas"} | VIEWS
"""Every problem that a card may be about: those that the topics declare, those of section E, and the overviews."""
HOOKS = {"patient-view", "order-select", "order-sign", "encounter-discharge"}
every_scenario = pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)


def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("synthetic_build", ROOT / "build.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def request_of(folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((folder / "request.json").read_text(encoding="utf-8"))
    return loaded


def expectation_of(folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    return loaded


def chart_of(request: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every clinical resource of the prefetch (bundles opened)."""
    for answer in request["prefetch"].values():
        if answer is None:
            continue
        if answer["resourceType"] == "Bundle":
            yield from (entry["resource"] for entry in answer.get("entry", []))
        else:
            yield answer


def drafts_of(request: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in request["context"].get("draftOrders", {}).get("entry", [])]


def everything_in(request: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield from chart_of(request)
    yield from drafts_of(request)


def refuse_invalid(resource: dict[str, Any]) -> None:
    get_fhir_model_class(resource["resourceType"]).model_validate(resource)


def refuse_stale(module: ModuleType, folder: Path) -> None:
    made = {make().folder: module.written(make()) for make in module.SCENARIOS}
    assert (folder / "request.json").read_text(encoding="utf-8") == made[folder.name]


def test_there_are_enough_scenarios_and_each_is_generated() -> None:
    module = generator()
    assert len(FOLDERS) >= 12
    assert [path.name for path in FOLDERS] == sorted(make().folder for make in module.SCENARIOS)


@every_scenario
def test_folder_is_whole(folder: Path) -> None:
    assert {path.name for path in folder.iterdir()} == {"request.json", "expected.md", "expected.json", "answer.json"}


@every_scenario
def test_request_is_what_the_generator_writes(folder: Path) -> None:
    refuse_stale(generator(), folder)


def test_control_a_hand_edited_request_is_noticed(tmp_path: Path) -> None:
    edited = tmp_path / FOLDERS[0].name
    edited.mkdir()
    text = (FOLDERS[0] / "request.json").read_text(encoding="utf-8")
    (edited / "request.json").write_text(text.replace('"value": 3.1', '"value": 3.6', 1), encoding="utf-8")
    with pytest.raises(AssertionError):
        refuse_stale(generator(), edited)


@every_scenario
def test_every_resource_is_valid_fhir_r4(folder: Path) -> None:
    for resource in everything_in(request_of(folder)):
        refuse_invalid(resource)
    for answer in request_of(folder)["prefetch"].values():
        if answer is not None and answer["resourceType"] == "Bundle":
            refuse_invalid(answer)


def test_control_an_invalid_resource_is_refused() -> None:
    resource = next(r for r in everything_in(request_of(FOLDERS[0])) if r["resourceType"] == "Observation")
    with pytest.raises(ValueError):
        refuse_invalid({key: value for key, value in resource.items() if key != "code"})


@every_scenario
def test_request_envelope(folder: Path) -> None:
    request = request_of(folder)
    context = request["context"]
    assert request["hook"] in HOOKS
    uuid.UUID(request["hookInstance"])
    assert datetime.fromisoformat(request["extension"]["example.trivet.evaluate-at"]).tzinfo is not None
    assert context["userId"].startswith("Practitioner/") and context["patientId"] and context["encounterId"]
    assert ("draftOrders" in context) == (request["hook"] in {"order-select", "order-sign"})
    assert ("selections" in context) == (request["hook"] == "order-select")
    present = {f"{draft['resourceType']}/{draft['id']}" for draft in drafts_of(request)}
    assert set(context.get("selections", [])) <= present
    assert set(request["prefetch"]) <= set(generator().KEYS)
    assert request["prefetch"]["patient"]["id"] == context["patientId"]


def test_hook_instances_differ() -> None:
    assert len({request_of(folder)["hookInstance"] for folder in FOLDERS}) == len(FOLDERS)


@every_scenario
def test_chart_is_of_realistic_size_with_unique_ids(folder: Path) -> None:
    request = request_of(folder)
    chart = list(chart_of(request))
    assert 20 <= len(chart) + len(drafts_of(request)) <= 250
    for resources in (chart, drafts_of(request)):
        names = [(resource["resourceType"], resource["id"]) for resource in resources if "id" in resource]
        assert len(names) == len(set(names))


@every_scenario
def test_age_is_known_and_nothing_lies_in_the_future(folder: Path) -> None:
    request = request_of(folder)
    now = datetime.fromisoformat(request["extension"]["example.trivet.evaluate-at"])
    born = datetime.fromisoformat(request["prefetch"]["patient"]["birthDate"] + "T00:00:00Z")
    assert 0 < (now - born).days / 365.25 < 100
    for resource in chart_of(request):
        for field in ("effectiveDateTime", "authoredOn", "recordedDate", "issued"):
            text = resource.get(field, "")
            if "T" in text:
                assert datetime.fromisoformat(text) <= now, (resource["id"], field)


@every_scenario
def test_search_answers_are_newest_first(folder: Path) -> None:
    for key, answer in request_of(folder)["prefetch"].items():
        if key in {"patient", "conditions", "medications", "administrations", "allergies", "procedures", "investigations"} or answer is None:
            continue
        times = [datetime.fromisoformat(e["resource"]["effectiveDateTime"]) for e in answer.get("entry", [])]
        assert times == sorted(times, reverse=True), key


@every_scenario
def test_blood_gases_agree_with_themselves_unless_that_is_the_story(folder: Path) -> None:
    """Henderson-Hasselbalch, pKa 6.1, solubility 0.0307 mmol/L/mmHg (common practice)."""
    codes = {"2744-1": "ph", "11558-4": "ph", "2746-6": "ph", "2019-8": "pco2", "11557-6": "pco2",
             "1959-6": "bicarbonate", "1960-4": "bicarbonate"}
    gases: dict[str, dict[str, float]] = {}
    for resource in chart_of(request_of(folder)):
        name = codes.get(resource.get("code", {}).get("coding", [{}])[0].get("code", ""))
        if name and "valueQuantity" in resource:
            value = resource["valueQuantity"]["value"]
            in_mmhg = 7.50062 if resource["valueQuantity"]["code"] == "kPa" else 1.0
            gases.setdefault(resource["effectiveDateTime"], {})[name] = value * (in_mmhg if name == "pco2" else 1.0)
    for gas in gases.values():
        apart = abs(gas["ph"] - (6.1 + math.log10(gas["bicarbonate"] / (0.0307 * gas["pco2"]))))
        assert (apart > 0.10) if folder.name.startswith("10-") else (apart <= 0.02)


@every_scenario
def test_no_real_person_server_or_leftover(folder: Path) -> None:
    request = request_of(folder)
    number = f"{generator().COURSES.get(int(folder.name[:2]), int(folder.name[:2])):02d}"
    assert request["prefetch"]["patient"]["name"] == [{"family": "Test", "given": [f"Synthetic-{number}"]}]
    text = json.dumps(request)
    known = r"https?://(loinc\.org|snomed\.info|www\.nlm\.nih\.gov|www\.whocc\.no|hl7\.org|unitsofmeasure\.org|terminology\.hl7\.org)"
    for address in re.findall(r"https?://[^\"/ ]+", text):
        assert re.fullmatch(known, address) or address.endswith(".example"), address
    people = [r for r in everything_in(request) if r["resourceType"] in {"Practitioner", "RelatedPerson", "Patient"}]
    assert [p["resourceType"] for p in people] == ["Patient"]
    assert not {"telecom", "address", "photo", "contact"} & set(people[0])


@every_scenario
def test_expectation_is_well_formed_and_told_in_words(folder: Path) -> None:
    expected = expectation_of(folder)
    words = (folder / "expected.md").read_text(encoding="utf-8")
    assert set(expected) <= {"advisories", "absent", "cards", "folded", "above_info_at_most", "accounted", "never_shown"}
    assert set(expected["advisories"].values()) <= INDICATORS
    assert not set(expected["advisories"]) & set(expected["absent"])
    # Together the two lists leave no code of the README unjudged, and name none that does not exist. Any other code that a card carries needs its line too:
    # test_answers.py refuses a card whose code the expectation does not name.
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    covered = set(re.findall(r"`([a-z0-9-]+)`", readme.partition("judges these codes")[2].partition("Whoever")[0]))
    judged = set(expected["advisories"]) | set(expected["absent"])
    assert covered <= judged, covered - judged
    assert judged <= set(CATALOGUE), judged - set(CATALOGUE)
    carried: list[str] = []
    for card in expected["cards"]:
        assert card["problem"] in PROBLEMS
        codes = [card["lead"], *card["with"]]
        carried += codes
        assert card["indicator"] == expected["advisories"][card["lead"]]
        ranks = ["info", "warning", "critical"]
        assert all(ranks.index(expected["advisories"][c]) <= ranks.index(card["indicator"]) for c in codes)
    assert len(carried) == len(set(carried))
    above_info = {code for code, indicator in expected["advisories"].items() if indicator != "info"}
    folded = expected.get("folded", [])
    assert above_info == set(carried) | set(folded) and not set(carried) & set(folded)
    assert len(expected["cards"]) <= expected["above_info_at_most"]
    for code, indicator in expected["advisories"].items():
        assert re.search(rf"`{code}` \| {indicator} \|", words), code


@every_scenario
def test_drafts_that_stop_an_order_name_one_that_runs(folder: Path) -> None:
    request = request_of(folder)
    running = {r["id"] for r in chart_of(request) if r["resourceType"] == "MedicationRequest" and r["status"] == "active"}
    for draft in drafts_of(request):
        assert draft["status"] in {"draft", "stopped"}
        if draft["status"] == "stopped":
            assert draft["id"] in running
