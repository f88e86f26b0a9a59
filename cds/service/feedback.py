"""The form of CDS Hooks feedback: what is refused, and where in the payload."""

from __future__ import annotations

import re
from typing import Any

import msgspec

from cds.intake import RequestError

_TIME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})")
MOST = 1000


def read_feedback(body: bytes) -> list[dict[str, Any]]:
    """The items of a feedback request. RequestError (400) names the first fault (CH-90 to CH-93)."""
    try:
        whole = msgspec.json.decode(body)
    except (ValueError, RecursionError) as error:
        raise RequestError(400, "structure", "the body is not JSON", "") from error
    if not isinstance(whole, dict) or not isinstance(whole.get("feedback"), list):
        raise RequestError(400, "required", "an object with the array 'feedback' is needed", "feedback")
    items = whole["feedback"]
    if not items or len(items) > MOST:
        raise RequestError(400, "invalid", f"'feedback' holds 1 to {MOST} items", "feedback")
    return [_item(item, f"feedback[{place}]") for place, item in enumerate(items)]


def _item(item: Any, path: str) -> dict[str, Any]:
    if not isinstance(item, dict):
        raise RequestError(400, "structure", "each item is an object", path)
    card = item.get("card")
    if not isinstance(card, str) or not card:
        raise RequestError(400, "required", "'card' is the uuid of a card", f"{path}.card")
    outcome = item.get("outcome")
    if outcome not in ("accepted", "overridden"):
        raise RequestError(400, "value", "'outcome' is accepted or overridden", f"{path}.outcome")
    time = item.get("outcomeTimestamp")
    if not isinstance(time, str) or not _TIME.fullmatch(time):
        raise RequestError(400, "value", "'outcomeTimestamp' is a time with its zone", f"{path}.outcomeTimestamp")
    if outcome == "accepted":
        taken = item.get("acceptedSuggestions")
        if not isinstance(taken, list) or not taken or not all(isinstance(t, dict) and isinstance(t.get("id"), str) and t["id"] for t in taken):
            raise RequestError(400, "required", "'accepted' needs acceptedSuggestions with an id each", f"{path}.acceptedSuggestions")
    if "overrideReason" in item:
        _reason(item["overrideReason"], f"{path}.overrideReason")
    return item


def _reason(reason: Any, path: str) -> None:
    if not isinstance(reason, dict) or not reason or not ({"reason", "userComment"} & set(reason)):
        raise RequestError(400, "invalid", "'overrideReason' needs a reason or a userComment", path)
    coding = reason.get("reason")
    if coding is not None and (not isinstance(coding, dict) or not isinstance(coding.get("code"), str) or not coding["code"]):
        raise RequestError(400, "invalid", "'reason' is a Coding with a code", f"{path}.reason")
    comment = reason.get("userComment")
    if comment is not None and not isinstance(comment, str):
        raise RequestError(400, "invalid", "'userComment' is text", f"{path}.userComment")
