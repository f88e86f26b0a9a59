"""Full FHIR validation of single resources, where it matters: drafts, evidence that a card cites, and what was refused.

It costs some hundred times what reading costs, so it is never run over a whole request. `fhir.resources` has no R4 package; its
R4B classes are the same for the types used here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
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
# FHIR asks for a zone beside a clock time, and feeds leave it out: the reader has its own rule for that, and names it (F-5).
_WITHOUT_ZONE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?", re.ASCII)


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

    Reasons repeat no value of the resource. At most 20 are given. A time that only lacks its zone is passed over (F-5). Adds one to `count`.
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
            if _lacks_zone(data, each["loc"]):
                continue
            where = ".".join(str(part) for part in each["loc"])
            found.append(f"{resource_type}{'.' if where else ''}{where}: {_reason(each['type'], each['msg'])}")
        return tuple(dict.fromkeys(found))
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError, ArithmeticError) as error:
        # An unknown type in `contained` is a KeyError in the library, not a ValidationError.
        return (f"{resource_type}: could not be validated ({type(error).__name__})",)
    return ()


def _lacks_zone(value: Any, path: Sequence[str | int]) -> bool:
    """Whether what stands at `path` is a date with a clock time and no zone."""
    for part in path:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return False
    return isinstance(value, str) and _WITHOUT_ZONE.fullmatch(value) is not None


def _reason(kind: str, message: str) -> str:
    """The library's words where they cannot hold a value of the resource, else its name for the kind of error."""
    return message if kind in ("missing", "extra_forbidden") else kind.replace("_", " ")
