"""What Trivet knows: one module and one file of figures for each clinical topic. Topics are data, never import one another, and share `cds.states`.

`TOPICS` is in the order of speech: of two cards of one indicator the earlier topic's comes first (M-15, T4). `CATALOGUE` holds every code, also of advisories that are not written yet.
"""

from __future__ import annotations

from cds.topics import (
    acidosis,
    acidosis_orders,
    anti_seizure,
    carbapenem,
    crisis_cause,
    crisis_course,
    glucose,
    hyperosmolar,
    insulin,
    insulin_stop,
    ketoacidosis,
    potassium,
    potassium_infusion,
    seizure,
    threshold,
)
from cds.topics.catalogue import CATALOGUE

TOPICS = (
    glucose,
    seizure,
    potassium,
    potassium_infusion,
    insulin,
    crisis_course,
    insulin_stop,
    ketoacidosis,
    hyperosmolar,
    acidosis,
    acidosis_orders,
    anti_seizure,
    carbapenem,
    threshold,
    crisis_cause,
)

__all__ = ["CATALOGUE", "TOPICS"]
