"""What the documents promise is what is there."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from cds.advisory import INDICATORS
from cds.service.knowledge import load_knowledge, parameter_files
from cds.service.settings import Settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
REFERENCE = ROOT / "cds" / "topics" / "REFERENCE.md"
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")

SERVE = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/trivet serve"
TEST = "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/pytest"
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "cds", "profiles", "tests", "synthetic_bundles", "deploy"}


def section(text: str, title: str) -> str:
    """The part of a page under a heading of the second level."""
    found = re.search(rf"^## {re.escape(title)}$(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, f"no section {title}"
    return found[1]


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def tracked() -> list[str]:
    """The files that git knows."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    return [name for name in listed.stdout.decode().split("\0") if name]


def test_readme_start_is_two_command_lines() -> None:
    assert blocks(section(README, "Start"), "sh") == [f"{SERVE}\n", f"{TEST}\n"]
    assert len(blocks(README, "sh")) == 2


def test_readme_opens_with_the_job() -> None:
    opening = README.split("\n\n")[1]
    assert opening.endswith("It advises; the\nclinician decides.")


def test_ci_runs_the_second_command_of_the_readme() -> None:
    """`.ci/run` takes the command out of the README with awk; what it takes is what is meant."""
    script = re.search(r"command=\"\$\(awk '(.+?)' README\.md\)\"", CI)
    assert script
    found = subprocess.run(["awk", script[1], "README.md"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == TEST
    assert 'bash -euo pipefail -c "$command"' in CI


def test_top_level_is_the_agreed_one() -> None:
    visible = {name.partition("/")[0] for name in tracked()}
    assert {name for name in visible if not name.startswith(".")} == TOP_LEVEL


def test_every_folder_that_readers_open_has_a_page() -> None:
    for folder in ("cds", "cds/audit", "cds/vocabulary", "profiles", "synthetic_bundles", "deploy", "deploy/decisions", "tests/benchmarks"):
        assert (ROOT / folder / "README.md").is_file(), folder


def test_links_between_pages_lead_somewhere() -> None:
    broken = []
    for name in tracked():
        if not name.endswith(".md"):
            continue
        for target in re.findall(r"\]\(([^)#\s]+)", (ROOT / name).read_text(encoding="utf-8")):
            if "://" not in target and not (ROOT / name).parent.joinpath(target).exists():
                broken.append(f"{name}: {target}")
    assert broken == []


def test_every_decision_is_listed() -> None:
    folder = ROOT / "deploy" / "decisions"
    listed = set(re.findall(r"\]\((\w+\.md)\)", (folder / "README.md").read_text(encoding="utf-8")))
    assert listed == {path.name for path in folder.glob("*.md")} - {"README.md"}


def test_settings_in_the_readme_are_current() -> None:
    checked = subprocess.run([sys.executable, "deploy/generate/readme.py", "--check"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr


def test_worked_example_of_the_developers_guide_is_the_real_one() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = blocks(guide, "toml")[0].strip()
    assert block in parameter_files()["topics/rules.toml"]
    advisory = load_knowledge(Settings()).adult.advisory("insulin-without-recent-potassium")
    code = blocks(guide, "python")[0]
    for text in (advisory.code, advisory.title, advisory.problem, advisory.branches[0].name, advisory.branches[0].words.summary):
        assert f'"{text}"' in code
    assert f"asks_itself={advisory.asks_itself!r}".replace("'", '"') in code


def current_reference() -> str:
    knowledge_page = pytest.importorskip("cds.cli.knowledge", reason="the command line is not built yet")
    return str(knowledge_page.markdown(load_knowledge(Settings())))


def test_reference_is_current() -> None:
    assert REFERENCE.read_text(encoding="utf-8") == current_reference()


def test_every_advisory_is_in_the_reference() -> None:
    text, knowledge = current_reference(), load_knowledge(Settings())
    assert [code for code in knowledge.codes if f"`{code}`" not in text] == []


def test_every_parameter_is_in_the_reference() -> None:
    text, parameters = current_reference(), load_knowledge(Settings()).parameters
    keys = {key for population in ("adult", "child") for key in parameters.for_population(population)}
    assert sorted(key for key in keys if key not in text) == []


def test_control_a_reference_without_an_advisory_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    page = current_reference().replace("`insulin-with-low-potassium`", "")
    monkeypatch.setattr("tests.docs.test_documents.current_reference", lambda: page)
    with pytest.raises(AssertionError):
        test_every_advisory_is_in_the_reference()
    with pytest.raises(AssertionError):
        test_reference_is_current()


def test_advisory_codes_in_expectations_and_pages_exist() -> None:
    """A code that a page names in a table of advisories is one of the catalogue."""
    from cds.topics import CATALOGUE

    for path in (ROOT / "synthetic_bundles").glob("*/expected.json"):
        expected = json.loads(path.read_text(encoding="utf-8"))
        assert set(expected["advisories"].values()) <= set(INDICATORS)
        assert [code for code in (*expected["advisories"], *expected["absent"]) if code not in CATALOGUE] == [], path.parent.name


def test_benchmark_results_are_there() -> None:
    """The table of a whole run, with the machine's kind and the date."""
    page = (ROOT / "tests" / "benchmarks" / "README.md").read_text(encoding="utf-8")
    results = page.partition("<!-- results -->")[2].partition("<!-- end of results -->")[0]
    assert re.search(r"^\d{4}-\d\d-\d\d, \d+ cores, ", results, re.MULTILINE)
    assert re.search(r"^\| 1,000 \|", results, re.MULTILINE)
