"""Changes of a request that must not change what is said: each takes a request and gives a changed copy.

Factors stand here a second time, from molar masses (IUPAC standard atomic weights 2021) and definitions (BIPM, NIST SP 811), so that they are
not those under test.
"""

from __future__ import annotations

import copy
import itertools
import json
import random
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

from cds.parameters import Absent
from tests.synthetic.judging import Json, drafts_of, knowledge, lists_of, resources_of

UCUM = "http://unitsofmeasure.org"
LOINC = "http://loinc.org"

# analyte group of LOINC codes: (unit here, unit there, factor from here to there, decimals a laboratory would print)
GLUCOSE, UREA_N, CREATININE = Decimal("18.0156"), Decimal("2.80134"), Decimal("0.0113118")
UNITS: dict[str, tuple[tuple[str, str, Decimal], ...]] = {
    "glucose": (("mmol/L", "mg/dL", GLUCOSE),),
    "potassium": (("mmol/L", "meq/L", Decimal(1)),),
    "sodium": (("mmol/L", "meq/L", Decimal(1)),),
    "chloride": (("mmol/L", "meq/L", Decimal(1)),),
    "bicarbonate": (("mmol/L", "meq/L", Decimal(1)),),
    "creatinine": (("umol/L", "mg/dL", CREATININE),),
    "urea": (("mmol/L", "mg/dL", UREA_N),),
    "magnesium": (("mmol/L", "mg/dL", Decimal("2.4305")), ("mmol/L", "meq/L", Decimal(2))),
    "phosphate": (("mmol/L", "mg/dL", Decimal("3.0973762")),),
    "calcium_total": (("mmol/L", "mg/dL", Decimal("4.0078")),),
    "albumin": (("g/L", "g/dL", Decimal("0.1")),),
    "pco2": (("kPa", "mm[Hg]", Decimal("7.50061683")),),
    "weight": (("kg", "[lb_av]", Decimal(1) / Decimal("0.45359237")), ("kg", "g", Decimal(1000))),
    "beta_hydroxybutyrate": (("mmol/L", "mg/dL", Decimal("10.4105")),),
    "lactate": (("mmol/L", "mg/dL", Decimal("9.008")),),
}
# The codes under which urea nitrogen is reported by mass, and urea by substance (LOINC 2.77); by mass the code tells which of the two it is.
BY_UNIT_CODE = {("urea", "mg/dL"): "3094-0", ("urea", "mmol/L"): "22664-7"}
ANALYTE_OF = {
    "14749-6": "glucose", "2345-7": "glucose", "14743-9": "glucose", "41653-7": "glucose", "15074-8": "glucose",
    "2823-3": "potassium", "6298-4": "potassium", "32713-0": "potassium", "2951-2": "sodium", "2947-0": "sodium", "2075-0": "chloride",
    "2028-9": "bicarbonate", "1959-6": "bicarbonate", "1960-4": "bicarbonate", "2019-8": "pco2", "11557-6": "pco2",
    "14682-9": "creatinine", "2160-0": "creatinine", "22664-7": "urea", "3094-0": "urea", "2601-3": "magnesium", "19123-9": "magnesium",
    "14879-1": "phosphate", "2777-1": "phosphate", "2000-8": "calcium_total", "17861-6": "calcium_total", "1751-7": "albumin",
    "29463-7": "weight", "66441-7": "beta_hydroxybutyrate", "6873-4": "beta_hydroxybutyrate", "32693-4": "lactate",
}  # fmt: skip

# Other codes of the same measurement (LOINC 2.77): only method, specimen or property differs, none of which decides in these charts.
OTHER_LOINC = {
    "2823-3": "6298-4", "6298-4": "2823-3", "32713-0": "6298-4", "2951-2": "2947-0", "2947-0": "2951-2", "2028-9": "1963-8",
    "14749-6": "15074-8", "2345-7": "2339-0", "14743-9": "14749-6", "41653-7": "2345-7", "14682-9": "2160-0", "2160-0": "14682-9",
    "66441-7": "6873-4", "6873-4": "53060-0", "2744-1": "11558-4", "11558-4": "2744-1", "2746-6": "11558-4", "8867-4": "8867-4",
}  # fmt: skip


def observations_of(request: Json) -> Iterator[Json]:
    return (resource for resource in resources_of(request) if resource["resourceType"] == "Observation")


