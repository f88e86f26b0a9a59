"""The patient, and the patient's conditions."""

from __future__ import annotations

import datetime as dt

from cds.chart import Condition, Moment, Patient, Problem, Trouble
from cds.intake import shapes
from cds.intake.coding import concepts_in, label_of
from cds.intake.results import ref_of
from cds.intake.times import Times, birth_days

SEXES = frozenset(("male", "female", "other", "unknown"))
CLINICAL = frozenset(("active", "recurrence", "relapse", "inactive", "remission", "resolved"))
VERIFICATION = frozenset(("unconfirmed", "provisional", "differential", "confirmed", "refuted", "entered-in-error"))
CLINICAL_SYSTEM = "http://terminology.hl7.org/CodeSystem/condition-clinical"
VERIFICATION_SYSTEM = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def read_patient(patient: shapes.Patient, patient_id: str, path: str, times: Times) -> tuple[Patient, tuple[Problem, ...]]:
    """Sex, birth and death. What cannot be read is left out and named; another person is no patient at all (CH-55)."""
    if patient.id != patient_id:
        if patient.id:
            message = "the patient that was sent is another person than the patient of this call"
            return Patient(), (Problem(Trouble.OTHER_PATIENT, "", path, "patient", message),)
        return Patient(), (Problem(Trouble.NO_SUBJECT, "", path, "patient", "the patient that was sent has no id"),)
    ref = f"Patient/{patient_id}"
    if patient.modifierExtension is not None or patient.implicitRules is not None:
        return Patient(), (
            Problem(Trouble.MODIFIER, ref, path, "patient", "the patient carries a modifier that is not understood"),
        )
    problems = []
    sex = patient.gender
    if sex and sex not in SEXES:
        problems.append(Problem(Trouble.NOT_UNDERSTOOD, ref, f"{path}.gender", "patient", "the sex is not one that FHIR knows"))
        sex = ""
    born = birth_days(patient.birthDate) if patient.birthDate else None
    if patient.birthDate and born is None:
        message = "the birth date is not readable"
        problems.append(Problem(Trouble.TIME_UNREADABLE, ref, f"{path}.birthDate", "patient", message))
    elif born is not None:
        # The latest date anywhere on earth: a birth of today in the east is not one of tomorrow.
        latest = dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=times.limit, minutes=times.easternmost)
        if born[0] > latest.date():
            problems.append(Problem(Trouble.FUTURE, ref, f"{path}.birthDate", "patient", "the birth date is in the future"))
            born = None
    if patient.deceasedBoolean is not None and patient.deceasedDateTime:
        problems.append(Problem(Trouble.STRUCTURE, ref, path, "patient", "two statements of death where FHIR allows one"))
    return Patient(sex, born, patient.deceasedBoolean is True or bool(patient.deceasedDateTime)), tuple(problems)


def condition_times(condition: shapes.Condition) -> tuple[str, ...]:
    """Every time that a condition states."""
    onset, end = condition.onsetPeriod, condition.abatementPeriod
    return (
        condition.recordedDate,
        condition.onsetDateTime,
        condition.abatementDateTime,
        *(() if onset is None else (onset.start, onset.end)),
        *(() if end is None else (end.start, end.end)),
    )


def read_condition(
    condition: shapes.Condition, path: str, encounter_id: str | None, times: Times
) -> tuple[Condition | None, tuple[Problem, ...]]:
    """One condition, None when it was set aside, and what was not understood of it.

    Concepts may be empty: a diagnosis that no rule reads still stands in the chart.
    """
    ref = ref_of("Condition", condition.id)
    label = label_of(condition.code, "a condition without a name")

    def problem(trouble: Trouble, message: str, member: str = "") -> Problem:
        return Problem(trouble, ref, f"{path}.{member}" if member else path, "conditions", f"{label}: {message}")

    if condition.modifierExtension is not None or condition.implicitRules is not None:
        return None, (problem(Trouble.MODIFIER, "it carries a modifier that is not understood"),)
    clinical = _status(condition.clinicalStatus, CLINICAL_SYSTEM, CLINICAL)
    verification = _status(condition.verificationStatus, VERIFICATION_SYSTEM, VERIFICATION)
    if clinical is None or verification is None:
        return None, (problem(Trouble.STATUS, "its status is not one that FHIR knows"),)
    ends = [
        each
        for each in (
            condition.abatementDateTime or None, condition.abatementPeriod, condition.abatementString, condition.abatementAge,
            condition.abatementRange,
        )
        if each is not None
    ]  # fmt: skip
    if len(ends) > 1 or (condition.onsetDateTime and condition.onsetPeriod is not None):
        return None, (problem(Trouble.STRUCTURE, "two times where FHIR allows one"),)
    onset_text = condition.onsetDateTime or ("" if condition.onsetPeriod is None else condition.onsetPeriod.start)
    end_text = condition.abatementDateTime or _end_of(condition.abatementPeriod)
    if end_text and times.read(end_text) is None:
        # Whether it has ended is not known, so it is neither current nor history.
        return None, (problem(Trouble.TIME_UNREADABLE, "its end is not readable", "abatement"),)
    category = {c.code for each in condition.category for c in each.coding}
    reason = "encounter-diagnosis" in category and _same_encounter(condition.encounter, encounter_id)
    onset = times.read(onset_text) if onset_text else None
    recorded = times.read(condition.recordedDate) if condition.recordedDate else None
    unread = [
        problem(Trouble.TIME_UNREADABLE, f"its {name} is not readable", name)
        for text, moment, name in ((onset_text, onset, "onset"), (condition.recordedDate, recorded, "recordedDate"))
        if text and moment is None
    ]
    found = Condition(
        ref=ref if condition.id else path,
        concepts=concepts_in(condition.code, current=onset is not None or reason),
        clinical=clinical,
        verification=verification,
        label=label,
        onset=onset,
        recorded=recorded,
        abatement=_abatement(condition, end_text, times),
        encounter_reason=reason,
        path=path,
    )
    return found, tuple(unread)


def _end_of(period: shapes.Period | None) -> str:
    return "" if period is None else period.end or period.start


def _status(concept: shapes.Concept | None, system: str, known: frozenset[str]) -> str | None:
    """The code of a status; "" when none was sent, None when what was sent is not understood."""
    if concept is None:
        return ""
    codes = {c.code for c in concept.coding if c.system in ("", system)} & known
    return codes.pop() if len(codes) == 1 else None


def _abatement(condition: shapes.Condition, text: str, times: Times) -> Moment | None:
    """When the condition ended. A statement of an end without a time is an end at some time before now."""
    if text:
        moment = times.read(text)
        # An end that still lies ahead has not come.
        return None if moment is None else times.past(moment)
    given = (condition.abatementString, condition.abatementAge, condition.abatementRange, condition.abatementPeriod)
    if any(each is not None for each in given) or condition.abatementBoolean is True:
        return Moment(None, times.now, "end without a time")
    return None


def _same_encounter(reference: shapes.Reference | None, encounter_id: str | None) -> bool:
    if reference is None or not reference.reference or encounter_id is None:
        return reference is None or not reference.reference
    return reference.reference.partition("/_history/")[0].rsplit("/", 1)[-1] == encounter_id
