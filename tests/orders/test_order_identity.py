"""Which orders run, and which would if the drafts were signed."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D

import pytest

import cds.orders.identity
from cds.chart import DAY, MINUTE, Administration, Feed, Order
from cds.orders.identity import OrderPicture, identify, replaces_by_drug
from tests.orders.builders import NOW, at, bag, chart, dosage, ingredient, order

RUNNING = bag("40", "250")


def refs(orders: tuple[Order, ...]) -> list[str]:
    """Ids of orders."""
    return [each.ref.rsplit("/", 1)[-1] for each in orders]


def draft(ref: str = "2", **more: object) -> Order:
    """A drafted bag of another size than the running one."""
    return bag("20", "100", ref=f"MedicationRequest/{ref}", drafted=True, **more)


def given(status: str, *, start: int | None = None, end: int | None = None) -> Administration:
    """An administration of the running bag; minutes from now."""
    return Administration(
        "MedicationAdministration/a",
        "MedicationRequest/1",
        status,
        ("potassium_chloride",),
        None if start is None else at(start),
        None if end is None else at(end),
    )


@pytest.mark.parametrize(
    ("change", "runs"),
    [
        ({}, True),
        ({"status": "on-hold"}, False),
        ({"status": "stopped"}, False),
        ({"status": "completed"}, False),
        ({"status": "unknown"}, False),
        ({"intent": "plan"}, False),
        ({"intent": "proposal"}, False),
        ({"intent": "filler-order"}, True),
        ({"intent": "instance-order"}, True),
        ({"do_not_perform": True}, False),
        ({"reported": True}, False),
        ({"community": True}, False),
    ],
    ids=str,
)
def test_what_runs(change: dict[str, object], runs: bool) -> None:
    """F-13: active, a counted intent, not reported, not for the community, not a prohibition."""
    assert bool(identify(chart(replace(RUNNING, **change))).running) is runs  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("start", "end", "runs"),
    [(None, None, True), (-60, None, True), (0, None, True), (1, None, False), (-60, 1, True), (-60, 0, False), (-60, -1, False)],
)  # fmt: skip
def test_hz_13_bounds_to_the_minute(start: int | None, end: int | None, runs: bool) -> None:
    """The period of the dosage, at each side of now."""
    bounded = bag("40", "250", start=None if start is None else at(start), end=None if end is None else at(end))
    assert bool(identify(chart(bounded)).running) is runs


@pytest.mark.parametrize("status", ["stopped", "on-hold", "completed"])
@pytest.mark.parametrize("minute", range(-3, 4))
def test_hz_13_administration_outranks_the_order(status: str, minute: int) -> None:
    """An event at each minute around now: before it the bag runs, from it on it does not."""
    picture = identify(chart(RUNNING, administrations=(given(status, start=-60, end=minute),)))
    assert bool(picture.running) is (minute > 0)
    if minute <= 0:
        assert any("administration record" in remark for remark in picture.remarks)


def test_hz_13_in_progress_outranks_a_hold() -> None:
    """On hold by the order, running by the administration record: counted, and said."""
    picture = identify(chart(replace(RUNNING, status="on-hold"), administrations=(given("in-progress", start=-10),)))
    assert refs(picture.running) == ["1"]
    assert picture.basis["MedicationRequest/1"] == "by the administration record"
    assert any("on-hold by the order" in remark for remark in picture.remarks)


def test_hz_13_newest_event_decides() -> None:
    """Bag one is done, bag two runs."""
    events = (given("completed", start=-300, end=-60), given("in-progress", start=-60))
    assert identify(chart(RUNNING, administrations=events)).running
    assert identify(chart(RUNNING, administrations=events[::-1])).running


def test_hz_13_a_dose_of_a_repeated_order_does_not_end_it() -> None:
    """Meropenem three times a day, last dose completed: still running."""
    meropenem = order(ingredient("meropenem"), doses=(dosage(dose="1 g", once=False, per_day=D(3)),))
    event = replace(given("completed", start=-60, end=-30), drugs=("meropenem",))
    assert identify(chart(meropenem, administrations=(event,))).running
    stopped = replace(event, status="stopped")
    assert not identify(chart(meropenem, administrations=(stopped,))).running


def test_control_hz_13(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the administration record a stopped bag would run on."""
    monkeypatch.setattr(cds.orders.identity, "_by_order", lambda *_: {})
    with pytest.raises(AssertionError):
        test_hz_13_administration_outranks_the_order("stopped", 0)


