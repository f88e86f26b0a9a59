"""Readiness for discharge: each item present, missing, stale and off target, and that the card never says ready over what is not known."""

from __future__ import annotations

import pytest

from cds.overviews import DISCHARGE
from tests.overviews.making import faults, table
from tests.topics.table import Row

ROWS = table("discharge.md")


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_hz_06_hz_07_rows(row: Row) -> None:
    """Each item at its limits, with what is missing, stale and unusable."""
    assert faults(row, DISCHARGE, "encounter-discharge") == []
