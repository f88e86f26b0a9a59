"""Cards printed for a person."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from rich.console import Console
from rich.markdown import Markdown
from rich.padding import Padding
from rich.text import Text

_COLOURS = {"critical": "bold white on red", "warning": "bold black on yellow", "info": "bold white on blue"}
_ACTIONS = {"create": "add", "update": "change", "delete": "take out"}
SILENT = "Nothing to say: read and judged"


def clock(instant: int) -> str:
    """Milliseconds since 1970 as a time in UTC."""
    return datetime.fromtimestamp(instant / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def print_answer(console: Console, body: dict[str, Any], now: int | None = None) -> None:
    """All cards of an answer, or that there is nothing to say, and what was read of each draft."""
    cards = body.get("cards", [])
    if now is not None:
        console.print(Text(f"Judged as of {clock(now)}", style="dim"))
    for card in cards:
        console.print()
        print_card(console, card)
    if not cards:
        console.print(Text(SILENT, style="bold"))
    drafts = body.get("extension", {}).get("example.trivet.drafts", [])
    if drafts and not cards:
        console.print()
        print_drafts(console, drafts)


def print_card(console: Console, card: dict[str, Any]) -> None:
    """One card: indicator and summary, detail, suggestions with their actions, codes."""
    indicator = str(card.get("indicator", ""))
    console.print(Text.assemble((f" {indicator} ", _COLOURS.get(indicator, "bold")), " ", (str(card.get("summary", "")), "bold")))
    if card.get("detail"):
        console.print(Padding(Markdown(str(card["detail"])), (1, 0, 0, 2)))
    if card.get("suggestions"):
        console.print(Padding(Text("Suggested:", style="bold"), (1, 0, 0, 2)))
    for suggestion in card.get("suggestions", ()):
        mark = " (recommended)" if suggestion.get("isRecommended") else ""
        console.print(Padding(Text(f"> {suggestion.get('label', '')}{mark}"), (0, 0, 0, 2)))
        for action in suggestion.get("actions", ()):
            console.print(Padding(Text(_action(action), style="dim"), (0, 0, 0, 6)))
    entries = card.get("extension", {}).get("example.trivet.advisories", [])
    codes = ", ".join(f"{entry['code']} ({entry['indicator']}, {entry['role']})" for entry in entries)
    console.print(Padding(Text(f"Advisories: {codes}", style="dim"), (1, 0, 0, 2)))


def _action(action: dict[str, Any]) -> str:
    resource = action.get("resource") or {}
    name = "/".join(part for part in (resource.get("resourceType"), resource.get("id")) if part) or action.get("resourceId", "")
    return f"{_ACTIONS.get(str(action.get('type')), action.get('type'))}: {name}"


def print_drafts(console: Console, drafts: list[dict[str, Any]]) -> None:
    """What was read of each drafted order."""
    console.print(Text("The drafted orders, as they were read:"))
    for draft in drafts:
        console.print(Padding(Text(str(draft.get("order", "")), style="bold"), (0, 0, 0, 2)))
        for part in draft.get("parts", ()):
            read = f" ({part['read']})" if part.get("read") else ""
            console.print(Padding(Text(f"{part.get('part', '')}: {str(part.get('state', '')).replace('_', ' ')}{read}"), (0, 0, 0, 4)))


def print_outcome(console: Console, outcome: dict[str, Any]) -> None:
    """Why a request was refused, and where in the request."""
    for issue in outcome.get("issue", ()):
        at = ", ".join(issue.get("expression", ()))
        console.print(Text.assemble(("Refused", "bold"), f" at {at}: " if at else ": ", str(issue.get("diagnostics", ""))))
