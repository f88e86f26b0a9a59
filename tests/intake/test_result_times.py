"""When a sample was drawn: zones, partial dates, missing and future times (F-5, F-6)."""

from __future__ import annotations

import datetime as dt
import re
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.chart import DAY, Moment, Trouble
from cds.intake.times import _FORM, Times, birth_days, zone_of
from tests.intake.payloads import MINUTE, NOW, at, bundle, condition, draft, observation, read, request, results

HOUR = 60 * MINUTE


def times(zone: str | None = None, *noted: str) -> Times:
    found = Times(NOW, zone_of(zone) if zone else None, 10 * MINUTE, (-720, 840))
    found.note(*noted)
    return found


EAST_AND_WEST = "00:00 01:00 02:00 03:30 04:00 05:45 06:30 07:00 08:45 09:30 10:00 11:00 12:00 12:45 13:00"
OFFSETS = [f"{sign}{offset}" for sign in "+-" for offset in EAST_AND_WEST.split()]


def shifted(instant: int, offset: str) -> str:
    sign = -1 if offset[0] == "-" else 1
    zone = dt.timezone(sign * dt.timedelta(hours=int(offset[1:3]), minutes=int(offset[4:])))
    return dt.datetime.fromtimestamp(instant / 1000, zone).isoformat()


@pytest.mark.parametrize("offset", OFFSETS)
def test_hz_15_offsets_the_same_instant_in_30_offsets(offset: str) -> None:
    instant = NOW - 30 * MINUTE
    (result,), problems = results(observation(effectiveDateTime=shifted(instant, offset)))
    assert problems == () and (result.at.earliest, result.at.latest, result.at.mark) == (instant, instant, "")


def test_hz_15_there_are_30_offsets() -> None:
    assert len(set(OFFSETS)) == 30


@pytest.mark.parametrize(
    ("local", "utc", "spread"),
    [
        # Europe/Berlin, IANA database: forward on 2026-03-29 at 02:00, back on 2026-10-25 at 03:00.
        ("2026-03-29T01:59:00", "2026-03-29T00:59:00Z", 0),
        ("2026-03-29T03:00:00", "2026-03-29T01:00:00Z", 0),
        ("2026-03-29T02:30:00", "2026-03-29T00:30:00Z", 60),  # does not exist: both readings are kept
        ("2026-10-25T01:59:00", "2026-10-24T23:59:00Z", 0),
        ("2026-10-25T02:30:00", "2026-10-25T00:30:00Z", 60),  # exists twice
        ("2026-10-25T03:00:00", "2026-10-25T02:00:00Z", 0),
    ],
)
def test_hz_15_clock_changes_of_the_site_zone(local: str, utc: str, spread: int) -> None:
    reader = times("Europe/Berlin")
    moment, expected = reader.read(local), reader.read(utc)
    assert moment is not None and expected is not None
    assert (moment.earliest, moment.latest - moment.earliest) == (expected.latest, spread * MINUTE)
    assert moment.mark == "zone of the site"


@pytest.mark.parametrize("change", ["2026-03-29T00:30:00Z", "2026-03-29T01:30:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"])
@pytest.mark.parametrize("offset", ["+01:00", "+02:00", "-05:00"])
def test_hz_15_with_an_offset_no_clock_change_matters(change: str, offset: str) -> None:
    instant = times().read(change)
    assert instant is not None
    moment = times("Europe/Berlin").read(shifted(instant.latest, offset))
    assert moment is not None and (moment.earliest, moment.latest) == (instant.latest, instant.latest)


def test_hz_15_no_zone_borrows_the_offset_that_all_other_times_share() -> None:
    moment = times(None, "2026-11-25T10:00:00+01:00", "2026-11-20T10:00:00+01:00").read("2026-11-25T10:30:00")
    assert moment is not None and moment.exact and moment.mark == "zone taken as +01:00"
    assert moment.latest == NOW - 30 * MINUTE


def test_hz_15_no_zone_and_no_agreement_is_the_widest_interval() -> None:
    moment = times(None, "2026-11-25T10:00:00+01:00", "2026-11-25T09:00:00Z").read("2026-11-25T10:00:00")
    assert moment == Moment(NOW - 14 * HOUR, NOW + 12 * HOUR, "no zone", "2026-11-25T10:00:00")


