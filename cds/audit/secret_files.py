"""Files that hold secrets: made once, whole or not at all, readable for the service's own user only."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def make_once(path: Path, content: bytes) -> None:
    """Make the file (mode 0600) with this content, durably. Where another process was first, its file stands: all workers use one secret.

    Raises OSError.
    """
    draft = path.parent / f".{path.name}.{os.getpid()}"
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        os.write(descriptor, content)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    try:
        with suppress(FileExistsError):
            os.link(draft, path)
    finally:
        draft.unlink()
    sync_directory(path.parent)


def sync_directory(directory: Path) -> None:
    """Make the names in a directory durable."""
    descriptor = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
