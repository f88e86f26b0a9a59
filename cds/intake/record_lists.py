"""Collects allergies, procedures, investigations and cultures while a request is read, each with its place and whose it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cds.chart import Allergy, Care, Condition, Culture, Investigation, Problem, Susceptibility, Trouble
from cds.intake import shapes
from cds.intake.allergies import allergy_of, read_allergy
from cds.intake.coding import Codes
from cds.intake.cultures import Grown, Reported, read_cultures
from cds.intake.feeds import Listing
from cds.intake.records import read_care, read_investigation
from cds.intake.results import path_of, ref_of
from cds.intake.subjects import Subjects, Whose
from cds.intake.times import Times

Record = shapes.AllergyIntolerance | shapes.Procedure | shapes.ServiceRequest | shapes.DiagnosticReport
ITEM_OF = {"AllergyIntolerance": "allergies", "Procedure": "procedures", "ServiceRequest": "investigations", "DiagnosticReport": "cultures"}
ITEMS = frozenset(ITEM_OF.values())
_WHAT = {"allergies": "an allergy", "procedures": "a procedure", "investigations": "an investigation", "cultures": "a culture"}
# Of two versions of one Observation whose update times do not tell, that of the further status counts.
_FURTHER = ("registered", "preliminary", "partial", "final", "amended", "corrected", "appended", "cancelled", "entered-in-error")


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the chart gets of it."""

    allergies: tuple[Allergy, ...]
    procedures: tuple[Care, ...]
    investigations: tuple[Investigation, ...]
    susceptibilities: tuple[Susceptibility, ...]
    cultures: tuple[Culture, ...]


def _told_nobody(path: str, item: str, what: str) -> None:
    """Where nothing is kept any more, nobody is told."""


