"""Overviews: the course at patient-view, readiness at discharge, and promises that were not kept (F-49). They read the assessment; nothing reads them but cards."""

from __future__ import annotations

from cds.advisory import Assessment, Outcome, Verdict
from cds.assess import Knowledge
from cds.chart import Chart, Memory
from cds.gaps import Quality
from cds.logic.reason import Gap, GapState
from cds.logic.scene import Scene
from cds.overviews import promises
from cds.overviews.course import course
from cds.overviews.discharge import discharge
from cds.overviews.promises import Promised, checked, without_broken
from cds.overviews.views import COURSE, DISCHARGE, PROMISE, TITLES, Line, Overview, Overviews, Part

CODES = (COURSE, DISCHARGE, PROMISE)


def overviews(
    chart: Chart, assessment: Assessment, quality: Quality, memory: Memory, promised: tuple[Promised, ...], knowledge: Knowledge, off: frozenset[str] = frozenset()
) -> Overviews:
    """The overviews of one call. One that breaks is UNKNOWN and named in the record, and never takes the answer with it (HZ-32)."""
    population = knowledge.population(assessment.population)
    scene = assessment.scene or population.scene(chart)
    # At most hooks nobody asks for them.
    needed = bool(promised) or assessment.hook == "encounter-discharge"
    titles = {ready.advisory.code: ready.advisory.title for ready in population.ready} if needed else {}
    verdicts: list[Verdict] = []
    cards: list[Overview] = []

    def add(code: str, made: tuple[Verdict, Overview | None]) -> None:
        verdicts.append(made[0])
        if made[1] is not None:
            cards.append(made[1])

    for code in CODES:
        if code in off:
            verdicts.append(Verdict(code, Outcome.SWITCHED_OFF, "switched off at this site"))
            continue
        try:
            add(code, _made(code, scene, assessment, quality, memory, promised, titles, bool(cards)))
        except Exception as error:
            detail = f"'{TITLES[code]}' was not made: the service met an error of its own ({type(error).__name__})"
            verdicts.append(Verdict(code, Outcome.UNKNOWN, "failed", (Gap(code, GapState.UNUSABLE, detail),), would_be="warning"))
    return Overviews(tuple(verdicts), tuple(cards))


def _made(
    code: str, scene: Scene, assessment: Assessment, quality: Quality, memory: Memory, promised: tuple[Promised, ...], titles: dict[str, str], told: bool
) -> tuple[Verdict, Overview | None]:
    if code == COURSE:
        return course(scene, assessment, quality, promised)
    if code == DISCHARGE:
        return discharge(scene, assessment, promised, titles)
    if told and promises.overdue(promised):
        # The course and the readiness hold it as a line.
        return Verdict(PROMISE, Outcome.ABSORBED, COURSE if assessment.hook == "patient-view" else DISCHARGE), None
    return promises.card(promised, titles, memory, scene.p, scene.now)


__all__ = [
    "CODES", "COURSE", "DISCHARGE", "PROMISE", "TITLES", "Line", "Overview", "Overviews", "Part", "Promised", "checked", "overviews", "without_broken",
]  # fmt: skip
