"""What Trivet knows: one module and one file of figures for each clinical topic. Topics are data, never import one another, and share `cds.states`.

`TOPICS` is in the order of judgement. `CATALOGUE` holds every code, also of advisories that are not written yet.
"""

from __future__ import annotations

from cds.topics import anti_seizure, carbapenem, glucose, ketoacidosis, potassium, seizure, threshold
from cds.topics.catalogue import CATALOGUE

TOPICS = (ketoacidosis, glucose, potassium, seizure, anti_seizure, carbapenem, threshold)

__all__ = ["CATALOGUE", "TOPICS"]
