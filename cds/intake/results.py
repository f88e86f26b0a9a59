"""Results of one request by analyte: checked, converted and sorted when an analyte is first asked for.

Subject and decodability are checked for every Observation when the request is read; the rest waits, because most of what an
EHR sends is never asked for. Reading is deterministic: asking twice, or in another order, gives the same tuples.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left

import msgspec

from cds.chart import Moment, Problem, Result, Trouble, newest_between
from cds.intake.coding import Measured, label_of
from cds.intake.limits import Limits
from cds.intake.shapes import Component, Observation
from cds.intake.times import Times
from cds.intake.values import Read, Refused, Values, haemolysed, number_of, value_count
from cds.vocabulary import ANALYTES

COUNTED = frozenset(("preliminary", "final", "amended", "corrected"))
IGNORED = frozenset(("registered", "cancelled", "entered-in-error", "unknown"))
_RANK = {"entered-in-error": 5, "cancelled": 4, "corrected": 3, "amended": 3, "final": 2, "preliminary": 1}
_FEW = 8
_AT_A_TIME = 4
_LONGEST_ID = 80


class Held(msgspec.Struct, gc=False):
    """One Observation, or one component of it, that measures an analyte. `key` and `index` say where it stood."""

    observation: Observation
    part: int | None
    measured: Measured
    key: str
    index: int

    @property
    def component(self) -> Component | None:
        return None if self.part is None else self.observation.component[self.part]

    @property
    def path(self) -> str:
        where = path_of(self.key, self.index)
        return where if self.part is None else f"{where}.component[{self.part}]"

    @property
    def ref(self) -> str:
        return ref_of("Observation", self.observation.id)


def _by_time(result: Result) -> int:
    return result.at.latest


def _by_name(result: Result) -> tuple[str, ...]:
    return result.ref, result.code, result.text, result.path


def _by_place(problem: Problem) -> tuple[str, str, str]:
    return problem.ref, problem.path, problem.trouble.value


def _local(instant: int, zone: str) -> str:
    """An instant (epoch ms) as the local text of a zone, to the second; the earliest text there is where the zone is not understood."""
    try:
        offset = 0 if zone == "Z" else (int(zone[1:3]) * 60 + int(zone[4:6])) * (60_000 if zone[0] == "+" else -60_000)
        return dt.datetime.fromtimestamp((instant + offset) // 1000, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S")
    except (ValueError, OverflowError, OSError):
        return ""


def path_of(key: str, index: int) -> str:
    """Where an entry stood in the payload; a key that holds one resource instead of a list has the index -1."""
    where = "context.draftOrders" if key == "" else f"prefetch.{key}"
    return where if index < 0 else f"{where}.entry[{index}].resource"


def ref_of(kind: str, identity: str) -> str:
    """`Type/id`, or the type alone when the resource has no id."""
    return f"{kind}/{identity[:_LONGEST_ID]}" if identity else kind


class _Line:
    """Entries of one analyte from the newest to the oldest, of which the first `used` have been read: `results` and `problems` are what came of them."""

    __slots__ = ("entries", "problems", "results", "texts", "times", "used")

    def __init__(self, texts: list[str], entries: list[Held], problems: list[Problem]) -> None:
        self.texts, self.entries, self.problems = texts, entries, problems
        self.used = 0
        self.results: list[Result] = []
        # The times of `results`, counted backwards, so that they ascend.
        self.times: list[int] = []


class LazyResults:
    """`cds.chart.Results` over the Observations of a request."""

    def __init__(
        self,
        held: dict[str, list[Held]],
        problems: dict[str, list[Problem]],
        times: Times,
        limits: Limits,
    ) -> None:
        self._held = held
        self._early = problems
        self._times = times
        self._values = Values(limits)
        # By identity: the concepts of what is held live as long as this, and comparing them costs more than all else here.
        self._labels: dict[int, str] = {}
        self._done: dict[str, tuple[tuple[Result, ...], tuple[Problem, ...]]] = {}
        self._lines: dict[str, _Line | None] = {}
        self._nows: dict[str, str] = {}

    def analytes(self) -> frozenset[str]:
        """Every analyte of which something was sent, usable or not."""
        return frozenset(self._held.keys() | self._early.keys())

    def of(self, analyte: str) -> tuple[Result, ...]:
        """Every counted result of the analyte, newest first."""
        return self._read(analyte)[0]

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """The newest of `of`, without reading what surely is older than `floor`: a long stay has hundreds of results, and a rule asks for the last hours."""
        line = self._line(analyte)
        if line is None:
            return self._read(analyte)[0]
        self._read_down_to(analyte, line, floor)
        return tuple(line.results)

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest of `of` that was surely drawn from `floor` to `now`. Nothing older is read for it."""
        line = self._line(analyte)
        if line is None:
            return newest_between(self._read(analyte)[0], floor, now)
        place = bisect_left(line.times, -now)
        while place == len(line.results):
            if not self._read_on(analyte, line):
                return None
            place = bisect_left(line.times, -now)
        found = line.results[place]
        # Every time of a line is exact.
        return found if found.at.latest >= floor else None

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """Of `problems` those that may be as new as `floor`, and those without a time."""
        line = self._line(analyte)
        if line is None:
            return self._read(analyte)[1]
        self._read_down_to(analyte, line, floor)
        return tuple(sorted(line.problems, key=_by_place))

    def _read_down_to(self, analyte: str, line: _Line, floor: int) -> None:
        while (not line.results or line.results[-1].at.latest >= floor) and self._read_on(analyte, line):
            pass

    def _read_on(self, analyte: str, line: _Line) -> bool:
        """Read the next few entries of a line, those of one instant together. False when there are none."""
        begin, entries, texts = line.used, line.entries, line.texts
        if begin == len(entries):
            return False
        # Most rules ask for the newest alone.
        end = min(begin + _AT_A_TIME, len(entries)) if begin else 1
        while end < len(entries) and texts[end] == texts[end - 1]:
            end += 1
        line.used = end
        if len(set(texts[begin:end])) < end - begin:
            found = self._counted(analyte, entries[begin:end], line.problems)
            line.results += found
            line.times += [-result.at.latest for result in found]
            return True
        for held in entries[begin:end]:
            outcome = self._plain(analyte, held) or self._result(analyte, held)
            if isinstance(outcome, Result):
                line.results.append(outcome)
                line.times.append(-outcome.at.latest)
            elif outcome is not None:
                line.problems.append(outcome)
        return True

    def _line(self, analyte: str) -> _Line | None:
        """The entries of an analyte in the order of their times, where their texts alone tell it: full times of one zone up to now, and no versions."""
        if analyte in self._lines:
            return self._lines[analyte]
        held = self._held.get(analyte, [])
        line = None
        if len(held) >= _FEW:
            texts = [each.observation.effectiveDateTime for each in held]
            zone = texts[0][19:]
            if zone and zone[0] in "Z+-" and {text[10:11] + text[19:] for text in texts} == {f"T{zone}"} and _all_different(held):
                newest_first = sorted(texts, reverse=True)
                if newest_first != texts:
                    order = sorted(range(len(held)), key=texts.__getitem__, reverse=True)
                    held = [held[place] for place in order]
                # A time in the future may count as now, and then it is of one instant with others.
                if newest_first[0][:19] <= self._now_in(zone):
                    line = _Line(newest_first, held, list(self._early.get(analyte, ())))
        self._lines[analyte] = line
        return line

    def _now_in(self, zone: str) -> str:
        found = self._nows.get(zone)
        if found is None:
            found = self._nows[zone] = _local(self._times.now, zone)
        return found

    def _counted(self, analyte: str, held: list[Held], problems: list[Problem]) -> list[Result]:
        """What counts of these, newest first; what is set aside is added to `problems`."""
        found: list[tuple[Result, Held]] = []
        for each in held:
            outcome = self._plain(analyte, each) or self._result(analyte, each)
            if isinstance(outcome, Problem):
                problems.append(outcome)
            elif outcome is not None:
                found.append((outcome, each))
        kept, conflicts = _agreed(analyte, found)
        problems += conflicts
        kept.sort(key=_by_time, reverse=True)
        return kept

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """What was sent for the analyte and set aside, whenever it was found out."""
        return self._read(analyte)[1]

    def _read(self, analyte: str) -> tuple[tuple[Result, ...], tuple[Problem, ...]]:
        try:
            return self._done[analyte]
        except KeyError:
            pass
        line = self._line(analyte)
        if line is not None:
            while self._read_on(analyte, line):
                pass
            done = self._done[analyte] = tuple(line.results), tuple(sorted(line.problems, key=_by_place))
            return done
        problems = list(self._early.get(analyte, ()))
        held = self._held.get(analyte, [])
        newest_of_each = held
        if not _all_different(held):
            newest_of_each = []
            for group in _versions(held):
                newest = group[0] if len(group) == 1 else _newest(group, self._times)
                if newest is None:
                    message = "two versions that differ, and neither is the newer one"
                    problems += [self._problem(analyte, each, Trouble.CONFLICT, message) for each in group]
                else:
                    newest_of_each.append(newest)
        kept = self._counted(analyte, newest_of_each, problems)
        done = self._done[analyte] = tuple(kept), tuple(sorted(problems, key=_by_place))
        return done

    def _problem(
        self, analyte: str, held: Held, trouble: Trouble, message: str, as_sent: str = "", question: str = ""
    ) -> Problem:
        moment = self._moment(held.observation)
        label = ANALYTES[analyte].label
        return Problem(
            trouble,
            held.ref,
            held.path,
            analyte,
            message if message.startswith(label) else f"{label}: {message}",
            as_sent,
            question,
            moment if isinstance(moment, Moment) else None,
        )

    def _result(self, analyte: str, held: Held) -> Result | Problem | None:
        observation, part = held.observation, held.component
        status = observation.status
        if status in IGNORED:
            return None
        if status not in COUNTED:
            return self._problem(analyte, held, Trouble.STATUS, "its status is not one that FHIR knows")
        if _modified(observation) or (part is not None and part.modifierExtension is not None):
            return self._problem(analyte, held, Trouble.MODIFIER, "it carries a modifier that is not understood")
        if len(held.measured.analytes) > 1:
            return self._problem(analyte, held, Trouble.NOT_UNDERSTOOD, "its codes contradict each other")
        moment = self._moment(observation)
        if not isinstance(moment, Moment):
            return self._problem(analyte, held, *moment)
        if part is None and observation.component and observation.dataAbsentReason is None and not value_count(observation):
            return None
        read = self._values.read(analyte, held.measured.method, held.measured.codes, observation, part)
        if isinstance(read, Refused):
            return self._problem(analyte, held, read.trouble, read.message, read.as_sent, read.question)
        return _counted(analyte, held, moment, read)

    def _plain(self, analyte: str, held: Held) -> Result | None:
        """What nearly every result is: counted, drawn at a stated time, one number with a unit. The same as `_result` at a third
        of the cost; None for everything else.
        """
        observation, measured = held.observation, held.measured
        drawn = observation.effectiveDateTime
        if (
            not drawn
            or observation.status not in COUNTED
            or observation.modifierExtension is not None
            or observation.implicitRules is not None
            or observation.effectivePeriod is not None
            or observation.effectiveInstant
            or observation.effectiveTiming is not None
            or len(measured.analytes) > 1
        ):
            return None
        source: Observation | Component = observation
        part = None
        if held.part is not None:
            source = part = observation.component[held.part]
            if part.modifierExtension is not None:
                return None
        read = self._values.plain(analyte, measured.codes, source)
        if read is None:
            return None
        moment = self._times.read(drawn)
        if moment is None or moment.latest > self._times.now:
            return None
        specimen, name = observation.specimen, observation.id
        remarks = observation.interpretation or observation.note or (specimen is not None and specimen.display) or part is not None
        label = self._labels.get(id(measured.concept))
        if label is None:
            label = self._labels[id(measured.concept)] = label_of(measured.concept)
        return Result(
            f"Observation/{name}" if 0 < len(name) <= _LONGEST_ID else held.ref,
            analyte,
            read.value,
            read.reported,
            read.unit,
            read.text,
            moment,
            measured.method,
            measured.specimen,
            measured.codes[0],
            observation.status == "preliminary",
            bool(remarks) and haemolysed(observation, part),
            label,
            f"prefetch.{held.key}.entry[{held.index}].resource" if part is None and held.index >= 0 else held.path,
        )

    def _moment(self, observation: Observation) -> Moment | tuple[Trouble, str]:
        """When the sample was drawn (F-6), or why that is not known."""
        given = [text for text in (observation.effectiveDateTime, observation.effectiveInstant) if text]
        period = observation.effectivePeriod
        if len(given) + (period is not None) + (observation.effectiveTiming is not None) > 1:
            return Trouble.STRUCTURE, "two times where FHIR allows one"
        times = self._times
        if observation.effectiveTiming is not None:
            return Trouble.TIME_UNREADABLE, "its time is a schedule"
        if given:
            moment = times.read(given[0])
        elif period is not None and (period.end or period.start):
            moment = times.read(period.end or period.start)
            if moment is not None and not period.end:
                if moment.earliest is not None and moment.earliest > times.limit:
                    return Trouble.FUTURE, "its time is in the future"
                moment = Moment(moment.earliest, max(times.now, moment.latest), "period without an end", moment.text)
        elif observation.issued:
            moment = times.read(observation.issued)
            if moment is not None:
                moment = Moment(None, moment.latest, "issued only", moment.text)
        else:
            return Trouble.NO_TIME, "it has no time"
        if moment is None:
            return Trouble.TIME_UNREADABLE, "its time is not readable"
        past = times.past(moment)
        return (Trouble.FUTURE, "its time is in the future") if past is None else past


