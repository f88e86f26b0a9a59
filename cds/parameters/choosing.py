"""Which of the rows on file holds: by profile, population and date."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from types import MappingProxyType
from typing import Any

from cds.parameters.figures import (
    ADULT_PROFILES,
    ANY,
    CHILD_PROFILES,
    POPULATIONS,
    SEIZURE_PROFILES,
    SITE,
    Absent,
    Also,
    Limit,
    Parameter,
    ParameterError,
    ParameterSet,
    Population,
    Row,
)
from cds.parameters.files import Table, mapping, read_block, read_overrides, read_table


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

    `tables` and `overrides` map a file's name to its parsed TOML. `adult`, `child` and `seizure` name one profile
    each. Of several rows the newest whose `since` is not after `as_of` holds (None: the newest of all). A profile
    without a row falls back to the default profile of the same population, marked `inherited`. An override (a site's
    file, rows `[[key.value]]` with `population`) wins over every profile, needs its own source and must lie inside
    `range`.

    Raises ParameterError for an unknown key or profile, a float, a figure outside `range`, or a key or table in two
    files.
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
    drug_tables: dict[str, Table] = {}
    for file, content in tables.items():
        about = mapping(content.get("about", {}), file, "about")
        named = mapping(content.get("table", {}), file, "table")
        for name in about:
            if name not in named:
                raise ParameterError(f"{file}: about.{name} describes no table; tables: {', '.join(named)}")
        for name, entries in named.items():
            if name in drug_tables:
                raise ParameterError(f"{file}: table {name} is already in {drug_tables[name].file}")
            drug_tables[name] = read_table(file, name, entries, mapping(about.get(name, {}), file, f"about.{name}"))
        for key, block in content.items():
            if key in ("about", "table"):
                continue
            if key in rows:
                raise ParameterError(f"{file}: {key} is already in {rows[key][0].table}")
            rows[key] = read_block(file, key, block)
    site = read_overrides(overrides or {}, rows)

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
