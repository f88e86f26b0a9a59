"""The spool: where records go while the store cannot take them (L-3).

One preallocated file for each stream, best on another file system than the store: writing into it needs no new space,
so it works when the store's disk is full. A frame is: "TSPL", length (8 bytes), payload, SHA-256 of the payload. The
payload is the packed record with its salt, so that a record which is in doubt (the store reported an error, yet kept
it) is recognised and not stored twice.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
from pathlib import Path

from cds.audit.record import Prepared, pack, unpack
from cds.audit.secret_files import sync_directory

DEFAULT_BYTES = 64 * 1024 * 1024
_MARK = b"TSPL"
_END = bytes(12)


class SpoolFull(OSError):
    """The record does not fit into what is left of the spool."""


class Spool:
    """Appends records to the file, and gives them back in order. Not thread-safe: the writer thread owns it."""

    def __init__(self, path: Path, size: int = DEFAULT_BYTES) -> None:
        """Open or preallocate the file. Raises OSError where that fails: without its spool the service does not
        start."""
        self.path = path
        self._size = size
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if os.fstat(self._file).st_size < size:
                os.posix_fallocate(self._file, 0, size)
                os.fsync(self._file)
                sync_directory(path.parent)
            self.waiting = self._read()
            """Records that are here and not known to be in the store, oldest first."""
        except BaseException:
            os.close(self._file)
            raise

    def write(self, prepared: Prepared, spooled_ms: int) -> None:
        """Append one record and make it durable. Raises OSError, SpoolFull among them."""
        members = {**prepared.members, "spooled_ms": spooled_ms}
        spooled = Prepared(members, prepared.salt, prepared.evidence)
        payload = pack({"members": json.dumps(members).encode(), "salt": prepared.salt, "evidence": prepared.evidence})
        frame = _MARK + struct.pack(">Q", len(payload)) + payload + hashlib.sha256(payload).digest() + _END
        if self._at + len(frame) > self._size:
            raise SpoolFull(f"{self.path} is full")
        view, at = memoryview(frame), self._at
        while view:
            written = os.pwrite(self._file, view, at)
            view, at = view[written:], at + written
        os.fdatasync(self._file)
        self._at += len(frame) - len(_END)
        self.waiting.append(spooled)

    def clear(self) -> None:
        """Forget everything: all of it is in the store. Raises OSError; then the records are recognised by their
        salts next time."""
        self.waiting.clear()
        self._at = 0
        os.pwrite(self._file, _END, 0)
        os.fdatasync(self._file)

    def close(self) -> None:
        os.close(self._file)

    def _read(self) -> list[Prepared]:
        """All whole frames. The first one that is cut off or does not match its hash was never acknowledged: it ends
        the spool."""
        found: list[Prepared] = []
        self._at = 0
        while True:
            head = os.pread(self._file, 12, self._at)
            if len(head) < 12 or not head.startswith(_MARK):
                return found
            length: int = struct.unpack(">Q", head[4:])[0]
            if self._at + 12 + length + 32 > self._size:
                return found
            payload = os.pread(self._file, length, self._at + 12)
            if hashlib.sha256(payload).digest() != os.pread(self._file, 32, self._at + 12 + length):
                return found
            parts = unpack(payload)
            found.append(Prepared(json.loads(parts["members"]), parts["salt"], parts["evidence"]))
            self._at += 12 + length + 32
