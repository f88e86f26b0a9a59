"""The answer in the README is what the service gives for the lead scenario; "..." stands for what is left out."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import httpx
import pytest

from tests.docs.test_documents import README, ROOT, blocks, section
from tests.service_process import service_is_built, start_service


def pattern(block: str) -> re.Pattern[str]:
    """A shortened text as a pattern: a line of "..." is any number of lines, "..." within a line any text of that line."""
    parts = []
    for line in block.splitlines():
        if line.strip() in ("...", "...,"):
            parts.append(r"(?:[^\n]*\n)*?")
        else:
            parts.append(re.escape(line).replace(re.escape("..."), r"[^\n]*?") + r"\n")
    return re.compile("".join(parts))


def fits(block: str, text: str) -> bool:
    """Whether a shortened text is one of `text`."""
    return pattern(block).fullmatch(text) is not None


def start_blocks() -> tuple[str, str]:
    """The curl command and the answer below it."""
    command, answer, *_ = blocks(section(README, "Start"), "console")
    return command, answer


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the command of the README prints."""
    if not service_is_built():
        pytest.skip("the command line is not built yet")
    words = shlex.split(start_blocks()[0].removeprefix("$ ").partition(" | ")[0])
    assert words[:2] == ["curl", "-s"]
    url, body = words[2], words[words.index("-d") + 1].removeprefix("@")
    with start_service(tmp_path_factory.mktemp("readme")) as running:
        path = re.sub(r"^http://127\.0\.0\.1:8000", running.url, url)
        response = httpx.post(path, content=Path(ROOT, body).read_bytes(), headers={"Content-Type": "application/json"})
    assert response.status_code == 200
    return json.dumps(response.json(), indent=4, ensure_ascii=False) + "\n"


def test_answer_in_the_readme_is_the_real_one(answered: str) -> None:
    assert fits(start_blocks()[1], answered)


def test_control_an_answer_that_was_never_given_does_not_fit(answered: str) -> None:
    block = start_blocks()[1]
    assert "critical" in block
    assert not fits(block.replace("critical", "info"), answered)
