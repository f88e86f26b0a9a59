"""The course on one card: when it speaks, what each part says, and that it says nothing that is not in the chart."""

from __future__ import annotations

import pytest

from cds.overviews import COURSE
from tests.overviews.making import faults, table
from tests.topics.table import Row

ROWS = table("course.md")


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_hz_06_hz_07_rows(row: Row) -> None:
    """Each part at its limits, with what is missing, stale and unusable."""
    assert faults(row, COURSE, "patient-view") == []