# Units ---------------------------------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def printed_pairs() -> list[tuple[str, Decimal, str, Decimal]]:
    """Thresholds that a source prints in two units: (unit, figure, other unit, figure). Values between the two figures may differ (F-3)."""
    found = []
    for limit in knowledge().parameters.limits():
        if isinstance(limit, Absent):
            continue
        for also in limit.also:
            if isinstance(limit.value, Decimal):
                found.append((limit.unit, limit.value, also.unit, also.value))
    return found


def between_printed(value: Decimal, unit: str, other: Decimal, other_unit: str) -> bool:
    """Whether a value lies between the two printed figures of some threshold: on one side in one unit and on the other in the other."""
    for first, one, second, two in printed_pairs():
        for a, x, b, y in ((first, one, second, two), (second, two, first, one)):
            if (a, b) == (unit, other_unit) and ((value < x) != (other < y) or (value <= x) != (other <= y)):
                return True
    return False


def in_other_units(request: Json, *, code_too: bool, choose: int = 0) -> Json:
    """Every result in another legal unit. `code_too`: with the LOINC code that belongs to the unit, where the unit alone would be ambiguous."""
    made = copy.deepcopy(request)
    for observation in observations_of(made):
        code = observation["code"]["coding"][0]["code"]
        analyte, amount = ANALYTE_OF.get(code), observation.get("valueQuantity")
        if analyte is None or amount is None or amount.get("code") is None or observation.get("interpretation"):
            continue
        ways = [way for one, other, factor in UNITS[analyte] for way in ((one, other, factor), (other, one, 1 / factor)) if way[0] == amount["code"]]
        if not ways:
            continue
        unit, other_unit, factor = ways[choose % len(ways)]
        value = Decimal(str(amount["value"]))
        other = (value * factor).quantize(Decimal("0.00001"))
        if between_printed(value, unit, other, other_unit):
            continue
        observation["valueQuantity"] = {**amount, "value": float(other), "unit": other_unit, "code": other_unit, "system": UCUM}
        renamed = BY_UNIT_CODE.get((analyte, other_unit))
        if renamed and (code_too or analyte == "urea"):
            observation["code"]["coding"][0]["code"] = renamed
    return made


def in_other_order_units(request: Json) -> Json:
    """Orders too: mmol of potassium as meq, g as mg, mL/h as L/h where those units stand in an order."""
    swap = {"mmol": ("meq", 1), "g": ("mg", 1000), "mL": ("L", Fraction(1, 1000)), "mL/h": ("mL/min", Fraction(1, 60)), "min": ("h", Fraction(1, 60))}
    made = copy.deepcopy(request)
    for resource in resources_of(made):
        if resource["resourceType"] != "MedicationRequest":
            continue
        for amount in _quantities(resource):
            unit, times = swap.get(amount["code"], ("", 1))
            exact = Fraction(str(amount["value"])) * times
            if unit and Fraction(str(float(exact))) == exact:
                amount.update(value=float(exact), unit=unit, code=unit)
    return made


