"""The chart as one frozen value: a patient, results, conditions and orders, read at one instant.

Nothing here knows FHIR. Times are whole milliseconds since 1970 UTC; numbers are Decimal. What could not be read is in the chart too,
as a `Problem`, because a gap that nobody mentions is read as normal (HZ-07).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum
from typing import Protocol

import msgspec

from cds.numbers import Interval

MINUTE = 60_000
DAY = 24 * 60 * MINUTE


class Moment(msgspec.Struct, frozen=True, gc=False):
    """When something happened, as the span of instants that the record allows.

    `earliest` is None for "at or before `latest`" (only an issue time is known, F-6). `mark` says why the span is not a point:
    "date only", "zone taken as +01:00", "issued only", "no zone".
    """

    earliest: int | None
    latest: int
    mark: str = ""
    text: str = ""

    @property
    def exact(self) -> bool:
        """Whether the record names one instant."""
        return self.earliest == self.latest


class Feed(Enum):
    """What became of one list that Trivet asks the EHR for. The first state is the only one that may say "there is none".

    UNSTATED: whole and empty, where empty means "not recorded" (allergies without an explicit "none known").
    """

    WHOLE = "sent whole"
    PARTIAL = "sent in part"
    UNSTATED = "sent, and says nothing"
    ABSENT = "not sent"
    FAILED = "fetch failed"


@dataclass(frozen=True, slots=True)
class Source:
    """One prefetch key: its state, the reason in words, and for a page that is verifiably newest first the time of its oldest entry (F-39)."""

    key: str
    feed: Feed
    detail: str = ""
    newest_first_until: int | None = None

    def covers(self, since: int) -> bool:
        """Whether the list is complete for everything drawn at or after `since` (epoch ms)."""
        if self.feed is Feed.WHOLE:
            return True
        return self.feed is Feed.PARTIAL and self.newest_first_until is not None and self.newest_first_until < since


class Trouble(Enum):
    """Why a resource, or a part of one, was set aside. Closed; each has one sentence on a card (E2)."""

    STRUCTURE = "structure not valid"
    RELEASE = "shaped for another FHIR release"
    UNIT_MISSING = "no unit"
    UNIT_UNKNOWN = "unit not recognised"
    UNIT_WRONG_KIND = "unit does not fit what was measured"
    IMPLAUSIBLE = "outside what a living patient can have"
    NOT_A_NUMBER = "text instead of a number"
    NO_VALUE = "no value"
    CONFLICT = "two different values for one specimen and time"
    NO_TIME = "no time"
    TIME_UNREADABLE = "time not readable"
    FUTURE = "time in the future"
    OTHER_PATIENT = "belongs to another patient"
    NO_SUBJECT = "no patient named"
    STATUS = "status not recognised"
    MODIFIER = "modifier extension not understood"
    DRUG_UNKNOWN = "drug not recognised"
    REFERENCE = "referenced medication not found"
    STRENGTH = "strength read two ways"
    NOT_UNDERSTOOD = "not understood"


@dataclass(frozen=True, slots=True)
class Problem:
    """Something sent that was not used: where, what it looked like, why, and which item it could have been.

    `item` is an analyte name, "conditions", "medications", "patient" or "" when it bears on nothing that Trivet reads.
    `suspicion` is a question for a person ("is this µmol/L?"), never a correction. No identifier of another patient is ever held here.
    """

    trouble: Trouble
    ref: str
    path: str
    item: str
    message: str
    as_sent: str = ""
    suspicion: str = ""
    at: Moment | None = None


class Result(msgspec.Struct, frozen=True, gc=False):
    """One measured value that counts (status, subject, unit, range and time all read).

    `value` is in the analyte's canonical unit; `reported` is the same number in `unit`, the UCUM unit that was sent (comparisons use it,
    MET 1.2); `text` is the number, comparator and unit as sent. `method` and `specimen` are kept, never pooled silently (HZ-21).
    """

    ref: str
    analyte: str
    value: Interval
    reported: Interval
    unit: str
    text: str
    at: Moment
    method: str = ""
    specimen: str = ""
    code: str = ""
    preliminary: bool = False
    haemolysed: bool = False
    label: str = ""
    path: str = ""


class Results(Protocol):
    """Results by analyte. Reading is a pure look-up: the same analyte gives the same tuple every time."""

    def of(self, analyte: str) -> tuple[Result, ...]:
        """Every counted result of the analyte, newest first (by the latest instant that its time allows)."""

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """The newest of `of`: at least every result that may have been drawn at or after `floor` (epoch ms), perhaps older ones after them."""

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """The newest of `of` that was surely drawn from `floor` to `now` (epoch ms), as `newest_between` finds it."""

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """What was sent for the analyte and set aside."""

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """Of `problems` at least those whose time may lie at or after `floor` (epoch ms), and those without a time."""

    def analytes(self) -> frozenset[str]:
        """Every analyte for which something was sent, read or set aside."""


def newest_between(results: Sequence[Result], floor: int, now: int) -> Result | None:
    """Of results from the newest to the oldest the first that was surely drawn from `floor` to `now` (epoch ms)."""
    for result in results:
        at = result.at
        if at.latest < floor:
            # Newest first: nothing that follows is newer.
            return None
        if at.latest <= now and at.earliest is not None and at.earliest >= floor:
            return result
    return None


@dataclass(frozen=True, slots=True)
class Condition:
    """A diagnosis. `concepts` are our names (vocabulary); `clinical` is the FHIR code, "" when none was sent (counts as active, and is named)."""

    ref: str
    concepts: tuple[str, ...]
    clinical: str
    verification: str
    label: str
    onset: Moment | None = None
    recorded: Moment | None = None
    abatement: Moment | None = None
    encounter_reason: bool = False
    path: str = ""

    @property
    def stands(self) -> bool:
        """Neither refuted nor entered in error."""
        return self.verification not in ("refuted", "entered-in-error")

    @property
    def active(self) -> bool:
        """Active now by its own status, or without a status; an abatement ends it."""
        return self.stands and self.clinical in ("active", "recurrence", "relapse", "") and self.abatement is None


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its unit as an order states it. `unit` is the canonical UCUM code, None when the unit was missing or not understood.

    A range holds both ends in `value`. `text` is what was sent.
    """

    value: Interval
    unit: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Ingredient:
    """One part of a product: `drug` is our name or None (not recognised); an inactive part is a diluent, never an identity."""

    drug: str | None
    label: str
    active: bool = True
    strength: Measure | None = None
    per: Measure | None = None
    codes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Dosage:
    """One dosageInstruction, only read, not yet interpreted (cds.orders.reading does that).

    `route` is our kind ("intravenous", "oral" ...) or None; `line` is "central", "peripheral" or None, `line_from_text` marks a reading that may raise
    but never silence (F-16). `rate` over `rate_per` holds rateRatio; `rate` alone holds rateQuantity or rateRange. `duration_minutes` is
    timing.repeat.duration; `per_day` is frequency over period in days; `once` is True when no frequency is given.
    """

    text: str = ""
    route: str | None = None
    route_stated: bool = False
    line: str | None = None
    line_from_text: bool = False
    push: bool = False
    dose: Measure | None = None
    rate: Measure | None = None
    rate_per: Measure | None = None
    duration_minutes: Interval | None = None
    per_day: Decimal | None = None
    once: bool = True
    as_needed: bool = False
    start: Moment | None = None
    end: Moment | None = None
    events: tuple[Moment, ...] = ()
    not_understood: tuple[str, ...] = ()
    diluents_in_text: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Order:
    """One MedicationRequest. `drafted` orders come from draftOrders; the rest from the medication list.

    `drugs` are the recognised active ingredients; `unrecognised` are labels of active ingredients that no code table knows.
    `raw_key` finds the resource as received, for suggestions that must return it whole.
    """

    ref: str
    drafted: bool
    status: str
    intent: str
    label: str
    drugs: tuple[str, ...]
    ingredients: tuple[Ingredient, ...]
    dosages: tuple[Dosage, ...]
    unrecognised: tuple[str, ...] = ()
    volume: Measure | None = None
    selected: bool = True
    do_not_perform: bool = False
    reported: bool = False
    community: bool = False
    authored: Moment | None = None
    prior: str | None = None
    based_on: tuple[str, ...] = ()
    group: str | None = None
    identifiers: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    reason_stated: bool = False
    problems: tuple[Problem, ...] = ()
    path: str = ""
    raw_key: str = ""


