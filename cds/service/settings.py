"""Everything that a site sets, typed: from `TRIVET_*` in the environment and from a file (`TRIVET_SETTINGS_FILE`, TOML)."""

from __future__ import annotations

import ipaddress
import os
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource


class SettingsError(ValueError):
    """The settings would make the service unsafe, or cannot be read."""


def _data_directory() -> Path:
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "trivet"


class Settings(BaseSettings):
    """Settings of the service. Each is an environment variable `TRIVET_<NAME>` or a key of the settings file; the environment wins."""

    model_config = SettingsConfigDict(env_prefix="TRIVET_", extra="forbid", frozen=True)

    data: Path = Field(default_factory=_data_directory, description="folder of the ledger, its keys and its spool")
    keys: Path | None = Field(None, description="folder of the key that signs the ledger's heads; unset: `keys` in the data folder. Back it up apart")
    witness: Path | None = Field(
        None, description="file that each signed head is copied to; unset: `witness/heads.txt` in the data folder. Another host's file system is better"
    )
    host: str = Field("127.0.0.1", description="address to listen on")
    port: int = Field(8000, ge=1, le=65535, description="port to listen on")
    workers: int = Field(1, ge=1, le=64, description="worker processes")
    allow_public_without_authentication: bool = Field(
        False, description="start on an address other than loopback although no authentication is configured; only behind a gateway that authenticates"
    )
    allow_client_time: bool | None = Field(
        None, description="honour `extension.example.trivet.evaluate-at`; unset: only where the service listens on loopback"
    )
    site_zone: str | None = Field(None, description="IANA time zone for times that were sent without one, e.g. Europe/London")
    canonical_base: str = Field("https://trivet.example/fhir", description="base of the canonical addresses of Trivet's own artefacts")
    adult_profile: str = Field("consensus-2024", description="guideline family for adults, metabolic")
    child_profile: str = Field("paediatric-2022", description="guideline family for children, metabolic")
    seizure_profile: str = Field("default", description="guideline family for seizure, drugs and infection")
    site_parameters: Path | None = Field(None, description="TOML file of the site's own figures, each with a source and inside its range")
    switched_off: frozenset[str] = Field(frozenset(), description="advisory codes that the site switched off")
    cors_origins: tuple[str, ...] = Field((), description="origins that browsers may call from; none: CORS is off")
    ledger_on_failure: Literal["answer", "refuse"] = Field(
        "answer", description="when a record cannot be stored: answer from the spool (and mark what is lost), or refuse with 503"
    )
    spool: Path | None = Field(None, description="folder of the spool file; another file system than the data folder is better")
    spool_bytes: int = Field(64 * 1024 * 1024, ge=1024 * 1024, description="size of the preallocated spool file")
    max_body_bytes: int = Field(8 * 1024 * 1024, ge=1024, description="largest request body")
    mode: Literal["live"] = Field("live", description="mode of operation, named in each record")
    tenant: str = Field("", description="name of this hospital in the records")
    log_level: str = Field("info", description="level of the server's log, which never holds patient data")

    @field_validator("site_zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        if value is not None:
            import zoneinfo

            try:
                zoneinfo.ZoneInfo(value)
            except (zoneinfo.ZoneInfoNotFoundError, ValueError) as error:
                raise ValueError(f"'{value}' is not a time zone") from error
        return value

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Arguments first, then the environment, then the file named by TRIVET_SETTINGS_FILE."""
        file = os.environ.get("TRIVET_SETTINGS_FILE")
        if file is None:
            return init_settings, env_settings
        if not Path(file).is_file():
            raise SettingsError(f"TRIVET_SETTINGS_FILE: no file {file}")
        return init_settings, env_settings, TomlConfigSettingsSource(settings_cls, toml_file=file)

    @property
    def key_folder(self) -> Path:
        """Where the ledger's keys are."""
        return self.keys or self.data / "keys"

    @property
    def witness_file(self) -> Path:
        """Where each signed head is copied to."""
        return self.witness or self.data / "witness" / "heads.txt"

    @property
    def loopback(self) -> bool:
        """Whether the service listens on loopback only."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def client_time(self) -> bool:
        """Whether a request may bring its own time of evaluation (F-35)."""
        return self.loopback if self.allow_client_time is None else self.allow_client_time

    def checked(self) -> Settings:
        """Refuse what would leave patients' data open. SettingsError says what to do."""
        if not self.loopback and not self.allow_public_without_authentication:
            raise SettingsError(
                f"refusing to listen on {self.host}: no authentication is configured, and everybody who reaches this address could send and read "
                "patient data. Listen on 127.0.0.1, or put a gateway that authenticates in front and set "
                "TRIVET_ALLOW_PUBLIC_WITHOUT_AUTHENTICATION=true to say that this is meant."
            )
        if "*" in self.cors_origins:
            raise SettingsError("TRIVET_CORS_ORIGINS: list each origin; '*' would open the service to every web page")
        return self
