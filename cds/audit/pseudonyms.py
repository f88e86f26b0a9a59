"""Pseudonyms of persons: HMAC-SHA256 under a secret of this ledger, by tenant and id.

The same person has the same pseudonym in every record of one ledger, and another in every other ledger. Without the
secret file a pseudonym cannot be computed from an id, so a list of all plausible ids does not help; whoever holds the
secret can test an id.
"""

from __future__ import annotations

import hmac
import os
from pathlib import Path

from cds.audit.errors import LedgerDamaged
from cds.audit.record import Pseudonym

SECRET_FILE = "pseudonyms.key"
_SECRET_BYTES = 32


class Pseudonyms:
    """Makes the pseudonyms of one ledger. Thread-safe."""

    def __init__(self, secret: bytes) -> None:
        if len(secret) != _SECRET_BYTES:
            raise LedgerDamaged(f"the secret of the pseudonyms must have {_SECRET_BYTES} bytes, not {len(secret)}")
        self._secret = secret

    @classmethod
    def open(cls, directory: Path) -> Pseudonyms:
        """Read the secret of the ledger in `directory`, or make it (mode 0600) where the ledger is still empty.

        Raises LedgerDamaged where streams exist without their secret: a new one would give every patient a second name.
        """
        path = directory / SECRET_FILE
        try:
            return cls(path.read_bytes())
        except FileNotFoundError:
            pass
        if any(directory.glob("stream-*.sqlite")):
            raise LedgerDamaged(f"{path} is missing but the ledger is not empty; put the file back from its backup")
        draft = directory / f".{SECRET_FILE}.{os.getpid()}"
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            os.write(descriptor, os.urandom(_SECRET_BYTES))
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        try:
            os.link(draft, path)  # fails where another process was first, so that all workers use one secret
        except FileExistsError:
            pass
        finally:
            draft.unlink()
        sync_directory(directory)
        return cls(path.read_bytes())

    @property
    def key_id(self) -> str:
        """Names the secret without telling it."""
        return self._of("key id", None, "")

    def patient(self, tenant: str | None, patient_id: str) -> Pseudonym:
        return self._of("patient", tenant, patient_id)

    def user(self, tenant: str | None, user_id: str) -> Pseudonym:
        return self._of("user", tenant, user_id)

    def encounter(self, tenant: str | None, encounter_id: str) -> Pseudonym:
        return self._of("encounter", tenant, encounter_id)

    def _of(self, kind: str, tenant: str | None, identity: str) -> Pseudonym:
        message = b""
        for text in (kind, "" if tenant is None else "=" + tenant, identity):
            spelled = text.encode("utf-8", "surrogatepass")
            message += len(spelled).to_bytes(4, "big") + spelled
        # In one call: each request asks for six.
        return Pseudonym(hmac.digest(self._secret, message, "sha256").hex()[:32])


def sync_directory(directory: Path) -> None:
    """Make the names in a directory durable."""
    descriptor = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