@dataclass(frozen=True, slots=True)
class Administration:
    """A MedicationAdministration: it outranks the order it names (HZ-13). `dose`, `route` and `rate` (over `rate_per`, as in Dosage) as it states them,
    None where it does not; `reasons` are our concepts."""

    ref: str
    order: str | None
    status: str
    drugs: tuple[str, ...]
    start: Moment | None = None
    end: Moment | None = None
    label: str = ""
    dose: Measure | None = None
    route: str | None = None
    reasons: tuple[str, ...] = ()
    rate: Measure | None = None
    rate_per: Measure | None = None


class Allergy(msgspec.Struct, frozen=True, gc=False):
    """An allergy or intolerance: our drug names and classes, and the `group` of its reaction: "severe immediate", "severe delayed", "mild",
    "not allergy" or "unknown" (also what could not be read). `stands`: neither refuted, entered in error nor inactive.
    """

    ref: str
    drugs: tuple[str, ...]
    classes: tuple[str, ...]
    group: str
    label: str
    recorded: Moment | None = None
    stands: bool = True
    path: str = ""


class Care(msgspec.Struct, frozen=True, gc=False):
    """A procedure: our concepts, FHIR status ("in-progress" and "active" go on), and when."""

    ref: str
    concepts: tuple[str, ...]
    status: str
    label: str
    start: Moment | None = None
    end: Moment | None = None
    path: str = ""


