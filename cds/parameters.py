"""Every threshold, dose, rate and age limit: what it means, its unit, its figure for a population, and who says so.

The numbers stand in TOML files, one block a key, one row a figure (profile, date, source). This module takes the parsed files and
chooses, for adults and for children apart, the figure that holds. It reads no file.

```toml
[insulin_needs_potassium_at_least]
means = "serum potassium below which intravenous insulin waits"
unit  = "mmol/L"
range = [2.5, 4.5]                      # the only room a site has

[[insulin_needs_potassium_at_least.value]]
profile  = "consensus-2024"
since    = 2024-06-22
is       = 3.5
also     = [{ unit = "meq/L", is = 3.5 }]   # what the source prints in another unit
source   = "..."
verified = "from memory"

[[insulin_needs_potassium_at_least.value]]
profile  = "paediatric-2022"
since    = 2022-08-01
same_as  = "adult"                      # said by the source, never assumed
source   = "..."
verified = "from memory"
```

There is no way from an adult's figure to a child but a row that says so (HZ-17, F-44): a child without a row gets `Absent`.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType
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

_BLOCK_KEYS: Final = ("means", "unit", "range", "value")
_ROW_KEYS: Final = ("profile", "population", "since", "is", "also", "same_as", "source", "verified", "note")
_SITE_KEYS: Final = ("population", "since", "is", "also", "source", "verified", "note")
_ABOUT_KEYS: Final = ("means", "population", "columns", "key")
_PAIR_TOLERANCE: Final = Decimal("0.04")  # two printed pairs, each within 2 % of the exact conversion


class ParameterError(ValueError):
    """A parameter file that cannot be used, or a key that no file has. The message names file, key and what would do."""


@dataclass(frozen=True, slots=True)
class Also:
    """The figure that the source prints in another unit (F-3, N-07)."""

    unit: str
    value: Decimal


@dataclass(frozen=True, slots=True)
class Parameter:
    """One figure that holds for one population, with its evidence.

    `unit` is a UCUM code ("1" for none). `inherited` says that the chosen profile has no row of its own and its family's default
    speaks. `same_as` is set when a row says that another population's figure holds here too. `table` is the file it came from.
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

    def in_unit(self, unit: str) -> Decimal | None:
        """The figure printed for `unit`: the own one or an `also`. None when the source prints none; nothing is converted here."""
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
    """No row gives this key a figure for this population: what depends on it is UNKNOWN, never judged by another's figure."""

    key: str
    means: str
    unit: str
    population: Population
    table: str


Limit = Parameter | Absent


def load_toml_text(text: str) -> dict[str, Any]:
    """A parameter file's text, parsed with exact decimals. ParameterError when it is not TOML."""
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"not TOML: {error}") from error


@dataclass(frozen=True, slots=True, eq=False)
class ParameterSet(Mapping[str, Limit]):
    """All keys with the figure that holds. Look a number up in `for_population(...)`.

    The set itself answers only for keys that are the same for everybody (look-back windows, formula constants); any other key
    raises ParameterError, so that nobody gets an adult's number by not asking.
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
            raise ParameterError(f"no parameter {key!r} in any file")
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

    def __iter__(self) -> Iterator[str]:
        return iter(self._chosen["adult"])

    def __len__(self) -> int:
        return len(self._chosen["adult"])

    def __contains__(self, key: object) -> bool:
        return key in self._chosen["adult"]

    def limits(self) -> Iterator[Limit]:
        """Every key's figure or Absent, for the population of this view; for both, adults first, without a population."""
        for population in POPULATIONS if self.population is None else (self.population,):
            yield from self._chosen[population].values()

    def rows(self, key: str) -> tuple[Parameter, ...]:
        """Every figure on file for `key`, also old ones and those of profiles not chosen. For documentation, never for judging."""
        if key not in self._rows:
            raise ParameterError(f"no parameter {key!r} in any file")
        return self._rows[key]

    @property
    def table_names(self) -> tuple[str, ...]:
        """Names of the drug and other tables."""
        return tuple(self._tables["adult"])

    def table(self, name: str) -> tuple[Row, ...]:
        """The rows of a table that hold for this population. Without a population: only when every row is for everybody."""
        if name not in self._tables["adult"]:
            raise ParameterError(f"no table {name!r}; there are: {', '.join(self.table_names)}")
        if self.population is not None:
            return self._tables[self.population][name]
        adult, child = (self._tables[each][name] for each in POPULATIONS)
        if adult != child:
            raise ParameterError(f"table {name} differs between populations: use for_population('adult' or 'child')")
        return adult


