"""The course on one card at patient-view: what it is and how bad, what runs, the trend, what is due, the next step and its gate, what could not be judged."""

from __future__ import annotations

from collections.abc import Sequence

from cds.advisory import NOT_KNOWN, Assessment, Finding, Outcome, Verdict, rank
from cds.chart import MINUTE
from cds.gaps import Quality
from cds.logic.criteria import Latest
from cds.logic.reason import Seen
from cds.logic.scene import Number, Scene
from cds.logic.truth import TRUE, UNKNOWN
from cds.overviews import contexts
from cds.overviews.contexts import Contexts
from cds.overviews.due import Due, due
from cds.overviews.next_step import steps
from cds.overviews.promises import Promised, overdue
from cds.overviews.running import running
from cds.overviews.trend import trend
from cds.overviews.views import COURSE, Line, Overview, Part, ago, how_long, minutes_of, spell

SOURCES = (
    "Own rule: the course as a handover would tell it",
    "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275",
    "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023",
    "Glauser T et al. Epilepsy Curr 2016;16:48",
)
_CRISIS_CODES = ("dka-criteria-met", "hhs-criteria-met", "crisis-resolved", "crisis-trajectory-off-target")
_SEIZURE_CODES = ("status-epilepticus-stage",)
_MOST_GAPS = 8
_MMOL = " mmol/L"


def course(scene: Scene, assessment: Assessment, quality: Quality, promised: tuple[Promised, ...]) -> tuple[Verdict, Overview | None]:
    """The course, or why there is none. UNKNOWN where it is not known whether the patient is in one of the states that it is for."""
    if assessment.hook != "patient-view":
        return Verdict(COURSE, Outcome.NOT_APPLICABLE, "this hook"), None
    if assessment.neonate:
        return Verdict(COURSE, Outcome.OUT_OF_SCOPE, "under 28 days"), None
    standing = contexts.now(scene, assessment)
    if standing.any is not TRUE:
        if standing.any is UNKNOWN:
            gaps = standing.gaps
            return Verdict(COURSE, Outcome.UNKNOWN, ",".join(dict.fromkeys(gap.state.value for gap in gaps)), gaps), None
        return Verdict(COURSE, Outcome.NOT_MET, "no crisis, seizure, sepsis or critical electrolyte"), None
    crisis = standing.crisis is TRUE
    waiting = due(scene, standing, promised)
    parts = (
        Part("What and how bad", tuple(_what(scene, assessment, standing))),
        Part("Now running", tuple(running(scene, crisis=crisis))),
        Part("Trend", tuple(trend(scene, crisis=crisis))),
        Part("Due", tuple(each.line for each in waiting)),
        Part("Next step and its gate", tuple(steps(scene, standing, low=bool(contexts.found_by(assessment, "hypoglycaemia"))))),
        Part("Could not be judged", _unjudged(quality)),
        Part("Cautions", (Line("From what was sent to this service alone: what is charted elsewhere, or given and not recorded, is not here."),)),
    )
    indicator = _worst(assessment, promised)
    return Verdict(COURSE, Outcome.FIRED, standing.names), Overview(COURSE, indicator, _summary(scene, assessment, standing, waiting), parts, SOURCES, first=True)


def _worst(assessment: Assessment, promised: tuple[Promised, ...]) -> str:
    """The worst advisory that the answer holds; a promise that was not kept counts as a warning."""
    said = [finding.indicator for group in assessment.groups for finding in group.findings] + [finding.indicator for finding in assessment.folded]
    said += ["warning" for _ in overdue(promised)]
    return max(said, key=rank, default="info")


def _unjudged(quality: Quality) -> tuple[Line, ...]:
    items = [*quality.items, *quality.gas]
    lines = [Line(item.short or item.text) for item in items[:_MOST_GAPS]]
    if len(items) > _MOST_GAPS:
        lines.append(Line(f"{len(items) - _MOST_GAPS} more"))
    return tuple(lines)


# What and how bad -----------------------------------------------------------------------------------------------------------------------


def _what(scene: Scene, assessment: Assessment, standing: Contexts) -> list[Line]:
    lines: list[Line] = []
    told: set[str] = set()

    def say(findings: Sequence[Finding]) -> None:
        for finding in findings:
            if finding.code not in told:
                told.add(finding.code)
                lines.append(Line(finding=finding))

    if standing.seizure is TRUE:
        lines.append(_seizure(scene))
        say(contexts.found_by(assessment, "hypoglycaemia"))
        say([finding for code in _SEIZURE_CODES for finding in contexts.found_by(assessment, code)])
    if standing.crisis is TRUE:
        lines.append(_crisis(scene))
        say(contexts.found_by(assessment, "hypoglycaemia"))
        say([finding for code in _CRISIS_CODES for finding in contexts.found_by(assessment, code)])
    if standing.sepsis is TRUE:
        lines += _sepsis(scene)
        say([finding for code in contexts.SEPSIS_CODES for finding in contexts.found_by(assessment, code)])
    say(standing.electrolytes)
    return lines


def crisis_name(scene: Scene) -> str:
    """What the crisis is called: by the contexts that stand, or by those of the last day."""
    for ketotic, hyperosmolar in (("ketoacidosis context", "hyperosmolar context"), ("ketoacidosis lately", "hyperosmolar state lately")):
        sure = [scene.state(name).truth is TRUE for name in (ketotic, hyperosmolar)]
        if all(sure):
            return "ketoacidosis with hyperosmolar state"
        if any(sure):
            return "ketoacidosis" if sure[0] else "hyperosmolar state"
    return "hyperglycaemic crisis"


