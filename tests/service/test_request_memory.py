"""What a request leaves behind: nothing that only the collector could free, for it comes by every twenty requests and stops the service for all of them."""

from __future__ import annotations

import gc

import pytest

from cds.logic.scene import Scene
from tests.benchmarks.fixture import request
from tests.benchmarks.intake_and_rules import Bench


def circles(bench: Bench, body: bytes) -> int:
    """How many objects of one answer only the collector frees."""
    bench.answer(body)
    gc.collect()
    gc.disable()
    try:
        bench.answer(body)
        return gc.collect()
    finally:
        gc.enable()


@pytest.mark.parametrize("size", [1, 100])
def test_an_answer_leaves_no_circles(size: int) -> None:
    assert circles(Bench(), request(size)) == 0


def test_control_scenes_that_do_not_forget_leave_circles(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Scene, "forget", lambda self: None)
    assert circles(Bench(), request(100)) > 100
