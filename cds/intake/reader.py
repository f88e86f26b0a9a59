"""Collects what the resources of one request say, one by one, and builds the chart from it.

One bad resource never costs the others: it becomes a `Problem` that says where it stood and what it could have been. Nothing of
another patient reaches the chart.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

from msgspec import Raw

from cds.chart import Administration, Chart, Condition, Feed, Order, Patient, Problem, Source, Trouble
from cds.intake import shapes
from cds.intake.coding import Codes, codes_in, concepts_in, label_of, type_in
from cds.intake.dosages import Words
from cds.intake.envelope import EVALUATE_AT, Envelope, Opened, Sent
from cds.intake.feeds import Listing, entries_as_sent, listing, source
from cds.intake.limits import Limits
from cds.intake.observations import Observations
from cds.intake.orders import Place, order_times, read_administration, read_order, tail
from cds.intake.people import CLINICAL, VERIFICATION, condition_times, read_condition, read_patient
from cds.intake.prefetch import ANALYTE_GROUPS, ITEM_KEYS, PREFETCH
from cds.intake.products import Library
from cds.intake.raw import RawResources
from cds.intake.record_lists import ITEM_OF, ITEMS, RecordLists
from cds.intake.results import LazyResults, path_of, ref_of
from cds.intake.subjects import Subjects, Whose
from cds.intake.times import Times
from cds.vocabulary import ICD_10, ICD_10_CM, LOINC, SNOMED_CT, analyte_of, conditions_of

_AT = re.compile(r" - at `\$\.?([^`]*)`")
_SYSTEMS_OF_CONDITIONS = (SNOMED_CT, ICD_10_CM, ICD_10)


@dataclass(frozen=True, slots=True)
class Notes:
    """What is recorded and shown to nobody at the bedside: counts, by name."""

    unknown_types: Mapping[str, int] = field(default_factory=dict)
    unmapped_codes: Mapping[str, int] = field(default_factory=dict)
    ignored_keys: tuple[str, ...] = ()
    wrapped_keys: tuple[str, ...] = ()
    dangling_selections: int = 0
    other_drafts: int = 0
    client_time_ignored: bool = False
    refused: tuple[str, ...] = ()


class Reader:
    """Collects while the resources of one request are decoded, then builds the chart."""

    def __init__(
        self, body: bytes, opened: Opened, envelope: Envelope, times: Times, limits: Limits, *, client_time: bool
    ) -> None:
        self._body = body
        self._sent_again: dict[str, tuple[shapes.Entry, ...]] = {}
        self._opened = opened
        self._envelope = envelope
        self._times = times
        self._limits = limits
        self._client_time = client_time
        self._subjects = Subjects(envelope.patient_id)
        self._codes = Codes()
        self._library = Library()
        self._listings: dict[str, Listing] = {}
        self._decoded: dict[str, list[shapes.Read]] = {}
        self._problems: list[Problem] = []
        self._results = Observations(self._subjects, self._codes, times, self._problems)
        self._others = 0
        self._conditions: list[tuple[shapes.Condition, str, str]] = []
        self._orders: list[tuple[shapes.MedicationRequest, Place, Whose]] = []
        self._given: list[tuple[shapes.MedicationAdministration, str, Whose]] = []
        self._patients: list[tuple[shapes.Patient, str]] = []
        self._patient: Patient | None = None
        self._unknown: dict[str, int] = {}
        self._refused: list[str] = []
        self._doubtful: set[str] = set()
        self._tests: dict[str, None] = {}
        self._records = RecordLists(self._subjects, self._codes, times, self._problems, self._doubtful, self._others_item)
        self._other_drafts = 0
        self._dangling = 0

    # Decoding -------------------------------------------------------------------------------------------------------------------

    def read_lists(self, fetched: Mapping[str, bytes]) -> None:
        """Decode the drafts and every announced list."""
        self._read_drafts()
        lists: dict[str, Sent] = dict(self._opened.lists)
        lists.update({key: Raw(value) for key, value in fetched.items()})
        for key in PREFETCH:
            if key not in lists:
                continue
            found = self._listings[key] = listing(key, lists[key])
            self._read_listing(found)

    def _read_listing(self, found: Listing) -> None:
        if found.key == "cultures" and self._records.keep_list(found, partial(self._other_resource, found), partial(self._broken, found)):
            return
        if found.read:
            self._results.read(found.read, found.key, partial(self._other_resource, found), partial(self._broken, found))
            return
        decoded: list[shapes.Read] = []
        self._decoded[found.key] = decoded
        for index, entry in enumerate(found.entries):
            if found.single:
                index = -1
            try:
                resource = shapes.RESOURCE.decode(entry.resource)
            except (ValueError, RecursionError) as error:
                self._cannot_decode(entry.resource, found.key, index, error, found)
                continue
            decoded.append(resource)
            if type(resource) is shapes.CodedObservation and found.key == "cultures":
                self._records.keep_culture(resource, resource.code, found.key, index)
            elif type(resource) is shapes.CodedObservation:
                self._results.take(resource, found.key, index)
            else:
                self._other_resource(found, resource, entry.fullUrl, index)

    def _broken(self, found: Listing, index: int) -> None:
        """One of which the list could be decoded, and the code could not: it is named as one that was decoded alone."""
        found.broken = True
        if found.key not in self._sent_again:
            self._sent_again |= entries_as_sent({found.key: found}, self._body)
        resource = self._sent_again[found.key][index].resource
        try:
            shapes.RESOURCE.decode(resource)
        except (ValueError, RecursionError) as error:
            self._cannot_decode(resource, found.key, index, error, found)

    def _drawn(self, found: Listing) -> list[str] | None:
        """The effective times of a list of Observations, in the order sent; None when it holds anything else."""
        resources = (*self._decoded.get(found.key, ()), *(each.resource for each in found.read))
        drawn = [each.effectiveDateTime for each in resources if isinstance(each, shapes.Observation)]
        return drawn if found.key in ANALYTE_GROUPS and len(drawn) == found.count and not found.broken else None

    def _other_resource(self, found: Listing, resource: shapes.Other, full_url: str, index: int) -> None:
        path = path_of(found.key, index)
        match resource:
            case shapes.OperationOutcome():
                found.outcomes += 1
                if any(issue.severity != "information" for issue in resource.issue) or not resource.issue:
                    found.failures += 1
            case shapes.Medication() | shapes.Substance():
                self._library.add(resource, full_url)
            case shapes.Patient():
                if found.key == "patient":
                    self._patients.append((resource, path))
            case shapes.ServiceRequest() | shapes.AllergyIntolerance() | shapes.Procedure() | shapes.DiagnosticReport():
                self._records.keep(resource, path)
            case shapes.Condition():
                self._keep_condition(resource, path)
            case shapes.MedicationRequest():
                self._keep_order(resource, Place(path, drafted=False))
            case shapes.MedicationAdministration():
                whose = self._subjects.whose(resource.subject)
                if whose is Whose.OTHER:
                    self._others_item(path, "administrations", "an administration")
                else:
                    self._given.append((resource, path, whose))
                    period = resource.effectivePeriod or shapes.Period()
                    self._times.note(resource.effectiveDateTime, period.start, period.end)

    def _others_item(self, path: str, item: str, what: str) -> None:
        self._others += 1
        self._problems.append(Problem(Trouble.OTHER_PATIENT, "", path, item, f"{what} belongs to another patient"))

    def _keep_condition(self, condition: shapes.Condition, path: str) -> None:
        whose = self._subjects.whose(condition.subject)
        if whose is Whose.OTHER:
            self._others_item(path, "conditions", "a condition")
        elif whose is Whose.NOBODY:
            ref, label = ref_of("Condition", condition.id), label_of(condition.code, "a condition")
            self._problems.append(Problem(Trouble.NO_SUBJECT, ref, path, "conditions", f"{label}: names no patient"))
            self._doubt_condition(condition)
        else:
            self._conditions.append((condition, path, condition.meta.lastUpdated if condition.meta is not None else ""))
            self._times.note(*condition_times(condition))

    def _doubt_condition(self, condition: shapes.Condition) -> None:
        """A condition that was set aside leaves the list incomplete, unless it is surely none that we read."""
        if condition.code is None or not condition.code.coding or concepts_in(condition.code):
            self._doubtful.add("conditions")

    def _keep_order(self, order: shapes.MedicationRequest, place: Place) -> None:
        whose = self._subjects.whose(order.subject)
        if whose is Whose.OTHER:
            self._others_item(place.path, "medications", "a drafted order" if place.drafted else "an order")
            return
        self._orders.append((order, place, whose))
        self._times.note(*order_times(order))

    def _read_patient(self, patient: shapes.Patient, path: str) -> None:
        if self._patient is not None:
            return
        found, problems = read_patient(patient, self._envelope.patient_id, path, self._times)
        self._problems += problems
        if any(each.trouble in (Trouble.OTHER_PATIENT, Trouble.NO_SUBJECT, Trouble.MODIFIER) for each in problems):
            self._others += problems[0].trouble is Trouble.OTHER_PATIENT
            self._doubtful.add("patient")
        else:
            self._patient = found

    def _read_drafts(self) -> None:
        drafts = self._opened.context.draftOrders
        if drafts is None:
            return
        wanted = {tail(each) for each in self._envelope.selections}
        decoded: list[tuple[shapes.Read, str, str]] = []
        names: set[str] = set()
        for index, entry in enumerate(drafts.entry):
            path = path_of("", index)
            try:
                resource = shapes.RESOURCE.decode(entry.resource)
            except (ValueError, RecursionError) as error:
                self._cannot_decode(entry.resource, "", index, error, None)
                continue
            decoded.append((resource, path, entry.fullUrl))
            if resource.id:
                names.add(f"{type(resource).__name__}/{resource.id}")
        self._dangling = len(wanted - names)
        # Selections that point nowhere must not make every draft look unchosen.
        everything = self._envelope.hook != "order-select" or not wanted & names
        for resource, path, full_url in decoded:
            if isinstance(resource, shapes.MedicationRequest):
                selected = everything or f"MedicationRequest/{resource.id}" in wanted
                self._keep_order(resource, Place(path, drafted=True, selected=selected))
            elif isinstance(resource, shapes.Medication | shapes.Substance):
                self._library.add(resource, full_url)
            elif isinstance(resource, shapes.ServiceRequest):
                self._other_drafts += 1
                self._records.keep(resource, path, drafted=True)
                if self._subjects.whose(resource.subject) is not Whose.OTHER and resource.doNotPerform is not True:
                    use = None if resource.code is None else self._codes.measured(resource.code)
                    self._tests.update(dict.fromkeys(() if use is None else use.analytes))
            else:
                self._other_drafts += 1

    def _cannot_decode(self, resource: Raw, key: str, index: int, error: Exception, found: Listing | None) -> None:
        """A resource that could not be decoded: what it is, whose it is, and what it could have been, as far as its bytes tell."""
        raw = bytes(resource)
        path = path_of(key, index)
        if not raw or raw == b"null":
            if found is not None:
                found.unread += 1
                found.detail = found.detail or f"an entry of '{key}' holds no resource"
            else:
                self._problems.append(Problem(Trouble.STRUCTURE, "", path, "medications", "an entry of the drafted orders holds no resource that can be read"))
            return
        kind = type_in(raw)
        if kind and kind not in shapes.TYPES:
            if key == "":
                self._other_drafts += 1
            self._unknown[kind] = self._unknown.get(kind, 0) + 1
            return
        if not kind and b'"resourceType"' not in raw and key != "":
            kind = {"conditions": "Condition", "medications": "MedicationRequest"}.get(key, "")
        self._refused.append(path)
        if self._subjects.in_bytes(raw) is Whose.OTHER and kind != "Patient":
            self._others_item(path, self._items(kind, key, raw)[0], "a resource that was not readable")
            return
        message = f"{kind or 'a resource'}: {_why(error)}"
        for item in self._items(kind, key, raw):
            self._results.add(Problem(Trouble.STRUCTURE, kind, path, item, message))

    def _items(self, kind: str, key: str, raw: bytes) -> tuple[str, ...]:
        """What an undecodable resource could have been; marks the lists that are not whole without it."""
        if key == "cultures" and kind in ("", "Observation"):
            self._doubtful.add(key)
            return (key,)
        if kind == "Observation" or (not kind and key in ANALYTE_GROUPS):
            uses = [use for code in codes_in(raw) if (use := analyte_of(LOINC, code)) is not None]
            known = tuple(dict.fromkeys(use.analyte for use in uses))
            return known or ANALYTE_GROUPS.get(key) or ("",)
        if kind == "Condition":
            codes = set(codes_in(raw)) - CLINICAL - VERIFICATION - {"encounter-diagnosis", "problem-list-item"}
            if not codes or any(conditions_of(system, code) for code in codes for system in _SYSTEMS_OF_CONDITIONS):
                self._doubtful.add("conditions")
            return ("conditions",)
        if kind in ("MedicationRequest", "Medication", "Substance") or (key == "" and kind not in ITEM_OF):
            self._doubtful.add("medications")
            return ("medications",)
        if kind == "MedicationAdministration":
            self._doubtful.add("administrations")
            return ("administrations",)
        if kind == "Patient":
            self._doubtful.add("patient")
            return ("patient",)
        item = ITEM_OF.get(kind, key)
        if item in ("conditions", "medications", "administrations", "patient", *ITEMS):
            self._doubtful.add(item)
            return (item,)
        return ("",)

    # The chart ------------------------------------------------------------------------------------------------------------------

    def chart(self) -> Chart:
        """Build the chart from what was collected. No time is read before, because all of them may be needed to read one (F-5)."""
        for patient, path in self._patients:
            self._read_patient(patient, path)
        conditions = self._read_conditions()
        by_ref = {each.ref: each for each in conditions}
        orders = self._read_orders(by_ref)
        given: list[Administration] = []
        seen: set[str] = set()
        for administration, path, whose in self._given:
            read = read_administration(administration, path, whose, self._library, by_ref, self._times)
            if isinstance(read, Problem):
                self._problems.append(read)
                self._doubtful.add("administrations")
            elif not administration.id or read.ref not in seen:
                seen.add(read.ref)
                given.append(read)
        recorded = self._records.read(conditions)
        results = LazyResults(self._results.held, self._results.problems, self._times, self._limits)
        return Chart(
            now=self._times.now,
            hook=self._envelope.hook,
            patient=self._patient or Patient(),
            results=results,
            conditions=conditions,
            orders=orders,
            administrations=tuple(given),
            sources=self._sources(),
            item_keys=ITEM_KEYS,
            problems=tuple(self._problems),
            other_patient_items=self._others + self._results.others,
            allergies=recorded.allergies,
            procedures=recorded.procedures,
            investigations=recorded.investigations,
            susceptibilities=recorded.susceptibilities,
            cultures=recorded.cultures,
        )

    @property
    def tests(self) -> tuple[str, ...]:
        """Analytes that the drafts order."""
        return tuple(self._tests)

    def _read_conditions(self) -> tuple[Condition, ...]:
        newest: dict[str, tuple[shapes.Condition, str, str]] = {}
        for number, each in enumerate(self._conditions):
            name = each[0].id or f"#{number}"
            known = newest.get(name)
            if known is None or self._later(each[2], known[2]):
                newest[name] = each
        found: list[Condition] = []
        for condition, path, _ in newest.values():
            read, problems = read_condition(condition, path, self._envelope.encounter_id, self._times)
            self._problems += problems
            if read is None:
                self._doubt_condition(condition)
            else:
                found.append(read)
        return tuple(found)

    def _later(self, one: str, other: str) -> bool:
        mine = self._times.read(one) if one else None
        yours = self._times.read(other) if other else None
        return mine is not None and (yours is None or mine.latest > yours.latest)

    def _read_orders(self, conditions: dict[str, Condition]) -> tuple[Order, ...]:
        """Orders, drafts first. Of two copies in the lists the newer stands; drafts are never merged with each other (F-2)."""
        newest: dict[str, tuple[shapes.MedicationRequest, Place, Whose]] = {}
        for number, each in enumerate(self._orders):
            order, place, _ = each
            name = f"{place.drafted}/{order.id}" if order.id else f"#{number}"
            known = newest.get(name)
            if known is None:
                newest[name] = each
            elif place.drafted:
                if order != known[0]:
                    newest[f"#{number}"] = each
            elif self._updated(order, known[0]):
                newest[name] = each
        found: list[Order] = []
        words = Words()
        for order, place, whose in newest.values():
            read = read_order(order, place, whose, self._library, conditions, self._times, words)
            if isinstance(read, Problem):
                self._problems.append(read)
                self._refused.append(place.path)
                self._doubtful.add("medications")
            else:
                found.append(read)
        return tuple(found)

    def _updated(self, one: shapes.MedicationRequest, other: shapes.MedicationRequest) -> bool:
        if one.meta is None or other.meta is None:
            return one.meta is not None
        if one.meta.lastUpdated != other.meta.lastUpdated:
            return self._later(one.meta.lastUpdated, other.meta.lastUpdated)
        mine, yours = one.meta.versionId[:18], other.meta.versionId[:18]
        return mine.isdecimal() and yours.isdecimal() and int(mine) > int(yours)

    def _sources(self) -> dict[str, Source]:
        found: dict[str, Source] = {}
        for key in PREFETCH:
            seen = self._listings.get(key)
            if seen is None:
                found[key] = Source(key, Feed.ABSENT, f"the list '{key}' was not sent")
                continue
            state = source(seen, partial(self._drawn, seen), self._times)
            if key in self._doubtful and state.feed is Feed.WHOLE:
                state = Source(key, Feed.PARTIAL, f"something that belongs to '{key}' could not be read")
            if key == "allergies" and state.feed is Feed.WHOLE and not self._records.allergies_stated:
                # Empty is "not recorded": only an explicit "none known" says that there is none (HZ-19).
                state = Source(key, Feed.UNSTATED, 'none recorded, nor "no known allergy"')
            found[key] = state
        if found["patient"].feed is Feed.WHOLE and self._patient is None and self._listings["patient"].count:
            found["patient"] = Source("patient", Feed.FAILED, "the patient was not sent")
        return found

    def raw(self) -> RawResources:
        """The resources as received, once the lists were read."""
        single = frozenset(key for key, found in self._listings.items() if found.single)
        return RawResources(self._opened.context.draftOrders, partial(entries_as_sent, self._listings, self._body), single)

    def notes(self) -> Notes:
        """Counts for the record. Complete once the chart was built."""
        return Notes(
            unknown_types=dict(self._unknown),
            unmapped_codes=dict(self._codes.unmapped),
            ignored_keys=tuple(key[:64] for key in self._opened.lists if key not in PREFETCH),
            wrapped_keys=tuple(key for key, found in self._listings.items() if found.wrapped),
            dangling_selections=self._dangling,
            other_drafts=self._other_drafts,
            client_time_ignored=EVALUATE_AT in self._opened.extension and not self._client_time,
            refused=tuple(self._refused),
        )


def _why(error: Exception) -> str:
    """The decoder's reason, without any value of the resource."""
    if isinstance(error, RecursionError):
        return "nested too deeply"
    if isinstance(error, UnicodeDecodeError):
        return "text that is not UTF-8"
    text = str(error)
    found = _AT.search(text)
    where = f" at {found[1]}" if found is not None and found[1] else ""
    reason = _AT.sub("", text)
    if reason.startswith("Object missing required field"):
        return f"{reason[7:].replace('`', '')}{where}"
    if reason.startswith("Expected"):
        return f"{reason[0].lower()}{reason[1:].replace('`', '')}{where}"
    return f"structure not valid{where}"
