"""The closed unit table: spellings, kinds, exact factors, analyte pairs."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from decimal import Decimal as D
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds import units
from cds._unit_table import BY_CODE, KEPT, PAIRS, SPELLINGS, UNITS, WHOLE
from cds.units import UnitError, analyte_factor, canonical_unit, coded_unit, convert, kind_of, to_canonical, unit

ROOT = Path(__file__).parents[2]

SPELLED = """
mEq/L meq/L | mmol/l mmol/L | mg/dl mg/dL | g/dl g/dL | mcg ug | ug ug | µg ug | μg ug | cc mL | ml mL | mEq meq | IU [iU] | U [iU] | units [iU] | [IU] [iU]
[iU] [iU] | U/h [iU]/h | units/hr [iU]/h | units/kg/hr [iU]/kg/h | U/kg/h [iU]/kg/h | U/mL [iU]/mL | U/L U/L | U/l U/L | IU/L [iU]/L | ml/hr mL/h
mL/hr mL/h | mmol/hr mmol/h | mEq/hr meq/h | /minute /min | bpm /min | beats/min /min | {beats}/min /min | mmHg mm[Hg] | degC Cel | °C Cel | °F [degF]
kgs kg | lb [lb_av] | lbs [lb_av] | mOsm/kg mosm/kg | mosm/kg{H2O} mosm/kg | {score} {score} | mcg/kg/min ug/kg/min | mg/(kg.min) mg/kg/min
mL/h/kg mL/kg/h | mg{PE}/kg mg{PE}/kg | µmol/L umol/L | 258701004 min | 1156209001 min | 258703001 d | 257997001 s | mL/24h mL/d
mL/min/1.73.m2 mL/min/{1.73_m2} | mL/min/1.73m2 mL/min/{1.73_m2} | MG/DL mg/dL | hours h | min min
"""


@pytest.mark.parametrize("row", [row for line in SPELLED.strip().splitlines() for row in line.split(" | ")])
def test_spellings_that_feeds_send(row: str) -> None:
    """Each text of the list is the code beside it."""
    text, code = row.split()
    assert canonical_unit(text) == code


@pytest.mark.parametrize(
    ("text", "code"), [("mg PE/kg", "mg{PE}/kg"), ("mL / hr", "mL/h"), ("units per hour", "[iU]/h"), ("mm Hg", "mm[Hg]"), (" mmol/L ", "mmol/L")]
)
def test_spellings_with_spaces(text: str, code: str) -> None:
    assert canonical_unit(text) == code


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "mg/",
        "/",
        "//",
        "u",
        "u/hr",
        "M",
        "MG",
        "mmol/L/L",
        "furlong",
        "mg/kg/fortnight",
        "milli",
        "kg/mg",
        "x" * 1000,
        "258702006",
        "tablet",
        "Mg",
        "C",
        "F",
        "G",
    ],
)
def test_hz_02_unknown_is_none(text: str) -> None:
    """What is not in the table is not a unit: no fuzzy match, no case folding."""
    assert canonical_unit(text) is None


@pytest.mark.parametrize(
    ("code", "text", "expect"),
    [
        ("mmol/L", "mmol/L", "mmol/L"),
        ("mmol/L", None, "mmol/L"),
        (None, "mEq/L", "meq/L"),
        ("mg/dL", "our label", "mg/dL"),
        ("mg/dL", "mmol/L", None),
        ("mg", "mcg", None),
        ("258702006", "minutes", None),  # the hour, labelled minutes in a published example: sixty-fold either way
        ("258702006", None, None),
        ("258702006", "hours", "h"),
        ("258701004", "minutes", "min"),
        ("258701004", "hours", None),
        ("nonsense", "mmol/L", None),
        (None, None, None),
        ("umol/mL", "mmol/L", "umol/mL"),
    ],
)
def test_code_and_text_must_not_differ(code: str | None, text: str | None, expect: str | None) -> None:
    assert coded_unit(code, text) == expect


def test_every_spelling_leads_to_a_unit() -> None:
    """Whole texts give known codes; a part spelled otherwise gives the code of the same unit spelled as UCUM does."""
    assert {canonical_unit(text) for text in WHOLE} <= set(UNITS)
    for text, part in SPELLINGS.items():
        if part in UNITS:
            assert canonical_unit(text) == part
    for code in UNITS:
        assert canonical_unit(code) == code


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ("mmol/L", "substance concentration"),
        ("mg/mL", "mass concentration"),
        ("meq/L", "equivalent concentration"),
        ("mg", "mass"),
        ("kg", "body weight"),
        ("[lb_av]", "body weight"),
        ("mg{PE}", "phenytoin equivalents"),
        ("[iU]", "activity"),
        ("[iU]/h", "activity rate"),
        ("[iU]/kg/h", "activity rate per weight"),
        ("mg/kg", "mass per weight"),
        ("mg/kg/min", "mass rate per weight"),
        ("mg/min", "mass rate"),
        ("/min", "event rate"),
        ("U/L", "enzyme concentration"),
        ("%", "fraction"),
    ],
)
def test_kinds(code: str, kind: str) -> None:
    assert kind_of(code) == kind


CONVERTED = """
1 g mg 1000 | 1 h min 60 | 1 d h 24 | 1 L mL 1000 | 600 mg/h mg/min 10
1 mg/min mg/h 60 | 0.1 [iU]/kg/h m[iU]/kg/h 100 | 154 [lb_av] kg 69.85322498 | 98.6 [degF] Cel 37 | 37 Cel [degF] 98.6
0 K Cel -273.15 | 70 [in_i] cm 177.8 | 1 mmol/mL mmol/L 1000 | 1 mg/mL g/L 1 | 1000 mL/h L/d 24
5 ug/kg/min mg/kg/h 0.3 | 2 mg{PE}/kg/min mg{PE}/kg/h 120 | 100 kPa Pa 100000 | 1 /s /min 60 | 1 ukat/L U/L 60
50 mmol/d mmol/h 2.083333333333333333333333333
"""


@pytest.mark.parametrize("row", [row for line in CONVERTED.strip().splitlines() for row in line.split(" | ")])
def test_exact_conversions(row: str) -> None:
    """Worked by hand from the definitions (international pound and inch, Julian day)."""
    value, source, target, expect = row.split()
    assert convert(D(value), source, target) == D(expect)


def test_unknown_codes_are_named() -> None:
    with pytest.raises(UnitError, match="furlong"):
        convert(D(1), "furlong", "m")
    with pytest.raises(UnitError, match=r"mg/kg.*mg"):
        convert(D(1), "mg/kg", "mg")
    assert unit("furlong") is None and kind_of("furlong") is None


BY_KIND: dict[str, list[str]] = {}
for _code, (_kind, _, _) in UNITS.items():
    BY_KIND.setdefault(_kind, []).append(_code)

pairs_of_one_kind = st.sampled_from(sorted(BY_KIND)).flatmap(lambda kind: st.tuples(st.sampled_from(BY_KIND[kind]), st.sampled_from(BY_KIND[kind])))
numbers = st.decimals(min_value=D("0.001"), max_value=D("100000"), places=3)


@given(numbers, pairs_of_one_kind)
def test_there_and_back(value: D, pair: tuple[str, str]) -> None:
    """A value taken to another unit of its kind and back is the same to 20 digits."""
    there = convert(value, *pair)
    back = convert(there, pair[1], pair[0])
    assert abs(back - value) <= abs(value) * D("1e-20") + D("1e-20")


@given(numbers, st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(UNITS)))
def test_hz_02_kinds_never_meet(value: D, source: str, target: str) -> None:
    """Whatever the two units, unlike kinds raise and like kinds convert."""
    if UNITS[source][0] == UNITS[target][0]:
        convert(value, source, target)
    else:
        with pytest.raises(UnitError):
            convert(value, source, target)


# formulas.md-style worked examples: molar masses from the table of standard atomic weights; figures as guidelines print them
ANALYTE_ROWS = [
    ("glucose", "200", "mg/dL", None, "11.10"),
    ("glucose", "600", "mg/dL", None, "33.30"),
    ("beta_hydroxybutyrate", "31.2", "mg/dL", None, "3.00"),
    ("creatinine", "2.0", "mg/dL", None, "176.80"),
    ("urea", "28", "mg/dL", "3094-0", "10.00"),
    ("urea", "60", "mg/dL", "3091-6", "9.99"),
    ("magnesium", "1.2", "mg/dL", None, "0.49"),
    ("magnesium", "2.0", "meq/L", None, "1.00"),
    ("calcium_total", "7.6", "mg/dL", None, "1.90"),
    ("calcium_ionised", "2.4", "meq/L", None, "1.20"),
    ("phosphate", "1.0", "mg/dL", None, "0.32"),
    ("lactate", "18", "mg/dL", None, "2.00"),
    ("valproate_level", "693.4", "umol/L", None, "100.00"),
    ("phenobarbital_level", "172.24", "umol/L", None, "40.00"),
    ("carbamazepine_level", "50.79", "umol/L", None, "12.00"),
    ("phenytoin_total", "79.28", "umol/L", None, "20.00"),
    ("potassium", "4.1", "meq/L", None, "4.10"),
    ("potassium", "16", "mg/dL", "75940-7", "4.09"),
    ("albumin", "3.2", "g/dL", None, "32.00"),
    ("pco2", "5.33", "kPa", None, "39.98"),
    ("weight", "154", "[lb_av]", None, "69.85"),
    ("weight", "3250", "g", None, "3.25"),
    ("height", "70", "[in_i]", None, "177.80"),
    ("height", "1.78", "m", None, "178.00"),
    ("temperature", "101.3", "[degF]", None, "38.50"),
    ("osmolality", "290", "mmol/kg", None, "290.00"),
    ("alt", "60", "[iU]/L", None, "60.00"),
    ("digoxin_level", "2.56", "nmol/L", None, "2.00"),
    ("hcg", "25", "m[iU]/mL", None, "25.00"),
    ("gcs", "13", "{score}", None, "13.00"),
]


@pytest.mark.parametrize(("analyte", "value", "code", "loinc", "expect"), ANALYTE_ROWS)
def test_analyte_conversions(analyte: str, value: str, code: str, loinc: str | None, expect: str) -> None:
    """To two decimals. Creatinine 88.40 and phosphate 0.3229 are the factors commonly printed."""
    assert round(to_canonical(analyte, D(value), code, loinc), 2) == D(expect)


@pytest.mark.parametrize(
    ("analyte", "code", "loinc"),
    [
        ("potassium", "mg/dL", None),
        ("potassium", "mg/dL", "2823-3"),
        ("urea", "mg/dL", None),
        ("urea", "mg/dL", "2160-0"),
        ("phosphate", "meq/L", None),
        ("albumin", "umol/L", None),
        ("sodium", "mg/dL", None),
        ("weight", "mg", None),
        ("heart_rate", "[iU]/h", None),
        ("glucose", "mm[Hg]", None),
        ("spo2", "1", None),
        ("inspired_oxygen", "1", None),
        ("urine_output", "mL", None),
        ("osmolality", "mosm/L", None),
        ("ammonia", "ug/dL", None),
        ("nothing", "mmol/L", None),
        ("glucose", "meq/L", None),
    ],
)
def test_hz_02_pairs_outside_the_table_are_refused(analyte: str, code: str, loinc: str | None) -> None:
    assert analyte_factor(analyte, code, loinc) is None
    assert not units.reads(analyte, code, loinc)
    with pytest.raises(UnitError, match=analyte):
        to_canonical(analyte, D(1), code, loinc)


def test_temperature_needs_more_than_a_factor() -> None:
    assert analyte_factor("temperature", "[degF]") is None
    assert units.reads("temperature", "[degF]")


def test_every_analyte_reads_its_own_unit() -> None:
    for analyte, code in KEPT.items():
        assert PAIRS[analyte, code] == 1
        assert units.kept_unit(analyte) == code
    assert {analyte for analyte, _ in PAIRS} | {analyte for analyte, _, _ in BY_CODE} == set(KEPT)


def test_no_registry_at_run_time() -> None:
    """G9: importing the table loads neither pint nor ucumvert, and a conversion calls neither."""
    program = (
        "import sys; from decimal import Decimal as D; from cds import units\n"
        "sys.modules['pint'] = sys.modules['ucumvert'] = None\n"
        "units.convert(D(6), 'units/h' and '[iU]/h', '[iU]/d'); units.to_canonical('glucose', D(180), 'mg/dL'); units.canonical_unit('mcg/kg/min')\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('pint', 'ucumvert') and sys.modules[name]])"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_generated_table_is_current() -> None:
    """The committed table is what units.toml gives today."""
    pytest.importorskip("ucumvert", reason="the generator needs pint and ucumvert")
    done = subprocess.run([sys.executable, "deploy/generate/units.py", "--check"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_control_a_stale_table_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Control: a table edited by hand fails the check."""
    pytest.importorskip("ucumvert", reason="the generator needs pint and ucumvert")
    spec = importlib.util.spec_from_file_location("generate_units", ROOT / "deploy" / "generate" / "units.py")
    assert spec is not None and spec.loader is not None
    generator = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generator)
    edited = tmp_path / "table.py"
    edited.write_text(generator.TARGET.read_text(encoding="utf-8").replace('D("133.322387415")', 'D("133")'), encoding="utf-8")
    monkeypatch.setattr(generator, "TARGET", edited)
    monkeypatch.setattr(sys, "argv", ["units.py", "--check"])
    assert generator.main() == 1
