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
from cds.audit.secret_files import make_once

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
        # Asked in this order: another process may have made the secret, and then its stream, since.
        if any(directory.glob("stream-*.sqlite")) and not path.exists():
            raise LedgerDamaged(f"{path} is missing but the ledger is not empty; put the file back from its backup")
        make_once(path, os.urandom(_SECRET_BYTES))
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
