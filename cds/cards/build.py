"""Cards from an assessment: one card a problem, ranked, then what could not be judged, then the further points."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from cds.advisory import Assessment, Finding, Group, rank
from cds.assess import Knowledge, Population
from cds.candidates import Change, Dropped, Offers
from cds.cards import fhir
from cds.cards.evidence import capital, evidence_lines, label_of
from cds.cards.guidelines import disagreements
from cds.cards.overview import detail_of, entry_of_view, inputs_of, shows_of, summary_of
from cds.cards.parts import clock, distinct, entry_of, item_data, names_of, overdue, pruned, says_nothing, section, short_name, told_apart, with_parts
from cds.cards.words import fill, literal, plain, readable, sentence, summary
from cds.chart import MINUTE, Chart
from cds.gaps import GAS, MISSING, STALE, UNUSABLE, Item, Quality
from cds.logic.flip import Flip
from cds.overviews import TITLES as VIEWS
from cds.overviews import Overview

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
MOST_SOURCES = 5
BY_HAND = "the form of the order leaves no safe place for it; to be changed by hand"


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
    chart: Chart, assessment: Assessment, offers: Offers, quality: Quality, knowledge: Knowledge, call: Call, flip_of: FlipOf, settings: CardSettings,
    views: tuple[Overview, ...] = (),
) -> Cards:  # fmt: skip
    """Every card of the answer, the most urgent first. The same arguments give the same bytes: uuids come from the request id (F-41)."""
    population = knowledge.population(assessment.population)
    return _Maker(chart, assessment, offers, quality, knowledge, population, call, flip_of, settings).cards(views)


class _Maker:
    __slots__ = ("_a", "_by_uuid", "_call", "_chart", "_closing", "_flip_of", "_gas", "_known", "_offers", "_p", "_q", "_s", "_space")

    def __init__(
        self, chart: Chart, assessment: Assessment, offers: Offers, quality: Quality, knowledge: Knowledge, population: Population,
        call: Call, flip_of: FlipOf, settings: CardSettings,
    ) -> None:  # fmt: skip
        self._chart, self._a, self._offers, self._q = chart, assessment, offers, quality
        self._p, self._call, self._flip_of, self._s = population, call, flip_of, settings
        self._space = uuid.UUID(call.request_id)
        self._by_uuid: dict[str, tuple[tuple[str, str, str], ...]] = {}
        self._closing = _closing(chart.now, assessment, settings)
        self._gas = any(item.item == "blood gas" for item in quality.gas)
        self._known = {
            f"{KEY}.knowledge": {"digest": knowledge.digest, "profiles": dict(knowledge.parameters.profiles)},
            f"{KEY}.evaluated-at": clock(chart.now),
        }

    def cards(self, views: tuple[Overview, ...] = ()) -> Cards:
        cards = [self._group(group) for group in self._a.groups]
        cards += [self._view(view) for view in views if not view.first]
        points: list[Item] = []
        for items in (list(self._q.items), list(self._q.gas)):
            # At order hooks a card of its own only when one is a warning (F-18).
            if self._a.hook in ORDER_HOOKS and not any(item.indicator == "warning" for item in items):
                points += items
            elif items:
                cards.append(self._unjudged(items))
        further = self._further(points)
        if further is not None:
            cards.append(further)
        if self._a.neonate:
            cards.append(self._scope())
        cards.sort(key=lambda card: -rank(card["indicator"]))
        cards = [*(self._view(view) for view in views if view.first), *cards]
        body: dict[str, Any] = {"cards": cards}
        if self._q.accounts:
            body["extension"] = {f"{KEY}.drafts": self._accounts()}
        codes: dict[str, str] = {}
        for card in cards:
            for entry in card["extension"][f"{KEY}.advisories"]:
                known = codes.get(entry["code"])
                if known is None or rank(entry["indicator"]) > rank(known):
                    codes[entry["code"]] = entry["indicator"]
        return Cards(body, codes, tuple(card["uuid"] for card in cards), self._cited(), self._by_uuid)

    def _cited(self) -> tuple[tuple[str, str], ...]:
        """The resources on which the cards rest."""
        found: dict[str, str] = {}
        for group in self._a.groups:
            for finding in (group.lead, *group.others):
                shown_ = (seen for fact in finding.facts.values() for seen in fact.seen)
                for seen in with_parts((*finding.seen, *shown_)):
                    if seen.kind in ("result", "condition") and seen.path and seen.ref:
                        found.setdefault(seen.path, seen.ref)
        return tuple(found.items())

    # One problem -----------------------------------------------------------------------------------------------------------------

    def _group(self, group: Group) -> dict[str, Any]:
        lead = group.lead
        advisory = self._p.advisory(lead.code)
        flips = distinct(self._flip_of(finding) for finding in told_apart(group))
        entries = [entry_of(lead, "lead"), *(entry_of(f, "with") for f in group.others), *(entry_of(f, "absorbed") for f in group.absorbed)]
        for finding in group.more:
            # A code is named once, with every order that it is about.
            own = next(entry for entry in entries if entry["code"] == finding.code)
            own["orders"] = list(dict.fromkeys((*own.get("orders", ()), *finding.orders)))
        codes = {finding.code for finding in group.findings}
        suggestions, by_hand = self._suggestions(group)
        dropped = [*(each for each in self._offers.dropped if each.code in codes), *by_hand]
        card = self._card(lead.code, group.indicator, self._summary(lead), self._detail(group, flips, dropped), advisory.sources[0], advisory.title, entries)
        if suggestions:
            card["suggestions"] = suggestions
            card["selectionBehavior"] = "any"
        card["overrideReasons"] = self._reasons()
        inputs = self._inputs(group)
        if inputs:
            card["extension"][f"{KEY}.inputs"] = inputs
        if flips:
            card["extension"][f"{KEY}.flip"] = [flip.as_data() for flip in flips]
        self._by_uuid[card["uuid"]] = tuple((f.code, f.indicator, f.inputs) for f in group.findings)
        return card

    def _reasons(self) -> list[dict[str, str]]:
        return [{"code": code, "system": f"{self._s.base}/CodeSystem/override-reason", "display": words} for code, words in REASONS]

    def _view(self, view: Overview) -> dict[str, Any]:
        """The card of an overview. One that rests on something that can be overridden offers the reasons."""
        source = "Trivet: what the chart shows together"
        card = self._card(
            view.code, view.indicator, summary_of(view), detail_of(view, self._line, self._closing), source, VIEWS[view.code], [entry_of_view(view)]
        )
        for name, data in (("shows", shows_of(view)), ("inputs", inputs_of(view, self._chart.now))):
            if data:
                card["extension"][f"{KEY}.{name}"] = data
        if view.inputs:
            card["overrideReasons"] = self._reasons()
            self._by_uuid[card["uuid"]] = ((view.code, view.indicator, view.inputs),)
        return card

    def _summary(self, finding: Finding) -> str:
        return summary(finding.branch.words.summary, finding.facts, self._p.p, short_name(finding.why.order))

    def _line(self, finding: Finding) -> str:
        """The summary as a line of Markdown, with the indicator."""
        return f"{literal(self._summary(finding))} ({finding.indicator})"

    def _fill(self, template: str, finding: Finding) -> str:
        order = finding.why.order
        return fill(template, finding.facts, self._p.p, "" if order is None else order.label)

    def _detail(self, group: Group, flips: list[Flip], dropped: list[Dropped]) -> str:
        findings = (group.lead, *group.others)
        every = (*findings, *group.more)
        summaries = {self._line(group.lead)}
        cautions = [self._fill(line, f) for f in findings for line in f.branch.words.cautions]
        if self._gas and any(seen.item in ("ph", "bicarbonate") for f in findings for seen in f.seen):
            cautions.insert(0, "The blood gas does not agree with itself: repeat it before you rely on this.")
        found = [self._fill(line, f) for f in every for line in f.branch.words.found if not says_nothing(line, f)]
        found += evidence_lines(every, self._chart.now, together_minutes=self._p.p.number("together"), said=tuple(found))
        parts = [
            section("Also on this card", [line for f in (*group.others, *group.more, *group.absorbed) if (line := self._line(f)) not in summaries]),
            section("Found", found),
            section("What to do", [self._fill(line, f) for f in every for line in f.branch.words.do]),
            section("Cautions", cautions),
            section("Where guidelines differ", self._differs(every)),
            section("What would change this", [literal(readable(flip.text), 300) for flip in flips]),
            section("Not offered", [f"{literal(each.label)}: {literal(self._titles(each.reason))}" for each in dropped]),
            section("Lowered", [self._lowered(f) for f in every if f.lowered_by]),
            section("Sources", self._sources((*findings, *group.absorbed))),
            self._closing,
        ]
        return "\n\n".join(part for part in parts if part)

    def _differs(self, findings: Iterable[Finding]) -> list[str]:
        return [line for f in findings for line in (*(self._fill(own, f) for own in f.branch.words.differs), *disagreements(f, self._p.p))]

    def _lowered(self, finding: Finding) -> str:
        mine, other = self._p.advisory(finding.code).title, self._p.advisory(finding.lowered_by).title
        return f"{mine}: at most a warning, because of: {other}"

    def _sources(self, findings: Iterable[Finding]) -> list[str]:
        """The sources, the leading code's first; of each further code its main one."""
        lead, *others = findings
        found = [*self._p.advisory(lead.code).sources, *(self._p.advisory(f.code).sources[0] for f in others)]
        late = [line for f in (lead, *others) if (line := overdue(self._p.advisory(f.code), self._p.p, self._chart.now))]
        return [*list(dict.fromkeys(found))[:MOST_SOURCES], *late]

    def _titles(self, text: str) -> str:
        """Codes between quotation marks as their titles."""
        for code in self._p.by_code:
            if f"'{code}'" in text:
                text = text.replace(f"'{code}'", f"'{self._p.advisory(code).title}'")
        return text

    def _inputs(self, group: Group) -> list[dict[str, Any]]:
        made: dict[tuple[str, str, str], dict[str, Any]] = {}
        for finding in group.findings:
            facts = (seen for fact in finding.facts.values() for seen in fact.seen)
            for seen in with_parts((*finding.seen, *facts)):
                if not seen.ref:
                    continue
                key = (seen.ref, seen.item, seen.text)
                if key in made:
                    continue
                entry: dict[str, Any] = {"item": seen.item, "resource": seen.ref, "value": plain(seen.text, 160)}
                if seen.at is not None:
                    entry["at"] = clock(seen.at.latest)
                    entry["age-minutes"] = max(0, (self._chart.now - seen.at.latest) // MINUTE)
                if seen.method:
                    entry["method"] = seen.method
                made[key] = pruned(entry)
        return list(made.values())

    def _card(self, code: str, indicator: str, text: str, detail: str, source: str, title: str, entries: list[dict[str, Any]]) -> dict[str, Any]:
        return {
            "uuid": self._uuid(f"card:{code}"),
            "summary": text,
            "indicator": indicator,
            "detail": detail,
            "source": {"label": plain(source, 120), "topic": {"system": f"{self._s.base}/CodeSystem/advisory", "code": code, "display": title}},
            "extension": {f"{KEY}.advisories": entries, **self._known},
        }

    def _uuid(self, name: str) -> str:
        return str(uuid.uuid5(self._space, name))

    # Suggestions -----------------------------------------------------------------------------------------------------------------

    def _suggestions(self, group: Group) -> tuple[list[dict[str, Any]], list[Dropped]]:
        """What can be accepted with one click, and what passed but has no place in the order as it was received: that is said in words (F-40)."""
        made, by_hand = [], []
        for change in self._offers.by_problem.get(group.problem, ()):
            action = self._action(change)
            if action is not None:
                made.append(self._suggestion(group.lead.code, change, action))
            else:
                by_hand.append(Dropped(change.label, change.code, BY_HAND))
        return made, by_hand

    def _suggestion(self, code: str, change: Change, action: dict[str, Any]) -> dict[str, Any]:
        key = f"suggestion:{code}:{change.kind}:{change.target}:{change.analyte or change.label}"
        one: dict[str, Any] = {"label": plain(change.label, 100), "uuid": self._uuid(key), "actions": [action]}
        if change.recommended:
            one["isRecommended"] = True
        return one

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

    def _unjudged(self, items: list[Item]) -> dict[str, Any]:
        """The card of section E, or of the blood gas."""
        items = sorted(items, key=lambda item: -rank(item.indicator))
        lead = items[0].code
        codes = sorted(dict.fromkeys(item.code for item in items), key=lambda code: code != lead)
        indicators = {code: max((i.indicator for i in items if i.code == code), key=rank) for code in codes}
        entries = [{"code": code, "indicator": indicators[code], "role": "lead" if code == lead else "with"} for code in codes]
        more = f"; {len(items) - 1} more" if len(items) > 1 else ""
        head = "" if lead == GAS else "Could not be judged: "
        parts = [section(TITLES[code], self._item_lines([item for item in items if item.code == code])) for code in codes]
        parts += ["No advice on these points is not a sign that all is well.", self._closing]
        source = "Trivet: what this service could and could not read"
        card = self._card(
            lead, indicators[lead], sentence(head + readable(items[0].short or items[0].text), more), "\n\n".join(parts), source, TITLES[lead], entries
        )
        suggestions = []
        for test in dict.fromkeys(item.test for item in items if item.test and item.test not in self._offers.tests_ordered):
            label = "Repeat the blood gas" if lead == GAS and test == "ph" else f"Measure {label_of(test)} now"
            change = Change("test", label, lead, analyte=test)
            action = self._action(change)
            if action is not None:
                suggestions.append(self._suggestion(lead, change, action))
        if suggestions:
            card["suggestions"] = suggestions
            card["selectionBehavior"] = "any"
        card["extension"][f"{KEY}.not-judged"] = [item_data(item) for item in items]
        self._by_uuid[card["uuid"]] = tuple((code, indicators[code], "") for code in codes)
        return card

    def _item_lines(self, items: list[Item]) -> list[str]:
        """One line for each datum; data of one list that did not come are told together."""
        together: dict[tuple[str, tuple[str, ...]], list[Item]] = {}
        lines = []
        for item in items:
            if item.state in ("not_sent", "fetch_failed") and item.keys and not item.ref:
                together.setdefault((item.state, item.keys), []).append(item)
            else:
                lines.append(self._item(item))
        for (state, keys), same in together.items():
            if len(same) == 1:
                lines.append(self._item(same[0]))
                continue
            names = ", ".join(label_of(item.item) for item in same)
            how = "was not sent" if state == "not_sent" else "could not be fetched whole"
            waits = dict.fromkeys(wait for item in same for wait in item.waits)
            lines.append(f"{capital(names)}: the list '{', '.join(keys)}' {how} ({self._waits(tuple(waits))})")
        return lines

    def _item(self, item: Item) -> str:
        text = capital(literal(readable(item.text), 400))
        extra = []
        if item.waits:
            extra.append(self._waits(item.waits))
        if item.if_held:
            extra.append(literal(readable(item.if_held)))
        if item.as_sent and item.as_sent not in item.text:
            extra.append(f"as sent: {literal(item.as_sent, 60)}")
        if item.suspicion:
            extra.append(literal(item.suspicion))
        if item.ref:
            extra.append(literal(item.ref))
        elif item.keys:
            extra.append(f"looked for in {', '.join(item.keys)}")
        return f"{text} ({'; '.join(extra)})" if extra else text

    def _waits(self, waits: tuple[tuple[str, str], ...]) -> str:
        """What the datum would decide, by title."""
        told = [f"{self._p.advisory(code).title} ({indicator})" for code, indicator in waits[:4]]
        return f"would decide: {', '.join(told)}" + (f" and {len(waits) - 4} more" if len(waits) > 4 else "")

    def _further(self, points: list[Item]) -> dict[str, Any] | None:
        folded = self._a.folded
        if not folded and not points:
            return None
        entries = [entry_of(f, "folded") for f in folded]
        known = {entry["code"] for entry in entries}
        for code in dict.fromkeys(item.code for item in points):
            if code not in known:
                entries.append({"code": code, "indicator": max((i.indicator for i in points if i.code == code), key=rank), "role": "folded"})
        first = self._summary(folded[0]) if folded else f"could not be judged: {readable(points[0].short or points[0].text)}"
        count = len(folded) + len(points)
        sources = list(dict.fromkeys(self._p.advisory(f.code).sources[0] for f in folded))
        parts = [
            section("Further points", [self._line(f) for f in folded]),
            section("What to do", [self._fill(line, f) for f in folded for line in f.branch.words.do[:1]]),
            section("Could not be judged", self._item_lines(points)),
            section("Sources", sources),
            self._closing,
        ]
        lead = str(entries[0]["code"])
        title = self._p.advisory(lead).title if folded else TITLES[lead]
        text = sentence(f"Further points: {first}", f" (+{count - 1} more)" if count > 1 else "")
        card = self._card(lead, "info", text, "\n\n".join(part for part in parts if part), "Trivet: further points", title, entries)
        card["uuid"] = self._uuid("card:further-points")
        if points:
            card["extension"][f"{KEY}.not-judged"] = [item_data(item) for item in points]
        self._by_uuid[card["uuid"]] = tuple((f.code, f.indicator, f.inputs) for f in folded)
        return card

    def _scope(self) -> dict[str, Any]:
        entries = [{"code": MISSING, "indicator": "info", "role": "lead"}]
        text = "Age under 28 days: outside the validated age of this service; only low glucose is judged"
        card = self._card(MISSING, "info", text, f"{text}.\n\n{self._closing}", "Trivet: scope", "Outside validated age", entries)
        card["uuid"] = self._uuid("card:scope")
        return card

    def _accounts(self) -> list[dict[str, Any]]:
        return [
            {
                "order": account.ref,
                "parts": [pruned({"part": name, "state": state, "read": plain(names_of(name, text), 120)}) for name, state, text in account.parts],
            }
            for account in self._q.accounts
        ]


def _closing(now: int, assessment: Assessment, settings: CardSettings) -> str:
    judged = f"Judged as of {clock(now)} (time given by the request)." if settings.client_time else f"Judged at {clock(now)}."
    age = "" if assessment.age_known else " Age not known: adult thresholds were used."
    note = f" {literal(settings.note)}" if settings.note else ""
    return f"_{judged}{age} {CLOSING}{note}_"


__all__ = ["REASONS", "Call", "CardSettings", "Cards", "build", "clock"]
