"""Whose resource is it? Nothing of another patient is ever evaluated as this patient's (F-43, HZ-01)."""

from __future__ import annotations

import re
from enum import Enum

from cds.intake.shapes import Reference

_PATIENT = re.compile(r"(?:^|/)Patient/([A-Za-z0-9.\-]{1,64})(?:/_history/[A-Za-z0-9.\-]{1,64})?$", re.ASCII)
_ANY_PATIENT = re.compile(rb'"reference"\s*:\s*"(?:[^"\\]{0,400}/)?Patient/([A-Za-z0-9.\-]{1,64})')


class Whose(Enum):
    """This patient's, somebody else's, or nobody named."""

    OURS = "ours"
    OTHER = "other"
    NOBODY = "nobody"


class Subjects:
    """Compares subjects with the patient of the call. A subject that is no patient (a group, a device) is somebody else."""

    def __init__(self, patient_id: str) -> None:
        self._id = patient_id
        self.usual = f"Patient/{patient_id}"
        self._known: dict[str, Whose] = {self.usual: Whose.OURS, "": Whose.NOBODY}

    def whose(self, subject: Reference | None) -> Whose:
        """Whose a resource with this subject is. A contained or otherwise unresolvable subject names nobody."""
        if subject is None:
            return Whose.NOBODY
        text = subject.reference
        try:
            return self._known[text]
        except KeyError:
            found = self._known[text] = self._compare(text)
            return found

    def _compare(self, text: str) -> Whose:
        if text.startswith(("#", "urn:")):
            return Whose.NOBODY
        form = _PATIENT.search(text)
        return Whose.OURS if form is not None and form[1] == self._id else Whose.OTHER

    def in_bytes(self, raw: bytes) -> Whose:
        """Whose a resource is that could not be decoded: every patient that it refers to must be ours."""
        named = {match.decode() for match in _ANY_PATIENT.findall(raw)}
        if not named:
            return Whose.NOBODY
        return Whose.OURS if self._id in named else Whose.OTHER
