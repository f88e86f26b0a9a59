"""From the bytes of a CDS Hooks request to a frozen chart. No clock, no file and no network is used here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import cast

from cds.chart import Chart, Problem
from cds.intake.envelope import EVALUATE_AT, Envelope, Opened, RequestError, check, open_and_read
from cds.intake.limits import Limits, default_limits
from cds.intake.raw import RawResources
from cds.intake.reader import Notes, Reader
from cds.intake.results import LazyResults
from cds.intake.times import Times, zone_of

_YEAR_2200 = 7_258_118_400_000
"""Beyond it no call is meant, and calendar arithmetic nears its end."""


@dataclass(frozen=True, slots=True)
class IntakeSettings:
    """How one service reads its requests.

    `hook`: the hook that this service id announces. `site_zone`: for times without a zone, an IANA name or an offset (F-5).
    `allow_client_time`: whether the request may name the instant to judge at (F-35). `limits`: None takes the shipped figures.
    """

    hook: str
    site_zone: str | None = None
    allow_client_time: bool = False
    limits: Limits | None = None

    def __post_init__(self) -> None:
        if self.site_zone is not None:
            zone_of(self.site_zone)


@dataclass(frozen=True, slots=True)
class Intake:
    """One request, read. `drafted_tests` are analytes that the drafts already order; `notes.refused` are the payload paths of
    resources that could not be read, for validation.
    """

    envelope: Envelope
    chart: Chart
    raw: RawResources
    notes: Notes
    drafted_tests: tuple[str, ...] = ()

    def problems(self) -> tuple[Problem, ...]:
        """Everything that was set aside. Reads every analyte that was sent."""
        results = cast(LazyResults, self.chart.results)
        return (*self.chart.problems, *(p for analyte in sorted(results.analytes()) for p in results.problems(analyte)))


def read_request(
    body: bytes, *, now: int, settings: IntakeSettings, fetched: Mapping[str, bytes] = MappingProxyType({})
) -> Intake:
    """Read a request for judging at `now` (epoch ms).

    `fetched` holds, by prefetch key, what the service itself got from the FHIR server; it replaces what was sent. Raises
    RequestError for a request that must be refused as a whole, and nothing else whatever the bytes.
    """
    limits = settings.limits or default_limits()
    opened = open_and_read(body)
    zone = zone_of(settings.site_zone) if settings.site_zone is not None else None
    evaluate_at = _evaluate_at(opened, settings)
    envelope = check(opened, settings.hook, evaluate_at)
    judged_at = now if evaluate_at is None else evaluate_at
    times = Times(judged_at, zone, limits.clock_ahead, limits.widest)
    reader = Reader(body, opened, envelope, times, limits, client_time=settings.allow_client_time)
    reader.read_lists(fetched)
    chart = reader.chart()
    return Intake(envelope, chart, reader.raw(), reader.notes(), reader.tests)


def _evaluate_at(opened: Opened, settings: IntakeSettings) -> int | None:
    given = opened.extension.get(EVALUATE_AT)
    if given is None or not settings.allow_client_time:
        return None
    moment = Times(0, None, 0, (0, 0)).read(given) if isinstance(given, str) else None
    if moment is None or not moment.exact or moment.mark or not 0 <= moment.latest < _YEAR_2200:
        path = f"extension.{EVALUATE_AT}"
        raise RequestError(400, "value", f"{path} is not an instant with a time zone", path)
    return moment.latest
