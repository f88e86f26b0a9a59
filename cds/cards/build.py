"""Cards from an assessment: one card a problem, ranked, then what could not be judged, then the further points."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from cds.advisory import Advisory, Assessment, Finding, Group, rank
from cds.assess import Knowledge, Population
from cds.candidates import Change, Dropped, Offers
from cds.cards import fhir
from cds.cards.words import fill, literal, plain, summary, unit_in_words
from cds.chart import MINUTE, Chart
from cds.gaps import GAS, MISSING, STALE, UNUSABLE, Item, Quality
from cds.logic.flip import Flip
from cds.logic.reason import Seen
from cds.logic.scene import leaves_seen
from cds.numbers import shown

ORDER_HOOKS = ("order-select", "order-sign")
KEY = "example.trivet"
TITLES = {
    MISSING: "Input that an advisory needs is missing",
    UNUSABLE: "Input could not be used",
    GAS: "Blood gas does not agree with itself",
    STALE: "Input is too old",
}
REASONS = (
    ("will-monitor", "Will monitor and decide by the next result"),
    ("already-done", "Already done, or ordered in another way"),
    ("data-wrong", "The data used here are wrong or out of date"),
    ("benefit-outweighs", "Benefit outweighs the risk for this patient"),
    ("local-protocol", "Local protocol or specialist advice differs"),
)
CLOSING = "Advice for the treating clinician, who decides; local protocol comes first."


@dataclass(frozen=True, slots=True)
class CardSettings:
    """What the site sets: the canonical base of our artefacts, and what each answer says of itself."""

    base: str = "https://trivet.example/fhir"
    release: str = ""
    client_time: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Cards:
    """The answer: `body` for the client; `codes` and `uuids` for the record; `cited` are the resources that the cards rest on (path, reference);
    `by_uuid` tells for each card its advisories with their indicators and deciding inputs (for feedback)."""

    body: dict[str, Any]
    codes: Mapping[str, str]
    uuids: tuple[str, ...]
    cited: tuple[tuple[str, str], ...]
    by_uuid: Mapping[str, tuple[tuple[str, str, str], ...]]


Raw = Callable[[str], bytes | None]
FlipOf = Callable[[Finding], Flip | None]


@dataclass(frozen=True, slots=True)
class Call:
    """What card building needs of the call: ids for the FHIR of suggestions, and a look-up of resources as received."""

    request_id: str
    patient: str
    encounter: str
    raw: Raw


def build(
    chart: Chart, assessment: Assessment, offers: Offers, quality: Quality, knowledge: Knowledge, call: Call, flip_of: FlipOf, settings: CardSettings
) -> Cards:
    """Every card of the answer, the most urgent first. The same arguments give the same bytes: uuids come from the request id (F-41)."""
    population = knowledge.population(assessment.population)
    made = _Maker(chart, assessment, offers, quality, knowledge, population, call, flip_of, settings)
    return made.cards()


class _Maker:
    __slots__ = ("_a", "_by_uuid", "_call", "_chart", "_flip_of", "_k", "_offers", "_orders", "_p", "_q", "_s", "_space")

    def __init__(
        self, chart: Chart, assessment: Assessment, offers: Offers, quality: Quality, knowledge: Knowledge, population: Population,
        call: Call, flip_of: FlipOf, settings: CardSettings,
    ) -> None:  # fmt: skip
        self._chart, self._a, self._offers, self._q, self._k = chart, assessment, offers, quality, knowledge
        self._p, self._call, self._flip_of, self._s = population, call, flip_of, settings
        self._space = uuid.UUID(call.request_id)
        self._orders = {order.ref: order for order in chart.orders}
        self._by_uuid: dict[str, tuple[tuple[str, str, str], ...]] = {}

    def cards(self) -> Cards:
        cards = [self._group(group) for group in self._a.groups]
        points, quality = self._quality_parts()
        if quality:
            cards.append(self._quality_card(quality))
        further = self._further(points)
        if further is not None:
            cards.append(further)
        if self._a.neonate:
            cards.append(self._neonate())
        cards.sort(key=lambda card: -rank(card["indicator"]))
        body: dict[str, Any] = {"cards": cards}
        extension = self._answer_extension()
        if extension:
            body["extension"] = extension
        codes: dict[str, str] = {}
        for card in cards:
            for entry in card["extension"][f"{KEY}.advisories"]:
                known = codes.get(entry["code"])
                if known is None or rank(entry["indicator"]) > rank(known):
                    codes[entry["code"]] = entry["indicator"]
        seen = [s for g in self._a.groups for f in (g.lead, *g.others) for s in leaves_seen(f.reason) if s.kind in ("result", "condition")]
        seen += [s for g in self._a.groups for f in (g.lead, *g.others) for fact in f.facts.values() for s in fact.seen if s.kind == "result"]
        cited = tuple({s.path: s.ref for s in seen if s.path and s.ref}.items())
        return Cards(body, codes, tuple(card["uuid"] for card in cards), cited, self._by_uuid)

    # One problem -----------------------------------------------------------------------------------------------------------------

    def _group(self, group: Group) -> dict[str, Any]:
        lead = group.lead
        advisory = self._p.advisory(lead.code)
        flips = [flip for flip in (self._flip_of(finding) for finding in (lead, *group.others)) if flip is not None]
        entries = [self._entry(lead, "lead"), *(self._entry(f, "with") for f in group.others), *(self._entry(f, "absorbed") for f in group.absorbed)]
        dropped = [d for d in self._offers.dropped if d.code in {f.code for f in (lead, *group.others)}]
        card = self._card(
            lead.code, group.indicator, self._summary(lead), self._detail(group, flips, dropped), advisory.sources[0], advisory.title, entries
        )
        suggestions = self._suggestions(group)
        if suggestions:
            card["suggestions"] = suggestions
            card["selectionBehavior"] = "any"
        card["overrideReasons"] = [
            {"code": code, "system": f"{self._s.base}/CodeSystem/override-reason", "display": words} for code, words in REASONS
        ]
        card["extension"] = self._extension(entries, self._inputs(group), flips)
        self._by_uuid[card["uuid"]] = tuple((f.code, f.indicator, f.inputs) for f in (lead, *group.others, *group.absorbed))
        return card

    def _entry(self, finding: Finding, role: str) -> dict[str, Any]:
        entry: dict[str, Any] = {"code": finding.code, "indicator": finding.indicator, "role": role, "branch": finding.branch.name}
        if finding.orders:
            entry["orders"] = list(finding.orders)
        if finding.lowered_by:
            entry["lowered-by"] = finding.lowered_by
        return entry

    def _label(self, finding: Finding) -> str:
        ref = finding.order or (finding.orders[0] if finding.orders else "")
        order = self._orders.get(ref)
        return order.label if order is not None else ""

    def _summary(self, finding: Finding) -> str:
        return summary(finding.branch.words.summary, finding.facts, self._p.p, self._label(finding))

    def _fill(self, template: str, finding: Finding) -> str:
        return fill(template, finding.facts, self._p.p, self._label(finding))

    def _detail(self, group: Group, flips: list[Flip], dropped: list[Dropped]) -> str:
        findings = (group.lead, *group.others)
        found = [self._fill(line, f) for f in findings for line in f.branch.words.found]
        do = [self._fill(line, f) for f in findings for line in f.branch.words.do]
        cautions = [self._fill(line, f) for f in findings for line in f.branch.words.cautions]
        differs = [self._fill(line, f) for f in findings for line in f.branch.words.differs]
        rests = [self._seen(seen) for seen in self._evidence(findings)]
        parts: list[str] = []
        if group.others:
            parts.append(_list("On this card", [f"{self._summary_md(f)} ({f.indicator})" for f in findings]))
        parts.append(_list("Found", [*found, *rests]))
        parts.append(_list("What to do", do))
        parts.append(_list("Also", [self._summary_md(f) for f in group.absorbed]))
        parts.append(_list("Cautions", cautions))
        parts.append(_list("Where guidelines differ", differs))
        parts.append(_list("What would change this", [flip.text for flip in flips]))
        parts.append(_list("Not offered", [f"{literal(d.label)}: {d.reason}" for d in dropped]))
        parts.append(_list("Lowered", [f"{f.code} is at most a warning while {f.lowered_by} stands" for f in findings if f.lowered_by]))
        sources = list(dict.fromkeys(s for f in (*findings, *group.absorbed) for s in self._p.advisory(f.code).sources))
        parts.append(_list("Sources", sources))
        parts.append(self._closing())
        return "\n\n".join(part for part in parts if part)

    def _summary_md(self, finding: Finding) -> str:
        return self._fill(finding.branch.words.summary, finding)

    def _evidence(self, findings: Iterable[Finding]) -> list[Seen]:
        found: dict[tuple[str, str], Seen] = {}
        for finding in findings:
            for seen in leaves_seen(finding.reason):
                if seen.kind in ("result", "condition", "order", "formula", "total", "series", "event"):
                    found.setdefault((seen.item, seen.text), seen)
        return list(found.values())

    def _seen(self, seen: Seen) -> str:
        text = f"{literal(seen.item.replace('_', ' '))}: {literal(_readable(seen.text))}"
        extra = []
        if seen.at is not None:
            extra.append(_ago(self._chart.now, seen))
        if seen.method:
            extra.append(seen.method)
        if seen.note:
            extra.append(literal(seen.note))
        return f"{text} ({', '.join(extra)})" if extra else text

    def _closing(self) -> str:
        judged = f"Judged as of {_clock(self._chart.now)} (time given by the request)." if self._s.client_time else f"Judged at {_clock(self._chart.now)}."
        age = "" if self._a.age_known else " Age not known: adult figures were used."
        note = f" {self._s.note}" if self._s.note else ""
        return f"_{judged}{age} {CLOSING}{note}_"

    def _inputs(self, group: Group) -> list[dict[str, Any]]:
        made: dict[str, dict[str, Any]] = {}
        for finding in (group.lead, *group.others, *group.absorbed):
            facts = [seen for fact in finding.facts.values() for seen in fact.seen]
            for seen in (*leaves_seen(finding.reason), *facts):
                if not seen.ref:
                    continue
                entry: dict[str, Any] = {"item": seen.item, "resource": seen.ref, "value": seen.text}
                if seen.at is not None:
                    entry["at"] = _clock(seen.at.latest)
                    entry["age-minutes"] = max(0, (self._chart.now - seen.at.latest) // MINUTE)
                if seen.method:
                    entry["method"] = seen.method
                made.setdefault(f"{seen.ref}|{seen.item}|{seen.text}", {k: v for k, v in entry.items() if v != ""})
        return list(made.values())

    def _extension(self, entries: list[dict[str, Any]], inputs: list[dict[str, Any]], flips: list[Flip]) -> dict[str, Any]:
        made: dict[str, Any] = {
            f"{KEY}.advisories": entries,
            f"{KEY}.knowledge": {"digest": self._k.digest, "profiles": dict(self._k.parameters.profiles)},
            f"{KEY}.evaluated-at": _clock(self._chart.now),
        }
        if inputs:
            made[f"{KEY}.inputs"] = inputs
        if flips:
            made[f"{KEY}.flip"] = [flip.as_data() for flip in flips]
        return made

    def _card(self, code: str, indicator: str, text: str, detail: str, source: str, title: str, entries: list[dict[str, Any]]) -> dict[str, Any]:
        return {
            "uuid": str(uuid.uuid5(self._space, f"card:{code}")),
            "summary": text,
            "indicator": indicator,
            "detail": detail,
            "source": {"label": plain(source, 120), "topic": {"system": f"{self._s.base}/CodeSystem/advisory", "code": code, "display": title}},
            "extension": {f"{KEY}.advisories": entries},
        }

    # Suggestions -----------------------------------------------------------------------------------------------------------------

    def _suggestions(self, group: Group) -> list[dict[str, Any]]:
        made = []
        for change in self._offers.by_problem.get(group.problem, ()):
            action = self._action(change)
            if action is None:
                continue
            key = f"suggestion:{group.lead.code}:{change.kind}:{change.target}:{change.analyte or change.label}"
            one: dict[str, Any] = {"label": plain(change.label, 100), "uuid": str(uuid.uuid5(self._space, key)), "actions": [action]}
            if change.recommended:
                one["isRecommended"] = True
            made.append(one)
        return made

    def _action(self, change: Change) -> dict[str, Any] | None:
        call = self._call
        words = plain(change.label, 200)
        if change.kind == "test":
            return {"type": "create", "description": words, "resource": fhir.service_request(change, call.patient, call.encounter)}
        if change.kind == "new order" and change.order is not None:
            return {"type": "create", "description": words, "resource": fhir.medication_request(change.order, call.patient, call.encounter)}
        if change.kind == "withdraw":
            return {"type": "delete", "description": words, "resourceId": change.target}
        raw = call.raw(change.target)
        if raw is None:
            return None
        if change.kind == "stop":
            return {"type": "update", "description": words, "resource": fhir.stopped(raw, words)}
        resource = fhir.amended(raw, change)
        return None if resource is None else {"type": "update", "description": words, "resource": resource}

    # What could not be judged, and the further points -----------------------------------------------------------------------------

    def _quality_parts(self) -> tuple[list[Item], list[Item]]:
        """Items that go into the further points, and items that make a card. At order hooks a card only when one is a warning (F-18)."""
        items = [*self._q.gas, *self._q.items]
        if not items:
            return [], []
        if self._a.hook in ORDER_HOOKS and not any(item.indicator == "warning" for item in items):
            return items, []
        return [], items

    def _quality_card(self, items: list[Item]) -> dict[str, Any]:
        items = sorted(items, key=lambda item: -rank(item.indicator))
        worst = items[0]
        codes = dict.fromkeys(item.code for item in items)
        indicators = {code: max((i.indicator for i in items if i.code == code), key=rank) for code in codes}
        ordered = sorted(codes, key=lambda code: (-rank(indicators[code]), list(codes).index(code)))
        lead = worst.code
        entries = [{"code": c, "indicator": indicators[c], "role": "lead" if c == lead else "with"} for c in sorted(ordered, key=lambda c: c != lead)]
        more = f"; {len(items) - 1} more" if len(items) > 1 else ""
        text = plain(f"Could not judge: {_readable(worst.text)}", 139 - len(more)) + more
        parts = [
            _list(TITLES[code], [self._item(item) for item in items if item.code == code]) for code in sorted(ordered, key=lambda c: c != lead)
        ]
        parts.append("No advice on these points is not a sign that all is well.")
        parts.append(self._closing())
        card = self._card(lead, max((i.indicator for i in items), key=rank), text, "\n\n".join(parts), "Trivet: what this service could and could not read", TITLES[lead], entries)
        tests = [item for item in items if item.test]
        suggestions = []
        for item in {item.test: item for item in tests}.values():
            change = Change("test", f"Measure {_label_of(item.test)} now", item.code, analyte=item.test)
            suggestions.append(
                {
                    "label": change.label,
                    "uuid": str(uuid.uuid5(self._space, f"suggestion:{lead}:test:{item.test}")),
                    "actions": [{"type": "create", "description": change.label, "resource": fhir.service_request(change, self._call.patient, self._call.encounter)}],
                }
            )
        if suggestions:
            card["suggestions"] = suggestions
            card["selectionBehavior"] = "any"
        card["extension"] = self._extension(entries, [], [])
        card["extension"][f"{KEY}.not-judged"] = [_item_data(item) for item in items]
        self._by_uuid[card["uuid"]] = tuple((code, indicators[code], "") for code in codes)
        return card

    def _item(self, item: Item) -> str:
        text = literal(_readable(item.text), 300)
        extra = []
        if item.waits:
            extra.append("would decide " + ", ".join(f"{code} ({indicator})" for code, indicator in item.waits[:4]))
        if item.if_held:
            extra.append(literal(item.if_held))
        if item.as_sent and item.as_sent not in item.text:
            extra.append(f"as sent: {literal(item.as_sent, 60)}")
        if item.suspicion:
            extra.append(literal(item.suspicion))
        if item.ref:
            extra.append(literal(item.ref))
        elif item.keys:
            extra.append("looked for in " + ", ".join(item.keys))
        return f"{text} [{'; '.join(extra)}]".replace("[", "(").replace("]", ")") if extra else text

    def _further(self, points: list[Item]) -> dict[str, Any] | None:
        folded = self._a.folded
        if not folded and not points:
            return None
        entries = [self._entry(f, "folded") for f in folded]
        known = {entry["code"] for entry in entries}
        for code in dict.fromkeys(item.code for item in points):
            if code not in known:
                entries.append({"code": code, "indicator": max((i.indicator for i in points if i.code == code), key=rank), "role": "folded"})
        lines = [f"{self._summary_md(f)} ({f.indicator})" for f in folded]
        first = self._summary(folded[0]) if folded else f"could not judge: {_readable(points[0].text)}"
        count = len(folded) + len(points)
        more = f" (+{count - 1} more)" if count > 1 else ""
        text = plain(f"Further points: {first}", 139 - len(more)) + more
        sources = list(dict.fromkeys(s for f in folded for s in self._p.advisory(f.code).sources[:1]))
        parts = [
            _list("Further points", lines),
            _list("Could not be judged", [self._item(item) for item in points]),
            _list("Sources", sources),
            self._closing(),
        ]
        lead = str(entries[0]["code"])
        title = self._p.advisory(lead).title if folded else TITLES[lead]
        card = self._card(lead, "info", text, "\n\n".join(part for part in parts if part), "Trivet: further points", title, entries)
        card["uuid"] = str(uuid.uuid5(self._space, "card:further-points"))
        card["extension"] = self._extension(entries, [], [])
        if points:
            card["extension"][f"{KEY}.not-judged"] = [_item_data(item) for item in points]
        self._by_uuid[card["uuid"]] = tuple((f.code, f.indicator, f.inputs) for f in folded)
        return card

    def _neonate(self) -> dict[str, Any]:
        entries = [{"code": MISSING, "indicator": "info", "role": "lead"}]
        text = "Age under 28 days: outside the validated age of this service; only low glucose is judged"
        card = self._card(MISSING, "info", text, f"{text}.\n\n{self._closing()}", "Trivet: scope", "Outside validated age", entries)
        card["uuid"] = str(uuid.uuid5(self._space, "card:scope"))
        card["extension"] = self._extension(entries, [], [])
        return card

    def _answer_extension(self) -> dict[str, Any]:
        made: dict[str, Any] = {}
        if self._q.accounts:
            made[f"{KEY}.drafts"] = [
                {"order": account.ref, "parts": [_pruned({"part": name, "state": state, "read": plain(text, 120)}) for name, state, text in account.parts]}
                for account in self._q.accounts
            ]
        return made


def _label_of(analyte: str) -> str:
    from cds.vocabulary import ANALYTES

    return ANALYTES[analyte].label


def _item_data(item: Item) -> dict[str, Any]:
    data: dict[str, Any] = {
        "code": item.code, "item": item.item, "state": item.state, "indicator": item.indicator, "text": plain(item.text, 300),
        "resource": item.ref, "path": item.path, "if-held": item.if_held,
    }  # fmt: skip
    if item.waits:
        data["waits"] = [{"code": code, "indicator": indicator} for code, indicator in item.waits]
    if item.keys:
        data["looked-for-in"] = list(item.keys)
    return _pruned(data)


def _pruned(data: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if value not in ("", None, [], {})}


def _list(title: str, lines: Iterable[str]) -> str:
    unique = list(dict.fromkeys(line for line in lines if line))
    return "\n".join([f"**{title}**", "", *(f"- {line}" for line in unique)]) if unique else ""


def _readable(text: str) -> str:
    for code in ("[iU]", "mm[Hg]", "umol/L", "meq/L", "Cel"):
        if code in text:
            text = text.replace(code, unit_in_words(code))
    return text


def _ago(now: int, seen: Seen) -> str:
    assert seen.at is not None  # noqa: S101 - asked for only when there is a time
    minutes = max(0, (now - seen.at.latest) // MINUTE)
    text = f"{minutes} min ago" if minutes < 120 else f"{minutes // 60} h ago" if minutes < 2880 else f"{minutes // 1440} days ago"
    return f"{text}, {seen.at.mark}" if seen.at.mark else text


def _clock(instant: int) -> str:
    return dt.datetime.fromtimestamp(instant / 1000, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def advisory_of(population: Population, code: str) -> Advisory:
    """The advisory of a code."""
    return population.advisory(code)


__all__ = ["Call", "CardSettings", "Cards", "build", "shown"]
