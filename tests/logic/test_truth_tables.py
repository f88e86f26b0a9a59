"""Strong Kleene truth: the tables by definition, and what follows from them. Source: Kleene 1952, Introduction to Metamathematics, section 64."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.logic.criteria import AllOf, AnyOf, AtLeast, HookIs
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, all_of, any_of, at_least, negated, truth_of

TRUTHS = (TRUE, FALSE, UNKNOWN)
T, F, U = TRUE, FALSE, UNKNOWN
AND = {(T, T): T, (T, F): F, (T, U): U, (F, T): F, (F, F): F, (F, U): F, (U, T): U, (U, F): F, (U, U): U}
OR = {(T, T): T, (T, F): T, (T, U): T, (F, T): T, (F, F): F, (F, U): U, (U, T): T, (U, F): U, (U, U): U}
many = st.lists(st.sampled_from(TRUTHS), min_size=1, max_size=6)


@pytest.mark.parametrize("pair", list(itertools.product(TRUTHS, TRUTHS)))
def test_tables(pair: tuple[Truth, Truth]) -> None:
    assert all_of(pair) is AND[pair]
    assert any_of(pair) is OR[pair]
    assert [negated(t) for t in TRUTHS] == [F, T, U]


@given(many)
def test_de_morgan(truths: list[Truth]) -> None:
    assert negated(all_of(truths)) is any_of(negated(t) for t in truths)
    assert negated(any_of(truths)) is all_of(negated(t) for t in truths)


@given(many)
def test_at_least_one_is_any_and_at_least_all_is_all(truths: list[Truth]) -> None:
    assert at_least(1, truths) is any_of(truths)
    assert at_least(len(truths), truths) is all_of(truths)


@given(many, st.integers(0, 5), st.sampled_from((TRUE, FALSE)), st.integers(1, 6))
def test_settling_an_unknown_never_turns_an_answer_round(truths: list[Truth], place: int, settled: Truth, count: int) -> None:
    at = place % len(truths)
    filled = [settled if i == at and t is UNKNOWN else t for i, t in enumerate(truths)]
    for combine in (all_of, any_of, lambda ts: at_least(count, ts)):
        before, after = combine(truths), combine(filled)
        assert before is UNKNOWN or after is before


@pytest.mark.parametrize("truth", TRUTHS)
def test_a_truth_is_no_bool(truth: Truth) -> None:
    with pytest.raises(TypeError, match="three values"):
        bool(truth)


def test_control_a_plain_enum_would_be_true() -> None:
    """Why bool() must raise: without the guard UNKNOWN counts as true in an `if`."""
    from enum import Enum

    plain = Enum("plain", "UNKNOWN")
    with pytest.raises(AssertionError):
        assert not bool(plain.UNKNOWN)


def test_none_is_unknown() -> None:
    assert [truth_of(x) for x in (True, False, None)] == [T, F, U]


@pytest.mark.parametrize("node", (AllOf, AnyOf))
def test_an_empty_connective_is_an_error(node: type[AllOf] | type[AnyOf]) -> None:
    with pytest.raises(ValueError, match="needs a part"):
        node(())
    assert node((HookIs(("order-sign",)),))


@pytest.mark.parametrize("count", (0, 2))
def test_at_least_more_than_there_are_is_an_error(count: int) -> None:
    with pytest.raises(ValueError, match="AtLeast"):
        AtLeast(count, (HookIs(("order-sign",)),))
