"""The Observations of one request, collected by analyte before any value of them is read.

Here it is decided whose an Observation is and what it measures, and nothing else: most of what an EHR sends is never asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from copy import copy
from functools import partial

from cds.chart import Problem, Trouble
from cds.intake.coding import Codes, Measured, label_of
from cds.intake.prefetch import ANALYTE_GROUPS
from cds.intake.results import Held, path_of, ref_of
from cds.intake.shapes import CONCEPT, CodedObservation, Concept, ListedObservation, Observation, Other, ReadEntry
from cds.intake.subjects import Subjects, Whose
from cds.intake.times import Times
from cds.vocabulary import ANALYTES, LOINC, is_panel

_Place = tuple[Measured, Callable[[Held], None]]
"""What a concept measures, and how a result of it is collected."""


class Observations:
    """Collects. `held` are the usable ones by analyte, `problems` those that were set aside, `unplaced` the problems of results of
    which nobody can know what they are; `others` counts those of another patient.
    """

    def __init__(self, subjects: Subjects, codes: Codes, times: Times, unplaced: list[Problem]) -> None:
        self.held: dict[str, list[Held]] = {}
        self.problems: dict[str, list[Problem]] = {}
        self.others = 0
        self._unplaced = unplaced
        self._subjects = subjects
        self._codes = codes
        self._kept: list[Observation] = []
        self._places: dict[bytes, _Place] = {}
        self._panels: set[bytes] = set()
        self._part_places: dict[Concept, _Place] = {}
        times.later = partial(_times_of, self._kept)

    def read(
        self, entries: tuple[ReadEntry, ...], key: str, other: Callable[[Other, str, int], None], broken: Callable[[int], None]
    ) -> None:
        """Collect the Observations of a list that was decoded as a whole. Everything else in it goes to `other`; one of which the
        code cannot be decoded goes to `broken`.
        """
        mine, place_of, keep = self._subjects.usual, self._places.get, self._kept.append
        for index, entry in enumerate(entries):
            resource = entry.resource
            if type(resource) is not ListedObservation:
                other(resource, entry.fullUrl, index)
                continue
            # Nearly all are of this patient and of a code that was seen before: the rest takes the longer way.
            subject, code = resource.subject, bytes(resource.code)
            if subject is not None and subject.reference == mine:
                place = place_of(code)
                if place is not None:
                    keep(resource)
                    measured, append = place
                    append(Held(resource, None, measured, key, index))
                    if resource.component:
                        self._components(resource, key, index)
                    continue
                if code in self._panels:
                    keep(resource)
                    self._components(resource, key, index)
                    continue
            try:
                concept = CONCEPT.decode(code)
            except (ValueError, RecursionError):
                broken(index)
                continue
            place = self._take(resource, concept, key, index)
            if place is not None:
                self._places[code] = place
            elif any(each.system == LOINC and is_panel(each.system, each.code) for each in concept.coding):
                self._panels.add(code)

    def take(self, observation: CodedObservation, key: str, index: int) -> None:
        """Collect one Observation."""
        self._take(observation, observation.code, key, index)

    def _take(self, observation: Observation, concept: Concept, key: str, index: int) -> _Place | None:
        """Collect one Observation. Where others of its code can be put without more ado, None when there is no such place."""
        if self._subjects.whose(observation.subject) is not Whose.OURS:
            self._not_ours(observation, concept, key, index)
            return None
        self._kept.append(observation)
        use = self._codes.measured(concept)
        place = None if use is None else self._put(Held(observation, None, use, key, index))
        if observation.component:
            self._components(observation, key, index)
        elif use is None:
            self._unmapped(observation, concept, key, index)
        return place

    def _put(self, held: Held) -> _Place | None:
        analytes = held.measured.analytes
        for analyte in analytes:
            # One entry for each analyte: whoever remembers what was found out about an entry remembers it for one analyte.
            self.held.setdefault(analyte, []).append(held if len(analytes) == 1 else copy(held))
        return (held.measured, self.held[analytes[0]].append) if len(analytes) == 1 else None

    def add(self, problem: Problem) -> None:
        """Keep a problem under the analyte that it is about, or among those that are about none."""
        if problem.item in ANALYTES:
            self.problems.setdefault(problem.item, []).append(problem)
        else:
            self._unplaced.append(problem)

    def _components(self, observation: Observation, key: str, index: int) -> None:
        for number, component in enumerate(observation.component):
            concept = component.code
            place = self._part_places.get(concept)
            if place is not None:
                measured, append = place
                append(Held(observation, number, measured, key, index))
                continue
            use = self._codes.measured(concept)
            place = None if use is None else self._put(Held(observation, number, use, key, index))
            if place is not None:
                self._part_places[concept] = place

    def _unmapped(self, observation: Observation, concept: Concept, key: str, index: int) -> None:
        """A result in a list of ours that has no LOINC code at all: nobody can know what it is, so it is named (U6)."""
        if key in ANALYTE_GROUPS and not any(c.system == LOINC for c in concept.coding):
            label = label_of(concept, "a result without a name")
            message = f"{label}: the result has no code that is known"
            ref = ref_of("Observation", observation.id)
            self._unplaced.append(Problem(Trouble.NOT_UNDERSTOOD, ref, path_of(key, index), "", message))

    def _not_ours(self, observation: Observation, concept: Concept, key: str, index: int) -> None:
        other = self._subjects.whose(observation.subject) is Whose.OTHER
        self.others += other
        analytes: dict[str, None] = {}
        for each in (concept, *(c.code for c in observation.component)):
            use = self._codes.measured(each)
            analytes.update(dict.fromkeys(() if use is None else use.analytes))
        ref = "" if other else ref_of("Observation", observation.id)
        trouble, said = (Trouble.OTHER_PATIENT, "belongs to another patient") if other else (Trouble.NO_SUBJECT, "names no patient")
        for analyte in analytes or ("",):
            label = ANALYTES[analyte].label if analyte else "a result"
            self.add(Problem(trouble, ref, path_of(key, index), analyte, f"{label}: {said}"))


def _times_of(observations: list[Observation]) -> Iterable[str]:
    """Every time that Observations state."""
    texts = [each.effectiveDateTime for each in observations]
    texts += [each.issued for each in observations]
    texts += [each.effectiveInstant for each in observations if each.effectiveInstant]
    for period in [each.effectivePeriod for each in observations if each.effectivePeriod is not None]:
        texts += (period.start, period.end)
    return texts
