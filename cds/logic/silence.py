"""Why an advisory stayed silent, in words (F-32)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cds.advisory import Verdict

_WORDS = {
    "fired": "fired",
    "not_applicable": "does not apply here",
    "not_met": "judged; its criteria are not met",
    "already_satisfied": "already satisfied by another order",
    "unknown": "could not be judged",
    "absorbed": "said by another advisory",
    "folded": "folded into the further points",
    "held_back": "held back after an override on the same inputs",
    "switched_off": "switched off at this site",
    "out_of_scope": "outside what it is validated for",
}


def why_silent(verdict: Verdict) -> str:
    """One sentence: the outcome, and for what could not be judged each gap with its state."""
    text = _WORDS[verdict.outcome.value]
    if verdict.why:
        text += f" ({verdict.why})"
    if verdict.gaps and verdict.outcome.value == "unknown":
        text += ": " + "; ".join(f"{gap.detail} [{gap.state.value}]" for gap in verdict.gaps)
    return text
