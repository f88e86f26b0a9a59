"""Over every shipped scenario: compiled equals interpreted, gated equals ungated, and the order of things decides nothing (F-28)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cds.advisory import Assessment
from cds.assess import assess
from cds.chart import NO_MEMORY
from cds.knowledge import Knowledge, Population
from tests.logic.shipped import SCENARIOS, chart_of, knowledge

every_scenario = pytest.mark.parametrize("name", SCENARIOS, ids=lambda name: name[:2])


def told(made: Assessment) -> list[object]:
    """Everything about an assessment but where it came from."""
    rows: list[object] = [(v.code, v.outcome, v.why, v.gaps, v.would_be, v.orders) for v in made.verdicts]
    for verdict in made.verdicts:
        rows += [(f.code, f.branch.name, f.indicator, f.orders, f.inputs, dict(f.facts)) for f in verdict.findings]
    rows += [[f.code for f in g.findings] for g in made.groups]
    return rows


@every_scenario
def test_f_28_compiled_equals_interpreted(name: str) -> None:
    fast = assess(chart_of(name), NO_MEMORY, knowledge())
    slow = assess(chart_of(name), NO_MEMORY, knowledge(), interpreted=True)
    assert told(fast) == told(slow)


@every_scenario
def test_f_28_gated_equals_ungated(name: str) -> None:
    fast = assess(chart_of(name), NO_MEMORY, knowledge())
    slow = assess(chart_of(name), NO_MEMORY, knowledge(), gated=False, interpreted=True)
    assert told(fast) == told(slow)


@every_scenario
def test_f_28_at_every_hook(name: str) -> None:
    for hook in ("patient-view", "order-select", "encounter-discharge"):
        held = replace(chart_of(name), hook=hook)
        fast = assess(held, NO_MEMORY, knowledge())
        assert told(fast) == told(assess(held, NO_MEMORY, knowledge(), gated=False, interpreted=True)), hook


def without_triggers(made: Knowledge) -> Knowledge:
    """The same knowledge with triggers that no call can set off."""

    def blind(population: Population) -> Population:
        ready = tuple(replace(each, masks=(0,)) for each in population.ready)
        return replace(population, ready=ready, by_code={each.advisory.code: each for each in ready})

    return replace(made, adult=blind(made.adult), child=blind(made.child))


def test_control_f_28_a_trigger_that_silences_is_noticed() -> None:
    broken = without_triggers(knowledge())
    name = SCENARIOS[0]
    with pytest.raises(AssertionError):
        assert told(assess(chart_of(name), NO_MEMORY, broken)) == told(assess(chart_of(name), NO_MEMORY, broken, gated=False, interpreted=True))


@every_scenario
def test_hz_44_the_order_in_which_things_come_decides_nothing(name: str) -> None:
    held = chart_of(name)
    turned = replace(
        held,
        orders=tuple(reversed(held.orders)),
        conditions=tuple(reversed(held.conditions)),
        administrations=tuple(reversed(held.administrations)),
        problems=tuple(reversed(held.problems)),
    )
    assert told(assess(turned, NO_MEMORY, knowledge())) == told(assess(held, NO_MEMORY, knowledge()))


@every_scenario
def test_hz_12_what_comes_twice_counts_once(name: str) -> None:
    held = chart_of(name)
    twice = replace(held, orders=(*held.orders, *held.orders), conditions=(*held.conditions, *held.conditions))
    assert told(assess(twice, NO_MEMORY, knowledge())) == told(assess(held, NO_MEMORY, knowledge()))