def _crisis(scene: Scene) -> Line:
    name, begun = crisis_name(scene), scene.event("crisis start")
    over = scene.state("crisis over").truth is TRUE
    since = "when it began is not recorded" if begun is None else how_long(begun, scene.now)
    return Line(f"{name[:1].upper()}{name[1:]}: {since}{'; over by its criteria' if over else ''}", _conditions(scene, contexts.CRISES))


def _seizure(scene: Scene) -> Line:
    onset = scene.event("seizure onset")
    seen = _conditions(scene, contexts.SEIZURES)
    if scene.state("seizure ongoing").truth is TRUE:
        return Line(f"Seizure ongoing: {'its beginning is not recorded' if onset is None else how_long(onset, scene.now)}", seen)
    return Line(f"Seizure within a day, not shown as ongoing: last one began {ago(onset, scene.now)}", seen)


def _sepsis(scene: Scene) -> list[Line]:
    lines = []
    for condition in scene.conditions(contexts.SEPSIS):
        if condition.active:
            at = condition.onset or condition.recorded
            since = "its beginning is not recorded" if at is None else how_long(at, scene.now)
            lines.append(Line(f"{condition.label}: {since}", (Seen("condition", condition.concepts[0], condition.label, condition.ref, at=at, path=condition.path),)))
    return lines


def _conditions(scene: Scene, concepts: tuple[str, ...]) -> tuple[Seen, ...]:
    return tuple(
        Seen("condition", c.concepts[0], c.label, c.ref, at=c.onset or c.recorded, path=c.path) for c in scene.conditions(concepts) if c.active
    )  # fmt: skip


# The summary ----------------------------------------------------------------------------------------------------------------------------


def _shown(scene: Scene, assessment: Assessment) -> bool:
    """Sepsis on record, or found with certainty enough to act; a warning of the screen only asks to look for it."""
    if any(condition.active for condition in scene.conditions(contexts.SEPSIS)):
        return True
    return any(rank(finding.indicator) == 2 for code in contexts.SEPSIS_CODES for finding in contexts.found_by(assessment, code))


def _summary(scene: Scene, assessment: Assessment, standing: Contexts, waiting: Sequence[Due]) -> str:
    """What it is, the numbers that decide now, and what is overdue longest."""
    head = []
    if standing.seizure is TRUE:
        onset, ongoing = scene.event("seizure onset"), scene.state("seizure ongoing").truth is TRUE
        minutes = None if onset is None else (scene.now - onset.latest) // MINUTE
        when = "time not recorded" if minutes is None else spell(minutes)
        head.append(f"seizure ongoing {when}" if ongoing else f"seizure {when} ago" if minutes is not None else "seizure within a day")
    if standing.crisis is TRUE:
        head.append(crisis_name(scene) + (" over" if scene.state("crisis over").truth is TRUE else ""))
    if standing.sepsis is TRUE:
        shock = any(condition.active for condition in scene.conditions(("septic_shock",)))
        head.append("septic shock" if shock else "sepsis" if _shown(scene, assessment) else "look for sepsis")
    if not head:
        head.append("critical electrolyte")
    numbers = _numbers(scene, standing)
    waiting = [each for each in waiting if each.measured]
    late = [each for each in waiting if each.overdue(scene.now)]
    tail = ""
    if late:
        more = f" (+{len(late) - 1})" if len(late) > 1 else ""
        tail = f"; overdue {late[0].what} {spell(late[0].overdue(scene.now))}{more}"
    elif waiting and waiting[0].at is not None:
        left = (waiting[0].at - scene.now) // MINUTE
        tail = f"; next {waiting[0].what} in {spell(left)}" if left > 0 else f"; {waiting[0].what} due now"
    return f"{' and '.join(head)}: {', '.join(numbers) or 'no current numbers'}{tail}"


def _numbers(scene: Scene, standing: Contexts) -> list[str]:
    wanted = ["potassium", "glucose", "beta_hydroxybutyrate"] if standing.crisis is TRUE else ["glucose", "potassium"] if standing.seizure is TRUE else []
    if standing.sepsis is TRUE and standing.crisis is not TRUE:
        wanted.append("lactate")
    made = [_number(scene, analyte) for analyte in wanted]
    if made and all(text.endswith(_MMOL) or text.endswith(NOT_KNOWN) for text in made):
        # One unit for all is told once, after the last that has it.
        last = max((place for place, text in enumerate(made) if text.endswith(_MMOL)), default=0)
        made = [text if place == last else text.removesuffix(_MMOL) for place, text in enumerate(made)]
    return made or [f"{item.replace('_', ' ')} {seen.text}" for item, seen in _critical(standing).items()]


def _number(scene: Scene, analyte: str) -> str:
    """The newest value; an old one is told with its age, so that nobody takes it for the state of now (HZ-06)."""
    label = "ketones" if analyte == "beta_hydroxybutyrate" else analyte
    number = scene.number(Latest(analyte, scene.p["overview_window"]))
    if not isinstance(number, Number):
        return f"{label} {NOT_KNOWN}"
    seen, fresh = number.seen[0], minutes_of(scene.p, "overview_number_age")
    minutes = None if seen.at is None else (scene.now - seen.at.latest) // MINUTE
    old = minutes is not None and (fresh is None or minutes > fresh)
    return f"{label} {seen.text} ({spell(minutes)} ago)" if old and minutes is not None else f"{label} {seen.text}"


def _critical(standing: Contexts) -> dict[str, Seen]:
    """The results that made an electrolyte critical, the first of each analyte."""
    found: dict[str, Seen] = {}
    for finding in standing.electrolytes:
        for seen in finding.seen:
            if seen.kind == "result":
                found.setdefault(seen.item, seen)
    return dict(list(found.items())[:2])
