"""Procedures and investigations: read as the rest, and never as "none" where something could not be read."""

from __future__ import annotations

from cds.chart import Care, Investigation, Moment, Problem, Trouble
from cds.intake import shapes
from cds.intake.coding import Codes, label_of
from cds.intake.results import ref_of
from cds.intake.times import Times
from cds.vocabulary import culture_of
from cds.vocabulary.care import CARE, INVESTIGATIONS

_DONE = frozenset(("in-progress", "on-hold", "stopped", "completed", "unknown"))
_NOT_DONE = frozenset(("preparation", "not-done", "entered-in-error"))
_ORDERED = frozenset(("active", "on-hold", "completed"))
_NOT_ORDERED = frozenset(("draft", "revoked", "entered-in-error", "unknown"))
# A proposal or a plan in the list is no order (F-12); what is drafted in this call counts with every intent but "option".
_WISHES = frozenset(("proposal", "plan", "option"))


def read_care(sent: shapes.Procedure, path: str, times: Times) -> Care | Problem | None:
    """A procedure, why it was set aside, or None where no rule reads it or it was not done."""
    ref, concept = ref_of("Procedure", sent.id), sent.code
    label = label_of(concept, "a procedure")

    def problem(trouble: Trouble, message: str) -> Problem:
        return Problem(trouble, ref, path, "procedures", f"{label}: {message}")

    concepts = tuple(dict.fromkeys(CARE[key] for each in (concept.coding if concept is not None else ()) if (key := (each.system, each.code)) in CARE))
    if not concepts or sent.status in _NOT_DONE:
        return None
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return problem(Trouble.MODIFIER, "it carries a modifier that is not understood")
    if sent.status not in _DONE:
        return problem(Trouble.STATUS, "its status is not one that FHIR knows" if sent.status else "it has no status")
    period = sent.performedPeriod
    if sent.performedDateTime and period is not None:
        return problem(Trouble.STRUCTURE, "two times where FHIR allows one")
    start_text = sent.performedDateTime or ("" if period is None else period.start)
    end_text = "" if period is None else period.end
    start, end = moment(start_text, times), moment(end_text, times)
    if (start_text and start is None) or (end_text and end is None):
        return problem(Trouble.TIME_UNREADABLE, "its time is not readable")
    if start is not None and times.past(start) is None:
        return problem(Trouble.FUTURE, "its time lies in the future")
    return Care(ref if sent.id else path, concepts, sent.status, label, start, end, path)


def read_investigation(sent: shapes.ServiceRequest, path: str, codes: Codes, times: Times, *, drafted: bool) -> Investigation | Problem | None:
    """A test that was ordered; why it was set aside; None where it names nothing that a rule reads, or does not stand."""
    if sent.code is None or sent.doNotPerform is True or sent.intent == "option":
        return None
    use = codes.measured(sent.code)
    items: dict[str, None] = dict.fromkeys(() if use is None else use.analytes)
    for each in sent.code.coding:
        word = INVESTIGATIONS.get((each.system, each.code))
        kind = culture_of(each.system, each.code)
        items.update(dict.fromkeys(found for found in (word, None if kind is None else f"{kind}_culture") if found is not None))
    if not items:
        return None
    ref, label = ref_of("ServiceRequest", sent.id), label_of(sent.code, "a test")
    if sent.modifierExtension is not None or sent.implicitRules is not None:
        return Problem(Trouble.MODIFIER, ref, path, "investigations", f"{label}: it carries a modifier that is not understood")
    if not drafted and (sent.status in _NOT_ORDERED or sent.intent in _WISHES):
        return None
    if drafted and sent.status in ("revoked", "entered-in-error", "on-hold", "completed"):
        # A draft that stops a test orders none.
        return None
    if not drafted and sent.status not in _ORDERED:
        return Problem(Trouble.STATUS, ref, path, "investigations", f"{label}: its status is not one that FHIR knows")
    return Investigation(ref if sent.id else path, tuple(items), drafted, sent.status, label, moment(sent.authoredOn, times), path)


def moment(text: str, times: Times) -> Moment | None:
    """The span of a time; None when none was sent or it is not readable."""
    return times.read(text) if text else None
