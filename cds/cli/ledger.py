"""`trivet ledger`: list, show, verify, proof, replay. Reads only."""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from cds.advisory import Outcome, Verdict
from cds.audit.feedback import FEEDBACK_PART, feedback_on
from cds.audit.heads import PUBLIC_FILE, read_public_key, witness_lines
from cds.audit.proof import consistency_proof, inclusion_proof
from cds.audit.read import Filter, LedgerReader
from cds.audit.record import Record
from cds.audit.verify import LIMITS, verify
from cds.cli.cards import clock, print_card, print_drafts, print_outcome
from cds.logic.reason import Gap, GapState
from cds.logic.silence import why_silent
from cds.replay import Category, Replayed, replay_ledger
from cds.service.knowledge import parameter_files, software_digest
from cds.service.settings import Settings, SettingsError

DAMAGED = 1
_HEADER = (
    "kind", "service", "hook", "outcome", "status", "purpose", "mode", "client", "tenant", "user", "patient", "encounter", "request_id", "hook_instance",
    "advisories", "cards",
)  # fmt: skip


def _reader(settings: Settings) -> LedgerReader:
    return LedgerReader(settings.data / "ledger")


def instant_of(text: str | None) -> int | None:
    """A day (from its beginning, UTC) or an instant with a zone, in ms since 1970. SettingsError for anything else."""
    if text is None:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            day = date.fromisoformat(text)
            moment = datetime(day.year, day.month, day.day, tzinfo=UTC)
        else:
            moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise SettingsError(f"'{text}' is neither a day (2026-03-14) nor an instant (2026-03-14T08:00:00Z)") from error
    if moment.tzinfo is None:
        raise SettingsError(f"'{text}' has no zone: write 2026-03-14T08:00:00Z, or the day alone")
    return int(moment.timestamp() * 1000)


def list_records(settings: Settings, since: str | None, code: str | None, kind: str | None, limit: int) -> int:
    """Print the newest records that pass. Exit code 0."""
    found = _reader(settings).list(Filter(kind=kind, since_ms=instant_of(since), advisory=code), limit=limit)
    for entry in found:
        header = entry.header
        facts = header.get("facts", {})
        outcome = " ".join(str(part) for part in (header.get("status"), header.get("outcome"), facts.get("outcome"), facts.get("reason"), facts.get("name")) if part)
        line = f"{clock(entry.received_ms)}  {entry.id:<8}  {entry.kind:<9}  {header.get('service', ''):<26}  {outcome:<20}  {', '.join(header.get('advisories', ()))}"
        print(line.rstrip())
    if not found:
        print("No record passes.")
    return 0


def show_record(settings: Settings, name: str) -> int:
    """Print one record. SettingsError where there is none of that name."""
    reader = _reader(settings)
    record = reader.show(name)
    if record is None:
        raise SettingsError(f"no record '{name}': give stream:sequence (00:17), the uuid of a card, or a request id")
    console = Console()
    _print_header(console, record)
    if record.evidence is None:
        console.print("The evidence of this record is gone; header and chain stand.")
        return 0
    parts = record.parts
    if FEEDBACK_PART in parts:
        console.print(_title("Feedback as sent"))
        console.print_json(parts[FEEDBACK_PART].decode())
    for name, title in (("memory", "Overrides that were remembered for this call"), ("promises", "Promises to monitor that were remembered for this call")):
        if name not in parts:
            continue
        console.print(_title(title))
        for row in json.loads(parts[name]):
            console.print(Text(f"  {row['advisory']} ({row['indicator']}), {clock(row['at_ms'])}, reason {row['reason'] or 'not given'}"))
    if "rules" in parts:
        _print_rules(console, json.loads(parts["rules"]))
    if parts.get("answer"):
        _print_answer(console, json.loads(parts["answer"]))
    for card in record.header.get("cards", ()):
        for each in feedback_on(reader, card):
            _print_feedback(console, card, each)
    return 0


def _title(text: str) -> Text:
    return Text(f"\n{text}", style="bold")


def _print_header(console: Console, record: Record) -> None:
    header = record.header
    console.print(Text(f"Record {record.id}, received {clock(record.received_ms)}", style="bold"))
    rows: list[tuple[str, Any]] = [("judged as of", clock(header["evaluated_ms"]))] if "evaluated_ms" in header else []
    rows += [(key.replace("_", " "), header[key]) for key in _HEADER if header.get(key) not in (None, [], "")]
    rows += [(name.replace("_", " "), value) for name, value in header.get("facts", {}).items()]
    rows += [(f"{name.replace('_', ' ')} hash", value) for name, value in header.get("hashes", {}).items()]
    for name, value in (*rows, ("entry hash", record.hash.hex())):
        console.print(Text(f"{name:<22}{', '.join(value) if isinstance(value, list) else value}"), soft_wrap=True)


def verdict_of(row: dict[str, Any]) -> Verdict:
    """A rule's recorded result as a verdict, for its words."""
    gaps = tuple(Gap(gap["item"], GapState(gap["state"]), gap["detail"]) for gap in row.get("gaps", ()))
    return Verdict(row["code"], Outcome(row["outcome"]), row.get("why", ""), gaps)


