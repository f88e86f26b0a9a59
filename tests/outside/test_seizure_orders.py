"""Orders as their sources print them raise nothing about dose and rate; thrice as much, or a fifth of the time, does."""

from __future__ import annotations

from decimal import Decimal

import pytest

from cds.assess import assess
from cds.chart import NO_MEMORY, Order
from tests.charts import chart, condition, order, result
from tests.topics.table import knowledge, parameters

CODES = frozenset({"asm-infusion-rate-check", "asm-loading-dose-check", "benzodiazepine-dose-check"})
SEIZING = condition("status_epilepticus", onset=30)


def raised(drip: Order, years: int, kg: str) -> dict[str, str]:
    made = assess(chart(SEIZING, result("glucose", "6"), drip, years=years, weight=kg), NO_MEMORY, knowledge(), only=CODES)
    return {f.code: f.indicator for f in (*(f for group in made.groups for f in group.findings), *made.folded)}


PRINTED = [
    pytest.param("phenytoin", "160", "mg", "30", 1, "8", id="MSF essential drugs, phenytoin: child of 8 kg, 160 mg over 30 min"),
    pytest.param("phenytoin", "1000", "mg", "30", 40, "50", id="MSF essential drugs, phenytoin: adult of 50 kg, 1 g over 30 min"),
    pytest.param("phenytoin", "1050", "mg", "21", 40, "70", id="phenytoin label: 15 mg/kg at 50 mg/min, about 20 minutes at 70 kg"),
    pytest.param("fosphenytoin", "1400", "mg{PE}", "10", 40, "70", id="fosphenytoin label: 20 mg PE/kg at 100 to 150 mg PE/min"),
    pytest.param("fosphenytoin", "400", "mg{PE}", "10", 7, "20", id="fosphenytoin label, under 17: 20 mg PE/kg at 2 mg PE/kg/min"),
    pytest.param("levetiracetam", "4500", "mg", "10", 40, "75", id="Kapur 2019 (ESETT): 60 mg/kg over 10 min"),
    pytest.param("fosphenytoin", "1500", "mg{PE}", "10", 40, "75", id="Kapur 2019 (ESETT): 20 mg PE/kg over 10 min"),
    pytest.param("valproate", "3000", "mg", "10", 40, "75", id="Kapur 2019 (ESETT): 40 mg/kg over 10 min"),
    pytest.param("lorazepam", "4", "mg", "2", 40, "70", id="lorazepam label: 4 mg at 2 mg/min"),
]  # fmt: skip


@pytest.mark.parametrize(("drug", "amount", "unit", "minutes", "years", "kg"), PRINTED)
def test_hz_22_a_printed_order_raises_nothing(drug: str, amount: str, unit: str, minutes: str, years: int, kg: str) -> None:
    assert raised(order(drug, drafted=True, dose=(amount, unit), minutes=minutes), years, kg) == {}


@pytest.mark.parametrize(("drug", "amount", "unit", "minutes", "years", "kg"), PRINTED)
def test_control_hz_22_the_same_order_thrice_as_large_or_in_a_fifth_of_the_time_does(drug: str, amount: str, unit: str, minutes: str, years: int, kg: str) -> None:
    thrice, fast = f"{Decimal(amount) * 3}", f"{Decimal(minutes) / 5}"
    assert raised(order(drug, drafted=True, dose=(thrice, unit), minutes=f"{Decimal(minutes) * 3}"), years, kg)
    assert raised(order(drug, drafted=True, dose=(amount, unit), minutes=fast), years, kg)


def test_hz_22_the_maxima_of_the_trial_bind_at_75_kg() -> None:
    """Kapur 2019 (ESETT): 4500/60 = 1500/20 = 3000/40 = 75."""
    for population in ("adult", "child"):
        table = parameters().for_population("child" if population == "child" else "adult").table("anti_seizure")
        binds = {row["drug"]: row["most"] / row["most_per_kg"] for row in table if row["drug"] in ("levetiracetam", "fosphenytoin", "valproate")}
        assert binds == {"levetiracetam": 75, "fosphenytoin": 75, "valproate": 75}
