"""Routes, lines read from text, and what one measurement may be off by."""

from __future__ import annotations

import re
from decimal import Decimal as D

import pytest

from cds.vocabulary import ANALYTES, SNOMED_CT, Route, allowable_error, diluent_from_text, line_from_text, route_from_text, route_of, text


@pytest.mark.parametrize(
    ("code", "kind", "line"),
    [
        ("47625008", "intravenous", None),
        ("418114005", "intravenous", "central"),
        ("419993007", "intravenous", "peripheral"),
        ("26643006", "oral", None),
        ("34206005", "subcutaneous", None),
        ("78421000", "intramuscular", None),
        ("37161004", "rectal", None),
        ("54471007", "buccal", None),
        ("46713006", "nasal", None),
        ("37839007", "sublingual", None),
        ("127492001", "enteral", None),
        ("417255000", "intraosseous", "peripheral"),
    ],
)
def test_route_codes(code: str, kind: str, line: str | None) -> None:
    assert route_of(SNOMED_CT, code) == Route(kind, line)


def test_unknown_routes() -> None:
    assert route_of(SNOMED_CT, "47625009") is None
    assert route_of("urn:local", "47625008") is None


@pytest.mark.parametrize(
    ("written", "kind"),
    [
        ("IV", "intravenous"),
        ("intravenous", "intravenous"),
        ("PO", "oral"),
        ("by  mouth", "oral"),
        ("SC", "subcutaneous"),
        ("IM", "intramuscular"),
        ("NG", "enteral"),
    ],
)
def test_route_texts(written: str, kind: str) -> None:
    route = route_from_text(written)
    assert route is not None and route.kind == kind


@pytest.mark.parametrize("written", ["", "iv or po", "not iv", "division"])
def test_texts_that_are_no_route(written: str) -> None:
    assert route_from_text(written) is None


LINES = [
    ("via PICC", "central"),
    ("central line", "central"),
    ("CVC lumen 2", "central"),
    ("right internal jugular", "central"),
    ("peripherally inserted central catheter", "central"),
    ("peripheral cannula, left forearm", "peripheral"),
    ("20G cannula", "peripheral"),
    ("not central", None),
    ("no central access; peripheral cannula", None),
    ("central or peripheral", None),
    ("centrally", None),
    ("nasal cannula", None),
    ("central nervous system", None),
    ("left arm", None),
    ("", None),
]


@pytest.mark.parametrize(("written", "line"), LINES)
def test_f_16_lines_in_text(written: str, line: str | None) -> None:
    assert line_from_text(written) == line


def test_control_without_negations_a_text_misleads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: with negations switched off, "not central" would be read as a central line and "not in dextrose" as dextrose."""
    monkeypatch.setattr(text, "_NEGATION", re.compile(r"(?!)"))
    assert line_from_text("not central") == "central"
    assert diluent_from_text("not in dextrose") == ("glucose",)


ERRORS = [
    ("potassium", "3.6", "laboratory", "0.3"),
    ("sodium", "140", "laboratory", "4"),
    ("chloride", "104", "laboratory", "5.20"),
    ("bicarbonate", "18", "laboratory", "3.60"),
    ("glucose", "3.0", "laboratory", "0.33"),
    ("glucose", "20", "laboratory", "1.60"),
    ("glucose", "3.4", "meter", "0.83"),
    ("glucose", "5.55", "meter", "0.8325"),
    ("glucose", "10", "strip", "1.50"),
    ("creatinine", "90", "laboratory", "17.7"),
    ("creatinine", "400", "laboratory", "40"),
    ("ph", "7.28", "gas", "0.04"),
    ("pco2", "40", "gas", "5"),
    ("lithium_level", "1.0", "laboratory", "0.3"),
    ("albumin", "40", "laboratory", "3.20"),
]


@pytest.mark.parametrize(("analyte", "value", "method", "expect"), ERRORS)
def test_allowable_error(analyte: str, value: str, method: str, expect: str) -> None:
    """The greater of absolute and relative: 42 CFR 493.931 and 493.937 as in force 2025 (second hand); meters ISO 15197:2013."""
    assert allowable_error(analyte, D(value), method) == D(expect)


def test_no_error_is_invented() -> None:
    """An analyte without a published or decided figure has none."""
    assert allowable_error("alt", D(40)) is None
    assert ANALYTES["alt"].error_absolute is None
    with pytest.raises(KeyError):
        allowable_error("nothing", D(1))


def test_every_error_names_its_source() -> None:
    for analyte in ANALYTES.values():
        if analyte.error_absolute is not None or analyte.error_relative is not None:
            assert analyte.error_source and analyte.error_verified in ("in text", "second hand", "from memory", "ours")