def parameter_set(
    tables: Mapping[str, Mapping[str, Any]],
    *,
    adult: str = "consensus-2024",
    child: str = "paediatric-2022",
    seizure: str = "default",
    overrides: Mapping[str, Mapping[str, Any]] | None = None,
    as_of: date | None = None,
) -> ParameterSet:
    """Choose the figures that hold.

    `tables` and `overrides` map a file's name to its parsed TOML. `adult`, `child` and `seizure` name one profile each. Of several
    rows the newest whose `since` is not after `as_of` holds (None: the newest of all). A profile without a row falls back to the
    default profile of the same population, marked `inherited`. An override (a site's file, rows `[[key.value]]` with `population`)
    wins over every profile, needs its own source and must lie inside `range`.

    Raises ParameterError for an unknown key or profile, a float, a figure outside `range`, or a key or table in two files.
    """
    for name, given, allowed in (
        ("adult", adult, ADULT_PROFILES),
        ("child", child, CHILD_PROFILES),
        ("seizure", seizure, SEIZURE_PROFILES),
    ):
        if given not in allowed:
            raise ParameterError(f"{name} profile {given!r}; allowed: {', '.join(allowed)}")
    profiles = {"adult": adult, "child": child, "seizure": seizure}
    rows: dict[str, tuple[Parameter, ...]] = {}
    drug_tables: dict[str, _Table] = {}
    for file, content in tables.items():
        about = _mapping(content.get("about", {}), file, "about")
        named = _mapping(content.get("table", {}), file, "table")
        for name in about:
            if name not in named:
                raise ParameterError(f"{file}: about.{name} describes no table; tables: {', '.join(named)}")
        for name, entries in named.items():
            if name in drug_tables:
                raise ParameterError(f"{file}: table {name} is already in {drug_tables[name].file}")
            drug_tables[name] = _table(file, name, entries, _mapping(about.get(name, {}), file, f"about.{name}"))
        for key, block in content.items():
            if key in ("about", "table"):
                continue
            if key in rows:
                raise ParameterError(f"{file}: {key} is already in {rows[key][0].table}")
            rows[key] = _block(file, key, block)
    site = _overrides(overrides or {}, rows)

    chosen: dict[Population, Mapping[str, Limit]] = {}
    held: dict[Population, Mapping[str, tuple[Row, ...]]] = {}
    for population in POPULATIONS:
        chosen[population] = MappingProxyType(
            {key: _choose(rows[key], site.get(key, ()), population, profiles, as_of) for key in sorted(rows)}
        )
        held[population] = MappingProxyType(
            {name: drug_tables[name].holding(population, profiles) for name in sorted(drug_tables)}
        )
    return ParameterSet(
        profiles=MappingProxyType(profiles),
        digest=_digest(profiles, chosen, held),
        population=None,
        _chosen=MappingProxyType(chosen),
        _tables=MappingProxyType(held),
        _rows=MappingProxyType({key: (*rows[key], *site.get(key, ())) for key in sorted(rows)}),
    )


def _choose(
    rows: tuple[Parameter, ...],
    site: tuple[Parameter, ...],
    population: Population,
    profiles: Mapping[str, str],
    as_of: date | None,
) -> Limit:
    """The row that holds for `population`; Absent when none does."""
    override = _newest(site, SITE, population, as_of)
    if override is not None:
        return override
    seizure = any(row.profile in SEIZURE_PROFILES for row in rows)
    wanted = profiles["seizure"] if seizure else profiles[population]
    default = "default" if seizure else (ADULT_PROFILES if population == "adult" else CHILD_PROFILES)[0]
    for profile in dict.fromkeys((wanted, default, ANY)):
        found = _newest(rows, profile, population, as_of)
        if found is None:
            continue
        found = replace(found, inherited=profile not in (wanted, ANY))
        return found if found.same_as is None else _same_as(found, rows, seizure=seizure, as_of=as_of)
    first = rows[0]
    return Absent(first.key, first.means, first.unit, population, first.table)


