"""What a figure is, and the set of those that hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Final, Literal

Population = Literal["adult", "child"]
Value = Decimal | str | tuple[Decimal | str, ...]
Row = Mapping[str, Any]

ADULT_PROFILES: Final = ("consensus-2024", "uk-2023", "us-2009")
CHILD_PROFILES: Final = ("paediatric-2022", "paediatric-uk-2021")
SEIZURE_PROFILES: Final = ("default", "us-label", "uk", "ema", "acog")
ANY: Final = "any"
SITE: Final = "site"
VERIFIED: Final = ("in text", "second hand", "from memory", "ours")
POPULATIONS: Final[tuple[Population, ...]] = ("adult", "child")


class ParameterError(ValueError):
    """A parameter file that cannot be used, or a key that no file has. The message names file and key."""


class UnknownParameter(ParameterError, KeyError):
    """A key that no file has. Also a KeyError, so that `get` and `in` behave as for any mapping."""

    __str__ = Exception.__str__


@dataclass(frozen=True, slots=True)
class Also:
    """The figure that the source prints in another unit (F-3, N-07)."""

    unit: str
    value: Decimal


@dataclass(frozen=True, slots=True)
class Parameter:
    """One figure that holds for one population, with its evidence.

    `unit` is a UCUM code ("1" for none). `inherited` says that the chosen profile has no row of its own and its
    family's default speaks. `same_as` is set when a row says that another population's figure holds here too. `table`
    is the file it came from.
    """

    key: str
    means: str
    unit: str
    value: Value
    also: tuple[Also, ...]
    range: tuple[Decimal, Decimal] | None
    profile: str
    population: str
    since: str
    source: str
    verified: str
    table: str
    inherited: bool = False
    same_as: str | None = None
    note: str = ""

    def __hash__(self) -> int:
        # Few figures share a key; hashing all fifteen members cost more than the look-ups that ask for it.
        return hash((self.key, self.profile, self.population))

    def in_unit(self, unit: str) -> Decimal | None:
        """The figure printed for `unit`: the own one or an `also`. None when the source prints none; nothing is
        converted here.
        """
        if unit == self.unit and isinstance(self.value, Decimal):
            return self.value
        return next((each.value for each in self.also if each.unit == unit), None)

    @property
    def number(self) -> Decimal:
        """The figure in `unit`. ParameterError when the value is words or a list."""
        if not isinstance(self.value, Decimal):
            raise ParameterError(f"{self.table}: {self.key} is not a number: {self.value!r}")
        return self.value


@dataclass(frozen=True, slots=True)
class Absent:
    """No row gives this key a figure for this population: what depends on it is UNKNOWN, never judged by another's
    figure.
    """

    key: str
    means: str
    unit: str
    population: Population
    table: str


Limit = Parameter | Absent


@dataclass(frozen=True, slots=True, eq=False)
class ParameterSet(Mapping[str, Limit]):
    """All keys with the figure that holds. Look a number up in `for_population(...)`.

    The set itself answers only for keys that are the same for everybody (look-back windows, formula constants); any
    other key raises ParameterError, so that nobody gets an adult's number by not asking.
    """

    profiles: Mapping[str, str]
    digest: str
    population: Population | None
    _chosen: Mapping[Population, Mapping[str, Limit]]
    _tables: Mapping[Population, Mapping[str, tuple[Row, ...]]]
    _rows: Mapping[str, tuple[Parameter, ...]]

    def for_population(self, population: Population) -> ParameterSet:
        """The same knowledge as it holds for "adult" or "child"; same digest."""
        if population not in POPULATIONS:
            raise ParameterError(f"population {population!r}; allowed: {', '.join(POPULATIONS)}")
        return replace(self, population=population)

    def __getitem__(self, key: str) -> Limit:
        """The figure, or Absent. ParameterError for a key that no file has, or that needs a population."""
        if key not in self._chosen["adult"]:
            raise UnknownParameter(f"no parameter {key!r} in any file")
        if self.population is not None:
            return self._chosen[self.population][key]
        found = self._chosen["adult"][key]
        if isinstance(found, Absent) or found.population != ANY or self._chosen["child"][key] != found:
            raise ParameterError(f"{key} differs between populations: use for_population('adult' or 'child')")
        return found

    def number(self, key: str) -> Decimal:
        """The figure of a key that must be there. ParameterError when it is absent or not a number."""
        found = self[key]
        if isinstance(found, Absent):
            raise ParameterError(f"{found.table}: {key} has no figure for {found.population}")
        return found.number

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ParameterSet) and (self.digest, self.population) == (other.digest, other.population)

    def __hash__(self) -> int:
        return hash((self.digest, self.population))

    def __iter__(self) -> Iterator[str]:
        return iter(self._chosen["adult"])

    def __len__(self) -> int:
        return len(self._chosen["adult"])

    def __contains__(self, key: object) -> bool:
        return key in self._chosen["adult"]

    def limits(self) -> Iterator[Limit]:
        """Every key's figure or Absent, for this population; adults first, then children, without one."""
        for population in POPULATIONS if self.population is None else (self.population,):
            yield from self._chosen[population].values()

    def rows(self, key: str) -> tuple[Parameter, ...]:
        """Every figure on file for `key`, also old ones and those of profiles not chosen. For documentation, never for
        judging.
        """
        if key not in self._rows:
            raise UnknownParameter(f"no parameter {key!r} in any file")
        return self._rows[key]

    @property
    def table_names(self) -> tuple[str, ...]:
        """Names of the drug and other tables."""
        return tuple(self._tables["adult"])

    def table(self, name: str) -> tuple[Row, ...]:
        """The rows of a table that hold for this population. Without one: only if all are for everybody."""
        if name not in self._tables["adult"]:
            raise ParameterError(f"no table {name!r}; there are: {', '.join(self.table_names)}")
        if self.population is not None:
            return self._tables[self.population][name]
        adult, child = (self._tables[each][name] for each in POPULATIONS)
        if adult != child:
            raise ParameterError(f"table {name} differs between populations: use for_population('adult' or 'child')")
        return adult
