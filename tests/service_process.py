"""The real service as a process of its own, for tests that speak to it over HTTP."""

import importlib.util
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

START_SECONDS = 30.0
STOP_SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class RunningService:
    """A service that has answered its readiness check. `log` holds what it wrote to stdout and stderr."""

    url: str
    data_dir: Path
    log: Path
    process: "subprocess.Popen[bytes]"


def service_is_built() -> bool:
    """Whether the package has a service and a command line to start it with."""
    try:
        return all(importlib.util.find_spec(name) for name in ("cds.service.app", "cds.cli.__main__"))
    except ModuleNotFoundError:
        return False


def free_port() -> int:
    """A TCP port of the loopback address that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def start_service(data_dir: Path, **env: str) -> Iterator[RunningService]:
    """Serve on a free loopback port with its data under `data_dir`; stop when the block ends.

    `env` is added to the environment; TRIVET_* variables of the caller's own environment are not passed on, so that a
    developer's settings cannot change a test. RuntimeError, with the log's end, if the service does not become ready.
    """
    data_dir.mkdir(parents=True, exist_ok=True)
    log, port = data_dir / "service.log", free_port()
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("TRIVET_")}
    command = [sys.executable, "-m", "cds.cli", "serve", "--host", "127.0.0.1", "--port", str(port)]
    with log.open("wb") as out:
        process = subprocess.Popen(
            command,
            env={**inherited, "TRIVET_DATA": str(data_dir / "data"), "PYTHONUNBUFFERED": "1", **env},
            cwd=Path(__file__).parents[1],
            stdout=out,
            stderr=subprocess.STDOUT,
        )
    running = RunningService(f"http://127.0.0.1:{port}", data_dir, log, process)
    try:
        _wait_until_ready(running)
        yield running
    finally:
        process.terminate()
        try:
            process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_until_ready(running: RunningService) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline and running.process.poll() is None:
        try:
            if httpx.get(f"{running.url}/health/ready", timeout=2.0).status_code == 200:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.05)
    end = running.log.read_text(errors="replace")[-2000:]
    raise RuntimeError(f"the service did not become ready (exit code {running.process.poll()}):\n{end}")
