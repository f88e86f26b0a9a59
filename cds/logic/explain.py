"""A reason told in words, with the patient's own numbers."""

from __future__ import annotations

from cds.logic.criteria import AllOf, AnyOf, AnyOrder, AtLeast, Criterion, Not
from cds.logic.reason import Reason, Seen
from cds.logic.truth import FALSE, TRUE
from cds.logic.wording import in_words

_MARK = {"true": "yes", "false": "no", "unknown": "not known"}
_MOST_WORDS = 10_000
# By identity, with the node itself so that its place is not taken by another: what a criterion is called is knowledge, the same for every patient.
_WORDS: dict[int, tuple[Criterion, str]] = {}


def _words_of(node: Criterion) -> str:
    known = _WORDS.get(id(node))
    if known is None:
        if len(_WORDS) >= _MOST_WORDS:
            _WORDS.clear()
        known = _WORDS[id(node)] = (node, in_words(node))
    return known[1]


def explain(reason: Reason, depth: int = 0) -> tuple[str, ...]:
    """One line a node, indented; each leaf with what it saw. Nothing is left out because another node settled it."""
    node = reason.node
    pad = "  " * depth
    if isinstance(node, (AllOf, AnyOf, AtLeast, Not)) and reason.children:
        head = {AllOf: "all of", AnyOf: "any of", Not: "not", AtLeast: "enough of"}[type(node)]
        lines = [f"{pad}{_MARK[reason.truth.value]}: {head}"]
    else:
        lines = [f"{pad}{_MARK[reason.truth.value]}: {_words_of(node)}{_evidence(reason)}"]
        if isinstance(node, AnyOrder) and node.such_that is None:
            return tuple(lines)
    for child in reason.children:
        lines.extend(explain(child, depth + 1))
    return tuple(lines)


def _evidence(reason: Reason) -> str:
    parts = [seen_in_words(seen) for seen in reason.seen]
    if reason.truth is not TRUE and reason.truth is not FALSE:
        parts += [gap.detail for gap in reason.gaps]
    if reason.note:
        parts.append(reason.note)
    return f" [{'; '.join(parts)}]" if parts else ""


def seen_in_words(seen: Seen) -> str:
    """One piece of evidence: what, value, age, method."""
    extra = []
    if seen.age_minutes is not None:
        minutes = seen.age_minutes
        extra.append(f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago")
    extra += [part for part in (seen.method, seen.note) if part]
    tail = f" ({', '.join(extra)})" if extra else ""
    return f"{seen.item.replace('_', ' ')} {seen.text}{tail}"
