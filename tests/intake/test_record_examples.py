"""The examples of profiles/records/: each is valid FHIR R4 and is read as its page says."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds.chart import Chart, Feed
from cds.intake import IntakeSettings, read_request
from tests.intake.payloads import bundle

FOLDER = Path(__file__).parents[2] / "profiles" / "records"
EXAMPLES = sorted(FOLDER.glob("*.json"))
PAGE = (FOLDER / "README.md").read_text(encoding="utf-8")
ROWS = {row[4].strip().strip("`"): row[2].strip().strip("`") for line in PAGE.splitlines() if len(row := line.split("|")) == 6 and ".json" not in line and "`" in row[4]}
NOW = int(dt.datetime(2026, 3, 14, 9, 0, tzinfo=dt.UTC).timestamp() * 1000)


def example(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return found


def chart_of(*names: str) -> Chart:
    """The chart of these examples, each under the key of its row."""
    lists: dict[str, Any] = {}
    for name in names:
        lists.setdefault(ROWS[name], []).append(example(name))
    request = {
        "hook": "patient-view", "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea", "context": {"userId": "Practitioner/example", "patientId": "example"},
        "prefetch": {key: bundle(*each) for key, each in lists.items()},
    }  # fmt: skip
    return read_request(json.dumps(request).encode(), now=NOW, settings=IntakeSettings(hook="patient-view")).chart


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_example_is_valid_fhir_and_read_without_a_word(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    get_fhir_model_class(json.loads(text)["resourceType"]).model_validate_json(text)
    chart = chart_of(path.stem)
    assert chart.problems == () and chart.source(ROWS[path.stem]).feed is Feed.WHOLE


def test_page_and_examples_match() -> None:
    assert set(ROWS) == {path.stem for path in EXAMPLES}
    assert set(re.findall(r"`([a-z-]+)` \|$", PAGE, re.MULTILINE)) == set(ROWS)


def test_each_is_read_as_the_page_says() -> None:
    chart = chart_of(*ROWS)
    assert [(each.drugs, each.classes[:1], each.group) for each in chart.allergies] == [
        (("amoxicillin",), ("antibacterial",), "severe immediate"), ((), ("penicillin",), "unknown"),
    ]  # fmt: skip
    assert [(each.kind, each.result, each.organisms) for each in chart.cultures] == [("urine", "positive", ("Escherichia coli",)), ("blood", "negative", ())]
    assert [(each.drug, each.result, each.organism, each.specimen) for each in chart.susceptibilities] == [
        ("esbl", "R", "Escherichia coli", "urine"), ("meropenem", "S", "Escherichia coli", "urine"),
    ]  # fmt: skip
    assert [(each.concepts, each.status) for each in chart.procedures] == [(("ventilator_dependence",), "in-progress")]
    assert [(each.items, each.drafted) for each in chart.investigations] == [(("blood_culture",), False)]
    (given,) = chart.administrations
    assert given.dose is not None and (given.drugs, given.dose.text, given.route, given.reasons) == (("lorazepam",), "4 mg", "intravenous", ("status_epilepticus",))
