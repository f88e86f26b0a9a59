"""Replay over a ledger: every record sorted into equal, different, other release, not kept, not a call (L-16)."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from cds.assess import Knowledge
from cds.audit.read import Filter, LedgerReader
from cds.audit.record import Record
from cds.logic.scene import KnowledgeError
from cds.parameters import ParameterError
from cds.replay.again import Category, Recorded, Replayed, judge_again, recorded_of
from cds.replay.configuration import SITE_FILE, Configuration

Found = tuple[Configuration, Knowledge] | str


@dataclass(slots=True)
class Report:
    """How many records fell into each category, and those that need a look: different ones, and other releases whose answer would be another."""

    counts: Counter[Category] = field(default_factory=Counter)
    different: list[Replayed] = field(default_factory=list)
    software_changed: list[Replayed] = field(default_factory=list)
    not_kept: list[Replayed] = field(default_factory=list)

    def add(self, one: Replayed) -> None:
        """Count one record."""
        self.counts[one.category] += 1
        if one.category is Category.DIFFERENT:
            self.different.append(one)
        elif one.category is Category.OTHER_RELEASE and (one.differences or one.why):
            self.software_changed.append(one)
        elif one.category is Category.NOT_KEPT:
            self.not_kept.append(one)

    @property
    def ok(self) -> bool:
        """Whether every record of this release that can be read was answered again byte for byte."""
        return not self.different


class Sources:
    """What records refer to by hash, read once each: configurations and parameter files, and the knowledge that they make.

    `software` is the hash of the running software, `package_files` its own parameter files: a record of other software is judged again with the files of
    this one, the site's own figures as they were recorded.
    """

    def __init__(self, reader: LedgerReader, software: str, package_files: Mapping[str, str]) -> None:
        self._reader = reader
        self.software = software
        self._package_files = package_files
        self._known: dict[tuple[str, str, bool], Found] = {}

    def of(self, call: Recorded) -> Found:
        """Configuration and knowledge of a call, or why there is none."""
        key = (call.hashes.get("configuration", ""), call.hashes.get("parameter_files", ""), call.hashes.get("software") == self.software)
        if key not in self._known:
            self._known[key] = self._load(*key)
        return self._known[key]

    def _load(self, configuration_hash: str, files_hash: str, same_software: bool) -> Found:
        stored, kept_files = self._reader.blob(configuration_hash), self._reader.blob(files_hash)
        if stored is None or kept_files is None:
            return "its configuration or its parameter files are not in this ledger"
        try:
            configuration = Configuration.from_bytes(stored)
            files: dict[str, str] = json.loads(kept_files)
        except (ValueError, TypeError) as error:
            return f"its configuration cannot be read by this release ({error})"
        if not same_software:
            files = {**self._package_files, **{name: text for name, text in files.items() if name.startswith(SITE_FILE)}}
        try:
            return configuration, configuration.knowledge(files)
        except (ParameterError, KnowledgeError) as error:
            return f"its figures do not fit this release ({error})"


def replay_record(record: Record, sources: Sources) -> Replayed:
    """One record's outcome."""
    call = recorded_of(record)
    if isinstance(call, Replayed):
        return call
    same = call.hashes.get("software") == sources.software
    found = sources.of(call)
    if isinstance(found, str):
        return Replayed(call.id, call.received, Category.NOT_KEPT if same else Category.OTHER_RELEASE, found)
    configuration, knowledge = found
    if call.service not in configuration.services:
        return Replayed(call.id, call.received, Category.NOT_KEPT, "its service is not in its configuration")
    again = judge_again(call, configuration, knowledge)
    if not same:
        return Replayed(call.id, call.received, Category.OTHER_RELEASE, "", again.differences)
    return Replayed(call.id, call.received, Category.DIFFERENT if again.differences else Category.EQUAL, "", again.differences)


def replay_ledger(reader: LedgerReader, software: str, package_files: Mapping[str, str], wanted: Filter | None = None) -> Report:
    """Judge every call of a ledger again, or those that pass the filter."""
    sources, report, chosen = Sources(reader, software, package_files), Report(), wanted or Filter()
    for stream in reader.streams():
        for record in reader.records(stream):
            if chosen.accepts(record):
                report.add(replay_record(record, sources))
    return report
