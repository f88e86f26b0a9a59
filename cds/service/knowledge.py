"""Load the parameter files and compile the knowledge, once, at start-up."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, date, datetime
from importlib import resources
from pathlib import Path
from typing import Any

import cds
from cds.assess import Knowledge, knowledge_of
from cds.parameters import load_toml_text, parameter_set
from cds.service.settings import Settings


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


def load_knowledge(settings: Settings | None = None, *, as_of: date | None = None) -> Knowledge:
    """The knowledge for a site: the package's parameter files, the chosen profiles, the site's own figures."""
    chosen = settings or Settings()
    tables = {name: load_toml_text(text) for name, text in parameter_files().items()}
    overrides = None
    if chosen.site_parameters is not None:
        overrides = {chosen.site_parameters.name: load_toml_text(Path(chosen.site_parameters).read_text(encoding="utf-8"))}
    parameters = parameter_set(
        tables,
        adult=chosen.adult_profile,
        child=chosen.child_profile,
        seizure=chosen.seizure_profile,
        overrides=overrides,
        as_of=as_of or datetime.now(UTC).date(),
    )
    return knowledge_of(parameters, version=cds.__version__)


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
