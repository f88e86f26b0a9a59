"""FHIR in, chart out: the one place that knows how an EHR writes things down.

`read_request` turns the bytes of a CDS Hooks call into a `cds.chart.Chart` and what else an answer needs; `validate` checks one
resource against FHIR R4 in full. Both are pure: no clock, no file, no network.
"""

from cds.intake.envelope import EVALUATE_AT, Envelope, RequestError
from cds.intake.limits import Limits, default_limits, limits_from
from cds.intake.plain_fhir import surely_valid
from cds.intake.prefetch import ITEM_KEYS, PREFETCH
from cds.intake.raw import RawResources
from cds.intake.reader import Notes
from cds.intake.request import Intake, IntakeSettings, read_request
from cds.intake.validation import Count, validate, warm_up

__all__ = [
    "EVALUATE_AT",
    "ITEM_KEYS",
    "PREFETCH",
    "Count",
    "Envelope",
    "Intake",
    "IntakeSettings",
    "Limits",
    "Notes",
    "RawResources",
    "RequestError",
    "default_limits",
    "limits_from",
    "read_request",
    "surely_valid",
    "validate",
    "warm_up",
]