def test_control_hz_15_a_reader_that_assumes_utc_would_give_a_point() -> None:
    with mock.patch.object(Times, "_local", lambda self, local: (local, local, "")), pytest.raises(AssertionError):
        moment = times(None).read("2026-11-25T10:00:00")
        assert moment is not None and not moment.exact


def test_hz_15_the_whole_request_is_looked_at_for_the_shared_offset() -> None:
    sent = request(
        [draft(authoredOn="2026-11-25T10:30:00+01:00")],
        {
            "electrolytes": bundle(observation(effectiveDateTime="2026-11-25T10:30:00")),
            "conditions": bundle(condition(recordedDate="2026-11-25T08:00:00+01:00")),
        },
    )
    (result,) = read(sent).chart.results.of("potassium")
    assert result.at.mark == "zone taken as +01:00" and result.at.latest == NOW - 30 * MINUTE
    sent["prefetch"]["conditions"] = bundle(condition(recordedDate="2026-11-25T08:00:00+02:00"))
    (result,) = read(sent).chart.results.of("potassium")
    assert result.at.mark == "no zone" and not result.at.exact


def test_a_site_zone_goes_before_the_shared_offset() -> None:
    (result,), _ = results(observation(effectiveDateTime="2026-11-25T10:30:00", issued="2026-11-25T10:40:00-05:00"), site_zone="Europe/Berlin")
    assert result.at.mark == "zone of the site" and result.at.latest == NOW - 30 * MINUTE


@pytest.mark.parametrize(
    ("text", "days"),
    [("2026-11-24", 1), ("2026-10", 31), ("2024-02", 29), ("2025", 365), ("2024", 366), ("2026-12", 31)],
)
def test_partial_dates_are_spans(text: str, days: int) -> None:
    moment = times("UTC").read(text)
    assert moment is not None and moment.latest - moment.earliest == days * DAY - 1


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "2026-13", "2026-11-31", "2026-11-25T", "2026-11-25T10", "2026-11-25T10:00Z", "2026-11-25T24:00:00Z",
        "2026-11-25 10:00:00Z", "2026-11-25T10:00:00z", "2026-11-25T10:00:00+0100", "2026-11-25T10:00:00+15:00", "20261125T100000Z",
        "2026-W48-3T10:00:00Z", "25.11.2026", "yesterday", "2026-11-25T10:00:00Z ", "0000-01-01", "٢٠٢٦-11-25", "2026-11-25T10:61:00Z",
        "2026-02-30T10:00:00Z", "-2026-11-25",
    ],
)  # fmt: skip
def test_what_is_no_fhir_time_is_not_read(text: str) -> None:
    assert times().read(text) is None


@given(st.text(alphabet="0123456789-+:TZ. W", max_size=30))
def test_the_short_form_reads_only_what_the_grammar_allows(text: str) -> None:
    if times().read(text) is not None:
        assert _FORM.fullmatch(text) is not None


@given(st.datetimes(dt.datetime(1900, 1, 1), dt.datetime(2100, 1, 1)))
def test_short_and_long_way_agree(moment: dt.datetime) -> None:
    text = moment.replace(microsecond=0).isoformat() + "Z"
    short, long = times().read(text), times().read(text.replace("Z", "+00:00"))
    assert short is not None and long is not None and (short.earliest, short.latest) == (long.earliest, long.latest)
    assert short.latest == int(moment.replace(microsecond=0, tzinfo=dt.UTC).timestamp()) * 1000


def test_a_leap_second_is_the_next_second() -> None:
    leap, after = times().read("2016-12-31T23:59:60Z"), times().read("2017-01-01T00:00:00Z")
    assert leap is not None and after is not None and leap.latest == after.latest


