"""Collects allergies, procedures, investigations and cultures while a request is read, each with its place and whose it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cds.chart import Allergy, Care, Condition, Culture, Investigation, Problem, Susceptibility, Trouble
from cds.intake import shapes
from cds.intake.coding import Codes
from cds.intake.feeds import Listing
from cds.intake.records import allergy_of, read_allergy, read_care, read_cultures, read_investigation
from cds.intake.results import path_of, ref_of
from cds.intake.subjects import Subjects, Whose
from cds.intake.times import Times

Record = shapes.AllergyIntolerance | shapes.Procedure | shapes.ServiceRequest
ITEM_OF = {"AllergyIntolerance": "allergies", "Procedure": "procedures", "ServiceRequest": "investigations"}
_WHAT = {"allergies": "an allergy", "procedures": "a procedure", "investigations": "an investigation", "cultures": "a culture"}


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the chart gets of it."""

    allergies: tuple[Allergy, ...]
    procedures: tuple[Care, ...]
    investigations: tuple[Investigation, ...]
    susceptibilities: tuple[Susceptibility, ...]
    cultures: tuple[Culture, ...]


class RecordLists:
    """`others` is told of what belongs to another patient; `doubtful` collects the lists that are not whole without what was set aside."""

    def __init__(
        self, subjects: Subjects, codes: Codes, times: Times, problems: list[Problem], doubtful: set[str], others: Callable[[str, str, str], None]
    ) -> None:
        self._subjects, self._codes, self._times = subjects, codes, times
        self._problems, self._doubtful, self._others = problems, doubtful, others
        self._records: list[tuple[Record, str, bool]] = []
        self._grown: list[tuple[shapes.Observation, shapes.Concept, str]] = []

    def keep(self, resource: Record, path: str, *, drafted: bool = False) -> None:
        """Keep one resource for when all times are known."""
        item = ITEM_OF[type(resource).__name__]
        subject = resource.patient if isinstance(resource, shapes.AllergyIntolerance) else resource.subject
        # A draft without a subject is taken as this patient's, as a drafted order is (F-43).
        if not self._ours(subject, path, item, "", drafted=drafted):
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

    def keep_culture(self, resource: shapes.Observation, code: shapes.Concept, key: str, index: int) -> None:
        """Keep one Observation of the list of cultures."""
        path = path_of(key, index)
        if self._ours(resource.subject, path, "cultures", ref_of("Observation", resource.id), drafted=False):
            self._grown.append((resource, code, path))
            period = resource.effectivePeriod or shapes.Period()
            self._times.note(resource.effectiveDateTime, resource.effectiveInstant, period.start)

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
        """Read what was kept. One that cannot be read leaves its list incomplete, and is named."""
        found: list[Allergy | Care | Investigation] = [each for each in map(allergy_of, conditions) if each is not None]
        for resource, path, drafted in self._records:
            read: Allergy | Care | Investigation | Problem | None
            match resource:
                case shapes.AllergyIntolerance():
                    read = read_allergy(resource, path, self._times)
                case shapes.Procedure():
                    read = read_care(resource, path, self._times)
                case shapes.ServiceRequest():
                    read = read_investigation(resource, path, self._codes, self._times, drafted=drafted)
            if isinstance(read, Problem):
                self._set_aside(read)
            elif read is not None:
                found.append(read)
        grown: list[Culture | Susceptibility] = []
        for observation, code, path in self._grown:
            made, problems = read_cultures(observation, code, path, self._times)
            grown += made
            for problem in problems:
                self._set_aside(problem)
        return Recorded(
            tuple([each for each in found if isinstance(each, Allergy)]),
            tuple([each for each in found if isinstance(each, Care)]),
            tuple([each for each in found if isinstance(each, Investigation)]),
            tuple([each for each in grown if isinstance(each, Susceptibility)]),
            tuple([each for each in grown if isinstance(each, Culture)]),
        )

    def _ours(self, subject: shapes.Reference | None, path: str, item: str, ref: str, *, drafted: bool) -> bool:
        whose = self._subjects.whose(subject)
        if whose is Whose.OTHER:
            self._others(path, item, _WHAT[item])
            return False
        if whose is Whose.NOBODY and not drafted:
            self._set_aside(Problem(Trouble.NO_SUBJECT, ref, path, item, f"{_WHAT[item]} names no patient"))
            return False
        return True

    def _set_aside(self, problem: Problem) -> None:
        self._problems.append(problem)
        self._doubtful.add(problem.item)
