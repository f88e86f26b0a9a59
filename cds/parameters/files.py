"""From a parsed file to checked rows: every refusal names file, key and what would do."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType
from typing import Any, Final

from cds.parameters.figures import (
    ADULT_PROFILES,
    ANY,
    CHILD_PROFILES,
    POPULATIONS,
    SEIZURE_PROFILES,
    SITE,
    VERIFIED,
    Also,
    Parameter,
    ParameterError,
    Population,
    Row,
    Value,
)

_BLOCK_KEYS: Final = ("means", "unit", "range", "value")
_ROW_KEYS: Final = ("profile", "population", "since", "is", "also", "same_as", "source", "verified", "note")
_SITE_KEYS: Final = ("population", "since", "is", "also", "source", "verified", "note")
_ABOUT_KEYS: Final = ("means", "population", "columns", "key")
_PAIR_TOLERANCE: Final = Decimal("0.04")  # two printed pairs, each within 2 % of the exact conversion


def load_toml_text(text: str) -> dict[str, Any]:
    """A parameter file's text, parsed with exact decimals. ParameterError when it is not TOML."""
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"not TOML: {error}") from error


def read_block(file: str, key: str, block: Any) -> tuple[Parameter, ...]:
    where = f"{file}: {key}"
    block = mapping(block, file, key)
    _known(block, _BLOCK_KEYS, where)
    means, unit = _words(block, "means", where), _words(block, "unit", where)
    limits = _range(block.get("range"), where)
    entries = block.get("value")
    if not isinstance(entries, list | tuple) or not entries:
        raise ParameterError(f"{where}: needs at least one [[{key}.value]]")
    rows: list[Parameter] = []
    for number, entry in enumerate(entries, 1):
        at = f"{where}.value #{number}"
        entry = mapping(entry, file, f"{key}.value")
        _known(entry, _ROW_KEYS, at)
        profile = _words(entry, "profile", at)
        row = _row(file, key, means, unit, limits, entry, at, profile, _population(entry, profile, at))
        _unique(rows, row, at)
        rows.append(row)
    pages = {row.profile in SEIZURE_PROFILES for row in rows if row.profile != ANY}
    if len(pages) > 1:
        raise ParameterError(f"{where}: mixes metabolic and seizure profiles; one page a key")
    return tuple(rows)


def _population(entry: Row, profile: str, at: str) -> str:
    """Whom a row is for. Metabolic profiles imply it, the others must say it."""
    said = entry.get("population")
    if said is not None and said not in (*POPULATIONS, ANY):
        raise ParameterError(f"{at}: population {said!r}; allowed: adult, child, any")
    if profile == ANY:
        if said != ANY:
            raise ParameterError(f'{at}: profile = "any" holds only with population = "any" beside it')
        return ANY
    if profile in SEIZURE_PROFILES:
        if said is None:
            raise ParameterError(f"{at}: profile {profile!r} needs population = adult, child or any")
        return str(said)
    if profile not in ADULT_PROFILES + CHILD_PROFILES:
        allowed = ", ".join((*ADULT_PROFILES, *CHILD_PROFILES, *SEIZURE_PROFILES, ANY))
        raise ParameterError(f"{at}: profile {profile!r}; allowed: {allowed}")
    implied = "adult" if profile in ADULT_PROFILES else "child"
    if said not in (None, implied):
        raise ParameterError(f"{at}: profile {profile!r} is for population {implied!r}, not {said!r}")
    return implied


