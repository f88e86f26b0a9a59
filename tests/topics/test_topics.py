"""Each row of each table raises exactly the advisories that it names, in every way of evaluating."""

from __future__ import annotations

import pytest

from tests.topics.table import Row, rows

TABLES = (
    "potassium.md",
    "potassium_infusion.md",
    "potassium_order.md",
    "potassium_trend.md",
    "hyperkalaemia.md",
    "qt.md",
    "minerals.md",
    "minerals_order.md",
    "glucose.md",
    "insulin.md",
    "crisis_course.md",
    "crisis_over.md",
    "insulin_stop.md",
    "insulin_change.md",
    "ketoacidosis.md",
    "hyperosmolar.md",
    "acidosis.md",
    "acidosis_orders.md",
    "sodium.md",
    "osmolality.md",
    "fluid.md",
    "interactions.md",
    "sepsis.md",
    "seizure.md",
    "anti_seizure.md",
    "anti_seizure_dose.md",
    "anti_seizure_contraindication.md",
    "benzodiazepine.md",
    "seizure_cause.md",
    "threshold.md",
    "anti_seizure_kidney.md",
    "anti_seizure_level.md",
    "anti_seizure_level_missing.md",
    "anti_seizure_stop.md",
    "anti_seizure_course.md",
    "eclampsia.md",
    "special_seizures.md",
    "carbapenem.md",
    "antibacterial_kidney.md",
    "antibacterial_delay.md",
    "culture.md",
    "allergy.md",
)
ALL = [row for name in TABLES for row in rows(name)]


@pytest.mark.parametrize("row", ALL, ids=str)
def test_hz_17_hz_22_hz_28_rows(row: Row) -> None:
    """Below, at and above each limit, in each unit and profile, with what is missing, for adults and children."""
    assert row.found() == row.expect()


@pytest.mark.parametrize("row", ALL, ids=str)
def test_rows_ungated_and_interpreted(row: Row) -> None:
    """The trigger and the compiled form change nothing (F-28)."""
    assert row.found(gated=False) == row.found() == row.found(interpreted=True)
