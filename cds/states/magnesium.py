"""Whether magnesium is due in eclampsia: asked by more than one topic (C1, C15)."""

from __future__ import annotations

from cds.logic.criteria import AllOf, AnyOf, AnyOrder, Below, Criterion, HasCondition, Not, NotComputable, OfOrder, OrderFilter, OrderIs, Since, State
from cds.parameters import ParameterSet

MAGNESIUM = ("magnesium_sulfate",)


def magnesium_due(p: ParameterSet) -> Criterion:
    """Eclampsia, or a seizure that has to be taken for it, and no magnesium yet."""
    return AllOf((eclamptic(p), no_magnesium(p)))


def eclamptic(p: ParameterSet) -> Criterion:
    """Eclampsia on record, or a seizure in a pregnancy that has come far enough or soon after one."""
    on_record = HasCondition(("eclampsia",), within=p["eclampsia_age"])
    return AnyOf((on_record, AllOf((State("seizure now"), AnyOf((State("post-partum"), AllOf((State("pregnant"), Not(_too_early(p))))))))))


def no_magnesium(p: ParameterSet) -> Criterion:
    """None drafted, none that goes on, and no dose within the day: a load that ended long ago often stays on the list as active (R-n57)."""
    day = p["eclampsia_dose_counts"]
    by_mouth = Not(OrderIs("oral"))
    return Not(
        AnyOf(
            (
                AnyOrder(OrderFilter(MAGNESIUM, "drafted"), by_mouth),
                AnyOrder(OrderFilter(MAGNESIUM, "running"), AllOf((by_mouth, Not(OrderIs("one-off"))))),
                AnyOrder(OrderFilter(MAGNESIUM, "running"), AllOf((OrderIs("one-off"), OrderIs("infusion"), NotComputable(OfOrder("duration_minutes", ""))))),
                AnyOrder(OrderFilter(MAGNESIUM, "given", started_within=day), by_mouth),
            )
        )
    )


def _too_early(p: ParameterSet) -> Criterion:
    """The pregnancy is dated and has not come so far; weeks that are not known count as far enough."""
    return AllOf((State("gestation known"), Below(Since("the last menstrual period"), p["eclampsia_weeks_from"])))