# F-14: stop and change -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["stopped", "cancelled", "on-hold", "completed", "entered-in-error"])
def test_hz_13_same_id_and_a_stopping_status_stops(status: str) -> None:
    """A draft with the id of the running order."""
    stop = replace(RUNNING, drafted=True, status=status)
    picture = identify(chart(RUNNING, stop))
    assert (refs(picture.running), picture.if_signed, picture.drafts) == (["1"], (), ())
    assert picture.stops == {stop.ref: "MedicationRequest/1"}
    assert picture.stopping == (stop,)


def test_same_id_and_draft_replaces() -> None:
    """A new rate for the running order."""
    change = draft("1")
    picture = identify(chart(RUNNING, change))
    assert picture.if_signed == (change,)
    assert picture.changes == {"MedicationRequest/1": "MedicationRequest/1"}


def test_prior_prescription_replaces() -> None:
    """Other id, priorPrescription to the running one, also absolute and with a version."""
    for prior in ("MedicationRequest/1", "https://ehr.example/fhir/MedicationRequest/1", "MedicationRequest/1/_history/3"):
        picture = identify(chart(RUNNING, draft(prior=prior)))
        assert refs(picture.if_signed) == ["2"]


@pytest.mark.parametrize("link", [{"group": "g"}, {"based_on": ("ServiceRequest/9",)}, {}], ids=str)
def test_shared_group_or_nothing_adds(link: dict[str, object]) -> None:
    """Only a group, only a common basis, or nothing: one more bag."""
    picture = identify(chart(replace(RUNNING, **link), draft(**link)))  # type: ignore[arg-type]
    assert refs(picture.if_signed) == ["1", "2"]


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (draft("9", status="stopped"), "stops an order that is not on the list"),
        (draft("9", prior="MedicationRequest/77"), "replaces an order that is not on the list"),
    ],
)
def test_hz_13_unresolved_stop_or_change_subtracts_nothing(entry: Order, words: str) -> None:
    """Named, and the running order counts on."""
    picture = identify(chart(RUNNING, entry))
    assert "1" in refs(picture.if_signed)
    assert any(words in remark for remark in picture.remarks)


def test_drafts_that_are_no_orders() -> None:
    """Options are left out and named; proposals count; prohibitions stand apart (F-12)."""
    picture = identify(chart(draft("2", intent="option"), draft("3", intent="proposal"), replace(draft("4"), do_not_perform=True)))
    assert refs(picture.drafts) == ["3"]
    assert refs(picture.prohibited) == ["4"]
    assert any("option" in remark for remark in picture.remarks)


# Doubles -----------------------------------------------------------------------------------------------------------------------------


def test_hz_12_copies_collapse() -> None:
    """The same id twice, or a shared identifier with the same content."""
    twin = replace(RUNNING, ref="MedicationRequest/2", identifiers=("x",))
    assert refs(identify(chart(RUNNING, RUNNING)).running) == ["1"]
    assert refs(identify(chart(replace(RUNNING, identifiers=("x",)), twin)).running) == ["1"]
    other = bag("20", "250", ref="MedicationRequest/2", identifiers=("x",))
    assert refs(identify(chart(replace(RUNNING, identifiers=("x",)), other)).running) == ["1", "2"]


def pairs(*orders: Order) -> tuple[tuple[str, str], ...]:
    """Doubtful pairs."""
    return identify(chart(*orders)).doubtful_pairs


def test_hz_12_near_doubles_are_pairs() -> None:
    """Same product, rate, line and start within five minutes (F-2)."""
    one, two = "MedicationRequest/1", "MedicationRequest/2"
    assert pairs(RUNNING, bag("40", "250", ref=two)) == ((one, two),)
    assert pairs(RUNNING, bag("40", "250", ref=two, drafted=True)) == ((one, f"draft {two}"),)
    for minutes, expected in ((0, 1), (5, 1), (6, 0)):
        assert len(pairs(bag("40", "250", start=at(-60)), bag("40", "250", ref=two, start=at(-60 + minutes)))) == expected
    assert not pairs(RUNNING, bag("40", "100", ref=two))
    assert not pairs(RUNNING, bag("20", "250", ref=two))
    assert not pairs(RUNNING, bag("40", "250", ref=two, line="central"))
    linked = replace(RUNNING, group="g")
    assert not pairs(linked, bag("40", "250", ref=two, group="g"))


