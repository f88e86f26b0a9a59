"""What is acknowledged survives (L-34, AU-28). Killing a process says nothing about the disk: that is what the sync
tests are for.

Not tested: power loss itself, and disks that acknowledge a sync before it happened.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from cds.audit.errors import LedgerError
from cds.audit.read import LedgerReader
from cds.audit.store import Ledger
from cds.audit.stream import PRAGMAS
from cds.audit.verify import verify
from tests.audit.ledgers import NOW_MS, call, opened, writer

OFF = {**PRAGMAS, "synchronous": "OFF"}


def check_settings(ledger: Ledger) -> None:
    assert ledger.live_settings() == {"journal_mode": "wal", "synchronous": 2, "fullfsync": 1, "wal_autocheckpoint": 0}


def test_live_connection_syncs_before_it_acknowledges(tmp_path: Path) -> None:
    with opened(tmp_path) as ledger:
        check_settings(ledger)


def test_control_live_settings_show_synchronous_off(tmp_path: Path) -> None:
    with opened(tmp_path, pragmas=OFF) as ledger, pytest.raises(AssertionError):
        check_settings(ledger)
    with opened(tmp_path, pragmas=OFF) as ledger, pytest.raises(LedgerError, match="synchronous is 0"):
        ledger.run(lambda stream: stream.require_durable())


def syncs(directory: Path, count: int, synchronous: str) -> int:
    """How often a process that appends `count` records one after the other syncs a file, as strace counts it."""
    trace = directory / "trace"
    process = writer(
        directory / "ledger",
        count,
        synchronous,
        ("strace", "-f", "-qq", "-e", "trace=fdatasync,fsync", "-o", str(trace)),
    )
    acknowledged = process.communicate(timeout=120)[0].splitlines()
    if process.returncode != 0 and not trace.exists():
        pytest.skip("strace may not trace here")
    assert len([line for line in acknowledged if line.startswith("stored")]) == count
    lines = trace.read_text().splitlines()
    return sum("sync(" in line and line.rstrip().endswith("= 0") for line in lines)


@pytest.mark.strace
@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_every_acknowledged_batch_was_synced(tmp_path: Path) -> None:
    assert syncs(tmp_path, 100, "FULL") >= 100


@pytest.mark.strace
@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_control_with_synchronous_off_batches_are_not_synced(tmp_path: Path) -> None:
    with pytest.raises(AssertionError):
        assert syncs(tmp_path, 100, "OFF") >= 100


def killed(directory: Path, acknowledged: int) -> list[str]:
    """Kill a process in the middle of its appends; returns what it had acknowledged."""
    with writer(directory, 1_000_000) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(acknowledged)]
        os.kill(process.pid, signal.SIGKILL)
        lines += process.stdout.readlines()
    return [line for line in lines if line.count(" ") == 3 and line.endswith("\n")]


def check_found(directory: Path, acknowledged: list[str]) -> None:
    there = {(e.stream, str(e.sequence), e.hash.hex()) for s in ("00",) for e in LedgerReader(directory).entries(s)}
    for line in acknowledged:
        state, stream, sequence, digest = line.split()
        assert state == "stored" and (stream, sequence, digest) in there


def test_killed_under_load_every_acknowledged_record_is_found(tmp_path: Path) -> None:
    acknowledged = killed(tmp_path, 300)
    assert len(acknowledged) >= 300
    check_found(tmp_path, acknowledged)
    with opened(tmp_path) as ledger:
        assert ledger.append_sync(call()).state == "stored"
    assert verify(tmp_path).ok


def test_control_killed_a_record_that_was_not_written_is_missed(tmp_path: Path) -> None:
    acknowledged = killed(tmp_path, 50)
    with pytest.raises(AssertionError):
        check_found(tmp_path, [*acknowledged, f"stored 00 999999 {'00' * 32}\n"])


def test_au_28_four_processes_write_two_thousand_records(tmp_path: Path) -> None:
    processes = [writer(tmp_path, 500) for _ in range(4)]
    lines = [line for process in processes for line in process.communicate(timeout=300)[0].splitlines()]
    assert len(lines) == len(set(lines)) == 2000
    reader = LedgerReader(tmp_path)
    calls = [entry.hash.hex() for stream in reader.streams() for entry in reader.entries(stream) if entry.kind == "call"]
    assert sorted(calls) == sorted(line.split()[3] for line in lines)
    outcome = verify(tmp_path)
    assert outcome.ok and outcome.records == 2000 + 4


def test_control_au_28_without_the_lock_two_processes_meet_in_one_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cds.audit.stream.fcntl.flock", lambda *_: None)
    with opened(tmp_path) as first, opened(tmp_path) as second:
        assert first.stream == second.stream == "00"
        assert {first.append_sync(call()).state, second.append_sync(call()).state} != {"stored"}


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MiB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], capture_output=True, text=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {mounted.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def fill(ledger: Ledger) -> list[str]:
    states: list[str] = []
    while len(states) < 40 and states[-3:] != ["spooled"] * 3 and "lost" not in states:
        states.append(ledger.append_sync(call(evidence={"request": bytes(60_000)})).state)
    return states


def test_full_disk_records_go_to_the_spool_and_come_back(small_disk: Path, tmp_path: Path) -> None:
    with opened(small_disk / "ledger", spool_directory=tmp_path / "spool", spool_bytes=4 * 1024 * 1024) as ledger:
        states = fill(ledger)
        assert states[0] == "stored" and states[-1] == "spooled" and "lost" not in states
        assert not ledger.health().ready and "full" in (ledger.health().trouble or "")
        subprocess.run(["mount", "-o", "remount,size=16m", str(small_disk)], check=True)
        assert ledger.append_sync(call(received_ms=NOW_MS)).state == "stored"
        ledger.run(lambda stream: None)
        assert ledger.health().ready
    entries = list(LedgerReader(small_disk / "ledger").entries("00"))
    assert len([entry for entry in entries if entry.kind == "call"]) == len(states) + 1
    assert len([entry for entry in entries if "spooled_ms" in entry.header]) == states.count("spooled")
    assert verify(small_disk / "ledger").ok


def test_control_full_disk_with_the_spool_too_small_loses_records(small_disk: Path, tmp_path: Path) -> None:
    with opened(small_disk / "ledger", spool_directory=tmp_path / "spool", spool_bytes=1000) as ledger:
        assert fill(ledger)[-1] == "lost"
        assert ledger.health().lost == 1