def _same_as(row: Parameter, rows: tuple[Parameter, ...], *, seizure: bool, as_of: date | None) -> Limit:
    """`row` with the adult's figure that it points to: the guideline default, not what a site chose for its adults.

    Absent while that figure is not in force yet; ParameterError when there is none on file.
    """
    targets = (row.profile, "default") if seizure else (ADULT_PROFILES[0],)
    if row.same_as in ADULT_PROFILES:
        targets = (str(row.same_as),)
    for day in (as_of, None):
        for profile in targets:
            adult = _newest(rows, profile, "adult", day)
            if adult is None or adult.same_as is not None:
                continue
            if day != as_of:
                return Absent(row.key, row.means, row.unit, "child", row.table)
            source = f"{row.source} (same as adult: {adult.source})"
            return replace(row, value=adult.value, also=adult.also, source=source)
    raise ParameterError(f"{row.table}: {row.key} [{row.profile}]: same_as = {row.same_as!r} points to no adult figure")


def _newest(rows: tuple[Parameter, ...], profile: str, population: Population, as_of: date | None) -> Parameter | None:
    fitting = [row for row in rows if row.profile == profile and row.population in (population, ANY)]
    in_force = [row for row in fitting if as_of is None or row.since <= as_of.isoformat()]
    # at one date a row for the very population goes before one for everybody
    return max(in_force, key=lambda row: (row.since, row.population == population), default=None)


def _block(file: str, key: str, block: Any) -> tuple[Parameter, ...]:
    where = f"{file}: {key}"
    block = _mapping(block, file, key)
    _known(block, _BLOCK_KEYS, where)
    means, unit = _words(block, "means", where), _words(block, "unit", where)
    limits = _range(block.get("range"), where)
    entries = block.get("value")
    if not isinstance(entries, list | tuple) or not entries:
        raise ParameterError(f"{where}: needs at least one [[{key}.value]]")
    rows: list[Parameter] = []
    for number, entry in enumerate(entries, 1):
        at = f"{where}.value #{number}"
        entry = _mapping(entry, file, f"{key}.value")
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
        each = _mapping(each, file, f"{key}.value.also")
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


def _overrides(
    files: Mapping[str, Mapping[str, Any]], rows: Mapping[str, tuple[Parameter, ...]]
) -> dict[str, tuple[Parameter, ...]]:
    site: dict[str, list[Parameter]] = {}
    for file, content in files.items():
        for key, block in content.items():
            where = f"{file}: {key}"
            if key not in rows:
                raise ParameterError(f"{where}: no such parameter; a site may change a figure, not add one")
            base = rows[key][0]
            block = _mapping(block, file, key)
            _known(block, ("value",), where)
            if base.range is None:
                raise ParameterError(f"{where}: has no range, so a site may not change it")
            for number, entry in enumerate(block.get("value", ()), 1):
                at = f"{where}.value #{number}"
                entry = _mapping(entry, file, f"{key}.value")
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
class _Table:
    file: str
    key: tuple[str, ...]
    rows: tuple[Row, ...]

    def holding(self, population: Population, profiles: Mapping[str, str]) -> tuple[Row, ...]:
        """Rows for `population`. A row of a chosen profile takes the place of the default row with the same key columns."""
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


def _table(file: str, name: str, entries: Any, about: Row) -> _Table:
    where = f"{file}: table.{name}"
    _known(about, _ABOUT_KEYS, f"{file}: about.{name}")
    if not isinstance(entries, list | tuple) or not entries:
        raise ParameterError(f"{where}: needs rows, [[table.{name}]]")
    columns, key = tuple(about.get("columns", ())), about.get("key", ())
    key = (key,) if isinstance(key, str) else tuple(key)
    rows: list[Row] = []
    for number, entry in enumerate(entries, 1):
        at = f"{where} #{number}"
        entry = dict(_mapping(entry, file, f"table.{name}"))
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
    return _Table(file, key, tuple(rows))


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


def _mapping(value: Any, file: str, key: str) -> Row:
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


def _digest(
    profiles: Mapping[str, str],
    chosen: Mapping[Population, Mapping[str, Limit]],
    tables: Mapping[Population, Mapping[str, tuple[Row, ...]]],
) -> str:
    """SHA-256 over everything that can change a verdict or its wording, in one fixed order."""
    form = {
        "profiles": dict(profiles),
        "parameters": {
            population: {key: _plain(limit) for key, limit in limits.items()} for population, limits in chosen.items()
        },
        "tables": {
            population: {name: _plain(rows) for name, rows in named.items()} for population, named in tables.items()
        },
    }
    return hashlib.sha256(json.dumps(form, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, Parameter | Absent | Also):
        return {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return value if isinstance(value, bool) or value is None else str(value)
