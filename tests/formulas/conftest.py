"""The shipped constants, read once: for nobody in particular, for adults and for children."""

from __future__ import annotations

from pathlib import Path

import pytest

import cds
from cds import formulas
from cds.parameters import ParameterSet, load_toml_text, parameter_set


def shipped(adult: str = "consensus-2024") -> ParameterSet:
    """The figures of `formulas.toml` alone, for one adult profile."""
    file = Path(cds.__file__).parent / "formulas.toml"
    return parameter_set({file.name: load_toml_text(file.read_text(encoding="utf-8"))}, adult=adult)


@pytest.fixture(scope="session")
def p() -> ParameterSet:
    return shipped()


@pytest.fixture(scope="session")
def adults(p: ParameterSet) -> ParameterSet:
    return p.for_population("adult")


@pytest.fixture(scope="session")
def children(p: ParameterSet) -> ParameterSet:
    return p.for_population("child")


@pytest.fixture(scope="session")
def c(p: ParameterSet) -> formulas.FormulaConstants:
    return formulas.constants(p)


@pytest.fixture(scope="session")
def of_adults(adults: ParameterSet) -> formulas.FormulaConstants:
    return formulas.constants(adults)


@pytest.fixture(scope="session")
def of_children(children: ParameterSet) -> formulas.FormulaConstants:
    return formulas.constants(children)
