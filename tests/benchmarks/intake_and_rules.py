"""What the parts of an answer cost in this process: G3 and G4; and what may never happen in a request: G9 and G10.

"Decode" is the two-pass decode alone: envelope with each resource left as its bytes, then each resource by itself. "Intake"
is everything from the body to the chart. "Rules" are index, all advisories and precedence on that chart, cards not.
"""

from __future__ import annotations

import gc
import statistics
import sys
import time
import tracemalloc
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import orjson

import cds.call
from cds.assess import Knowledge, assess
from cds.call import answer
from cds.chart import NO_MEMORY
from cds.intake import read_request
from cds.intake.envelope import open_request
from cds.intake.shapes import RESOURCE, Bundle, Quantity
from cds.intake.values import _Unit, _unit_for
from cds.service.desk import call_settings
from cds.service.knowledge import load_knowledge
from cds.service.settings import Settings
from cds.units import analyte_factor
from tests.benchmarks.fixture import request

REQUEST_ID = str(uuid.UUID(int=1))


@dataclass(frozen=True, slots=True)
class Parts:
    """Median milliseconds, and peak bytes over what was held before."""

    size: int
    orjson_ms: float
    decode_ms: float
    intake_ms: float
    rules_ms: float
    answer_ms: float
    orjson_bytes: int
    intake_bytes: int


@dataclass(frozen=True, slots=True)
class Counts:
    """What one answer called. `allowed` is drafts + cited + refused resources (G10)."""

    size: int
    pint_calls: int
    validations: int
    allowed: int

    @property
    def kept(self) -> bool:
        """Whether both counts are what they must be."""
        return self.pint_calls == 0 and self.validations <= self.allowed


class Bench:
    """Knowledge and settings, made once."""

    def __init__(self) -> None:
        settings = Settings()
        self.knowledge: Knowledge = load_knowledge(settings)
        self.settings = call_settings(settings, "order-sign", self.knowledge.parameters)

    def intake(self, body: bytes) -> Any:
        return read_request(body, now=0, settings=self.settings.intake, fetched={})

    def answer(self, body: bytes) -> cds.call.Answer:
        return answer(body, now=0, request_id=REQUEST_ID, memory=NO_MEMORY, knowledge=self.knowledge, settings=self.settings)

    def parts(self, size: int, repeats: int) -> Parts:
        """The parts for one size, measured in turn so that a busy moment falls on all of them."""
        body = request(size)

        def rules() -> Callable[[], Any]:
            chart = self.intake(body).chart
            return lambda: assess(chart, NO_MEMORY, self.knowledge)

        works: dict[str, Callable[[], Callable[[], Any]]] = {
            "orjson": lambda: lambda: orjson.loads(body),
            "decode": lambda: lambda: decode(body),
            "intake": lambda: lambda: self.intake(body),
            "rules": rules,
            "answer": lambda: lambda: self.answer(body),
        }
        taken: dict[str, list[float]] = {name: [] for name in works}
        for turn in range(repeats + 3):
            for name, prepare in works.items():
                work = prepare()
                begun = time.perf_counter()
                kept = work()
                took = (time.perf_counter() - begun) * 1000
                del kept, work
                if turn >= 3:
                    taken[name].append(took)
        ms = {name: statistics.median(times) for name, times in taken.items()}
        return Parts(
            size, ms["orjson"], ms["decode"], ms["intake"], ms["rules"], ms["answer"],
            peak(lambda: orjson.loads(body)), peak(lambda: self.intake(body)),
        )  # fmt: skip

    def counts(self, size: int) -> Counts:
        """What one answer calls."""
        body = request(size)
        drafts = len(orjson.loads(body)["context"]["draftOrders"]["entry"])
        with counted_validations() as validations, counted_pint() as pint_calls:
            made = self.answer(body)
        refused = len(made.intake.notes.refused) if made.intake else 0
        return Counts(size, pint_calls[0], validations[0], drafts + cds.call.MOST_CITED + refused)


def decode(body: bytes) -> int:
    """Both passes, nothing else. The number of resources."""
    opened = open_request(body)
    drafts = opened.context.draftOrders
    count = 0
    for sent in (drafts, *opened.lists.values()):
        if sent is None:
            continue
        for raw in [entry.resource for entry in sent.entry] if isinstance(sent, Bundle) else [sent]:
            RESOURCE.decode(raw)
            count += 1
    return count


def peak(work: Callable[[], Any]) -> int:
    """Peak bytes that Python allocates during `work`, its result included."""
    work()
    gc.collect()
    tracemalloc.start()
    try:
        kept = work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        kept = None
        del kept


@contextmanager
def counted_validations() -> Iterator[list[int]]:
    """Count the calls of fhir.resources that an answer makes."""
    real = cds.call.validate
    found = [0]

    def counting(*given: Any, **named: Any) -> Any:
        found[0] += 1
        return real(*given, **named)

    cds.call.validate = counting
    try:
        yield found
    finally:
        cds.call.validate = real


@contextmanager
def counted_pint() -> Iterator[list[int]]:
    """Count the Python functions of pint and ucumvert that are entered."""
    found = [0]

    def watch(frame: Any, event: str, _: Any) -> None:
        if event == "call" and frame.f_globals.get("__name__", "").partition(".")[0] in ("pint", "ucumvert"):
            found[0] += 1

    sys.setprofile(watch)
    try:
        yield found
    finally:
        sys.setprofile(None)


def conversion() -> float:
    """How many times a multiplication by a factor from a dictionary one unit conversion of a request costs (G9); median of 5 runs.

    A request looks a unit up in the table once for each way in which a feed spells it, and then, for each number, in its own dictionary: that is timed.
    """
    factor = analyte_factor("glucose", "mg/dL")
    assert factor is not None
    table, value, count = {("glucose", "mg/dL"): factor}, Decimal("176.4"), 100_000
    spelled = ("glucose", ("2345-7",), "http://unitsofmeasure.org", "mg/dL", "mg/dL")
    units = {spelled: _unit_for("glucose", ("2345-7",), Quantity(code="mg/dL", unit="mg/dL", system="http://unitsofmeasure.org"))}
    analyte, codes, system, code, unit = spelled
    ratios = []
    for _ in range(5):
        begun = time.perf_counter()
        for _ in range(count):
            value * table["glucose", "mg/dL"]
        plain = time.perf_counter() - begun
        begun = time.perf_counter()
        for _ in range(count):
            found = units.get((analyte, codes, system, code, unit))
            if isinstance(found, _Unit) and found.factor is not None:
                value * found.factor
        ratios.append((time.perf_counter() - begun) / plain)
    return statistics.median(ratios)