def _counted(analyte: str, held: Held, moment: Moment, read: Read) -> Result:
    observation, part = held.observation, held.component
    return Result(
        ref=held.ref,
        analyte=analyte,
        value=read.value,
        reported=read.reported,
        unit=read.unit,
        text=read.text,
        at=moment,
        method=held.measured.method,
        specimen=held.measured.specimen,
        code=held.measured.codes[0],
        preliminary=observation.status == "preliminary",
        haemolysed=haemolysed(observation, part),
        label=label_of(held.measured.concept),
        path=held.path,
    )


def _modified(observation: Observation) -> bool:
    return observation.modifierExtension is not None or observation.implicitRules is not None


def _all_different(held: list[Held]) -> bool:
    """Whether surely no two entries are versions of one result: every one has an id, and no id or identifier comes twice."""
    ids = {each.observation.id for each in held}
    if len(ids) != len(held) or "" in ids:
        return False
    names = [(name.system, name.value) for each in held for name in each.observation.identifier]
    return len(set(names)) == len(names)


def _versions(held: list[Held]) -> list[list[Held]]:
    """Groups of entries that are versions of one result: the same id, or the same identifier."""
    parents = list(range(len(held)))

    def root(number: int) -> int:
        while parents[number] != number:
            parents[number] = parents[parents[number]]
            number = parents[number]
        return number

    first: dict[tuple[str, ...], int] = {}
    for number, each in enumerate(held):
        observation = each.observation
        part = "" if each.part is None else str(each.part)
        keys: list[tuple[str, ...]] = [("id", observation.id, part)] if observation.id else []
        keys += [("identifier", i.system, i.value, part) for i in observation.identifier if i.value]
        for key in keys:
            one, other = root(first.setdefault(key, number)), root(number)
            parents[max(one, other)] = min(one, other)
    groups: dict[int, list[Held]] = {}
    for number, each in enumerate(held):
        groups.setdefault(root(number), []).append(each)
    return list(groups.values())