def test_hz_12_two_drafts_are_never_one_bag() -> None:
    """Different ids in one bundle (F-2)."""
    assert not pairs(bag("40", "250", drafted=True), bag("40", "250", ref="MedicationRequest/2", drafted=True))


# Ended, incomplete, unlinked ---------------------------------------------------------------------------------------------------------


def ended(*orders: Order, administrations: tuple[Administration, ...] = ()) -> list[bool]:
    """Carbapenems ended in 14 days: for each whether that is certain."""
    picture = identify(chart(*orders, administrations=administrations))
    return [each.certain for each in picture.recently_ended("carbapenem", days=D(14))]


def meropenem(status: str, **more: object) -> Order:
    """A course of meropenem."""
    end = more.pop("end", None)
    return order(ingredient("meropenem"), status=status, doses=(dosage(dose="1 g", once=False, end=end),), **more)


def test_recently_ended() -> None:
    """By administration, by dosage end, or, uncertainly, some time since it was written."""
    day = DAY // 60_000
    assert ended(meropenem("completed", end=at(-3 * day))) == [True]
    assert ended(meropenem("completed", end=at(-15 * day))) == []
    assert ended(meropenem("active", end=at(-3 * day))) == [True]
    assert ended(meropenem("stopped", authored=at(-3 * day))) == [True]
    # written long ago, stopped at a time not recorded: perhaps yesterday
    assert ended(meropenem("stopped", authored=at(-40 * day))) == [False]
    assert ended(meropenem("stopped")) == [False]
    assert ended(meropenem("cancelled", authored=at(-3 * day))) == []
    assert ended(meropenem("active")) == []
    event = Administration("MedicationAdministration/a", "MedicationRequest/1", "stopped", ("meropenem",), at(-20 * day), at(-15 * day))
    assert ended(meropenem("stopped", authored=at(-40 * day)), administrations=(event,)) == []


def test_a_draft_that_stops_has_just_ended_it() -> None:
    """Valproate drafted with the meropenem stopped in one session still follows it."""
    running = meropenem("active")
    picture = identify(chart(running, replace(running, drafted=True, status="stopped")))
    assert [each.certain for each in picture.recently_ended("carbapenem", days=D(14))] == [True]
    assert picture.ended_since(NOW - DAY) == (running,)


@pytest.mark.parametrize(
    ("given", "found"),
    [
        (meropenem("completed", end=at(-30)), [True]),
        (meropenem("completed", end=at(-60)), [True]),
        (meropenem("completed", end=at(-61)), []),
        (meropenem("stopped", authored=at(-30)), [True]),
        # written before the instant, stopped at a time not recorded: perhaps after it
        (meropenem("stopped", authored=at(-90)), [False]),
        (meropenem("stopped"), [False]),
    ],
)
def test_ended_since_an_hour_ago(given: Order, found: list[bool]) -> None:
    """An end that may lie before the instant is told from one that surely does not."""
    picture = identify(chart(given))
    told = picture.ended_since_certainty(NOW - 60 * MINUTE)
    assert [certain for _, certain in told] == found
    assert picture.ended_since(NOW - 60 * MINUTE) == tuple(each for each, _ in told)


@pytest.mark.parametrize("feed", [Feed.PARTIAL, Feed.ABSENT, Feed.FAILED])
def test_hz_14_incomplete_list_shows(feed: Feed) -> None:
    """Whoever asks can see that the list was not whole."""
    picture: OrderPicture = identify(chart(RUNNING, feed=feed))
    assert not picture.complete
    assert any("not complete" in remark for remark in picture.remarks)
    assert identify(chart(RUNNING)).complete


def test_hz_14_given_without_an_order() -> None:
    """Something runs by the administration record that no order names."""
    event = Administration("MedicationAdministration/b", None, "in-progress", ("potassium_chloride",), at(-10))
    assert identify(chart(administrations=(event,))).unlinked == (event,)


def test_replacing_by_drug() -> None:
    """R-n63: replaces, unless one of the two has no frequency."""
    repeated = order(ingredient("meropenem"), doses=(dosage(dose="1 g", once=False),))
    loading = order(ingredient("meropenem"), doses=(dosage(dose="2 g"),))
    assert replaces_by_drug(repeated, repeated)
    assert not replaces_by_drug(loading, repeated)
