"""Load the parameter files and compile the knowledge, once, at start-up."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime
from importlib import resources
from typing import Any

import cds
from cds.assess import Knowledge
from cds.call import CallSettings
from cds.parameters import ParameterSet, load_toml_text
from cds.replay.configuration import SITE_FILE, Configuration
from cds.service.discovery import SERVICES
from cds.service.settings import Settings, SettingsError

RELEASED = date(2026, 11, 25)
"""The day on which the shipped figures were last read again."""


def parameter_files() -> dict[str, str]:
    """The text of every parameter file of the package, by its name; vocabulary sources are not parameters."""
    root = resources.files("cds")
    return {name: text for name, text in sorted(_walk(root, "")) if not name.startswith("vocabulary/")}


def _walk(folder: Any, prefix: str) -> Iterator[tuple[str, str]]:
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from _walk(entry, f"{prefix}{entry.name}/")
        elif entry.name.endswith(".toml"):
            yield f"{prefix}{entry.name}", entry.read_text(encoding="utf-8")


def knowledge_files(settings: Settings) -> dict[str, str]:
    """The package's parameter files and, under a name that begins with "site:", the site's own. SettingsError where that cannot be read."""
    files = parameter_files()
    if settings.site_parameters is not None:
        try:
            files[f"{SITE_FILE}{settings.site_parameters.name}"] = settings.site_parameters.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"TRIVET_SITE_PARAMETERS: {settings.site_parameters} cannot be read ({type(error).__name__})") from error
    return files


def in_force_on(files: Mapping[str, str], today: date | None = None) -> date:
    """The newest day up to today on which a figure came into force.

    Figures that this release was made with are in force whatever the host's clock says: a clock that is wrong must not take figures away (HZ-16).
    """
    now = max(today or datetime.now(UTC).date(), RELEASED)
    days = {day for text in files.values() for day in _days(load_toml_text(text))}
    return max((day for day in days if day <= now), default=RELEASED)


def _days(node: Any) -> Iterator[date]:
    if isinstance(node, dict):
        for key, value in node.items():
            if key == "since" and isinstance(value, date):
                yield value
            else:
                yield from _days(value)
    elif isinstance(node, list):
        for value in node:
            yield from _days(value)


def load_knowledge(settings: Settings | None = None) -> Knowledge:
    """The knowledge for a site: the package's parameter files, the chosen profiles, the site's own figures.

    SettingsError, ParameterError or KnowledgeError where the site's figures or profiles do not fit.
    """
    chosen = settings or Settings()
    files = knowledge_files(chosen)
    return configuration(chosen, in_force_on(files)).knowledge(files)


def configuration(settings: Settings, as_of: date = RELEASED) -> Configuration:
    """The settings that an answer depends on; no path and no address of this machine. `as_of`: see `in_force_on`."""
    return Configuration(
        services=SERVICES,
        site_zone=settings.site_zone,
        client_time=settings.client_time,
        canonical_base=settings.canonical_base,
        release=cds.__version__,
        adult_profile=settings.adult_profile,
        child_profile=settings.child_profile,
        seizure_profile=settings.seizure_profile,
        switched_off=tuple(sorted(settings.switched_off)),
        knowledge_as_of=as_of.isoformat(),
        mode=settings.mode,
        tenant=settings.tenant,
        max_body_bytes=settings.max_body_bytes,
    )


def call_settings(settings: Settings, hook: str, parameters: ParameterSet) -> CallSettings:
    """What `cds.call.answer` needs of the settings for one hook."""
    return configuration(settings).call_settings(hook, parameters)


def software_digest() -> str:
    """A hash over the package's own code and data: which software gave an answer (AU-09)."""
    digest = hashlib.sha256()
    root = resources.files("cds")
    for name, content in sorted(_files(root, "")):
        digest.update(f"{name}\n".encode())
        digest.update(hashlib.sha256(content).digest())
    return digest.hexdigest()


def _files(folder: Any, prefix: str) -> Iterator[tuple[str, bytes]]:
    for entry in folder.iterdir():
        if entry.name == "__pycache__":
            continue
        if entry.is_dir():
            yield from _files(entry, f"{prefix}{entry.name}/")
        elif entry.name.endswith((".py", ".toml")):
            yield f"{prefix}{entry.name}", entry.read_bytes()
