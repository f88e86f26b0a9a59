"""The whole answer to every scenario, kept beside it as `answer.json`.

    python -m tests.synthetic.snapshots            names the scenarios whose answer has changed (exit code 1), with the difference
    python -m tests.synthetic.snapshots --write    writes them anew; read the difference before you commit it

Numbers behind it ("17 18") look at those folders alone.

Member order is alphabetical, so that only content differs. The digest of the knowledge is left out: it changes with every figure, also
with one that no scenario reads.
"""

from __future__ import annotations

import difflib
import json
import sys
from pathlib import Path
from typing import Any

from tests.synthetic.judging import FOLDERS, judge, request_of


def snapshot(folder: Path) -> str:
    """The answer as it would be kept."""
    made = judge(request_of(folder))
    assert made.status == 200, made.body
    return json.dumps(_without_digest(json.loads(made.body)), indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def kept(folder: Path) -> str:
    """The answer that was kept, "" when there is none."""
    path = folder / "answer.json"
    return path.read_text(encoding="utf-8") if path.exists() else ""


def difference(before: str, after: str, name: str) -> str:
    """A unified difference in which long texts are broken at their line ends, so that a changed sentence shows as one line."""
    old, new = (text.replace("\\n", "\n").splitlines() for text in (before, after))
    return "\n".join(difflib.unified_diff(old, new, f"{name}, kept", f"{name}, now", lineterm="", n=2))


def _without_digest(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: "(left out)" if key == "digest" else _without_digest(inner) for key, inner in value.items()}
    return [_without_digest(inner) for inner in value] if isinstance(value, list) else value


def main(arguments: list[str]) -> int:
    changed = 0
    numbers = {each for each in arguments if each.isdigit()}
    for folder in FOLDERS:
        if numbers and folder.name[:2] not in numbers:
            continue
        now = snapshot(folder)
        if now == kept(folder):
            continue
        changed += 1
        if "--write" in arguments:
            (folder / "answer.json").write_text(now, encoding="utf-8")
            print(f"written: {folder.name}")
        else:
            print(difference(kept(folder), now, folder.name))
    return 1 if changed and "--write" not in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