def _newest(group: list[Held], times: Times) -> Held | None:
    """The version that holds. None when two that differ cannot be told apart by version, status or issue time."""
    best = group[0]
    tied = False
    for each in group[1:]:
        order = _compare(each.observation, best.observation, times)
        if order > 0:
            best, tied = each, False
        elif order == 0 and _content(each) != _content(best):
            tied = True
    return None if tied else best


def _compare(one: Observation, other: Observation, times: Times) -> int:
    """Positive when `one` is the newer version."""
    if one.meta is not None and other.meta is not None:
        mine, yours = _instant(one.meta.lastUpdated, times), _instant(other.meta.lastUpdated, times)
        if mine is not None and yours is not None and mine != yours:
            return 1 if mine > yours else -1
        if one.id == other.id and one.meta.versionId.isdecimal() and other.meta.versionId.isdecimal():
            first, second = one.meta.versionId[:18], other.meta.versionId[:18]
            if int(first) != int(second):
                return 1 if int(first) > int(second) else -1
    ranks = _RANK.get(one.status, 0), _RANK.get(other.status, 0)
    if ranks[0] != ranks[1]:
        return 1 if ranks[0] > ranks[1] else -1
    mine, yours = _instant(one.issued, times), _instant(other.issued, times)
    if mine is not None and yours is not None and mine != yours:
        return 1 if mine > yours else -1
    return 0


