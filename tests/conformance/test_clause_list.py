"""No clause and no hazard is forgotten: each tested clause has a test that names it, and the report of hazards runs."""

import re
import subprocess
import sys
from pathlib import Path

from tests import hazards
from tests.conformance.clauses import CLAUSES, Where

HERE = Path(__file__).parent


def named_in_tests(folder: Path) -> set[str]:
    """The clause ids in the names of the tests of a folder; controls do not count."""
    names = [
        name
        for path in folder.glob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    return {f"CH-{n}" for name in names if not name.startswith("test_control") for n in re.findall(r"ch_(\d+)", name)}


def untested(folder: Path) -> list[str]:
    return [clause.id for clause in CLAUSES if clause.where is Where.TESTED and clause.id not in named_in_tests(folder)]


def test_the_list_is_whole() -> None:
    assert [clause.id for clause in CLAUSES] == [f"CH-{n:02d}" for n in range(1, 111)]
    assert {clause.strength for clause in CLAUSES} == {"SHALL", "SHOULD", "MAY", "DERIVED", "OURS"}


def test_every_tested_clause_has_a_test() -> None:
    assert untested(HERE) == []


def test_control_a_clause_without_a_test_is_found(tmp_path: Path) -> None:
    (tmp_path / "test_x.py").write_text(
        "def test_ch_05_discovery() -> None: ...\ndef test_control_ch_06_x() -> None: ...\n"
    )
    assert "CH-05" not in untested(tmp_path)
    assert "CH-06" in untested(tmp_path)


def test_tests_name_no_unknown_clause() -> None:
    assert named_in_tests(HERE) <= {clause.id for clause in CLAUSES}


def test_the_report_of_hazards_runs() -> None:
    command = [sys.executable, "-m", "tests.hazards"]
    report = subprocess.run(command, cwd=HERE.parents[1], capture_output=True, text=True, check=True).stdout
    assert list(hazards.HAZARDS) == [f"HZ-{n:02d}" for n in range(1, 54)]
    assert f"of {len(hazards.HAZARDS)} hazards" in report
    listed = set(re.findall(r"^HZ-\d\d", report, re.MULTILINE))
    assert listed == hazards.HAZARDS.keys() - hazards.covered().keys()


def test_control_a_hazard_with_a_test_leaves_the_report(tmp_path: Path) -> None:
    assert hazards.covered(tmp_path) == {}
    (tmp_path / "test_x.py").write_text("def test_hz_15_hz_16_offsets() -> None: ...\n# hz_17 in a comment\n")
    assert sorted(hazards.covered(tmp_path)) == ["HZ-15", "HZ-16"]
