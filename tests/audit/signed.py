"""Ledgers with signed heads, and the stand-alone verifier as a module, for the tests of this folder."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

from cds.audit.keeper import HeadKeeper
from cds.audit.store import Ledger
from tests.audit.ledgers import NOW_MS, call, opened

VERIFIER = Path(__file__).parents[2] / "deploy" / "verify_ledger.py"


def verifier(*changes: tuple[str, str]) -> ModuleType:
    """deploy/verify_ledger.py, loaded from its file; with `changes` (old text, new text) a check is taken out of it."""
    source = VERIFIER.read_text(encoding="utf-8")
    for old, new in changes:
        assert source.count(old) == 1, old
        source = source.replace(old, new)
    module = ModuleType("verify_ledger")
    exec(compile(source, str(VERIFIER), "exec"), module.__dict__)  # noqa: S102 - a file of this repository
    return module


class Place:
    """Where a signed ledger of a test lives: `ledger`, `keys` and `witness` under one folder."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.ledger = root / "ledger"
        self.keys = root / "keys"
        self.witness = root / "elsewhere" / "heads.txt"
        self.now = NOW_MS

    def keeper(self, **settings: Any) -> HeadKeeper:
        return HeadKeeper(self.ledger, self.keys, self.witness, clock_ms=lambda: self.now, **settings)

    def writer(self, keeper: HeadKeeper) -> Ledger:
        """A ledger whose start record names the key, as the service's does."""
        return opened(self.ledger, head_key=keeper.key.public.hex())

    def filled(self, *counts: int) -> None:
        """For each count so many calls, and a head over them."""
        keeper = self.keeper()
        with self.writer(keeper) as ledger:
            for count in counts:
                for _ in range(count):
                    assert ledger.append_sync(call()).state == "stored"
                keeper.round(signing=True)
        keeper.close()


ALONE = verifier()


def said_by_verifier(place: Place, *, witness: bool = False, key: str | None = None, module: ModuleType = ALONE) -> list[str]:
    """What the stand-alone verifier finds in a ledger."""
    found = module.Ledger(place.ledger, module.lines_of(place.witness) if witness else [], key)
    found.verify()
    said: list[str] = found.found
    return said