def _quantities(value: Any) -> Iterator[Json]:
    if isinstance(value, dict):
        if "value" in value and value.get("system") == UCUM:
            yield value
        for inner in value.values():
            yield from _quantities(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _quantities(inner)


# Codes ---------------------------------------------------------------------------------------------------------------------------------


def with_other_loinc(request: Json) -> Json:
    made = copy.deepcopy(request)
    for observation in observations_of(made):
        coding = observation["code"]["coding"][0]
        coding["code"] = OTHER_LOINC.get(coding["code"], coding["code"])
    return made


def only_system(keep: str, drop: str) -> Callable[[Json], Json]:
    """Concepts that hold both codings keep only the one of `keep`."""

    def change(request: Json) -> Json:
        made = copy.deepcopy(request)
        for concept in _concepts(made):
            systems = {coding.get("system") for coding in concept["coding"]}
            if {keep, drop} <= systems:
                concept["coding"] = [coding for coding in concept["coding"] if coding.get("system") != drop]
        return made

    return change


def _concepts(value: Any) -> Iterator[Json]:
    if isinstance(value, dict):
        if isinstance(value.get("coding"), list):
            yield value
        for inner in value.values():
            yield from _concepts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _concepts(inner)


# Order and copies ------------------------------------------------------------------------------------------------------------------------


def permuted(seed: int) -> Callable[[Json], Json]:
    """Entries of every list in another order, drafts too. Pages of a cut list stay newest first: their order says how far back they reach."""

    def change(request: Json) -> Json:
        chance, made = random.Random(seed), copy.deepcopy(request)
        for _, bundle in lists_of(made):
            if not any(link["relation"] == "next" for link in bundle.get("link", [])):
                chance.shuffle(bundle["entry"])
        chance.shuffle(drafts_of(made))
        return made

    return change


def moved_between_lists(seed: int) -> Callable[[Json], Json]:
    """Some results under the key of another list: what a result is, its code says, not the key."""

    def change(request: Json) -> Json:
        chance, made = random.Random(seed), copy.deepcopy(request)
        lists = [bundle for key, bundle in lists_of(made) if key not in ("conditions", "medications", "administrations") and "link" not in bundle]
        for bundle in lists:
            for entry in list(bundle["entry"]):
                if chance.random() < 0.2:
                    target = chance.choice(lists)
                    bundle["entry"].remove(entry)
                    target["entry"].append(entry)
        for bundle in lists:
            bundle["total"] = len(bundle["entry"])
        return made

    return change


def with_copies(seed: int, share: float = 0.3) -> Callable[[Json], Json]:
    """Exact copies of some resources, drafts among them, anywhere in their list."""

    def change(request: Json) -> Json:
        chance, made = random.Random(seed), copy.deepcopy(request)
        for bundle in [bundle for _, bundle in lists_of(made) if "link" not in bundle] + [made["context"].get("draftOrders", {})]:
            entries = bundle.get("entry", [])
            for entry in [entry for entry in entries if chance.random() < share]:
                entries.insert(chance.randrange(len(entries) + 1), copy.deepcopy(entry))
            if "total" in bundle:
                bundle["total"] = sum(entry.get("search", {}).get("mode", "match") == "match" for entry in entries)
        return made

    return change


# Time ----------------------------------------------------------------------------------------------------------------------------------

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)")


def _times(request: Json, change: Callable[[datetime], str]) -> Json:
    text = _TIME.sub(lambda found: change(datetime.fromisoformat(found[0])), json.dumps(request))
    made: Json = json.loads(text)
    return made


def shifted(delta: timedelta) -> Callable[[Json], Json]:
    """Every instant, the moment of judging too, moved by the same time. Dates without an hour stay: they lie years or days apart."""
    return lambda request: _times(request, lambda at: (at + delta).isoformat())


def in_zone(minutes: int) -> Callable[[Json], Json]:
    """The same instants in another offset; the moment of judging stays an instant."""
    zone = timezone(timedelta(minutes=minutes))
    return lambda request: _times(request, lambda at: at.astimezone(zone).isoformat())


def in_mixed_zones(seed: int) -> Callable[[Json], Json]:
    """Each time in an offset of its own, as feeds of several systems send them."""

    def change(request: Json) -> Json:
        chance = random.Random(seed)
        return _times(request, lambda at: at.astimezone(timezone(timedelta(minutes=15 * chance.randrange(-48, 57)))).isoformat())

    return change


def moved_to(moment: datetime, request: Json) -> Json:
    """The whole request moved so that it is judged at `moment`."""
    now = datetime.fromisoformat(request["extension"]["example.trivet.evaluate-at"])
    return shifted(moment - now)(request)


def on_the_wall_clock(request: Json, zone: Any) -> Json:
    """The times of the chart as a wall clock in `zone` shows them, with that zone's own offset at each time."""
    return _times(request, lambda at: at.astimezone(zone).isoformat())


def without_offsets(request: Json, zone: Any) -> Json:
    """The same, without the offset; the moment of judging stays an instant."""
    made = _times(request, lambda at: at.astimezone(zone).replace(tzinfo=None).isoformat())
    made["extension"] = copy.deepcopy(request["extension"])
    return made


# Orders --------------------------------------------------------------------------------------------------------------------------------


def split_drafts(parts: int, drug_code: str) -> Callable[[Json], Json]:
    """Each drafted infusion of one drug (RxNorm code) as `parts` orders that add up to it: a share of the amount, the volume and the rate each."""

    def change(request: Json) -> Json:
        made = copy.deepcopy(request)
        entries = drafts_of(made)
        for entry in list(entries):
            order = entry["resource"]
            if order.get("status") != "draft" or not _holds(order, drug_code):
                continue
            place = entries.index(entry)
            entries.remove(entry)
            for number in range(parts):
                piece = copy.deepcopy(entry)
                piece["resource"]["id"] = f"{order['id']}-{number + 1}"
                piece["fullUrl"] = f"https://ehr.example/fhir/MedicationRequest/{piece['resource']['id']}"
                _divide(piece["resource"], parts)
                entries.insert(place, piece)
        return made

    return change


