"""Write into README.md the table of settings, and the shortened answer to the lead scenario.

    python deploy/generate/readme.py            write
    python deploy/generate/readme.py --check    exit 1 if either is not current
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import types
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from cds.call import answer  # noqa: E402
from cds.chart import NO_MEMORY  # noqa: E402
from cds.service.desk import call_settings  # noqa: E402
from cds.service.knowledge import load_knowledge  # noqa: E402
from cds.service.settings import Settings  # noqa: E402

TARGET = ROOT / "README.md"
LEAD = ROOT / "synthetic_bundles" / "01-ketoacidosis-valproate-meropenem" / "request.json"
BEGIN, END = "<!-- settings -->\n", "<!-- end of settings -->\n"
ANSWER_BEGIN, ANSWER_END = "<!-- answer -->\n", "<!-- end of answer -->\n"
DETAIL_SHOWN = 420
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


def shortened_answer() -> str:
    """What the service answers to the lead scenario, line by line, with "..." for what is left out: of each card the summary, the indicator and
    which advisories it carries, and how the first card's detail begins."""
    settings = Settings()
    knowledge = load_knowledge(settings)
    made = answer(
        LEAD.read_bytes(),
        now=0,
        request_id="00000000-0000-4000-8000-000000000000",
        memory=NO_MEMORY,
        knowledge=knowledge,
        settings=call_settings(settings, "order-sign", knowledge.parameters),
    )
    if made.status != 200:
        raise SystemExit(f"the lead scenario was answered with {made.status}")
    kept: list[str] = []
    detail_shown, listing = False, False
    for line in json.dumps(json.loads(made.body), indent=4, ensure_ascii=False).splitlines():
        depth = len(line) - len(line.lstrip())
        listing = listing or line.strip() == '"example.trivet.advisories": ['
        if depth <= 8 or (depth == 12 and re.match(r'"(?:summary|indicator|extension)"', line.strip())) or listing:
            kept.append(line)
        elif depth == 12 and line.lstrip().startswith('"detail"') and not detail_shown:
            detail_shown = True
            kept.append(line if len(line) <= DETAIL_SHOWN else f"{line[:DETAIL_SHOWN]}...")
        elif kept[-1].strip() != "...":
            kept.append(" " * depth + "...")
        listing = listing and not (depth == 16 and line.strip().startswith("]"))
    return "\n".join(kept) + "\n"


def _put(text: str, begin: str, end: str, content: str) -> str:
    before, found, rest = text.partition(begin)
    _, closed, after = rest.partition(end)
    if not found or not closed:
        raise SystemExit(f"{TARGET.name} has no {begin.strip()}")
    return f"{before}{begin}{content}{end}{after}"


def whole(text: str) -> str:
    """README.md with the current table and answer."""
    text = _put(text, BEGIN, END, f"\n{table()}\n")
    return _put(text, ANSWER_BEGIN, ANSWER_END, f"\n```console\n{shortened_answer()}```\n\n")


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the settings and the lead scenario's answer into README.md.")
    parser.add_argument("--check", action="store_true", help="exit 1 if README.md is not current")
    arguments = parser.parse_args()
    current = TARGET.read_text(encoding="utf-8")
    text = whole(current)
    if not arguments.check:
        TARGET.write_text(text, encoding="utf-8")
    elif text != current:
        print("README.md is not current; run python deploy/generate/readme.py", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
