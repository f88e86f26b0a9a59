"""Whether the sources behind a card were to be read again: said on the card and in the list of advisories (HZ-26)."""

from __future__ import annotations

import datetime as dt

import pytest

from cds.cards.parts import review_by
from cds.cli.knowledge import late_reviews
from tests import charts
from tests.cards.making import body_of
from tests.charts import NOW, chart, order, result
from tests.topics.table import knowledge

DAY = 86_400_000


def due(code: str) -> int:
    """Midnight (epoch ms) of the day by which an advisory is to be reviewed."""
    adult = knowledge().adult
    day = review_by(adult.advisory(code), adult.p)
    return int(dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC).timestamp() * 1000)


@pytest.mark.parametrize(("after_days", "said"), [(0, False), (1, True), (400, True)])
def test_hz_26_the_card_says_that_a_review_is_overdue(after_days: int, said: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock moved past the day: the whole chart moves with it, so that only the review has grown old."""
    monkeypatch.setattr(charts, "NOW", due("insulin-with-low-potassium") + after_days * DAY)
    held = chart(result("potassium", "3.1", age=20), result("glucose", "22", age=20), order("insulin_soluble", drafted=True, rate=("6", "[iU]/h")))
    details = [card["detail"] for card in body_of(held, knowledge())["cards"]]
    assert any("potassium" in detail for detail in details)
    assert any("review of these sources was due by" in detail for detail in details) is said


def test_hz_26_the_list_names_every_advisory_that_is_overdue() -> None:
    assert late_reviews(knowledge(), NOW) == []
    last = max(due(code) for code in knowledge().codes)
    assert [line.split(":")[0] for line in late_reviews(knowledge(), last + DAY)] == list(knowledge().codes)
