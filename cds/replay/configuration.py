"""Everything that a site sets and an answer depends on: what the service judges by, and what the ledger keeps under its hash."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date

from cds.assess import Knowledge, knowledge_of
from cds.call import CallSettings
from cds.cards.build import CardSettings
from cds.intake import IntakeSettings
from cds.intake.limits import limits_from
from cds.parameters import ParameterSet, load_toml_text, parameter_set

SITE_FILE = "site:"
"""What the name of the site's own file of figures begins with, beside the package's files."""


@dataclass(frozen=True, slots=True)
class Configuration:
    """The part of the settings that reaches an answer. No path and no address of a machine stands in it.

    `services` maps a service id to its hook. `client_time` says whether a request may bring its own time of judgement (F-35). `knowledge_as_of` is
    the day (YYYY-MM-DD) up to which figures were in force. `mode`, `tenant` and `max_body_bytes` are here to be told, not to be judged by.
    """

    services: Mapping[str, str]
    site_zone: str | None
    client_time: bool
    canonical_base: str
    release: str
    adult_profile: str
    child_profile: str
    seizure_profile: str
    switched_off: tuple[str, ...]
    knowledge_as_of: str
    mode: str
    tenant: str
    max_body_bytes: int

    def to_bytes(self) -> bytes:
        """Canonical JSON: the same settings give the same bytes and the same hash."""
        return json.dumps(asdict(self), sort_keys=True, separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, body: bytes) -> Configuration:
        """What `to_bytes` wrote. ValueError for anything else."""
        whole = json.loads(body)
        names = {each.name for each in fields(cls)}
        if not isinstance(whole, dict) or not names <= set(whole):
            raise ValueError("not a configuration of this layout")
        return cls(**{**{name: whole[name] for name in names}, "switched_off": tuple(whole["switched_off"])})

    def parameters(self, files: Mapping[str, str]) -> ParameterSet:
        """The figures that hold. `files` maps names to TOML texts; a name that begins with "site:" holds the site's own. ParameterError."""
        tables = {name: load_toml_text(text) for name, text in files.items() if not name.startswith(SITE_FILE)}
        site = {name.removeprefix(SITE_FILE): load_toml_text(text) for name, text in files.items() if name.startswith(SITE_FILE)}
        return parameter_set(
            tables, adult=self.adult_profile, child=self.child_profile, seizure=self.seizure_profile, overrides=site or None,
            as_of=date.fromisoformat(self.knowledge_as_of),
        )  # fmt: skip

    def knowledge(self, files: Mapping[str, str]) -> Knowledge:
        """The compiled knowledge. ParameterError or KnowledgeError where the files do not fit this software."""
        return knowledge_of(self.parameters(files), version=self.release)

    def call_settings(self, hook: str, parameters: ParameterSet) -> CallSettings:
        """What `cds.call.answer` needs for one hook."""
        return CallSettings(
            IntakeSettings(hook=hook, site_zone=self.site_zone, allow_client_time=self.client_time, limits=limits_from(parameters)),
            CardSettings(base=self.canonical_base, release=self.release),
            frozenset(self.switched_off),
        )
