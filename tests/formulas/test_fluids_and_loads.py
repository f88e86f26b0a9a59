"""Fluids, deficits, insulin under the skin and loads, against examples worked by hand or printed elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal as D
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds.formulas import doses, fluids
from cds.formulas.constants import FormulaConstants
from cds.numbers import Interval, point, shown, spread
from cds.parameters import ParameterSet
from tests.formulas.conftest import shipped


def i(value: Any) -> Interval:
    return point(D(str(value)))


def values(**inputs: Any) -> dict[str, Interval]:
    return {name: value if isinstance(value, Interval) else i(value) for name, value in inputs.items()}


HAND = "worked by hand from the printed formula"
ADULT = [
    # name, inputs, shown, source
    ("ketoacidosis_fluid_deficit", dict(age=50, weight=70), "7", HAND),
    ("hyperosmolar_fluid_deficit", dict(age=70, weight=80), "8 to 17.6", HAND),
    ("ketoacidosis_potassium_deficit", dict(age=50, weight=70), "210 to 350", HAND),
    ("potassium_deficit", dict(age=50, potassium="2.9"), "120 to 440", HAND),
    ("potassium_deficit", dict(age=50, potassium="3.5"), "0 to 200", HAND),
    ("potassium_deficit", dict(age=50, potassium="4.0"), "0", HAND),
    ("insulin_total", dict(age=50, weight=70), "35 to 42", HAND),
    ("insulin_basal", dict(age=50, weight=70), "17 to 21", "17.5 is rounded down to 17"),
    ("insulin_meal", dict(age=50, weight=70), "5 to 7", "5.8 is rounded down to 5"),
    ("insulin_total_cautious", dict(age=80, weight=60), "18", HAND),
    ("insulin_basal_cautious", dict(age=80, weight=60), "9", HAND),
    ("insulin_meal_cautious", dict(age=80, weight=60), "3", HAND),
    ("phenytoin_partial_load", dict(age=50, weight=70, phenytoin_total=8), "373 to 639", HAND),
    ("phenytoin_partial_load", dict(age=50, weight=70, phenytoin_total=8, albumin=20), "0 to 213", "N-12: corrected 16 decides"),
    ("phenytoin_partial_load", dict(age=50, weight=70, phenytoin_total=20), "0", "there already"),
]


@pytest.mark.parametrize(("name", "given_", "expect", "source"), ADULT)
def test_adult(adults: ParameterSet, name: str, given_: dict[str, Any], expect: str, source: str) -> None:
    formula = f.FORMULAS[name]
    assert spread(f.compute(name, values(**given_), adults), formula.decimals) == expect, source


CHILD = [
    ("maintenance_fluid", 14, "50", HAND),
    ("maintenance_fluid", 22, "64.2", HAND),
    ("maintenance_fluid", 30, "70.8", "daily form; by the hourly 4-2-1 rule 70 is printed (protocol page)"),
    ("maintenance_fluid", 80, "100", "capped at 2400 mL in 24 h"),
    ("child_fluid_rate_mild", 20, "83.3", "1000/48 + 62.5"),
    ("child_fluid_rate_moderate", 22, "96.3", "1540/48 + 64.17 = 96.25"),
    ("child_fluid_rate_severe", 30, "133.3", "3000/48 + 70.83"),
]


@pytest.mark.parametrize(("name", "kg", "expect", "source"), CHILD)
def test_child(children: ParameterSet, name: str, kg: int, expect: str, source: str) -> None:
    found = f.compute(name, values(age=10, weight=kg), children).exact
    assert found is not None and shown(found, 1) == expect, source


def test_child_rate_less_a_bolus(of_children: FormulaConstants) -> None:
    """30 kg, 10 %: 300 mL given without shock come off the deficit (NICE NG18, from memory): 2700/48 + 70.8."""
    severe = fluids.child_deficit_percent("severe", of_children)
    rate = f.child_fluid_rate(i(10), i(30), severe, c=of_children, bolus=i(300)).exact
    assert rate is not None and shown(rate, 1) == "127.1"
    most = f.child_fluid_rate(i(10), i(30), severe, c=of_children, bolus=i(4000))
    assert most == f.maintenance_per_hour(i(30), c=of_children), "never below maintenance"


def test_child_rate_over_a_day_as_printed(of_children: FormulaConstants) -> None:
    """30 kg, 7 % over 24 h: a protocol page prints about 158 (157.5 by the hourly 4-2-1 rule, 158.3 by the daily form)."""
    rate = f.child_fluid_rate(i(10), i(30), fluids.child_deficit_percent("moderate", of_children), c=of_children, hours=D(24)).exact
    assert rate is not None and shown(rate, 1) == "158.3" and abs(rate - 158) < D("0.5")


def four_two_one(kg: D) -> D:
    """The hourly rule, mL/h; the other route to maintenance (common practice)."""
    return 4 * min(kg, D(10)) + 2 * min(max(kg - 10, D(0)), D(10)) + max(kg - 20, D(0))


@settings(deadline=None)
@given(kg=st.decimals(3, 55, places=1))
def test_maintenance_against_the_hourly_rule(c: FormulaConstants, kg: D) -> None:
    """24 h of the hourly rule and the daily form differ by no more than 4 % (the rule rounds 100/24 to 4 and 20/24 to 1)."""
    found = f.maintenance_per_hour(i(kg), c=c).exact
    assert found is not None and abs(found - four_two_one(kg)) <= found * D("0.04") + D("1e-20")


Case = Callable[[FormulaConstants], Any]
DIRECT: list[tuple[str, Case, int, str]] = [
    ("potassium: 40 mmol/L at 250 mL/h, 20 mmol over 2 h", lambda c: f.potassium_per_hour([(i(40), i(250))], [(i(20), D(2))]), 1, "20"),
    (
        "potassium: two bags and a dose",
        lambda c: f.potassium_per_hour([(i(20), i(500)), (i(4), i(250))], [(i(10), D(1))]),
        1,
        "21",
    ),
    ("bicarbonate to 10", lambda c: f.bicarbonate_deficit(i(70), i(5), D(10), c=c), 0, "175"),
    ("bicarbonate above the target", lambda c: f.bicarbonate_deficit(i(70), i(12), D(10), c=c), 0, "0"),
    ("phenytoin 1500 mg at 50 mg/min", lambda c: f.shortest_minutes(i(1500), D(50)), 1, "30"),
    ("phenytoin 1600 mg at 50 mg/min, a little more", lambda c: f.whole_up(f.shortest_minutes(i(1610), D(50))), 1, "33"),
    ("levetiracetam at 60 kg", lambda c: f.dose_by_weight(i(60), D(60), D(4500)), 0, "3600"),
    ("levetiracetam at 90 kg", lambda c: f.dose_by_weight(i(90), D(60), D(4500)), 0, "4500"),
    ("insulin twice a day", lambda c: f.per_day(i(12), D(12)), 0, "24"),
    ("levetiracetam 1500 mg every 8 h", lambda c: f.per_day(i(1500), D(8)), 0, "4500"),
    ("partial load to 20 mg/L", lambda c: f.phenytoin_partial_load(i(50), i(70), i(8), i(20), c=c), 0, "639"),
]


@pytest.mark.parametrize(("what", "case", "decimals", "expect"), DIRECT, ids=[row[0] for row in DIRECT])
def test_direct(of_adults: FormulaConstants, what: str, case: Case, decimals: int, expect: str) -> None:
    found: D | None = case(of_adults).exact
    assert found is not None and shown(found, decimals) == expect


@pytest.mark.parametrize(("most", "per_kg"), [(4500, 60), (3000, 40), (1500, 20)])
def test_weight_at_which_a_maximum_holds(most: int, per_kg: int) -> None:
    """Levetiracetam, valproate, fosphenytoin: each maximum holds from 75 kg (Kapur 2019)."""
    weight = f.binding_weight(D(most), D(per_kg))
    assert weight == 75
    assert f.dose_by_weight(i(74), D(per_kg), D(most)) == i(74 * per_kg)
    assert f.dose_by_weight(i(75), D(per_kg), D(most)) == f.dose_by_weight(i(76), D(per_kg), D(most)) == i(most)


def test_bicarbonate_as_stated(of_adults: FormulaConstants) -> None:
    """100 mmol in 400 mL over 2 h: 200 mL/h (Umpierrez 2024, second hand)."""
    assert f.bicarbonate_infusion(i(50), c=of_adults) == f.BicarbonateInfusion(D(100), D(400), D(2), D(200))


def test_phenytoin_load_as_hospitals_print_it(of_adults: FormulaConstants) -> None:
    """Without the salt share: 70 kg, 5 to 20 mg/L is 735 mg (a hospital's chart gives 750), 8 to 15 mg/L 343 mg (a teaching
    note says about 400 mg of the salt: 373 by ours).
    """
    salt = of_adults.phenytoin_salt_share
    to_20 = f.phenytoin_partial_load(i(50), i(70), i(5), i(20), c=of_adults).exact
    to_15 = f.phenytoin_partial_load(i(50), i(70), i(8), i(15), c=of_adults).exact
    assert to_20 is not None and to_15 is not None
    assert (shown(to_20 * salt, 0), shown(to_15 * salt, 0), shown(to_15, 0)) == ("735", "343", "373")


def test_hz_17_a_dose_never_crosses_the_age(adults: ParameterSet, children: ParameterSet, p: ParameterSet) -> None:
    """No adult's dose for a child and no child's for an adult: by figures, by age, and without a population."""
    given_ = values(age=10, weight=30, potassium="2.9", sodium=115, phenytoin_total=8)
    for name, formula in f.FORMULAS.items():
        if set(formula.inputs) <= set(given_) and formula in f.catalogue.DOSES:
            own = children if name.startswith(("child", "maintenance")) else adults
            other = adults if own is children else children
            grown = given_ | values(age=40)
            right, wrong = (given_, grown) if own is children else (grown, given_)
            assert f.compute(name, right, own, sex="male").low is not None
            with pytest.raises(f.NotComputable, match="only"):
                f.compute(name, wrong, own, sex="male")
            if name not in ("maintenance_fluid", "potassium_deficit", "ketoacidosis_potassium_deficit"):
                for nobody in (other, p):
                    with pytest.raises(f.NotComputable, match="no figure for this age"):
                        f.compute(name, right, nobody, sex="male")


@pytest.mark.parametrize(("age", "adult"), [(17, False), (Interval(D(17), D(18)), None), (18, True)])
def test_hz_17_at_the_age_limit(adults: ParameterSet, children: ParameterSet, age: Any, adult: bool | None) -> None:
    """An age that spans the limit gets neither."""

    def holds(name: str, whose: ParameterSet) -> bool:
        try:
            f.compute(name, values(age=age, weight=50), whose)
        except f.NotComputable:
            return False
        return True

    assert holds("insulin_total", adults) is (adult is True)
    assert holds("child_fluid_rate_mild", children) is holds("maintenance_fluid", children) is (adult is False)


def test_control_hz_17_the_age_is_not_asked(children: ParameterSet, adults: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the age check off, a child gets an adult's insulin, and the check above is red."""
    monkeypatch.setattr(doses, "adult", lambda age, c: None)
    with pytest.raises(AssertionError):
        test_hz_17_at_the_age_limit(adults, children, 17, False)