class Investigation(msgspec.Struct, frozen=True, gc=False):
    """A test that was ordered (ServiceRequest): analyte names or our words for tests ("ecg", "blood_culture", "pregnancy_test" ...)."""

    ref: str
    items: tuple[str, ...]
    drafted: bool
    status: str
    label: str
    at: Moment | None = None
    path: str = ""


class Susceptibility(msgspec.Struct, frozen=True, gc=False):
    """What a laboratory says of one organism and one drug: `drug` is our name, or a marker ("esbl", "carbapenemase"; "oxacillin" and "cefoxitin" stand for
    a class in staphylococci only). `result` "S", "I" or "R"; `specimen` "blood", "urine", "csf" or "other"; `colonisation`: a screening swab.
    """

    ref: str
    drug: str
    result: str
    label: str
    organism: str = ""
    specimen: str = "other"
    at: Moment | None = None
    preliminary: bool = False
    colonisation: bool = False
    path: str = ""


class Culture(msgspec.Struct, frozen=True, gc=False):
    """A culture: `kind` as in Susceptibility; `result` "positive", "negative", "mixed", "contaminated" or "pending"; the organisms by name."""

    ref: str
    kind: str
    result: str
    label: str
    organisms: tuple[str, ...] = ()
    at: Moment | None = None
    final: bool = False
    path: str = ""


@dataclass(frozen=True, slots=True)
class Patient:
    """Who: sex as FHIR's administrative gender or "", and the span of days on which the patient may have been born (None: not recorded)."""

    sex: str = ""
    born: tuple[dt.date, dt.date] | None = None
    deceased: bool = False


@dataclass(frozen=True, slots=True)
class NoResults:
    """A chart without results."""

    def of(self, analyte: str) -> tuple[Result, ...]:
        """Always empty."""
        return ()

    def since(self, analyte: str, floor: int) -> tuple[Result, ...]:
        """Always empty."""
        return ()

    def current(self, analyte: str, floor: int, now: int) -> Result | None:
        """Always none."""
        return None

    def problems(self, analyte: str) -> tuple[Problem, ...]:
        """Always empty."""
        return ()

    def problems_since(self, analyte: str, floor: int) -> tuple[Problem, ...]:
        """Always empty."""
        return ()

    def analytes(self) -> frozenset[str]:
        """Always empty."""
        return frozenset()


@dataclass(frozen=True, slots=True)
class Chart:
    """Everything that `assess` may read. `sources` tells for each prefetch key whether silence means "none" or "not known";
    `item_keys` names for each item (an analyte, "medications", "conditions") the keys that it may come from. An item without keys was
    asked for in another way and counts as sent whole.
    """

    now: int
    hook: str
    patient: Patient = Patient()
    results: Results = field(default_factory=NoResults)
    conditions: tuple[Condition, ...] = ()
    orders: tuple[Order, ...] = ()
    administrations: tuple[Administration, ...] = ()
    sources: Mapping[str, Source] = field(default_factory=dict)
    item_keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    other_patient_items: int = 0
    allergies: tuple[Allergy, ...] = ()
    procedures: tuple[Care, ...] = ()
    investigations: tuple[Investigation, ...] = ()
    susceptibilities: tuple[Susceptibility, ...] = ()
    cultures: tuple[Culture, ...] = ()

    def source(self, key: str) -> Source:
        """The state of one prefetch key; a key that was never named is absent."""
        return self.sources.get(key) or Source(key, Feed.ABSENT)

    def age_years(self) -> tuple[int, int] | None:
        """Completed years at `now`, as the youngest and oldest that the birth date allows (UTC day). None: not recorded."""
        if self.patient.born is None:
            return None
        today = dt.datetime.fromtimestamp(self.now / 1000, dt.UTC).date()
        return _years(self.patient.born[1], today), _years(self.patient.born[0], today)

    def age_days(self) -> tuple[int, int] | None:
        """Age in days, youngest and oldest. None: not recorded."""
        if self.patient.born is None:
            return None
        today = dt.datetime.fromtimestamp(self.now / 1000, dt.UTC).date()
        return (today - self.patient.born[1]).days, (today - self.patient.born[0]).days


def _years(born: dt.date, today: dt.date) -> int:
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


@dataclass(frozen=True, slots=True)
class Override:
    """One remembered override (C-05): which advisory, at which indicator, by whom, on which deciding inputs, when, and why."""

    code: str
    indicator: str
    inputs: str
    at: int
    user: str
    encounter: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Promise:
    """One override "will monitor", by whomever and in whichever encounter: the promise is to the patient and outlives a shift and a move (HZ-47)."""

    code: str
    indicator: str
    at: int
    inputs: str = ""


@dataclass(frozen=True, slots=True)
class Memory:
    """What earlier answers were told. Of `overrides` only those of the same user and encounter are here, as the edge decides (F-41); `promises` are the
    patient's."""

    overrides: tuple[Override, ...] = ()
    promises: tuple[Promise, ...] = ()


NO_MEMORY = Memory()
