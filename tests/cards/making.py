"""Cards of small local cases, and of the shipped scenarios."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

import msgspec

from cds.advisory import Advisory
from cds.assess import Knowledge, assess
from cds.call import CallSettings, Flips, judged
from cds.candidates import offers
from cds.cards.build import Call, Cards, CardSettings, build
from cds.chart import NO_MEMORY, Chart, Memory
from cds.gaps import quality
from cds.intake import IntakeSettings
from tests.logic.shipped import SCENARIOS, intake_of, knowledge

REQUEST_ID = "00000000-0000-4000-8000-000000000001"
Json = Any


def encoded(body: Mapping[str, Any]) -> Json:
    """The body as a client reads it."""
    return json.loads(msgspec.json.Encoder(decimal_format="number").encode(body))


def cards_of(
    held: Chart, made: Knowledge, *, raw: Callable[[str], bytes | None] = lambda _: None, request_id: str = REQUEST_ID, memory: Memory = NO_MEMORY,
    settings: CardSettings | None = None, tests_ordered: tuple[str, ...] = (),
) -> Cards:  # fmt: skip
    """The cards of a chart under some knowledge."""
    assessment = assess(held, memory, made)
    population = made.population(assessment.population)
    call = Call(request_id, "pat-1", "enc-1", raw)
    offered = offers(held, assessment, made, tests_ordered=tests_ordered)
    return build(held, assessment, offered, quality(held, assessment, made), made, call, Flips(held, population, assessment.scene).of, settings or CardSettings())


def body_of(held: Chart, made: Knowledge, **more: Any) -> Json:
    """The same as JSON."""
    return encoded(cards_of(held, made, **more).body)


@cache
def answer_of(name: str, request_id: str = REQUEST_ID) -> Json:
    """The whole answer to a shipped scenario."""
    intake = intake_of(name)
    settings = CallSettings(IntakeSettings(hook=intake.chart.hook, allow_client_time=True))
    return json.loads(judged(intake, NO_MEMORY, request_id=request_id, knowledge=knowledge(), settings=settings).body)


def every_card() -> list[tuple[str, Json]]:
    """Every card of every shipped scenario, with the scenario's name."""
    return [(name, card) for name in SCENARIOS for card in answer_of(name)["cards"]]


Advisories = tuple[Advisory, ...]
