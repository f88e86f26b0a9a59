"""The words of cards, read at three in the morning on a screen that cuts them (HZ-30), with text from outside shown as it is (HZ-40) and units in words (AU-40)."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from cds.advisory import Fact
from cds.cards import words as module
from cds.cards.words import fill, literal, plain, readable, sentence, summary, unit_in_words
from cds.numbers import point
from cds.overviews import TITLES
from cds.vocabulary import ANALYTES, CLASSES, DRUGS
from tests.assess.making import A6, advisory, branch, knowledge_of, over_drafts, potassium_below
from tests.cards.making import Json, body_of, every_card
from tests.logic.scenes import chart, condition, dosage, figure, ingredient, order, parameters, result

P = parameters(figure("low", "3.5", "mmol/L"), figure("dose", "0.10", "[iU]/kg/h"), figure("glucose", "3.9", "mmol/L", also=(("70", "mg/dL"),)))
P = P.for_population("adult")


# HZ-30 -------------------------------------------------------------------------------------------------------------------------------

NUMBER = re.compile(r"\d+(?:\.\d+)?")
NEGATION = re.compile(r"\b(?:not|no|never|without|stop|hold|unless)\b", re.IGNORECASE)
VERBS = (
    "give", "slow", "stop", "measure", "treat", "choose", "pause", "dilute", "replace", "add", "lower", "reduce", "decide", "state", "use", "call", "check",
    "repeat", "avoid", "keep", "confirm", "start", "hold", "call", "benzodiazepine", "anaesthetic", "second", "senior", "insulin", "consider", "may", "could", "look",
)  # fmt: skip


def subjects() -> frozenset[str]:
    """What a summary may be about: an analyte, a drug, a class, a diagnosis that is the problem."""
    names = {a.label.lower() for a in ANALYTES.values()} | {d.label.lower() for d in DRUGS.values()} | {c.replace("_", " ") for c in CLASSES}
    return frozenset(names | {"ketoacidosis", "status epilepticus", "seizure", "seizing", "blood gas", "carbapenem", "sglt2 inhibitor", "ketones", "medications", "sepsis", "osmolality"})


SUBJECTS = subjects()


def lost_by_cutting(card: Json) -> list[str]:
    """What a reader misses who sees only the first 140, 100 or 80 characters of a summary, without the detail, as plain text."""
    text: str = card["summary"]
    faults = []
    if len(text) > 139 or "\n" in text:
        faults.append("longer than a summary may be")
    if re.search(r"[*_`#<>\[\]]", text):
        faults.append("markup in a summary")
    for cut in (140, 100, 80):
        seen = text[:cut].lower()
        if not any(subject in seen for subject in SUBJECTS):
            faults.append(f"at {cut}: no drug or result")
        # A picture of a crisis names the state and its numbers; what to do is said by the cards below it.
        if card["indicator"] != "info" and card["source"]["topic"]["code"] not in TITLES and not any(verb in seen for verb in VERBS):
            faults.append(f"at {cut}: no direction")
    head, tail = text[:100], text[100:]
    if NUMBER.search(text) and not NUMBER.search(head):
        faults.append("the number stands after the first 100 characters")
    if tail and NUMBER.search(tail) and head[-1:].isdigit() and tail[:1].isdigit():
        faults.append("a number is cut in two")
    if NEGATION.search(tail):
        faults.append("a negation after the cut")
    return faults


def test_hz_30_the_first_hundred_characters_stand_alone() -> None:
    above = [(name, card) for name, card in every_card() if card["indicator"] != "info"]
    assert len(above) > 15
    assert [f"{name[:2]} {card['summary']}: {fault}" for name, card in above for fault in lost_by_cutting(card)] == []


def test_control_hz_30_a_number_and_a_verb_at_the_end_are_noticed() -> None:
    topic = {"source": {"topic": {"code": "x"}}}
    late = topic | {"summary": f"In this patient {'who is in a state that needs your whole attention ' * 2}potassium is 3.1, do not give insulin", "indicator": "critical"}
    with pytest.raises(AssertionError):
        assert lost_by_cutting(late) == []


# The detail --------------------------------------------------------------------------------------------------------------------------

_CODE = re.compile(r"\b[a-z0-9]+(?:-[a-z0-9]+){2,}\b")


def unreadable(card: Json) -> list[str]:
    """Internal names, UCUM codes and duplicate lines in a detail."""
    detail = card["detail"]
    faults = [f"an internal name: {word}" for word in re.findall(r"\b[a-z]+_[a-z_]+\b", detail) if not detail.startswith("_")]
    faults += [f"a UCUM code: {code}" for code in ("[iU]", "mm[Hg]", "umol/L", "{score}", "\\[iU") if code in detail]
    lines = [line for line in detail.splitlines() if line.startswith("- ")]
    faults += [f"said twice: {line}" for line in set(lines) if lines.count(line) > 1]
    faults += [f"a number for a prescriber: {n}" for n in re.findall(r"(?<![\d.])\.\d|\d\.\d*0(?= (?:unit|mL/h|mg|g)\b)", detail) if "as sent" not in detail]
    if card["extension"].get("example.trivet.not-judged") is None:
        faults += [f"a reference in the prose: {ref}" for ref in re.findall(r"\b(?:Observation|MedicationRequest|Condition)/\S+", detail)]
        faults += [f"a code in the prose: {code}" for code in _CODE.findall(detail) if code in _CODES]
    return faults


from tests.logic.shipped import knowledge  # noqa: E402

_CODES = frozenset(knowledge().codes)


def test_details_hold_no_internal_names_codes_or_repeats() -> None:
    assert [f"{name[:2]}: {fault}" for name, card in every_card() for fault in unreadable(card)] == []


def test_details_are_short_enough_to_be_read() -> None:
    sizes = {f"{name[:2]} {card['source']['topic']['code']}": len(card["detail"].split()) for name, card in every_card()}
    # The picture of a crisis holds six parts and is read once.
    assert {name: words for name, words in sizes.items() if words > (600 if name.endswith(tuple(TITLES)) else 430)} == {}
    found = [len(re.findall(r"^- ", card["detail"].split("**What to do**")[0], re.MULTILINE)) for _, card in every_card() if card["source"]["topic"]["code"] not in TITLES]
    assert max(found) <= 14


def test_sections_come_in_the_order_in_which_they_are_needed() -> None:
    order_ = [
        "Also on this card", "Found", "What to do", "Cautions", "Where guidelines differ", "What would change this", "Not offered", "Lowered", "Sources",
    ]  # fmt: skip
    for name, card in every_card():
        if "example.trivet.not-judged" in card["extension"] or card["summary"].startswith("Further") or card["source"]["topic"]["code"] in TITLES:
            continue
        titles = list(re.findall(r"^\*\*(.+)\*\*$", card["detail"], re.MULTILINE))
        assert titles == sorted(titles, key=order_.index), name


# AU-40 -------------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("code", "words"), [("[iU]", "unit"), ("[iU]/kg/h", "unit/kg/h"), ("mm[Hg]", "mmHg"), ("umol/L", "micromol/L"), ("ug", "microgram"), ("1", "")])
def test_au_40_units_are_spelled_out(code: str, words: str) -> None:
    assert unit_in_words(code) == words


@pytest.mark.parametrize(
    ("text", "words"),
    [("6.8 [iU]/h", "6.8 unit/h"), ("82 umol/L", "82 micromol/L"), ("3.1 meq/L", "3.1 mEq/L"), ("40 mm[Hg]", "40 mmHg"), ("50 ug", "50 microgram"), ("drug", "drug")],
)
def test_au_40_units_inside_a_text(text: str, words: str) -> None:
    assert readable(text) == words


def test_figures_of_the_knowledge_are_told_with_both_units() -> None:
    assert fill("below {p.glucose}, {p.dose}", {}, P) == "below 3.9 mmol/L (70 mg/dL), 0.1 unit/kg/h"


def test_a_summary_begins_with_a_capital_and_keeps_ph() -> None:
    assert sentence("potassium 3.1") == "Potassium 3.1" and sentence("pH 7.1") == "pH 7.1"
    assert len(sentence("x" * 300, " (+3 more)")) == 139


# HZ-40 -------------------------------------------------------------------------------------------------------------------------------


class _Reader(HTMLParser):
    """The text that a person sees, and every tag that made it."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text.append(data)