@pytest.mark.parametrize(
    ("minutes", "used"),
    [(1, True), (0, True), (-1, True), (-10, True), (-11, False), (-60 * 24, False)],
)
def test_hz_16_a_little_in_the_future_is_now_and_more_is_set_aside(minutes: int, used: bool) -> None:
    found, problems = results(observation(effectiveDateTime=at(minutes)))
    if used:
        assert found[0].at.latest == NOW - max(minutes, 0) * MINUTE
        assert (found[0].at.mark == "clock ahead") == (minutes < 0)
    else:
        assert found == () and problems[0].trouble is Trouble.FUTURE


def test_hz_06_an_issue_time_later_than_sampling_does_not_refresh_a_result() -> None:
    (result,), _ = results(observation(effectiveDateTime=at(600), issued=at(5)))
    assert result.at.latest == result.at.earliest == NOW - 600 * MINUTE


def test_hz_06_an_issue_time_alone_can_prove_old_but_never_current() -> None:
    (result,), _ = results(observation(effectiveDateTime=..., issued=at(5)))
    assert (result.at.earliest, result.at.latest, result.at.mark) == (None, NOW - 5 * MINUTE, "issued only")


def test_control_hz_06_taking_the_issue_time_for_the_sampling_time_would_refresh() -> None:
    from cds.intake import results as module

    original = module.Moment

    def point(earliest: int | None, latest: int, mark: str = "", text: str = "") -> Moment:
        return original(latest if earliest is None else earliest, latest, mark, text)

    with mock.patch.object(module, "Moment", point), pytest.raises((AssertionError, TypeError)):
        (result,), _ = results(observation(effectiveDateTime=..., issued=at(5)))
        assert result.at.earliest is None


@pytest.mark.parametrize(
    ("change", "earliest", "latest", "trouble"),
    [
        ({"effectiveInstant": at(20)}, 20, 20, None),
        ({"effectivePeriod": {"start": at(60), "end": at(20)}}, 20, 20, None),
        ({"effectivePeriod": {"start": at(60)}}, 60, 0, None),
        ({"effectivePeriod": {}}, 0, 0, Trouble.NO_TIME),
        ({"effectiveTiming": {"event": [at(20)]}, "issued": at(20)}, 0, 0, Trouble.TIME_UNREADABLE),
        ({}, 0, 0, Trouble.NO_TIME),
        ({"effectiveDateTime": "yesterday", "issued": at(5)}, 0, 0, Trouble.TIME_UNREADABLE),
        ({"effectiveDateTime": at(20), "effectiveInstant": at(20)}, 0, 0, Trouble.STRUCTURE),
        ({"issued": at(-60)}, 0, 0, Trouble.FUTURE),
    ],
)
def test_forms_of_time(change: dict[str, object], earliest: int, latest: int, trouble: Trouble | None) -> None:
    found, problems = results(observation(**{"effectiveDateTime": ..., **change}))
    if trouble is None:
        assert (found[0].at.earliest, found[0].at.latest) == (NOW - earliest * MINUTE, NOW - latest * MINUTE)
    else:
        assert not found and problems[0].trouble is trouble


def test_a_date_of_today_ends_now() -> None:
    (result,), _ = results(observation(effectiveDateTime="2026-11-25"), site_zone="UTC")
    assert (result.at.earliest, result.at.latest, result.at.mark) == (NOW - 10 * HOUR, NOW, "date only")


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("1964-09-02", "1964-09-02", "1964-09-02"),
        ("1964-09", "1964-09-01", "1964-09-30"),
        ("1964-12", "1964-12-01", "1964-12-31"),
        ("1964-02", "1964-02-01", "1964-02-29"),
        ("1964", "1964-01-01", "1964-12-31"),
    ],
)
def test_hz_17_partial_birth_dates_are_spans_of_days(text: str, first: str, last: str) -> None:
    assert birth_days(text) == (dt.date.fromisoformat(first), dt.date.fromisoformat(last))


@pytest.mark.parametrize("text", ["", "64", "1964-9-2", "1964-13", "1964-09-02T10:00:00Z", "02.09.1964"])
def test_hz_17_other_birth_dates_are_not_read(text: str) -> None:
    assert birth_days(text) is None


def test_unknown_zone_names_are_refused() -> None:
    with pytest.raises(ValueError, match=re.escape("no time zone 'Mars/Olympus'")):
        zone_of("Mars/Olympus")
