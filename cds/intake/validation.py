"""Full FHIR validation of single resources, where it matters: drafts, evidence that a card cites, and what was refused.

It costs some hundred times what reading costs, so it is never run over a whole request. `fhir.resources` has no R4 package; its
R4B classes are the same for the types used here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib import import_module
from typing import Any

from pydantic import ValidationError

_CLASSES = {
    "Observation": "observation",
    "Condition": "condition",
    "MedicationRequest": "medicationrequest",
    "MedicationAdministration": "medicationadministration",
    "Medication": "medication",
    "ServiceRequest": "servicerequest",
    "Patient": "patient",
    "OperationOutcome": "operationoutcome",
}
_MOST = 20


@dataclass(slots=True)
class Count:
    """How many resources were validated. One is passed in per request, so that nobody shares it."""

    calls: int = 0


@cache
def _class(resource_type: str) -> Any:
    module = import_module(f"fhir.resources.R4B.{_CLASSES[resource_type]}")
    return getattr(module, resource_type)


def warm_up() -> None:
    """Import every class now instead of at the first request."""
    for name in _CLASSES:
        _class(name)


def validate(raw: bytes, resource_type: str, count: Count | None = None) -> tuple[str, ...]:
    """What FHIR R4 says against one resource, each as "path: reason"; empty when nothing. Never raises.

    Reasons repeat no value of the resource. At most 20 are given. Adds one to `count`.
    """
    if count is not None:
        count.calls += 1
    if resource_type not in _CLASSES:
        return (f"{resource_type}: not a type that is validated here",)
    try:
        data = json.loads(raw, parse_float=Decimal)
    except (ValueError, RecursionError):
        return (f"{resource_type}: not well-formed JSON",)
    if not isinstance(data, dict) or data.get("resourceType") != resource_type:
        return (f"{resource_type}: is not a {resource_type}",)
    try:
        _class(resource_type).model_validate(data)
    except ValidationError as error:
        found = []
        for each in error.errors(include_url=False, include_context=False, include_input=False)[:_MOST]:
            where = ".".join(str(part) for part in each["loc"])
            found.append(f"{resource_type}{'.' if where else ''}{where}: {_reason(each['type'], each['msg'])}")
        return tuple(dict.fromkeys(found))
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError, ArithmeticError) as error:
        # An unknown type in `contained` is a KeyError in the library, not a ValidationError.
        return (f"{resource_type}: could not be validated ({type(error).__name__})",)
    return ()


def _reason(kind: str, message: str) -> str:
    """The library's words where they cannot hold a value of the resource, else its name for the kind of error."""
    return message if kind in ("missing", "extra_forbidden") else kind.replace("_", " ")