def _instant(text: str, times: Times) -> int | None:
    moment = times.read(text) if text else None
    return None if moment is None else moment.latest


def _content(held: Held) -> tuple[object, ...]:
    observation, source = held.observation, held.component or held.observation
    quantity = source.valueQuantity
    number = None if quantity is None else number_of(quantity.value)
    return (
        observation.status,
        held.measured.codes,
        None if quantity is None else (number, quantity.comparator, quantity.code, quantity.unit),
        source.valueString,
        None if source.valueCodeableConcept is None else label_of(source.valueCodeableConcept),
        bytes(source.valueInteger),
        observation.effectiveDateTime,
        observation.effectiveInstant,
        source.dataAbsentReason is None,
    )


def _agreed(analyte: str, sent: list[tuple[Result, Held]]) -> tuple[list[Result], list[Problem]]:
    """Copies of one result become one; different values of one specimen, code and instant are all set aside (F-7).

    Those of one instant are in the order of their names.
    """
    drawn: dict[int, int] = {}
    for result, _ in sent:
        instant = result.at.latest
        drawn[instant] = drawn.get(instant, 0) + 1
    if len(drawn) == len(sent):
        return [result for result, _ in sent], []
    alone = [result for result, _ in sent if drawn[result.at.latest] == 1]
    found = [(result, _specimen(held)) for result, held in sent if drawn[result.at.latest] > 1]
    values: dict[tuple[object, ...], set[tuple[object, ...]]] = {}
    for result, specimen in found:
        if specimen and result.at.exact:
            key = (specimen, result.code, result.at.latest)
            values.setdefault(key, set()).add((result.value, result.reported, result.unit))
    kept: dict[tuple[object, ...], Result] = {}
    problems: list[Problem] = []
    for result, specimen in found:
        if len(values.get((specimen, result.code, result.at.latest), ())) > 1:
            message = f"{ANALYTES[analyte].label}: two different values for one specimen and time"
            problems.append(
                Problem(Trouble.CONFLICT, result.ref, result.path, analyte, message, result.text, "which of the two is right?", result.at)
            )
            continue
        same = (
            result.code, result.method, result.specimen, result.at.earliest, result.at.latest, result.value, result.reported,
            result.unit, result.preliminary, result.haemolysed, specimen,
        )  # fmt: skip
        first = kept.get(same)
        if first is None or (result.ref, result.path) < (first.ref, first.path):
            kept[same] = result
    return alone + sorted(kept.values(), key=_by_name), problems


def _specimen(held: Held) -> str:
    specimen = held.observation.specimen
    return "" if specimen is None else specimen.reference
