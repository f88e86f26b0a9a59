"""Requests of a chosen size that fire (F-24).

A small request that evaluates nothing would meet every goal, so the lead scenario lies inside: announced prefetch keys,
mapped codes, its own evaluation time, an insulin infusion and meropenem about to be signed, at least three critical codes.
What is added is what a long stay adds: twelve running orders, and results, of which half lie within the last two days
(beside the ones that decide) and half weeks back, and the odd old diagnosis.

Size 1 is the insulin order alone: every list was fetched, and is empty.
"""

from __future__ import annotations

import copy
import itertools
import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

Json = Any

LEAD = Path(__file__).parents[2] / "synthetic_bundles" / "01-ketoacidosis-valproate-meropenem" / "request.json"
SIZES = (1, 100, 1_000, 5_000)
RUNNING = 12
CRITICAL = frozenset({"insulin-with-low-potassium", "potassium-replacement-missing", "dka-criteria-met", "carbapenem-with-valproate"})

# RxNorm ingredients that no advisory is about: what else is running on a ward.
BYSTANDERS = (("19484", "bisoprolol"), ("82003", "docusate"), ("4511", "folic acid"), ("20610", "cetirizine"), ("29046", "lisinopril"))

LISTS = ("conditions", "medications", "administrations", "allergies", "procedures", "investigations")


@cache
def _lead() -> Json:
    made = json.loads(LEAD.read_text(encoding="utf-8"))
    for listed in made["prefetch"].values():
        if listed["resourceType"] == "Bundle":
            listed.setdefault("entry", [])
    return made


def request(size: int, *, running: int = RUNNING) -> bytes:
    """An order-sign request whose prefetch holds `size` resources (the drafts come on top; size 1: one drafted order and empty lists).

    ValueError for a size between 1 and what the lead scenario itself has with `running` running orders.
    """
    made = copy.deepcopy(_lead())
    if size == 1:
        drafts = made["context"]["draftOrders"]["entry"]
        made["context"]["draftOrders"]["entry"] = [e for e in drafts if "insulin" in e["resource"]["id"]]
        made["prefetch"] = {key: _searchset([]) for key in made["prefetch"] if key != "patient"}
        return _bytes(made)
    prefetch = made["prefetch"]
    _add_running(prefetch["medications"]["entry"], running)
    _thin(prefetch, size)
    short = size - _count(prefetch)
    if short < 0:
        raise ValueError(f"{size} resources cannot hold the lead scenario with {running} running orders")
    measured = [key for key in prefetch if key not in (*LISTS, "patient") and _is_of_results(prefetch[key])]
    results = [(key, entry) for key in measured for entry in prefetch[key]["entry"]]
    extras = _extras(results)
    for index in range(short):
        if index % 50 == 49:
            prefetch["conditions"]["entry"].append(_condition(prefetch["conditions"]["entry"][0], index))
        else:
            key, entry = next(extras)
            prefetch[key]["entry"].append(entry)
    for key in prefetch:
        if key == "patient":
            continue
        entries = prefetch[key]["entry"]
        if key in measured:
            entries.sort(key=lambda entry: datetime.fromisoformat(_at(entry["resource"])), reverse=True)
        prefetch[key] = _searchset(entries)
    return _bytes(made)


def _is_of_results(listed: Json) -> bool:
    """Whether a list holds results: a long stay adds to those, not to its allergies."""
    return all(entry["resource"]["resourceType"] == "Observation" for entry in listed["entry"])


def _bytes(made: Json) -> bytes:
    return json.dumps(made, separators=(",", ":"), ensure_ascii=False).encode()


def _searchset(entries: list[Json]) -> Json:
    """A search answer that a client read to its last page."""
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}


def _count(prefetch: Json) -> int:
    return sum(len(value["entry"]) if value["resourceType"] == "Bundle" else 1 for value in prefetch.values())


def _add_running(orders: list[Json], running: int) -> None:
    """Running orders up to the number asked for, each of a drug of its own as far as there are drugs."""
    pattern = next(e for e in orders if "pantoprazole" in e["resource"]["id"])
    for number in itertools.count():
        if sum(e["resource"]["status"] == "active" for e in orders) >= running:
            return
        code, name = BYSTANDERS[number % len(BYSTANDERS)]
        entry = copy.deepcopy(pattern)
        order = entry["resource"]
        order["id"] = f"bench-order-{number}"
        entry["fullUrl"] = f"https://ehr.example/fhir/MedicationRequest/{order['id']}"
        coding = [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": code, "display": name}]
        order["medicationCodeableConcept"] = {"coding": coding, "text": name}
        orders.append(entry)


def _thin(prefetch: Json, size: int) -> None:
    """Take out the oldest vital signs until the lead scenario fits: they decide nothing."""
    entries = prefetch["vitals"]["entry"]
    while _count(prefetch) > size and len(entries) > 5:
        entries.pop()


def _at(resource: Json) -> str:
    return str(resource.get("effectiveDateTime") or resource.get("effectiveInstant") or resource["effectivePeriod"]["end"])


def _extras(results: list[tuple[str, Json]]) -> Iterator[tuple[str, Json]]:
    """The lead scenario's results again and again, each earlier than its model: by minutes, then by weeks, in turn."""
    for turn in itertools.count(1):
        shift = timedelta(minutes=17 * (turn + 1) // 2) if turn % 2 else timedelta(days=7 * turn // 2)
        for number, (key, entry) in enumerate(results):
            made = copy.deepcopy(entry)
            resource = made["resource"]
            if resource["status"] != "final":
                continue
            resource["id"] = f"bench-{key.replace('_', '-')}-{turn}-{number}"
            made["fullUrl"] = f"https://ehr.example/fhir/Observation/{resource['id']}"
            resource.pop("specimen", None)
            for identifier in resource.get("identifier", ()):
                identifier["value"] = f"BENCH-{turn}-{number}"
            for member in ("effectiveDateTime", "effectiveInstant", "issued"):
                if member in resource:
                    resource[member] = (datetime.fromisoformat(resource[member]) - shift).isoformat()
            for end in ("start", "end"):
                if end in resource.get("effectivePeriod", {}):
                    moment = datetime.fromisoformat(resource["effectivePeriod"][end])
                    resource["effectivePeriod"][end] = (moment - shift).isoformat()
            yield key, made


def _condition(pattern: Json, number: int) -> Json:
    made = copy.deepcopy(pattern)
    resource = made["resource"]
    resource["id"] = f"bench-condition-{number}"
    made["fullUrl"] = f"https://ehr.example/fhir/Condition/{resource['id']}"
    code = f"M{number % 90 + 10}.9"
    resource["code"] = {"coding": [{"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": code}], "text": f"Old diagnosis {number}"}
    return made
