"""In which patients an overview speaks: a crisis, a seizure, sepsis or a critical electrolyte, now or in this stay."""

from __future__ import annotations

from dataclasses import dataclass

from cds.advisory import Assessment, Finding, Verdict, rank
from cds.chart import MINUTE, Condition
from cds.logic.compare import compare
from cds.logic.criteria import Extreme
from cds.logic.reason import Gap, Seen
from cds.logic.scene import Number, Scene, is_at_least
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, any_of
from cds.overviews.views import minutes_of
from cds.parameters import Parameter

ELECTROLYTES = (
    "hyperkalaemia", "potassium-falling-on-insulin", "hypokalaemia-with-qt-drug", "magnesium-low", "phosphate-low", "calcium-low", "hyponatraemia-with-seizure",
    "sodium-correction-too-fast", "hypernatraemia-correction-too-fast", "osmolality-falling-too-fast",
)  # fmt: skip
SEPSIS = ("sepsis", "septic_shock")
SEPSIS_CODES = ("sepsis-screen-positive", "antibiotic-delayed-in-septic-shock")
CRISES = ("diabetic_ketoacidosis", "hyperosmolar_state")
SEIZURES = ("seizure", "status_epilepticus", "eclampsia", "febrile_seizure")


@dataclass(frozen=True, slots=True)
class Contexts:
    """Which contexts stand: each TRUE, FALSE or UNKNOWN, what is missing to know, and the critical findings about electrolytes."""

    crisis: Truth
    seizure: Truth
    sepsis: Truth
    electrolytes: tuple[Finding, ...]
    gaps: tuple[Gap, ...] = ()
    seen: tuple[Seen, ...] = ()

    @property
    def any(self) -> Truth:
        """Whether one of them stands."""
        return any_of((self.crisis, self.seizure, self.sepsis, TRUE if self.electrolytes else FALSE))

    @property
    def names(self) -> str:
        """Those that stand, in words."""
        named = (("crisis", self.crisis), ("seizure", self.seizure), ("sepsis", self.sepsis), ("critical electrolyte", TRUE if self.electrolytes else FALSE))
        return ", ".join(name for name, truth in named if truth is TRUE)


def found_by(assessment: Assessment, code: str) -> tuple[Finding, ...]:
    """What an advisory found, also where it is on another card, folded or held back. Nothing for a code that the knowledge does not hold."""
    return next((verdict.findings for verdict in assessment.verdicts if verdict.code == code), ())


def verdict_of(assessment: Assessment, code: str) -> Verdict | None:
    """The verdict of a code; None for one that the knowledge does not hold."""
    return next((verdict for verdict in assessment.verdicts if verdict.code == code), None)


def now(scene: Scene, assessment: Assessment) -> Contexts:
    """The contexts that stand at this moment. A crisis that is over still counts while insulin runs by vein: it has to be changed to the skin."""
    context, lately, insulin = (scene.state(name) for name in ("crisis context", "crisis lately", "insulin shown running"))
    crisis = TRUE if lately.truth is TRUE and insulin.truth is TRUE else context.truth
    seizure = scene.state("seizure now")
    critical = tuple(finding for code in ELECTROLYTES for finding in found_by(assessment, code) if rank(finding.branch.indicator) == 2)
    gaps = [gap for truth, value in ((crisis, context), (seizure.truth, seizure)) if truth is UNKNOWN for gap in value.gaps]
    return Contexts(crisis, seizure.truth, _sepsis(scene, assessment), critical, tuple(dict.fromkeys(gaps)))


def _sepsis(scene: Scene, assessment: Assessment) -> Truth:
    if any(condition.active for condition in scene.conditions(SEPSIS)) or any(found_by(assessment, code) for code in SEPSIS_CODES):
        return TRUE
    if "septic shock" in scene.state_defs and scene.state("septic shock").truth is TRUE:
        return TRUE
    return FALSE if scene.whole("conditions") else UNKNOWN


def of_stay(scene: Scene, assessment: Assessment) -> Contexts:
    """The contexts that this stay held: those that stand now, a diagnosis of these days, or ketones of a crisis in them."""
    present = now(scene, assessment)
    reach = minutes_of(scene.p, "discharge_stay")
    floor = scene.now - (reach or 0) * MINUTE
    kinds = {name: [c for c in scene.conditions(concepts) if _in_stay(c, floor)] for name, concepts in (("crisis", CRISES), ("seizure", SEIZURES), ("sepsis", SEPSIS))}
    seen = [
        Seen("condition", c.concepts[0], c.label, c.ref, at=c.onset or c.recorded, path=c.path) for conditions in kinds.values() for c in conditions
    ]  # fmt: skip
    crisis = any_of((present.crisis, _held("crisis", kinds, scene), scene.state("crisis lately").truth, _ketones(scene, seen)))
    seizure = any_of((present.seizure, _held("seizure", kinds, scene)))
    sepsis = any_of((present.sepsis, _held("sepsis", kinds, scene)))
    gaps = present.gaps if scene.whole("conditions") else (*present.gaps, scene.gap("conditions"))
    return Contexts(crisis, seizure, sepsis, present.electrolytes, tuple(dict.fromkeys(gaps)), tuple(seen))


def _held(name: str, kinds: dict[str, list[Condition]], scene: Scene) -> Truth:
    if kinds[name]:
        return TRUE
    return FALSE if scene.whole("conditions") else UNKNOWN


def _in_stay(condition: Condition, floor: int) -> bool:
    """A diagnosis of this stay: begun or recorded in these days, or active without a date, or what the encounter is for."""
    at = condition.onset or condition.recorded
    if at is None:
        return condition.active or condition.encounter_reason
    return at.latest >= floor


def _ketones(scene: Scene, seen: list[Seen]) -> Truth:
    """Ketones of a crisis in these days. What was not measured shows none, and opens no question."""
    window, limit = scene.p["discharge_stay"], scene.p["ketoacidosis_ketones"]
    highest = scene.number(Extreme("beta_hydroxybutyrate", window, "highest"))
    if not isinstance(highest, Number) or not isinstance(limit, Parameter) or compare(highest, limit, is_at_least) is not True:
        return FALSE
    seen += highest.seen
    return TRUE