def _print_rules(console: Console, rules: dict[str, Any]) -> None:
    age = "" if rules.get("age-known", True) else ", age not known"
    console.print(_title(f"Rules (figures for {rules.get('population')}s{age})" if rules.get("population") == "adult" else f"Rules (figures for children{age})"))
    for row in rules.get("rules", ()):
        findings = row.get("findings", ())
        console.print(Text.assemble(f"  {row['code']}: ", (why_silent(verdict_of(row)), "bold" if findings else "")))
        for finding in findings:
            about = f" for {', '.join(finding['orders'])}" if finding["orders"] else ""
            console.print(Text(f"    {finding['indicator']}, branch '{finding['branch']}'{about}"))
            for line in finding.get("because", ()):
                console.print(Padding(Text(line, style="dim"), (0, 0, 0, 6)))
    if rules.get("not-judged"):
        console.print(_title("Could not be judged"))
        for item in rules["not-judged"]:
            console.print(Text(f"  {item['code']} ({item['indicator']}): {item['text']}"))
    if rules.get("not-offered"):
        console.print(_title("Suggestions that were judged and not offered"))
        for item in rules["not-offered"]:
            console.print(Text(f"  {item['label']}: {item['reason']}"))


def _print_answer(console: Console, answer: dict[str, Any]) -> None:
    if answer.get("resourceType") == "OperationOutcome":
        console.print(_title("Answer"))
        print_outcome(console, answer)
        return
    cards = answer.get("cards", [])
    console.print(_title("Cards as sent" if cards else "No card was sent"))
    for card in cards:
        console.print(Text(f"card {card.get('uuid', '')}", style="dim"))
        print_card(console, card)
        console.print()
    drafts = answer.get("extension", {}).get("example.trivet.drafts", [])
    if drafts:
        print_drafts(console, drafts)


def _print_feedback(console: Console, card: str, record: Record) -> None:
    facts = record.header.get("facts", {})
    without = "" if facts.get("effective") else ", without effect"
    console.print(_title(f"Feedback {record.id}, received {clock(record.received_ms)}, on card {card}{without}"))
    console.print(Text(f"  {facts.get('outcome', '')}{', reason ' + facts['reason'] if facts.get('reason') else ''}"))
    item = json.loads(record.parts[FEEDBACK_PART]) if record.evidence is not None and FEEDBACK_PART in record.parts else {}
    comment = (item.get("overrideReason") or {}).get("userComment")
    if comment:
        console.print(Text(f"  comment: {comment}"))


def verify_ledger(settings: Settings, witness: Path | None = None, key: Path | None = None) -> int:
    """Verify every chain and every signed head. Without `witness` the settings' witness file is taken, without `key` the public key of the key
    folder, where they exist. Exit code 1 on damage."""
    kept = witness or (settings.witness_file if settings.witness_file.exists() else None)
    public = key or (settings.key_folder / PUBLIC_FILE if (settings.key_folder / PUBLIC_FILE).exists() else None)
    found = verify(settings.data / "ledger", lines=witness_lines(kept) if kept else (), key=read_public_key(public) if public else None)
    console = Console()
    for name, place in sorted(found.heads.items()):
        console.print(f"stream {name}: {place.sequence} records, last hash {place.hash.hex()}", soft_wrap=True)
    if found.signed is not None:
        after = f", {found.uncovered} records came after it" if found.uncovered else ""
        console.print(f"signed head {found.signed.number} of {clock(found.signed.made_ms)}: root {found.signed.root.hex()}{after}", soft_wrap=True)
    if kept is not None:
        console.print(f"witness {kept}: " + (f"heads up to {found.witnessed}" if found.witnessed else "no head of this ledger"), soft_wrap=True, highlight=False)
    for finding in found.findings:
        console.print(Text(f"DAMAGED {finding}", style="bold red"), soft_wrap=True)
    console.print(f"{found.records} records, {'nothing disagrees' if found.ok else f'{len(found.findings)} disagreements'}.")
    for limit in found.limits:
        console.print(Text(limit, style="dim"), soft_wrap=True)
    if kept is not None and kept.resolve().is_relative_to(settings.data.resolve()):
        beside = f"This witness lies in the data folder, and whoever can write the ledger can write it too. {LIMITS[0]}"
        console.print(Text(beside, style="dim"), soft_wrap=True)
    return 0 if found.ok else DAMAGED


def prove(settings: Settings, name: str | None, head: int | None, since_head: int | None) -> int:
    """Print a proof as JSON: that a record is under a signed head, or that one head only added to another. Exit code 0."""
    directory = settings.data / "ledger"
    if (name is None) == (since_head is None):
        raise SettingsError("give a record, or an earlier head with --since-head")
    if name is None:
        assert since_head is not None
        print(json.dumps(consistency_proof(directory, since_head, head)))
        return 0
    record = LedgerReader(directory).show(name)
    if record is None:
        raise SettingsError(f"no record '{name}': give stream:sequence (00:17), the uuid of a card, or a request id")
    print(json.dumps(inclusion_proof(directory, record.stream, record.sequence, head)))
    return 0


def replay_records(settings: Settings, since: str | None, code: str | None) -> int:
    """Judge every recorded call again. Exit code 1 where an answer of this release differs."""
    report = replay_ledger(_reader(settings), software_digest(), parameter_files(), Filter(since_ms=instant_of(since), advisory=code))
    console = Console()
    for category in Category:
        console.print(f"{category.value}: {report.counts[category]}", highlight=False)
    _print_replayed(console, "Different, though the software is the same", report.different)
    _print_replayed(console, "Software changed: what this release would answer instead", report.software_changed)
    _print_replayed(console, "Not kept", report.not_kept)
    return 0 if report.ok else DAMAGED


def _print_replayed(console: Console, title: str, found: list[Replayed]) -> None:
    if found:
        console.print(_title(title))
    for one in found:
        console.print(Text(f"  {one.id} {clock(one.received)}{f': {one.why}' if one.why else ''}"))
        for line in one.differences:
            console.print(Text(f"    {line}", style="dim"), soft_wrap=True)


__all__ = ["instant_of", "list_records", "prove", "replay_records", "show_record", "verdict_of", "verify_ledger"]
