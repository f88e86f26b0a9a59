"""Other people's factors against ours: UCUM-LHC 7.1.10 (National Library of Medicine) and labunits 0.2.1."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from decimal import Decimal as D
from importlib import resources
from pathlib import Path

import pytest

from cds._unit_table import UNITS
from cds.units import convert, to_canonical
from cds.vocabulary import LOINC, analyte_of

NODE = shutil.which("node")
MODULES = Path(os.environ.get("TRIVET_NODE_MODULES", Path.home() / ".cache" / "trivet-node" / "node_modules"))
PACKAGE = MODULES / "@lhncbc" / "ucum-lhc"

# Units that UCUM-LHC will not convert: it holds [iU] to be arbitrary, and has no factor for what is only compared with itself.
WITHOUT = {"%", "1", "{score}", "{INR}", "{ratio}", "[pH]", "mL/min/{1.73_m2}"}
# UCUM prints the millimetre of mercury as 133.322 Pa; ours is the conventional 133.322387415.
LOOSE = {"mm[Hg]": 1e-5}

SCRIPT = """
const ucum = require(process.argv[1]).UcumLhcUtils.getInstance();
const rows = JSON.parse(require('fs').readFileSync(0, 'utf8'));
console.log(JSON.stringify(rows.map(([value, from, to]) => ucum.convertUnitTo(from, value, to))));
"""


def stand_in(code: str) -> str:
    return code.replace("[iU]", "mol")


@pytest.mark.node
@pytest.mark.skipif(NODE is None, reason="node is not installed")
@pytest.mark.skipif(not PACKAGE.exists(), reason="@lhncbc/ucum-lhc is not under TRIVET_NODE_MODULES")
def test_hz_52_ucum_lhc_agrees_with_every_factor() -> None:
    """Each unit into the first of its kind, at 1 and at 37.5, to nine digits."""
    first: dict[str, str] = {}
    rows = []
    for code, (kind, _, _) in UNITS.items():
        base = first.setdefault(kind, code)
        if code != base and code not in WITHOUT:
            rows += [(1, code, base), (37.5, code, base)]
    asked = [(value, stand_in(source), stand_in(target)) for value, source, target in rows]
    assert NODE is not None
    done = subprocess.run([NODE, "-e", SCRIPT, str(PACKAGE)], input=json.dumps(asked), capture_output=True, text=True, check=True)
    answers = json.loads(done.stdout)
    assert len(rows) > 150
    wrong = []
    for (value, source, target), answer in zip(rows, answers, strict=True):
        ours = float(convert(D(str(value)), source, target))
        tolerance = LOOSE.get(source, 1e-9)
        if answer["status"] != "succeeded" or abs(answer["toVal"] - ours) > tolerance * abs(ours):
            wrong.append((value, source, target, ours, answer["toVal"], answer["msg"]))
    assert wrong == []


# labunits' factors are rounded to three or four figures; where a name differs, the pair it means stands here.
UNIT_NAMES = {"μmol/L": "umol/L", "mEq/L": "meq/L", "μg/mL": "ug/mL", "μg/dL": "ug/dL", "IU/mL": "[iU]/mL", "mm Hg": "mm[Hg]", "mOsm/kg": "mosm/kg"}
# it gives urea nitrogen as urea; ours takes the code into account and agrees
AGREED_TO = D("0.01")


def test_hz_52_labunits_agrees_where_it_speaks() -> None:
    """Each of its LOINC codes that we map: traditional units through our table equal value times its factor, to 1 %."""
    pytest.importorskip("labunits", reason="labunits is not installed")
    data = json.loads((resources.files("labunits") / "data" / "analytes.json").read_text(encoding="utf-8"))
    compared = {}
    for loinc, row in data.items():
        use = analyte_of(LOINC, loinc)
        source, target = (UNIT_NAMES.get(row[key], row[key]) for key in ("traditional_units", "si_units"))
        if use is None or source not in UNITS or target not in UNITS:
            continue
        try:
            ours = to_canonical(use.analyte, D(100), source, loinc) / to_canonical(use.analyte, D(1), target, loinc)
        except ValueError:
            continue
        theirs = D(str(row["conversion_factor"])) * 100
        compared[loinc] = abs(ours / theirs - 1)
    assert {"2345-7", "2160-0", "1751-7", "2823-3", "2951-2", "3094-0"} <= set(compared)
    assert {loinc: float(off) for loinc, off in compared.items() if off > AGREED_TO} == {}
