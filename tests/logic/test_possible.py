"""A look back is skipped only where its criterion could not have been TRUE at any instant (cds.logic.possible)."""

from __future__ import annotations

import random

import pytest

from cds.chart import MINUTE, Chart, Feed
from cds.logic import compiled as compiling
from cds.logic.compiled import compile_criterion
from cds.logic.criteria import AllOf, AnyOf, AtLeastValue, Below, Criterion, Latest, NoneWithin, StillIn
from cds.logic.evaluate import evaluate
from cds.logic.possible import possible
from cds.logic.truth import TRUE
from tests.logic.scenes import NOW, chart, limit, result, scene

AGE, DAY, MOST = limit("240", "min", "age"), limit("1440", "min", "day"), limit("48", "1", "most")
KETONES = AtLeastValue(Latest("beta_hydroxybutyrate", AGE), limit("3", "mmol/L", "ketones"))
ACID = Below(Latest("ph", AGE), limit("7.3", "1", "acid"))
NO_URINE = NoneWithin(("urine_ketones",), AGE)
BEGINS: tuple[Criterion, ...] = (KETONES, AllOf((KETONES, ACID)), AnyOf((KETONES, ACID)), AllOf((KETONES, NO_URINE)))
CLEARED = Below(Latest("beta_hydroxybutyrate", AGE), limit("0.6", "mmol/L", "cleared"))


def course(seed: int, feeds: dict[str, Feed] | None = None) -> Chart:
    """Ketones and pH over two days, drawn at random times with random values."""
    source = random.Random(seed)
    drawn = [result("beta_hydroxybutyrate", source.choice(["0.4", "1.2", "2.9", "3", "4.4", ">3"]), source.randrange(2880), ref=f"Observation/b{n}") for n in range(source.randrange(6))]
    drawn += [result("ph", source.choice(["7.10", "7.29", "7.30", "7.38"]), source.randrange(2880), ref=f"Observation/p{n}") for n in range(source.randrange(6))]
    return chart(*drawn, feeds=feeds)


@pytest.mark.parametrize("begins", BEGINS, ids=range(len(BEGINS)))
@pytest.mark.parametrize("seed", range(60))
def test_what_is_not_possible_was_true_at_no_instant(begins: Criterion, seed: int) -> None:
    seen = scene(course(seed))
    floor = NOW - 1440 * MINUTE
    test = possible(begins, seen, floor)
    instants = {r.at.latest for name in ("beta_hydroxybutyrate", "ph") for r in seen.results(name) if floor <= r.at.latest}
    denied = [instant for instant in instants if test is None or not test(instant)]
    assert all(evaluate(begins, seen.at(instant)).truth is not TRUE for instant in denied)


@pytest.mark.parametrize("feeds", [None, {"results": Feed.PARTIAL}], ids=["whole", "in part"])
@pytest.mark.parametrize("seed", range(60))
def test_a_look_back_that_is_skipped_gives_what_looking_gives(seed: int, feeds: dict[str, Feed] | None) -> None:
    for begins in BEGINS:
        node = StillIn(begins, CLEARED, ("beta_hydroxybutyrate", "ph"), DAY, MOST)
        assert compile_criterion(node).truth(scene(course(seed, feeds)), None) is evaluate(node, scene(course(seed, feeds))).truth


def test_some_look_backs_are_skipped_and_some_are_not() -> None:
    told = [possible(KETONES, scene(course(seed)), NOW - 1440 * MINUTE) is not None for seed in range(60)]
    assert 10 < sum(told) < 50


def test_control_a_check_that_denies_everything_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    node = StillIn(KETONES, CLEARED, ("beta_hydroxybutyrate",), DAY, MOST)
    held = chart(result("beta_hydroxybutyrate", "4.4", 600), result("beta_hydroxybutyrate", "1.2", 60))
    assert compile_criterion(node).truth(scene(held), None) is TRUE
    monkeypatch.setattr(compiling, "possible", lambda *_: None)
    assert compile_criterion(node).truth(scene(held), None) is not TRUE
