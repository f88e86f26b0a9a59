"""All advisories over one parameter set, made ready once at start-up: for adults and for children apart, so that no figure of one ever reaches the other.

Whatever is wrong with the knowledge is found here, when the service starts, and never at the bedside (`cds.soundness` holds the checks).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from cds.advisory import Advisory, Branch
from cds.chart import Chart, Order
from cds.logic.compare import KnowledgeError
from cds.logic.compiled import Compiled, compile_criterion, compile_states
from cds.logic.criteria import Criterion
from cds.logic.depends import hangs_on
from cds.logic.evaluate import evaluate
from cds.logic.features import mask_of
from cds.logic.flip import Edge, edges_of
from cds.logic.scene import Scene, StateDef
from cds.logic.walk import walk_with_states
from cds.orders.identity import OrderPicture
from cds.parameters import ParameterSet
from cds.soundness import check_advisory, check_states, check_together
from cds.states import STATES
from cds.topics import CATALOGUE, TOPICS


@dataclass(frozen=True, slots=True)
class Ready:
    """One advisory made ready: its trigger as bit masks, its branches and side criteria compiled, and the figures with which it looks at each analyte."""

    advisory: Advisory
    masks: tuple[int, ...]
    branches: tuple[tuple[Branch, Compiled], ...]
    satisfied: Compiled | None
    quiet: Compiled | None
    always_when: Compiled | None = None
    edges: Mapping[str, tuple[Edge, ...]] = field(default_factory=dict)

    def flips_among(self, branch: Branch, compiled: Compiled, scene: Scene, order: Order | None) -> frozenset[str] | None:
        """The analytes of which one alone could change the indicator while a branch holds; None where an earlier branch of another indicator could hold too."""
        for earlier, _ in self.branches:
            if earlier is branch:
                return hangs_on(compiled, scene, order)
            if earlier.indicator != branch.indicator:
                return None
        return None

    @property
    def worst(self) -> str:
        """The highest indicator that the advisory can have."""
        found = {branch.indicator for branch, _ in self.branches}
        return next(indicator for indicator in ("critical", "warning", "info") if indicator in found)


@dataclass(frozen=True, slots=True)
class Population:
    """The knowledge for adults, or for children (HZ-17)."""

    name: str
    p: ParameterSet
    states: Mapping[str, StateDef]
    ready: tuple[Ready, ...]
    by_code: Mapping[str, Ready] = field(default_factory=dict)

    def advisory(self, code: str) -> Advisory:
        """The advisory of a code. KeyError when there is none."""
        return self.by_code[code].advisory

    def scene(self, chart: Chart, orders: OrderPicture | None = None, like: Scene | None = None) -> Scene:
        """A chart seen with this population's figures; `orders` where they are sorted already. `like` is a scene of the same results, whose orders need not be
        read again.
        """
        made = Scene(chart, self.p, self.states, evaluate, orders=orders, like=like)
        if like is not None and like.p == self.p and like.chart.results is chart.results:
            made.read_as_in(like)
        return made


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All advisories over one parameter set, compiled for both populations. `digest` names exactly this knowledge."""

    parameters: ParameterSet
    adult: Population
    child: Population
    digest: str

    def population(self, name: str) -> Population:
        """ "adult" or "child"."""
        return self.child if name == "child" else self.adult

    @property
    def codes(self) -> tuple[str, ...]:
        """Every code that can fire, in the order of judgement."""
        return tuple(ready.advisory.code for ready in self.adult.ready)


def knowledge_of(parameters: ParameterSet, *, version: str = "1") -> Knowledge:
    """Compile the topics over a parameter set. KnowledgeError when a check of `cds.soundness` fails."""
    made = {
        name: population_of(name, parameters, (advisory for topic in TOPICS for advisory in topic.advisories(_figures(name, parameters))))
        for name in ("adult", "child")
    }
    return join(parameters, made["adult"], made["child"], version=version)


def population_of(
    name: str, parameters: ParameterSet, advisories: Iterable[Advisory], *, catalogue: Iterable[str] = CATALOGUE, states: Mapping[str, StateDef] | None = None
) -> Population:
    """Advisories made ready for adults or for children. KnowledgeError for anything that could not be judged, shown or explained."""
    p = _figures(name, parameters)
    given = STATES(p) if states is None else states
    check_states(given, p)
    known = compile_states(given)
    ready = []
    for advisory in advisories:
        check_advisory(advisory, p, known, frozenset(catalogue))
        ready.append(
            Ready(
                advisory,
                tuple(mask_of(clause) for clause in advisory.trigger.clauses),
                tuple((branch, compile_criterion(branch.when)) for branch in advisory.branches),
                _compiled(advisory.satisfied),
                _compiled(advisory.quiet),
                _compiled(advisory.always_when),
                edges_of(walk_with_states(tuple(branch.when for branch in advisory.branches), known)),
            )
        )
    check_together([each.advisory for each in ready])
    return Population(name, p, MappingProxyType(known), tuple(ready), MappingProxyType({each.advisory.code: each for each in ready}))


def join(parameters: ParameterSet, adult: Population, child: Population, *, version: str = "1") -> Knowledge:
    """The knowledge for everybody. KnowledgeError unless both have the same codes."""
    if list(adult.by_code) != list(child.by_code):
        raise KnowledgeError("adults and children must have the same codes, with figures of their own")
    digest = hashlib.sha256()
    digest.update(parameters.digest.encode())
    digest.update(version.encode())
    for population in (adult, child):
        for ready in population.ready:
            digest.update(repr(ready.advisory).encode())
    return Knowledge(parameters, adult, child, digest.hexdigest())


def _figures(name: str, parameters: ParameterSet) -> ParameterSet:
    return parameters.for_population("child" if name == "child" else "adult")


def _compiled(node: Criterion | None) -> Compiled | None:
    return None if node is None else compile_criterion(node)
