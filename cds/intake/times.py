"""FHIR times to spans of instants.

A time that names one instant gives a point. A date, a month, a year, or a time without a zone gives the whole span that it
allows (F-5, F-6): its age is then a span too, and the comparison decides whether that is enough.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable
from operator import itemgetter
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cds.chart import DAY, MINUTE, Moment

_EPOCH_DAY = dt.date(1970, 1, 1).toordinal()
_FORM = re.compile(
    r"([0-9]{4})(?:-(0[1-9]|1[0-2])(?:-([0-2][0-9]|3[01])"
    r"(?:T([01][0-9]|2[0-3]):([0-5][0-9]):([0-5][0-9]|60)(?:\.([0-9]{1,9}))?"
    r"(Z|[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00))?)?)?)?",
    re.ASCII,
)
_ZONE = re.compile(r"[+-](?:(?:0[0-9]|1[0-3]):[0-5][0-9]|14:00)", re.ASCII)
_ENDING = itemgetter(slice(-6, None))
_FEW = 8
_FIXED = re.compile(r"([+-])([01][0-9]):([0-5][0-9])", re.ASCII)


def zone_of(name: str) -> dt.tzinfo:
    """A site's zone: an IANA name ("Europe/Berlin"), "UTC", or a fixed offset ("+01:00"). ValueError when it is neither."""
    fixed = _FIXED.fullmatch(name)
    if fixed is not None:
        minutes = int(fixed[2]) * 60 + int(fixed[3])
        return dt.timezone(dt.timedelta(minutes=-minutes if fixed[1] == "-" else minutes))
    if name in ("UTC", "Z"):
        return dt.UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"no time zone {name!r}; an IANA name such as Europe/Berlin, or an offset such as +01:00") from error


