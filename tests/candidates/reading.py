"""Reads the tables of this folder."""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    """Each row by column; "-" is an empty cell."""
    lines = [line.strip().strip("|") for line in (HERE / name).read_text(encoding="utf-8").splitlines() if line.startswith("|")]
    header = [cell.strip() for cell in lines[0].split("|")]
    cells = [[cell.strip().removesuffix("-") if cell.strip() == "-" else cell.strip() for cell in line.split("|")] for line in lines[2:]]
    return [dict(zip(header, row, strict=True)) for row in cells]