def test_control_hz_17_a_child_without_figures(adults: ParameterSet, children: ParameterSet, p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the missing figure taken for a number, the check of the populations is red."""
    for module in (doses, fluids, f.sodium, f.loads):
        monkeypatch.setattr(module, "for_this_age", lambda figure: figure or D(1))
    with pytest.raises(pytest.fail.Exception):
        test_hz_17_a_dose_never_crosses_the_age(adults, children, p)


@pytest.mark.parametrize(("profile", "expect"), [("consensus-2024", "35 to 42"), ("uk-2023", "35 to 52"), ("us-2009", "35 to 56")])
def test_insulin_by_profile(profile: str, expect: str) -> None:
    """0.5 to 0.6, 0.75 or 0.8 for each kg, at 70 kg."""
    chosen = shipped(profile).for_population("adult")
    assert spread(f.compute("insulin_total", values(age=50, weight=70), chosen), 0) == expect


@pytest.mark.parametrize(("profile", "expect"), [("consensus-2024", "8 to 17.6"), ("us-2009", "8 to 16")])
def test_hyperosmolar_deficit_by_profile(profile: str, expect: str) -> None:
    """To 220 mL/kg in Britain, to 200 in the table of Kitabchi 2009; 80 kg."""
    chosen = shipped(profile).for_population("adult")
    assert spread(f.compute("hyperosmolar_fluid_deficit", values(age=70, weight=80), chosen), 1) == expect


@settings(deadline=None)
@given(kg=st.decimals(30, 250, places=1))
def test_split_never_gives_more_than_the_day(of_adults: FormulaConstants, kg: D) -> None:
    """Rounded down: basal and three meals together stay within the day's, and no part is more than one unit short."""
    whole = f.insulin_total(i(50), i(kg), c=of_adults)
    split = f.insulin_split(whole, c=of_adults)
    for end in ("low", "high"):
        exact, total, basal, meal = (getattr(each, end) for each in (whole, split.total, split.basal, split.meal))
        assert basal + 3 * meal <= total <= exact
        assert exact / 2 - basal < 1 and exact / 6 - meal < 1


def test_control_split_rounded_up(of_adults: FormulaConstants, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doses, "whole_down", doses.whole_up)
    with pytest.raises(AssertionError):
        test_adult(shipped().for_population("adult"), "insulin_basal", dict(age=50, weight=70), "17 to 21", "")


def test_insulin_of_a_published_infusion(of_adults: FormulaConstants) -> None:
    """80 % of 24 h (Bode 2004, in a review's table): 1.5 unit/h is 28.8 a day, half of it basal: 14, each meal 4."""
    day = f.insulin_day_equivalent(i("1.5"), D(6), c=of_adults)
    assert day.exact == D("28.80")
    assert f.insulin_split(day, c=of_adults) == f.InsulinSplit(i(28), i(14), i(4))


@pytest.mark.parametrize(
    ("case", "says"),
    [
        (lambda c: f.potassium_per_hour([], [(i(20), D(0))]), "over no time"),
        (lambda c: f.shortest_minutes(i(1000), D(0)), "no rate"),
        (lambda c: f.binding_weight(D(1000), D(0)), "for each kg"),
        (lambda c: f.per_day(i(10), D(0)), "between doses"),
        (lambda c: f.bicarbonate_infusion(i(12), c=c), "only from 18"),
    ],
)
def test_where_it_does_not_hold(of_adults: FormulaConstants, case: Case, says: str) -> None:
    with pytest.raises(f.NotComputable, match=says):
        case(of_adults)


def test_hz_03_a_bag_not_understood_leaves_the_sum_open() -> None:
    assert f.potassium_per_hour([(i(40), i(250)), (Interval(D(0), None), i(100))]) == Interval(D(10), None)
    assert f.dose_by_weight(Interval(D(50), None), D(60), D(4500)) == Interval(D(3000), D(4500))


def test_control_hz_03_an_open_end_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """With what a bag may hold taken for the least, the check above is red."""
    product = doses._product
    monkeypatch.setattr(doses, "_product", lambda a, b: product(a if a.high is not None else point(a.low or D(0)), b))
    with pytest.raises(AssertionError):
        test_hz_03_a_bag_not_understood_leaves_the_sum_open()


@settings(deadline=None)
@given(data=st.data())
def test_r_m48_loads_and_deficits_hold_every_point(of_adults: FormulaConstants, data: st.DataObject) -> None:
    low, level, high = sorted(data.draw(st.decimals(0, 30, places=1)) for _ in range(3))
    light, kg, heavy = sorted(data.draw(st.decimals(30, 200, places=1)) for _ in range(3))
    target = Interval(D(15), D(20))
    load = f.phenytoin_partial_load(i(50), Interval(light, heavy), Interval(low, high), target, c=of_adults)
    lack = f.bicarbonate_deficit(Interval(light, heavy), Interval(low, high), D(18), c=of_adults)
    dose = f.dose_by_weight(Interval(light, heavy), D(60), D(4500))
    inside = f.phenytoin_partial_load(i(50), i(kg), i(level), i("17.5"), c=of_adults).exact
    exact = f.bicarbonate_deficit(i(kg), i(level), D(18), c=of_adults).exact
    assert inside is not None and load.holds(inside)
    assert exact is not None and lack.holds(exact)
    assert dose.holds(min(kg * 60, D(4500)))