class RecordLists:
    """`others` is told of what belongs to another patient; `doubtful` collects the lists that are not whole without what was set aside."""

    def __init__(
        self, subjects: Subjects, codes: Codes, times: Times, problems: list[Problem], doubtful: set[str], others: Callable[[str, str, str], None]
    ) -> None:
        self._subjects, self._codes, self._times = subjects, codes, times
        self._problems, self._doubtful, self._others = problems, doubtful, others
        self._records: list[tuple[Record, str, bool]] = []
        self._grown: list[Grown] = []
        self.allergies_stated = False

    def keep(self, resource: Record, path: str, *, drafted: bool = False) -> None:
        """Keep one resource for when all times are known."""
        kind = type(resource).__name__
        item = ITEM_OF[kind]
        subject = resource.patient if isinstance(resource, shapes.AllergyIntolerance) else resource.subject
        # A draft without a subject is taken as this patient's, as a drafted order is (F-43).
        if not self._ours(subject, path, item, ref_of(kind, resource.id), drafted=drafted):
            return
        self._records.append((resource, path, drafted))
        match resource:
            case shapes.AllergyIntolerance():
                self._times.note(resource.recordedDate, resource.onsetDateTime)
            case shapes.Procedure():
                period = resource.performedPeriod or shapes.Period()
                self._times.note(resource.performedDateTime, period.start, period.end)
            case shapes.ServiceRequest():
                self._times.note(resource.authoredOn)
            case shapes.DiagnosticReport():
                period = resource.effectivePeriod or shapes.Period()
                self._times.note(resource.effectiveDateTime, period.start, resource.issued)

    def keep_culture(self, resource: shapes.Observation, code: shapes.Concept, key: str, index: int) -> None:
        """Keep one Observation of the list of cultures."""
        path = path_of(key, index)
        if self._ours(resource.subject, path, "cultures", ref_of("Observation", resource.id), drafted=False):
            self._grown.append(Grown(resource, code, path))
            period = resource.effectivePeriod or shapes.Period()
            self._times.note(resource.effectiveDateTime, resource.effectiveInstant, period.start, resource.issued)

    def keep_list(self, found: Listing, other: Callable[[shapes.Other, str, int], None], broken: Callable[[int], None]) -> bool:
        """The list of cultures, decoded as a whole; its Observations are no results of ours. False where it was not decoded so."""
        for index, entry in enumerate(found.read):
            resource = entry.resource
            if not isinstance(resource, shapes.ListedObservation):
                other(resource, entry.fullUrl, index)
                continue
            try:
                code = shapes.CONCEPT.decode(resource.code)
            except (ValueError, RecursionError):
                broken(index)
                continue
            self.keep_culture(resource, code, found.key, index)
        return bool(found.read)

    def read(self, conditions: tuple[Condition, ...]) -> Recorded:
        """Read what was kept. One that cannot be read leaves its list incomplete, and is named. Nothing is kept after that."""
        # Whoever was told holds this: a circle would keep the whole request in memory until the collector comes by.
        self._others = _told_nobody
        allergies = [each for each in map(allergy_of, conditions) if each is not None]
        procedures: list[Care] = []
        investigations: list[Investigation] = []
        reports: list[Reported] = []
        for resource, path, drafted in self._newest():
            match resource:
                case shapes.AllergyIntolerance():
                    allergy, problem, stated = read_allergy(resource, path, self._times)
                    self.allergies_stated |= stated
                    allergies += [] if allergy is None else [allergy]
                    self._set_aside(problem)
                case shapes.Procedure():
                    care = read_care(resource, path, self._times)
                    procedures += [care] if isinstance(care, Care) else []
                    self._set_aside(care)
                case shapes.ServiceRequest():
                    ordered = read_investigation(resource, path, self._codes, self._times, drafted=drafted)
                    investigations += [ordered] if isinstance(ordered, Investigation) else []
                    self._set_aside(ordered)
                case shapes.DiagnosticReport():
                    reports.append(Reported(resource, path))
        told = read_cultures(self._newest_grown(), reports, self._times)
        for each in told.problems:
            self._set_aside(each)
        return Recorded(tuple(allergies), tuple(procedures), tuple(investigations), told.susceptibilities, told.cultures)

    def _newest(self) -> list[tuple[Record, str, bool]]:
        """Of two copies of one resource the newer counts. Drafts are never merged with each other (F-2)."""
        newest: dict[str, tuple[Record, str, bool]] = {}
        for number, each in enumerate(self._records):
            resource, _, drafted = each
            name = f"{type(resource).__name__}/{resource.id}" if resource.id and not drafted else f"#{number}"
            known = newest.get(name)
            if known is None or self._later(resource, known[0]):
                newest[name] = each
        return list(newest.values())

    def _newest_grown(self) -> list[Grown]:
        newest: dict[str, Grown] = {}
        for number, each in enumerate(self._grown):
            name = each.sent.id or f"#{number}"
            known = newest.get(name)
            if known is None or self._later(each.sent, known.sent) or (not self._later(known.sent, each.sent) and _further(each.sent, known.sent)):
                newest[name] = each
        return list(newest.values())

    def _later(self, one: shapes.Resource, other: shapes.Resource) -> bool:
        mine, yours = (None if each.meta is None or not each.meta.lastUpdated else self._times.read(each.meta.lastUpdated) for each in (one, other))
        return mine is not None and (yours is None or mine.latest > yours.latest)

    def _ours(self, subject: shapes.Reference | None, path: str, item: str, ref: str, *, drafted: bool) -> bool:
        whose = self._subjects.whose(subject)
        if whose is Whose.OTHER:
            self._others(path, item, _WHAT[item])
            return False
        if whose is Whose.NOBODY and not drafted:
            self._set_aside(Problem(Trouble.NO_SUBJECT, ref, path, item, f"{_WHAT[item]} names no patient"))
            return False
        return True

    def _set_aside(self, problem: object) -> None:
        if isinstance(problem, Problem):
            self._problems.append(problem)
            self._doubtful.add(problem.item)


def _further(one: shapes.Observation, other: shapes.Observation) -> bool:
    ranks = [_FURTHER.index(each.status) if each.status in _FURTHER else -1 for each in (one, other)]
    return ranks[0] > ranks[1]
