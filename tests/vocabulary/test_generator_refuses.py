"""What the generator of the tables refuses: each fault alone, in a source that is otherwise sound."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def generator() -> ModuleType:
    path = Path(__file__).parents[2] / "deploy" / "generate" / "vocabulary.py"
    spec = importlib.util.spec_from_file_location("generate_vocabulary", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKE = generator()


def conditions(**rows: dict[str, Any]) -> Callable[[], None]:
    return lambda: MAKE.conditions({"fever": {"label": "fever", "who": ["R50*"], "checked": "seen"}, **rows}, MAKE.Tables())


def cultures(**parts: dict[str, Any]) -> Callable[[], None]:
    sound = {
        "susceptibility": {"meropenem": {"code": "18943-1", "checked": "public file"}},
        "culture": {"blood": [["600-7", "public file"]]},
        "interpretation": {"R": {"v3": ["R"], "texts": ["r"], "checked": "public file"}},
    }
    return lambda: MAKE.cultures({**sound, **parts}, MAKE.Tables())


def drugs(**parts: Any) -> Callable[[], None]:
    sound: dict[str, Any] = {
        "drugs": {"meropenem": {"label": "meropenem", "rxnorm": ["29561"], "atc": ["J01DH02"]}},
        "groups": {"other_carbapenem": {"label": "another carbapenem", "atc": ["J01DH"]}},
        "combinations": [],
        "classes": {"carbapenem": ["meropenem", "other_carbapenem"]},
        "fluid_words": {},
        "fluid_capitals": {},
    }
    return lambda: MAKE.drugs({**sound, **parts}, MAKE.Tables())


@pytest.mark.parametrize("source", [conditions(), cultures(), drugs()], ids=["conditions", "cultures", "drugs"])
def test_control_a_sound_source_is_written(source: Callable[[], None]) -> None:
    """Control: without the fault nothing is refused, so each refusal below is for its fault."""
    source()


FAULTS = {
    "a concept without a code says why": (conditions(frailty={"label": "frailty"}), "a note that says why"),
    "a note stands only where there is no code": (
        conditions(tetany={"label": "tetany", "who": ["R29.0"], "checked": "seen", "note": "x"}),
        "a note that says why",
    ),
    "a prefix of a length that is never looked up": (conditions(x={"label": "x", "cm": ["T43.011*"], "checked": "seen"}), "no prefix that is looked up"),
    "a code checked in two ways": (conditions(x={"label": "x", "who": ["R50*"], "checked": "from memory"}), "is both"),
    "an unknown key": (conditions(x={"label": "x", "icd": ["R50"]}), "unknown"),
    "a drug tested that is no drug": (cultures(susceptibility={"nothing": {"code": "1-8", "checked": "seen"}}), "are not drugs"),
    "a code that is a culture and a test": (cultures(culture={"blood": [["18943-1", "seen"]]}), "has a meaning already"),
    "an answer with two meanings": (cultures(interpretation={a: {"v3": ["R"], "texts": [a.lower()], "checked": "seen"} for a in "RS"}), "stands twice"),
    "an answer that is not in lower case": (cultures(interpretation={"R": {"texts": ["R"], "checked": "seen"}}), "not in lower case"),
    "a class with an unknown member": (drugs(classes={"carbapenem": ["nothing"]}), "is not a drug"),
    "a class inside itself": (drugs(classes={"a": ["@b"], "b": ["@a"]}), "contains itself"),
    "one number for two drugs": (drugs(groups={"other": {"label": "x", "atc": ["J01DH"], "rxnorm": ["29561"]}}, classes={}), "is given to"),
    "a cream": (drugs(drugs={"m": {"label": "m", "atc": ["D06BX01"]}}, classes={}), "topical"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_refused_by_name(fault: str) -> None:
    source, words = FAULTS[fault]
    with pytest.raises(MAKE.SourceError, match=words):
        source()
