"""Named states: what one is, and what judging one gives. The states themselves are knowledge (`cds.states`)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from cds.chart import Moment
from cds.logic.reason import Gap, Seen
from cds.logic.truth import Truth

if TYPE_CHECKING:
    from cds.logic.compiled import Compiled
    from cds.logic.criteria import Criterion
    from cds.logic.scene import Scene

_NOTHING: Mapping[str, Moment] = MappingProxyType({})


class StateValue:
    """A state that was judged: its truth, evidence, gaps, and the events that it dates ("seizure onset").

    `seen` and `gaps` may be functions: they are then asked when somebody wants to know, which for most states is never.
    """

    __slots__ = ("_gaps", "_seen", "events", "note", "truth")

    def __init__(
        self,
        truth: Truth,
        seen: tuple[Seen, ...] | Callable[[], tuple[Seen, ...]] = (),
        gaps: tuple[Gap, ...] | Callable[[], tuple[Gap, ...]] = (),
        events: Mapping[str, Moment] = _NOTHING,
        note: str = "",
    ) -> None:
        self.truth = truth
        self.events = events
        self.note = note
        self._seen, self._gaps = seen, gaps

    @property
    def seen(self) -> tuple[Seen, ...]:
        """What it rests on."""
        if not isinstance(self._seen, tuple):
            self._seen = self._seen()
        return self._seen

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """What it waits for."""
        if not isinstance(self._gaps, tuple):
            self._gaps = self._gaps()
        return self._gaps

    def __repr__(self) -> str:
        return f"StateValue({self.truth}, {self.seen}, {self.gaps}, {dict(self.events)}, {self.note!r})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, StateValue):
            return NotImplemented
        mine = (self.truth, self.seen, self.gaps, dict(self.events), self.note)
        return mine == (other.truth, other.seen, other.gaps, dict(other.events), other.note)

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class StateDef:
    """A named state: a criterion, or a pure function where dates of several records meet. `means` is its definition in words, for committees.

    `dates` are the events whose times it may tell. `compiled` is set when the knowledge is made ready.
    """

    name: str
    means: str
    node: Criterion | None = None
    compute: Callable[[Scene], StateValue] | None = None
    source: str = ""
    compiled: Compiled | None = None
    dates: tuple[str, ...] = ()
