"""One disagreement that verification found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One disagreement: in which stream (empty: among the signed heads), at which record (None: not at one record), and what."""

    stream: str
    sequence: int | None
    what: str

    def __str__(self) -> str:
        if not self.stream:
            return self.what
        return f"{self.stream}:{self.sequence}: {self.what}" if self.sequence is not None else f"stream {self.stream}: {self.what}"
