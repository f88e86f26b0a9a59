"""The command as the tests of this folder run it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.cli.command import Trivet


@pytest.fixture
def trivet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Trivet:
    """Commands over a data folder of the test; the developer's own TRIVET_* settings are set aside."""
    for name in os.environ:
        if name.startswith("TRIVET_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("TRIVET_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("COLUMNS", "160")
    return Trivet(monkeypatch, capsys)
