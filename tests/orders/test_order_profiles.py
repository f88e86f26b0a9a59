"""The order conventions of profiles/: each example is valid FHIR R4 and is read as the page says, through the real intake."""

from __future__ import annotations

import json
import re
from decimal import Decimal as D
from pathlib import Path

import pytest
from fhir.resources.R4B.medicationadministration import MedicationAdministration
from fhir.resources.R4B.medicationrequest import MedicationRequest

from cds.chart import Chart, Order
from cds.intake import IntakeSettings, read_request
from cds.numbers import Interval, point
from cds.orders.identity import identify
from cds.orders.totals import total
from tests.orders.builders import parameters, read

PROFILES = Path(__file__).parents[2] / "profiles"
EXAMPLES = sorted((PROFILES / "examples").glob("*.json"))
NOW = 1_773_478_800_000  # 2026-03-14T09:00Z


def resource(name: str) -> dict[str, object]:
    """One example."""
    found: dict[str, object] = json.loads((PROFILES / "examples" / f"{name}.json").read_text(encoding="utf-8"))
    return found


def bundle(*resources: dict[str, object]) -> dict[str, object]:
    """A searchset of resources."""
    return {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": each} for each in resources]}


def chart_of(drafts: tuple[str, ...], listed: tuple[str, ...] = (), administrations: tuple[str, ...] = ()) -> Chart:
    """The chart that intake makes of examples in draftOrders, in the list and in the administration record."""
    request = {
        "hook": "order-sign",
        "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "context": {
            "userId": "Practitioner/example",
            "patientId": "example",
            "draftOrders": {**bundle(*map(resource, drafts)), "type": "collection"},
        },
        "prefetch": {
            "patient": {"resourceType": "Patient", "id": "example"},
            "medications": bundle(*map(resource, listed)),
            "administrations": bundle(*map(resource, administrations)),
        },
    }
    return read_request(json.dumps(request).encode(), now=NOW, settings=IntakeSettings(hook="order-sign")).chart


def order_of(name: str) -> Order:
    """One drafted example as an order."""
    (found,) = chart_of((name,)).orders
    return found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_example_is_valid_fhir(path: Path) -> None:
    """By the R4B classes."""
    text = path.read_text(encoding="utf-8")
    kind = MedicationRequest if json.loads(text)["resourceType"] == "MedicationRequest" else MedicationAdministration
    assert kind.model_validate_json(text)


def test_page_and_examples_match() -> None:
    """Every example is on the page, and nothing else is."""
    page = (PROFILES / "README.md").read_text(encoding="utf-8")
    cells = [row.rsplit("|", 2)[1] for row in page.splitlines() if row.startswith("|") and row.count("|") == 4]
    named = {name for cell in cells for name in re.findall(r"`([a-z-]+)`", cell)}
    assert named == {path.stem for path in EXAMPLES}


SHAPES = [
    ("bag-rate-quantity", "potassium", point(D(10)), "peripheral"),
    ("bag-strength-per-bag", "potassium", point(D(10)), "central"),
    ("bag-strength-concentration", "potassium", point(D(10)), None),
    ("bag-volume-as-dose", "potassium", point(D(10)), None),
    ("dose-over-duration", "potassium", point(D(10)), None),
    ("rate-ratio", "drug:phenytoin", point(D(1200)), None),
    ("rate-ratio-volume", "potassium", point(D(5)), None),
    ("rate-range-per-weight", "insulin", Interval(D("3.6"), D("7.2")), None),
    ("dose-per-weight", "drug:phenytoin", point(D(3000)), None),
    ("phosphate-and-potassium", "potassium", Interval(D("5.5"), D("5.875")), None),
    ("fluid-by-percent", "glucose", point(D("12.5")), None),
    ("balanced-fluid", "potassium", Interval(D(1), D("1.25")), None),
    ("repeated-dose", "drug:meropenem", point(D(2000)), None),
    ("line-and-diluent-in-text", "drug:phenytoin", point(D(2000)), "central"),
    ("running", "potassium", point(D(10)), "peripheral"),
]


@pytest.mark.parametrize(("name", "substance", "per_hour", "line"), SHAPES, ids=[row[0] for row in SHAPES])
def test_shape_is_read(name: str, substance: str, per_hour: Interval, line: str | None) -> None:
    """Amount per hour of a patient of 72 kg, and the line."""
    reading = read(order_of(name), "72")
    found = reading.substance(substance)
    assert found is not None
    assert (found.per_hour, found.why_not, reading.line) == (per_hour, "", line)
    assert reading.understood, reading.gaps


def test_shapes_in_particular() -> None:
    """Push, diluents, text marks, concentration, frequency."""
    assert read(order_of("push")).push
    assert read(order_of("bag-rate-quantity")).diluents == ("sodium_chloride",)
    text = read(order_of("line-and-diluent-in-text"))
    assert (text.diluents, text.diluent_from_text, text.line_from_text, text.central) == (("glucose",), True, True, False)
    phenytoin = read(order_of("dose-per-weight"), "50").substance("drug:phenytoin")
    assert phenytoin is not None
    assert phenytoin.mg_per_ml == point(D(10))
    assert read(order_of("repeated-dose")).per_day == D(3)


def potassium(*drafts: str, administrations: tuple[str, ...] = ()) -> Interval:
    """Potassium per hour if signed, beside the running bag of 10 mmol/h."""
    picture = identify(chart_of(drafts, ("running",), administrations))
    return total(picture, read, "potassium", p=parameters()).interval


@pytest.mark.parametrize(
    ("drafts", "administrations", "mmol"),
    [
        ((), (), 10),
        (("stop",), (), 0),
        (("pause",), (), 0),
        (("change-same-id",), (), 5),
        (("change-prior-prescription",), (), 5),
        (("one-more-in-a-group",), (), 15),
        (("dose-over-duration",), (), 20),
        (("prohibition",), (), 10),
        ((), ("administration-in-progress",), 10),
        ((), ("administration-stopped",), 0),
    ],
)
def test_hz_13_which_orders_count(drafts: tuple[str, ...], administrations: tuple[str, ...], mmol: int) -> None:
    """Each row of the page, through the real intake."""
    assert potassium(*drafts, administrations=administrations) == point(D(mmol))
