"""What Trivet knows: one module and one file of figures for each clinical topic. Topics are data, never import one another, and share `cds.states`.

`TOPICS` is in the order of speech: of two cards of one indicator the earlier topic's comes first (M-15, T4). `CATALOGUE` holds every code, also of advisories that are not written yet.
"""

from __future__ import annotations

from cds.topics import (
    acidosis,
    acidosis_orders,
    anti_seizure,
    anti_seizure_dose,
    benzodiazepine,
    breathing,
    carbapenem,
    crisis_cause,
    crisis_course,
    enzyme_induction,
    fluid,
    flumazenil,
    glucose,
    hyperkalaemia,
    hyperosmolar,
    insulin,
    insulin_stop,
    ketoacidosis,
    minerals,
    minerals_order,
    osmolality,
    potassium,
    potassium_infusion,
    potassium_order,
    potassium_trend,
    pregnancy,
    qt,
    seizure,
    sodium,
    thiamine,
    threshold,
)
from cds.topics.catalogue import CATALOGUE

TOPICS = (
    glucose,
    osmolality,
    seizure,
    benzodiazepine,
    sodium,
    hyperkalaemia,
    potassium,
    potassium_order,
    potassium_infusion,
    potassium_trend,
    insulin,
    crisis_course,
    insulin_stop,
    ketoacidosis,
    hyperosmolar,
    fluid,
    minerals,
    minerals_order,
    qt,
    acidosis,
    acidosis_orders,
    anti_seizure,
    anti_seizure_dose,
    flumazenil,
    carbapenem,
    threshold,
    breathing,
    pregnancy,
    enzyme_induction,
    thiamine,
    crisis_cause,
)

__all__ = ["CATALOGUE", "TOPICS"]
