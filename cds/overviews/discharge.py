"""Readiness for discharge on one card: what speaks against leaving, what is not known, what fits, and what only a person can confirm. Never a tick-box."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain

from cds.advisory import Assessment, Outcome, Verdict, rank
from cds.logic.scene import Scene
from cds.logic.truth import TRUE, UNKNOWN
from cds.overviews import contexts
from cds.overviews.items import AGAINST, ASK, FITS, UNKNOWN_ITEM, Item, against, not_known, of_finding
from cds.overviews.leaving_crisis import SGLT2, crisis, electrolytes
from cds.overviews.leaving_infection import infection
from cds.overviews.leaving_seizure import seizure
from cds.overviews.promises import BROKEN, NOT_KNOWN, Promised, promise_line
from cds.overviews.views import DISCHARGE, Line, Overview, Part, count_of

SOURCES = (
    "Own rule: what still speaks against leaving",
    "Umpierrez GE et al. Hyperglycemic crises in adults with diabetes: a consensus report. Diabetes Care 2024;47:1257-1275",
    "JBDS-IP 02. The management of diabetic ketoacidosis in adults, 2023",
)
CAUTIONS = (
    "The medicines are those that run, are drafted or stand as active at home; a discharge list kept elsewhere is not seen here.",
    "The treating team decides; what is recorded elsewhere may answer what is not known here.",
)
# What a medicine on the list is judged by: where such a verdict waits for a datum, leaving with the medicine waits too.
OF_MEDICINES = (
    "asm-renal-adjustment", "seizure-threshold-lowering-order", "renally-cleared-neurotoxic-antibiotic", "carbapenem-with-valproate", "pregnancy-unsafe-order",
    "asm-hepatic-or-pregnancy-contraindication", "asm-cardiac-contraindication", "beta-lactam-allergy-conflict", "enzyme-inducing-asm-interaction",
    "enzyme-inhibitor-raises-asm", "culture-resistant-to-current-antibiotic",
)  # fmt: skip


def discharge(scene: Scene, assessment: Assessment, promised: tuple[Promised, ...], titles: Mapping[str, str]) -> tuple[Verdict, Overview | None]:
    """The card, or why there is none. UNKNOWN where it is not known whether this stay held one of the contexts."""
    if assessment.hook != "encounter-discharge":
        return Verdict(DISCHARGE, Outcome.NOT_APPLICABLE, "this hook"), None
    if assessment.neonate:
        return Verdict(DISCHARGE, Outcome.OUT_OF_SCOPE, "under 28 days"), None
    stay = contexts.of_stay(scene, assessment)
    if stay.any is not TRUE:
        if stay.any is UNKNOWN:
            return Verdict(DISCHARGE, Outcome.UNKNOWN, ",".join(dict.fromkeys(gap.state.value for gap in stay.gaps)), stay.gaps), None
        return Verdict(DISCHARGE, Outcome.NOT_MET, "no crisis, seizure, sepsis or critical electrolyte in this stay"), None
    items: list[Item] = []
    if stay.crisis is TRUE:
        items += chain(crisis(scene, stay, assessment), electrolytes(scene))
    elif stay.electrolytes:
        items += electrolytes(scene)
    if stay.seizure is TRUE:
        items += seizure(scene)
    if stay.sepsis is TRUE:
        items += infection(scene)
    items += _medicines(assessment, items, titles)
    items += _promises(promised, titles, scene)
    return Verdict(DISCHARGE, Outcome.FIRED, stay.names), _card(items, stay.names)


def _medicines(assessment: Assessment, told: list[Item], titles: Mapping[str, str]) -> list[Item]:
    """Every warning that stands, in its own words, and every question about a medicine that waits for a datum."""
    codes = {item.line.finding.code for item in told if item.line.finding is not None}
    # The SGLT2 inhibitor has an item of its own, which is the stricter one.
    codes |= {SGLT2} if any("SGLT2" in item.line.text or item.critical and "is on the list after" in item.short for item in told) else set()
    found: list[Item] = []
    for verdict in assessment.verdicts:
        for finding in verdict.findings:
            if rank(finding.indicator) > 0 and finding.code not in codes and verdict.outcome is not Outcome.HELD_BACK:
                codes.add(finding.code)
                found.append(of_finding(finding, titles.get(finding.code, finding.code)))
        if verdict.outcome is Outcome.UNKNOWN and verdict.code in OF_MEDICINES:
            why = verdict.gaps[0].detail if verdict.gaps else "a datum is missing"
            found.append(not_known(f"{titles[verdict.code]}: not judged ({why})", titles[verdict.code]))
    return found


def _promises(promised: tuple[Promised, ...], titles: Mapping[str, str], scene: Scene) -> list[Item]:
    made = []
    for each in promised:
        title = titles.get(each.promise.code, each.promise.code)
        if each.state == BROKEN:
            made.append(against(promise_line(each, title, scene.now).text, "a promised check is overdue"))
        elif each.state == NOT_KNOWN:
            made.append(not_known(f"'{title}' was overridden with 'will monitor': whether the check was done is not known, the list was not sent whole", "a promised check"))
    return made


def _card(items: list[Item], names: str) -> Overview:
    # The worst first; within a kind the order of the page.
    items = sorted(items, key=lambda item: not item.critical)
    by_kind = {kind: [item for item in items if item.kind == kind] for kind in (AGAINST, UNKNOWN_ITEM, FITS, ASK)}
    bad, open_ = by_kind[AGAINST], by_kind[UNKNOWN_ITEM]
    indicator = "critical" if any(item.critical for item in bad) else "warning" if bad or open_ else "info"
    parts = (
        Part("Speaks against leaving", tuple(item.line for item in bad)),
        Part("Not known", tuple(item.line for item in open_)),
        Part("Fits", tuple(item.line for item in by_kind[FITS])),
        Part("Not in what this service reads: to be confirmed by a person", tuple(item.line for item in by_kind[ASK])),
        Part("Cautions", tuple(Line(text) for text in CAUTIONS)),
    )  # fmt: skip
    return Overview(DISCHARGE, indicator, _summary(bad, open_, len(by_kind[FITS]), names), parts, SOURCES, first=True)


def _summary(bad: list[Item], open_: list[Item], fitting: int, names: str) -> str:
    unknown = f"{count_of(open_, 'item', 'items')} not known"
    if bad:
        more = f"+{len(bad) - 1} more" if len(bad) > 1 else ""
        tail = "; ".join(part for part in (more, unknown if open_ else "") if part)
        return f"Not yet by these criteria: {bad[0].short}{f' ({tail})' if tail else ''}"
    if open_:
        return f"Not yet by these criteria: {open_[0].short}{f' (+{len(open_) - 1} more not known)' if len(open_) > 1 else ''}"
    return f"Ready by these criteria after {names or 'this stay'}: {fitting} items fit; confirm what this service cannot see"
