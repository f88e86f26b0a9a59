"""The shipped constants, read once."""

from __future__ import annotations

from pathlib import Path

import pytest

import cds
from cds import formulas
from cds.parameters import ParameterSet, load_toml_text, parameter_set


@pytest.fixture(scope="session")
def p() -> ParameterSet:
    file = Path(cds.__file__).parent / "formulas.toml"
    return parameter_set({file.name: load_toml_text(file.read_text(encoding="utf-8"))})


@pytest.fixture(scope="session")
def c(p: ParameterSet) -> formulas.FormulaConstants:
    return formulas.constants(p)