class Times:
    """Reads every time of one request. `note` collects the texts first, because a time without a zone borrows the one offset
    that all other times of the request agree on, when there is one and the site has set no zone (F-5).

    `widest` are the offsets, in minutes, between which a time lies whose zone nobody knows.
    """

    def __init__(self, now: int, zone: dt.tzinfo | None, tolerance: int, widest: tuple[int, int]) -> None:
        self.now = now
        self.limit = now + tolerance
        self._zone = zone
        self._widest = widest
        self.easternmost = widest[1]
        self.later: Callable[[], Iterable[str]] = tuple
        self._noted: set[str] = set()
        self._read: dict[str, Moment | None] = {}
        self._offset: int | None = None
        self._settled = False

    def note(self, *texts: str) -> None:
        """Count these times when looking for the offset that the request agrees on."""
        self._noted.update(texts)

    def read(self, text: str) -> Moment | None:
        """The span that a FHIR date, dateTime or instant allows; None when it is none of these."""
        try:
            return self._read[text]
        except KeyError:
            found = self._read[text] = self._span(text)
            return found

    def past(self, moment: Moment) -> Moment | None:
        """The span as far as it lies before now. None when it begins after now by more than the tolerated clock difference.

        Within that difference a time in the future counts as now, and is marked.
        """
        if moment.latest <= self.now:
            return moment
        begin = moment.latest if moment.earliest is None else moment.earliest
        if begin <= self.now:
            return Moment(moment.earliest, self.now, moment.mark, moment.text)
        if begin > self.limit:
            return None
        return Moment(None if moment.earliest is None else self.now, self.now, moment.mark or "clock ahead", moment.text)

    def _span(self, text: str) -> Moment | None:
        if _plain(text):
            try:
                instant = int(dt.datetime.fromisoformat(text).timestamp()) * 1000
            except ValueError:
                pass
            else:
                return Moment(instant, instant, "", text)
        form = _FORM.fullmatch(text)
        if form is None:
            return None
        try:
            return self._from_parts(form, text)
        except (ValueError, OverflowError):
            return None

    def _from_parts(self, form: re.Match[str], text: str) -> Moment:
        year, month, day, hour, minute, second, fraction, zone = form.groups()
        first = dt.date(int(year), int(month or 1), int(day or 1))
        if hour is None:
            if day is not None:
                last = first
            elif month is not None:
                last = dt.date(first.year + first.month // 12, first.month % 12 + 1, 1) - dt.timedelta(days=1)
            else:
                last = dt.date(first.year, 12, 31)
            earliest, _, _ = self._local(_days(first))
            _, latest, _ = self._local(_days(last) + DAY - 1)
            return Moment(earliest, latest, "date only" if day is not None else "no day", text)
        local = _days(first) + ((int(hour) * 60 + int(minute)) * 60 + int(second)) * 1000
        local += int((fraction or "0").ljust(3, "0")[:3])
        if zone is None:
            return Moment(*self._local(local), text)
        instant = local - _minutes(zone) * MINUTE
        return Moment(instant, instant, "", text)

    def _local(self, local: int) -> tuple[int, int, str]:
        """The instants that a wall-clock reading may mean, and how they were found."""
        if self._zone is not None:
            wall = dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=local)
            # Twice an hour in autumn, never an hour in spring: both readings of the clock are kept.
            offsets = [wall.replace(tzinfo=self._zone, fold=fold).utcoffset() for fold in (0, 1)]
            found = sorted(local - round(each.total_seconds() * 1000) for each in offsets if each is not None)
            return found[0], found[-1], "zone of the site"
        shared = self._shared()
        if shared is not None:
            sign, minutes = "-" if shared < 0 else "+", abs(shared)
            instant = local - shared * MINUTE
            return instant, instant, f"zone taken as {sign}{minutes // 60:02d}:{minutes % 60:02d}"
        low, high = self._widest
        return local - high * MINUTE, local - low * MINUTE, "no zone"

    def _shared(self) -> int | None:
        if not self._settled:
            texts = [*self._noted, *self.later()]
            # A request holds thousands of times, nearly always in one zone: one example of each zone is looked at. When there are
            # many zones, or an example is no time after all, every time is.
            endings = set(map(_ENDING, texts))
            zones = {"Z" if each[-1:] == "Z" else each for each in endings if each[-1:] == "Z" or _ZONE.fullmatch(each)}
            if len(zones) <= _FEW:
                forms = [_FORM.fullmatch(next(text for text in texts if text.endswith(each))) for each in zones]
            if len(zones) > _FEW or None in forms:
                forms = [_FORM.fullmatch(text) for text in set(texts) if len(text) > 19]
            offsets = {_minutes(form[8]) for form in forms if form is not None and form[8] is not None}
            self._offset = offsets.pop() if len(offsets) == 1 else None
            self._settled = True
        return self._offset


def _plain(text: str) -> bool:
    """Whether a text has the outline of a date and time to the second in a zone, which is what nearly all of them have."""
    if len(text) == 20:
        return text[19] == "Z" and text[4] == text[7] == "-" and text[10] == "T"
    return len(text) == 25 and text[4] == text[7] == "-" and text[10] == "T" and _ZONE.fullmatch(text, 19) is not None


def _days(day: dt.date) -> int:
    return (day.toordinal() - _EPOCH_DAY) * DAY


def _minutes(zone: str) -> int:
    if zone == "Z":
        return 0
    minutes = int(zone[1:3]) * 60 + int(zone[4:6])
    return -minutes if zone[0] == "-" else minutes


def birth_days(text: str) -> tuple[dt.date, dt.date] | None:
    """First and last day on which a person with this birth date may have been born; None when it is no date (HZ-17)."""
    form = _FORM.fullmatch(text)
    if form is None or form[4] is not None:
        return None
    year, month, day = form[1], form[2], form[3]
    try:
        first = dt.date(int(year), int(month or 1), int(day or 1))
        if day is not None:
            return first, first
        if month is None:
            return first, dt.date(first.year, 12, 31)
        return first, dt.date(first.year + first.month // 12, first.month % 12 + 1, 1) - dt.timedelta(days=1)
    except (ValueError, OverflowError):
        return None
