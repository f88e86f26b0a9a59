"""What tests may need beside Python. A test that lacks it is skipped with the reason; `.ci/run` fails where that happens.

    node      Node, and the packages of TRIVET_NODE_MODULES (a `node_modules` folder that holds @lhncbc/ucum-lhc)
    postgres  a PostgreSQL server, its address in TRIVET_TEST_POSTGRES
    browser   chromium
    strace    strace
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest


def _node() -> str | None:
    if shutil.which("node") is None:
        return "Node is not installed"
    modules = os.environ.get("TRIVET_NODE_MODULES")
    if not modules:
        return "TRIVET_NODE_MODULES names no node_modules folder"
    if not (Path(modules) / "@lhncbc" / "ucum-lhc").is_dir():
        return "TRIVET_NODE_MODULES holds no @lhncbc/ucum-lhc"
    return None


def _postgres() -> str | None:
    return None if os.environ.get("TRIVET_TEST_POSTGRES") else "TRIVET_TEST_POSTGRES names no PostgreSQL server"


def _browser() -> str | None:
    return None if any(map(shutil.which, ("chromium", "chromium-browser"))) else "chromium is not installed"


def _strace() -> str | None:
    return None if shutil.which("strace") else "strace is not installed"


NEEDS = {"node": _node, "postgres": _postgres, "browser": _browser, "strace": _strace}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what this machine cannot run, and say why."""
    missing = {marker: reason for marker, lacks in NEEDS.items() if (reason := lacks())}
    for item in items:
        for marker, reason in missing.items():
            if item.get_closest_marker(marker):
                item.add_marker(pytest.mark.skip(reason=reason))
