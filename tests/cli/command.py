"""Running `trivet` inside the test's process, and as a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from cds.cli.main import main

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Said:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str


class Trivet:
    """Runs commands in this process; `TRIVET_DATA` is a folder of the test."""

    def __init__(self, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self.patch = patch
        self._capsys = capsys

    def __call__(self, *words: str | Path) -> Said:
        self._capsys.readouterr()
        self.patch.setattr("sys.argv", ["trivet", *(str(word) for word in words)])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = self._capsys.readouterr()
        return Said(int(ended.value.code or 0), printed.out, printed.err)


def process(words: list[str], folder: Path, **env: str) -> subprocess.Popen[str]:
    """`trivet` as a process whose working directory is `folder`."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("TRIVET_")}
    return subprocess.Popen(
        [sys.executable, "-m", "cds.cli", *words],
        env={**inherited, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "PYTHONDONTWRITEBYTECODE": "1", **env},
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