def _row(
    file: str,
    key: str,
    means: str,
    unit: str,
    limits: tuple[Decimal, Decimal] | None,
    entry: Row,
    at: str,
    profile: str,
    population: str,
) -> Parameter:
    same_as = entry.get("same_as")
    if (same_as is None) == ("is" not in entry):
        raise ParameterError(f"{at}: needs either is or same_as")
    if same_as is not None:
        if population != "child" or same_as not in ("adult", *ADULT_PROFILES):
            raise ParameterError(
                f"{at}: same_as = {same_as!r}; only a child's row may say it, of 'adult' or an adult profile"
            )
        value: Value = ""
    else:
        value = _value(entry["is"], at)
    if limits is not None and isinstance(value, Decimal) and not limits[0] <= value <= limits[1]:
        raise ParameterError(f"{at}: {value} {unit} is outside range {limits[0]} to {limits[1]}")
    also: list[Also] = []
    for each in entry.get("also", ()):
        each = mapping(each, file, f"{key}.value.also")
        _known(each, ("unit", "is"), f"{at}.also")
        figure = _value(each.get("is"), f"{at}.also")
        if not isinstance(figure, Decimal) or not isinstance(value, Decimal):
            raise ParameterError(f"{at}.also: needs numbers")
        also.append(Also(_words(each, "unit", f"{at}.also"), figure))
    if len({unit, *(each.unit for each in also)}) != len(also) + 1:
        raise ParameterError(f"{at}.also: a unit stands twice")
    verified = _words(entry, "verified", at)
    if verified not in VERIFIED:
        raise ParameterError(f"{at}: verified {verified!r}; allowed: {', '.join(VERIFIED)}")
    since = entry.get("since")
    if not isinstance(since, date) or isinstance(since, datetime):
        raise ParameterError(f"{at}: since must be a date, e.g. 2024-06-22")
    return Parameter(
        key=key,
        means=means,
        unit=unit,
        value=value,
        also=tuple(also),
        range=limits,
        profile=profile,
        population=population,
        since=since.isoformat(),
        source=_words(entry, "source", at),
        verified=verified,
        table=file,
        same_as=None if same_as is None else str(same_as),
        note=str(entry.get("note", "")),
    )


def read_overrides(
    files: Mapping[str, Mapping[str, Any]], rows: Mapping[str, tuple[Parameter, ...]]
) -> dict[str, tuple[Parameter, ...]]:
    site: dict[str, list[Parameter]] = {}
    for file, content in files.items():
        for key, block in content.items():
            where = f"{file}: {key}"
            if key not in rows:
                raise ParameterError(f"{where}: no such parameter; a site may change a figure, not add one")
            base = rows[key][0]
            block = mapping(block, file, key)
            _known(block, ("value",), where)
            if base.range is None:
                raise ParameterError(f"{where}: has no range, so a site may not change it")
            for number, entry in enumerate(block.get("value", ()), 1):
                at = f"{where}.value #{number}"
                entry = mapping(entry, file, f"{key}.value")
                _known(entry, _SITE_KEYS, at)
                population = entry.get("population")
                if population not in (*POPULATIONS, ANY):
                    raise ParameterError(f"{at}: needs population = adult, child or any")
                row = _row(file, key, base.means, base.unit, base.range, entry, at, SITE, str(population))
                if not isinstance(row.value, Decimal):
                    raise ParameterError(f"{at}: only a number inside range may be changed")
                _pairs_agree(row, rows[key], at)
                _unique(site.setdefault(key, []), row, at)
                site[key].append(row)
    return {key: tuple(found) for key, found in site.items()}


def _pairs_agree(row: Parameter, base: tuple[Parameter, ...], at: str) -> None:
    """A site's figure in a second unit must be the same amount, else one patient gets two answers (N-07)."""
    for each in row.also:
        ratios = [
            other.value / known.number
            for known in base
            for other in known.also
            if other.unit == each.unit and isinstance(known.value, Decimal) and known.value
        ]
        if not ratios:
            raise ParameterError(f"{at}.also: no printed figure in {each.unit} to check against; leave it out")
        if abs(each.value - row.number * ratios[0]) > abs(row.number * ratios[0]) * _PAIR_TOLERANCE:
            raise ParameterError(f"{at}.also: {each.value} {each.unit} is not {row.number} {row.unit}")


def _unique(rows: list[Parameter], row: Parameter, at: str) -> None:
    if any((r.profile, r.population, r.since) == (row.profile, row.population, row.since) for r in rows):
        raise ParameterError(f"{at}: a second row of {row.profile}, {row.population}, since {row.since}")


@dataclass(frozen=True, slots=True)
class Table:
    file: str
    key: tuple[str, ...]
    rows: tuple[Row, ...]

    def holding(self, population: Population, profiles: Mapping[str, str]) -> tuple[Row, ...]:
        """Rows for `population`. A chosen profile's row replaces the default row with the same key columns."""
        fitting = [row for row in self.rows if row["population"] in (population, ANY)]
        chosen = {profiles[population], profiles["seizure"]} - {"default", "consensus-2024", "paediatric-2022"}
        own = [row for row in fitting if row.get("profile") in chosen]
        replaced = {self._name(row) for row in own}
        return tuple(
            row
            for row in fitting
            if row in own
            or (
                row.get("profile", ANY) in ("default", "consensus-2024", "paediatric-2022", ANY)
                and self._name(row) not in replaced
            )
        )

    def _name(self, row: Row) -> tuple[Any, ...]:
        return tuple(row.get(column) for column in self.key) if self.key else (id(row),)