MARKDOWN = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])


def rendered(markdown: str) -> tuple[str, list[str]]:
    """What a client shows of a Markdown text that lets HTML through, and the tags."""
    reader = _Reader()
    reader.feed(MARKDOWN.render(markdown))
    return "".join(reader.text), reader.tags


HOSTILE = (
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "**Give 10x**", "[click](https://evil.example)", "![x](https://evil.example/x.png)", "`code`",
    "# Heading", "- item", "1. item", "1) item", "> quote", "---", "===", "~~struck~~", "| a | b |", "&lt;b&gt; &amp; &#42;", "a\\*b", "\u202egnihton", "a\u200bb",
    "line\n\n# two", "tab\tand\x00null", "_under_ __both__", "<!-- hidden -->", "https://evil.example", "www.evil.example", "a@b.example", "<https://evil.example>",
    "+ plus", "* star", "    indented", "<b", "a<b>c", "\\", "&copy;", "[x]: https://evil.example", "=", "5. five", "3.1 mmol/L", "10-20", "{potassium}", "{0}", "%s",
)  # fmt: skip


def changed_by_rendering(made: Callable[[str], str], text: str) -> list[str]:
    """What Markdown makes of an external text in a list item, beside showing it."""
    shown, tags = rendered(f"- {made(text)}")
    faults = []
    if set(tags) - {"ul", "li", "p"}:
        faults.append(f"{text!r} becomes {sorted(set(tags) - {'ul', 'li', 'p'})}")
    if shown.strip() != plain(text, 160):
        faults.append(f"{text!r} is shown as {shown.strip()!r}")
    return faults


