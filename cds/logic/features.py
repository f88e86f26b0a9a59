"""Cheap features of a call as bits, for the triggers of advisories (F-28).

A list that was not sent whole sets every feature that it could have held: UNKNOWN never gates.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from cds.vocabulary import ANALYTES, CONCEPTS, DRUGS

if TYPE_CHECKING:
    from cds.logic.scene import Scene

HOOKS = ("patient-view", "order-select", "order-sign", "encounter-discharge")
_PLACES = ("drafted", "running", "listed")
_CLASSES = sorted({name for drug in DRUGS.values() for name in drug.classes} | set(DRUGS))

_NAMES = (
    *(f"hook:{hook}" for hook in HOOKS),
    *(f"population:{name}" for name in ("adult", "child")),
    *(f"{place}:{name}" for place in _PLACES for name in ("*", *_CLASSES)),
    *(f"analyte:{name}" for name in sorted(ANALYTES)),
    *(f"condition:{name}" for name in sorted(CONCEPTS)),
)
_BIT = {name: 1 << place for place, name in enumerate(_NAMES)}
_OF_DRUG = {
    place: {
        name: sum(_BIT[f"{place}:{word}"] for word in sorted({"*", name, *drug.classes})) for name, drug in DRUGS.items()
    }
    for place in _PLACES
}
_ALL = {place: sum(_BIT[name] for name in _NAMES if name.startswith(f"{place}:")) for place in (*_PLACES, "condition")}
_ANALYTE = {name: _BIT[f"analyte:{name}"] for name in ANALYTES}
_CONCEPT = {name: _BIT[f"condition:{name}"] for name in CONCEPTS}


def mask_of(clause: Iterable[str]) -> int:
    """The bits of one clause. KeyError when a feature does not exist, so that a misspelt trigger cannot silence an advisory."""
    return sum({_BIT[name] for name in clause})


def features_of(scene: Scene) -> int:
    """The bits that are present, or could be, in this call."""
    chart = scene.chart
    bits = _BIT[f"hook:{chart.hook}"] | _BIT[f"population:{scene.population}"]
    if chart.age_days() is None:
        # Judged with adult figures, and perhaps a child: what is for children alone stays open.
        bits |= _BIT["population:child"]
    picture = scene.orders
    for place, orders in (("drafted", picture.drafts), ("running", picture.running), ("listed", picture.listed)):
        of_drug = _OF_DRUG[place]
        for order in orders:
            bits |= _BIT[f"{place}:*"]
            for drug in order.drugs:
                bits |= of_drug[drug]
    if not scene.whole("medications"):
        bits |= _ALL["running"] | _ALL["listed"]
    for analyte in chart.results.analytes():
        bits |= _ANALYTE[analyte]
    bits |= _not_whole(scene)
    if not scene.whole("conditions"):
        bits |= _ALL["condition"]
    else:
        for condition in chart.conditions:
            if condition.stands:
                for concept in condition.concepts:
                    bits |= _CONCEPT[concept]
    return bits


def _not_whole(scene: Scene) -> int:
    """The analytes whose list was not sent whole."""
    from cds.chart import Feed

    poor = {key for key, source in scene.chart.sources.items() if source.feed is not Feed.WHOLE}
    keys = scene.chart.item_keys
    missing = {key for names in keys.values() for key in names} - set(scene.chart.sources)
    poor |= missing
    if not poor:
        return 0
    return sum(_ANALYTE[item] for item, names in keys.items() if item in _ANALYTE and not poor.isdisjoint(names))
