"""The shipped scenarios as charts, and the shipped knowledge, each made once."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from cds.chart import Chart
from cds.intake import Intake, IntakeSettings, read_request
from cds.knowledge import Knowledge
from cds.service.knowledge import load_knowledge

ROOT = Path(__file__).parents[2] / "synthetic_bundles"
SCENARIOS = tuple(sorted(folder.name for folder in ROOT.iterdir() if (folder / "request.json").exists()))


@cache
def knowledge() -> Knowledge:
    """As the service loads it."""
    return load_knowledge()


def body_of(name: str) -> bytes:
    """The request of a scenario as it is posted."""
    return (ROOT / name / "request.json").read_bytes()


@cache
def intake_of(name: str) -> Intake:
    """A scenario's request, read at its own evaluation time."""
    body = body_of(name)
    return read_request(body, now=0, settings=IntakeSettings(hook=json.loads(body)["hook"], allow_client_time=True))


def chart_of(name: str) -> Chart:
    """A scenario's chart."""
    return intake_of(name).chart