@pytest.mark.parametrize("text", HOSTILE, ids=repr)
def test_hz_40_hostile_text_is_shown_as_it_is(text: str) -> None:
    assert changed_by_rendering(literal, text) == []


MARKS = st.text(alphabet=st.sampled_from("ab1 <>*_`[]()#-+.!|~&\\:/@={}\n\t'\"^$%;,wh"), max_size=40)


@settings(max_examples=500)
@given(st.one_of(MARKS, st.text(max_size=40)))
def test_hz_40_any_text_is_shown_as_it_is(text: str) -> None:
    assert changed_by_rendering(literal, text) == []


def test_control_hz_40_text_that_is_not_escaped_becomes_markup() -> None:
    with pytest.raises(AssertionError):
        assert [fault for text in HOSTILE for fault in changed_by_rendering(lambda t: plain(t, 160), text)] == []


@given(st.text(max_size=300))
def test_hz_40_plain_text_is_one_clean_line(text: str) -> None:
    line = plain(text, 60)
    assert len(line) <= 60 and not re.search(r"[\x00-\x1f\x7f\u2028\u2029\u202a-\u202e\u200b]", line)
    line.encode()


def test_numbers_stay_readable_where_markdown_is_not_rendered() -> None:
    assert literal("3.1 mmol/L") == "3.1 mmol/L" and literal("10 to 20, 0.5-1.0 (gas)") == "10 to 20, 0.5-1.0 (gas)"


def hostile_body(evil: str) -> Json:
    """A card whose order, diagnosis and diluent carry a hostile label."""
    from cds.logic.criteria import AllOf, HasCondition

    def made(p: object) -> tuple[object, ...]:
        both = AllOf((over_drafts(p).branches[0].when, HasCondition(("epilepsy",))))  # type: ignore[arg-type]
        from cds.logic.criteria import OrderFilter

        return (
            advisory(
                A6, branch("low", both, "critical", "Potassium low: take {order} out", found=("In {order}.",)), kind="order",
                over=OrderFilter(("insulin",), "either"), always=(),
            ),
        )  # fmt: skip

    evil_order = order(
        ingredient("insulin_soluble", "50 [iU] / 50 mL", label=evil), ref="MedicationRequest/i", drafted=True, label=evil,
        doses=(dosage(dose="50 mL", rate="6 mL/h", text=evil),),
    )  # fmt: skip
    return body_of(chart(evil_order, result("potassium", "3.1"), condition("epilepsy", label=evil)), knowledge_of(made))  # type: ignore[arg-type]


@pytest.mark.parametrize("text", [t for t in HOSTILE if t.strip() and "\n" not in t], ids=repr)
def test_hz_40_a_hostile_label_stays_text_on_the_whole_card(text: str) -> None:
    (card,) = hostile_body(text)["cards"]
    shown, tags = rendered(card["detail"])
    assert set(tags) <= {"p", "ul", "li", "strong", "em"}
    assert plain(text, 60) in shown
    # The summary names the drug by our own label.
    assert card["summary"] == "Potassium low: take soluble human insulin out"


def test_hz_40_braces_in_a_label_are_no_template() -> None:
    facts = {"k": Fact("{p.low} 3.1 mmol/L", "", point(Decimal("3.1")))}
    assert summary("K {k}", facts, P, "{k}") == "K {p.low} 3.1 mmol/L"
    assert module.fill("{order}", facts, P, "{k.age}") == "{k.age}"
    assert potassium_below