def _holds(order: Json, code: str) -> bool:
    return any(
        coding.get("code") == code
        for medication in order.get("contained", [])
        for ingredient in medication.get("ingredient", [])
        if ingredient.get("isActive")
        for coding in ingredient["itemCodeableConcept"]["coding"]
    )


def _divide(order: Json, parts: int) -> None:
    bag = order["contained"][0]
    amounts = [bag["amount"]["numerator"]]
    for ingredient in bag["ingredient"]:
        amounts.append(ingredient["strength"]["numerator"])
        if ingredient["strength"]["denominator"].get("code") == "mL":
            amounts.append(ingredient["strength"]["denominator"])
    for dosage in order["dosageInstruction"]:
        for dose in dosage.get("doseAndRate", []):
            amounts += [dose[name] for name in ("doseQuantity", "rateQuantity") if name in dose]
            if "rateRatio" in dose:
                amounts.append(dose["rateRatio"]["numerator"])
    for amount in amounts:
        amount["value"] = float(Decimal(str(amount["value"])) / parts)


def with_referenced_medications(request: Json) -> Json:
    """Contained Medications as resources of their own: among the drafts for a draft, in the list (as included) for a running order."""
    made = copy.deepcopy(request)
    places = [(drafts_of(made), "match")]
    medications = made["prefetch"].get("medications")
    if medications is not None and medications.get("entry"):
        places.append((medications["entry"], "include"))
    for entries, mode in places:
        for entry in list(entries):
            order = entry["resource"]
            for medication in order.pop("contained", []) if order["resourceType"] == "MedicationRequest" else []:
                name = f"bag-of-{order['id']}"
                order["medicationReference"]["reference"] = f"Medication/{name}"
                added: Json = {"fullUrl": f"https://ehr.example/fhir/Medication/{name}", "resource": {**medication, "id": name}}
                if mode == "include":
                    added["search"] = {"mode": "include"}
                entries.append(added)
    return made


# Noise ---------------------------------------------------------------------------------------------------------------------------------


def with_unknown_key(request: Json) -> Json:
    """A list that nobody asked for; its content would matter if it were read."""
    made = copy.deepcopy(request)
    stray = next((copy.deepcopy(o) for o in observations_of(made) if o["code"]["coding"][0]["code"] in ("2823-3", "14749-6", "14743-9", "2345-7")), None)
    entries = [] if stray is None else [{"resource": {**stray, "id": "stray", "identifier": [], "valueQuantity": {**stray["valueQuantity"], "value": 9.9}}}]
    for entry in entries:
        entry["resource"].pop("identifier")
    made["prefetch"]["everything_else"] = {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}
    return made


def with_old_normal_results(count: int) -> Callable[[Json], Json]:
    """Normal results far older than every window, at the end of the lists that were sent."""
    kinds = (
        ("vitals", "8867-4", 72, "/min"), ("vitals", "59408-5", 98, "%"), ("electrolytes", "2951-2", 140, "mmol/L"),
        ("electrolytes", "2823-3", 4.1, "mmol/L"), ("minerals", "2601-3", 0.85, "mmol/L"), ("renal", "14682-9", 75, "umol/L"),
        ("glucose", "14749-6", 5.4, "mmol/L"),
    )  # fmt: skip

    def change(request: Json) -> Json:
        made = copy.deepcopy(request)
        now = datetime.fromisoformat(made["extension"]["example.trivet.evaluate-at"])
        subject = {"reference": f"Patient/{made['context']['patientId']}"}
        for number, (key, code, value, unit) in zip(range(count), itertools.cycle(kinds), strict=False):
            bundle = made["prefetch"].get(key)
            if not bundle or bundle["resourceType"] != "Bundle" or "link" in bundle:
                continue
            old = now - timedelta(days=200 + number)
            bundle.setdefault("entry", []).append({
                "resource": {
                    "resourceType": "Observation", "id": f"old-{number}", "status": "final", "subject": subject,
                    "code": {"coding": [{"system": LOINC, "code": code}]}, "effectiveDateTime": old.astimezone(UTC).isoformat(),
                    "valueQuantity": {"value": value, "unit": unit, "system": UCUM, "code": unit},
                },
                "search": {"mode": "match"},
            })  # fmt: skip
            bundle["total"] = len(bundle["entry"])
        return made

    return change