def read_table(file: str, name: str, entries: Any, about: Row) -> Table:
    where = f"{file}: table.{name}"
    _known(about, _ABOUT_KEYS, f"{file}: about.{name}")
    if not isinstance(entries, list | tuple) or not entries:
        raise ParameterError(f"{where}: needs rows, [[table.{name}]]")
    columns, key = tuple(about.get("columns", ())), about.get("key", ())
    key = (key,) if isinstance(key, str) else tuple(key)
    rows: list[Row] = []
    for number, entry in enumerate(entries, 1):
        at = f"{where} #{number}"
        entry = dict(mapping(entry, file, f"table.{name}"))
        if columns:
            _known(entry, (*columns, "profile", "population", "source", "verified", "note"), at)
        entry.setdefault("population", about.get("population"))
        if entry["population"] not in (*POPULATIONS, ANY):
            raise ParameterError(f"{at}: needs population = adult, child or any, here or in [about.{name}]")
        profile = entry.get("profile", ANY)
        if profile not in (*ADULT_PROFILES, *CHILD_PROFILES, *SEIZURE_PROFILES, ANY):
            raise ParameterError(f"{at}: unknown profile {profile!r}")
        if profile not in ("default", "consensus-2024", "paediatric-2022", ANY) and not key:
            raise ParameterError(f"{at}: rows of profile {profile!r} need [about.{name}] key = columns that name a row")
        _words(entry, "source", at)
        if entry.get("verified") not in VERIFIED:
            raise ParameterError(f"{at}: verified {entry.get('verified')!r}; allowed: {', '.join(VERIFIED)}")
        rows.append(_frozen(entry, at))
    return Table(file, key, tuple(rows))


def _frozen(value: Any, at: str) -> Any:
    """Rows as they are handed out: immutable, numbers as Decimal."""
    if isinstance(value, bool | str | Decimal | date):
        return value
    if isinstance(value, int):
        return Decimal(value)
    if isinstance(value, Mapping):
        return MappingProxyType({key: _frozen(each, f"{at}.{key}") for key, each in value.items()})
    if isinstance(value, list | tuple):
        return tuple(_frozen(each, at) for each in value)
    raise ParameterError(f"{at}: {value!r} is a {type(value).__name__}; numbers must be exact decimals")


def _value(value: Any, at: str) -> Value:
    if isinstance(value, bool) or value is None or value == "" or value == []:
        raise ParameterError(f"{at}: is = {value!r} is not a number or text")
    frozen = _frozen(value, at)
    parts = frozen if isinstance(frozen, tuple) else (frozen,)
    if not all(isinstance(part, Decimal | str) for part in parts) or any(
        isinstance(part, Decimal) and not part.is_finite() for part in parts
    ):
        raise ParameterError(f"{at}: is = {value!r} is not a number, text or list of these")
    return frozen  # type: ignore[no-any-return]


def _range(value: Any, where: str) -> tuple[Decimal, Decimal] | None:
    if value is None:
        return None
    frozen = _frozen(value, f"{where}.range")
    if not isinstance(frozen, tuple) or len(frozen) != 2 or not all(isinstance(each, Decimal) for each in frozen):
        raise ParameterError(f"{where}: range must be two numbers")
    if frozen[0] > frozen[1]:
        raise ParameterError(f"{where}: range runs backwards")
    return (frozen[0], frozen[1])


def mapping(value: Any, file: str, key: str) -> Row:
    if not isinstance(value, Mapping):
        raise ParameterError(f"{file}: {key} must be a table, not {value!r}")
    return value


def _known(entry: Row, allowed: tuple[str, ...], where: str) -> None:
    for key in entry:
        if key not in allowed:
            raise ParameterError(f"{where}: unknown key {key!r}; allowed: {', '.join(allowed)}")


def _words(entry: Row, key: str, where: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str) or not value.strip():
        raise ParameterError(f"{where}: needs {key}, in words")
    return value
