"""order-sign against the floor over HTTP: G1, G2, G5.

Two uvicorn processes with the same loop, parser and collector settings, one kept-alive connection to each. Within a round
every request goes to the floor and to the service in turn, so that whatever else the machine does falls on both; the figures
are medians over the rounds.
"""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.client import Connection
from tests.benchmarks.fixture import CRITICAL, RUNNING, request

SERVICE = "/cds-services/trivet-order-sign"
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Row:
    """One size measured. Times in milliseconds, each the median over the rounds; ratios are medians of the rounds' ratios."""

    size: int
    running: int
    body_bytes: int
    row_bytes: int
    critical_codes: int
    floor_p50: float
    floor_p99: float
    service_p50: float
    service_p99: float
    ratio_p50: float
    ratio_p99: float
    spread: float


@contextmanager
def serving(application: str, data: Path, *, factory: bool = False) -> Iterator[int]:
    """A uvicorn process on a free loopback port, as `trivet serve` starts one. RuntimeError if it does not come up."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("TRIVET_")}
    env = {**inherited, "TRIVET_DATA": str(data), "FLOOR_DATA": str(data)}
    command = [sys.executable, "-m", "uvicorn", application, "--host", "127.0.0.1", "--port", str(port), "--no-access-log", "--log-level", "warning"]
    process = subprocess.Popen([*command, *(["--factory"] if factory else [])], cwd=ROOT, env=env)
    try:
        deadline = time.monotonic() + 30
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                if process.poll() is not None or time.monotonic() > deadline:
                    raise RuntimeError(f"{application} did not start") from None
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(20)


def critical_codes(answer: bytes) -> set[str]:
    """The advisory codes that an answer carries as critical."""
    cards = json.loads(answer)["cards"]
    listed = [entry for card in cards for entry in card.get("extension", {}).get("example.trivet.advisories", ())]
    return {entry["code"] for entry in listed if entry["indicator"] == "critical"}


def evidence_bytes(data: Path) -> int:
    """Size of the evidence row that the service wrote for the one call so far."""
    path = data / "ledger" / "stream-00.sqlite"
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        return int(database.execute("SELECT max(length(body)) FROM evidence").fetchone()[0])


def _p99(times: list[float]) -> float:
    return sorted(times)[max(0, -(-99 * len(times) // 100) - 1)]


def measure(sizes: tuple[tuple[int, int], ...], *, rounds: int = 5, requests: int = 200) -> list[Row]:
    """One Row for each (size, running orders). RuntimeError where the fixture does not fire: such a figure would mean nothing."""
    rows = []
    for size, running in sizes:
        count = max(20, requests // 4) if size > 2_000 else requests
        body = request(size, running=running)
        with TemporaryDirectory() as folder:
            floor_data, data = Path(folder) / "floor", Path(folder) / "service"
            with (
                serving("tests.benchmarks.serve_floor:app", floor_data) as floor_port,
                serving("cds.service.app:app_from_environment", data, factory=True) as port,
                closing(Connection(floor_port)) as floor,
                closing(Connection(port)) as service,
            ):
                fired = critical_codes(service.post(SERVICE, body)[1])
                if size > 1 and not fired >= CRITICAL:
                    raise RuntimeError(f"the fixture of {size} fires only {sorted(fired)}")
                row_bytes = evidence_bytes(data)
                extra = f"x-row-bytes: {row_bytes}\r\n"
                for _ in range(max(10, count // 5)):
                    floor.post("/", body, extra)
                    service.post(SERVICE, body)
                taken: list[tuple[float, float, float, float]] = []
                for _ in range(rounds):
                    below: list[float] = []
                    above: list[float] = []
                    for _ in range(count):
                        below.append(floor.post("/", body, extra)[0])
                        above.append(service.post(SERVICE, body)[0])
                    taken.append((statistics.median(below), _p99(below), statistics.median(above), _p99(above)))
        middle = [statistics.median(column) for column in zip(*taken, strict=True)]
        rows.append(
            Row(
                size, running, len(body), row_bytes, len(fired), *middle,
                statistics.median(t[2] / t[0] for t in taken), statistics.median(t[3] / t[1] for t in taken),
                statistics.median(t[3] / t[2] for t in taken),
            )
        )  # fmt: skip
    return rows


FULL = ((1, RUNNING), (100, RUNNING), (1_000, RUNNING), (5_000, RUNNING), (1_000, 150))
SMALL = ((1, RUNNING), (100, RUNNING))
