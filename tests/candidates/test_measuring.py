"""A test is offered where measuring would settle it, and not where a result was not sent, not fetched or not usable (F-9)."""

from __future__ import annotations

import json
from typing import Any
from unittest import mock

import pytest

from cds import candidates
from tests.synthetic.judging import judge, scenario


def _offered(name: str) -> list[str]:
    """The labels of the suggestions on the card that asks for potassium before insulin."""

    answer: Any = judge(scenario(name))
    cards = json.loads(answer.body)["cards"]
    card = next(c for c in cards if c["source"]["topic"]["code"] == "insulin-without-recent-potassium")
    return [s["label"] for s in card.get("suggestions", [])]


@pytest.mark.parametrize(
    ("name", "state", "offered"),
    [("05", "too old", True), ("10", "not usable", False), ("15", "not sent", False)],
)
def test_potassium_is_offered_only_where_measuring_mends_it(name: str, state: str, offered: bool) -> None:
    assert any("potassium" in label for label in _offered(name)) is offered, state


def test_control_without_the_rule_a_test_is_offered_for_what_was_not_sent() -> None:
    with mock.patch.object(candidates, "_not_for_want_of_measuring", lambda *_: False):
        assert any("potassium" in label for label in _offered("15"))
