"""Write the table of settings into README.md.

    python deploy/generate/readme.py            write
    python deploy/generate/readme.py --check    exit 1 if the table is not current
"""

from __future__ import annotations

import argparse
import sys
import types
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from cds.service.settings import Settings  # noqa: E402

TARGET = ROOT / "README.md"
BEGIN, END = "<!-- settings -->\n", "<!-- end of settings -->\n"
COMPUTED = {"data": "the user's data folder"}


def _kind(annotation: Any) -> str:
    """A type in a reader's words."""
    if get_origin(annotation) is Literal:
        return " or ".join(f"`{value}`" for value in get_args(annotation))
    if get_origin(annotation) in (Union, types.UnionType):
        return " or ".join(_kind(part) for part in get_args(annotation) if part is not type(None))
    if get_origin(annotation) in (tuple, frozenset):
        return "JSON list of text"
    return {bool: "`true` or `false`", int: "whole number", str: "text", Path: "path"}[annotation]


def _default(name: str, value: Any) -> str:
    if name in COMPUTED:
        return COMPUTED[name]
    if value is None or value == "" or value == () or value == frozenset():
        return "none"
    return f"`{str(value).lower()}`" if isinstance(value, bool) else f"`{value}`"


def table() -> str:
    """The settings as a Markdown table, in the order in which they are declared."""
    rows = ["| setting | kind | default | what it says |", "| --- | --- | --- | --- |"]
    for name, field in Settings.model_fields.items():
        default = _default(name, None if field.is_required() or field.default_factory else field.default)
        rows.append(f"| `TRIVET_{name.upper()}` | {_kind(field.annotation)} | {default} | {field.description or ''} |")
    return "\n".join(rows) + "\n"


def whole(text: str) -> str:
    """README.md with the current table."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise SystemExit(f"{TARGET.name} has no place for the settings")
    return f"{before}{BEGIN}\n{table()}\n{END}{after}"


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the table of settings into README.md.")
    parser.add_argument("--check", action="store_true", help="exit 1 if the committed table is not current")
    arguments = parser.parse_args()
    current = TARGET.read_text(encoding="utf-8")
    text = whole(current)
    if not arguments.check:
        TARGET.write_text(text, encoding="utf-8")
    elif text != current:
        print("the settings in README.md are not current; run python deploy/generate/readme.py", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
