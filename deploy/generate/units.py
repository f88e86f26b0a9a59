"""Write cds/_unit_table.py from units.toml, each factor exact and confirmed by pint with ucumvert.

    python deploy/generate/units.py            write the table
    python deploy/generate/units.py --check    exit 1 if the committed table is not what would be written

pint is trusted with magnitudes only, never with kinds: international units, equivalents, phenytoin equivalents and osmoles
are replaced by a stand-in of their own before it is asked, and only units of one kind are ever compared.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SOURCE = HERE / "units.toml"
TARGET = HERE.parent.parent / "cds" / "_unit_table.py"

Known = tuple[str, Fraction, Fraction]  # kind, factor, offset

# What pint is given in place of units whose kind it does not know; the magnitudes are the same.
STAND_INS = (
    ("m[iU]", "mmol"),
    ("[iU]", "mol"),
    ("meq", "mmol"),
    ("ueq", "umol"),
    ("eq", "mol"),
    ("mosm", "mmol"),
    ("osm", "mol"),
    ("{PE}", ""),
)
# Codes that are only ever compared with themselves.
ALONE = {"%", "1", "{score}", "{INR}", "{ratio}", "[pH]", "mL/min/{1.73_m2}"}
# pint keeps metric prefixes as binary fractions even when told to use Decimal, so its answer is a proof to this much, not a source.
AGREEMENT = Fraction(1, 10**12)

PREFIXES = {"": 0, "d": -1, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12, "k": 3}
METRIC = ("mol", "g{PE}", "g", "L", "eq", "osm", "[iU]", "U", "kat", "m", "s", "Pa")
# Exact by definition: international yard and pound 1959, the Julian year and mean month of UCUM, conventional millimetre of
# mercury (13.5951 x 9.80665 Pa), kat = mol/s and U = umol/min.
FIXED = {
    "1": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
    "d": Fraction(86400),
    "wk": Fraction(7 * 86400),
    "mo": Fraction("30.4375") * 86400,
    "a": Fraction("365.25") * 86400,
    "[lb_av]": Fraction("453.59237"),
    "[oz_av]": Fraction("453.59237") / 16,
    "[stone_av]": Fraction("453.59237") * 14,
    "[in_i]": Fraction("0.0254"),
    "[ft_i]": Fraction("0.3048"),
    "mm[Hg]": Fraction("133.322387415"),
    "cm[H2O]": Fraction("98.0665"),
    "U": Fraction(1, 60_000_000),
    "kat": Fraction(1),
}
# (value + offset) x factor, in degrees Rankine: the one scale on which all three are exact
TEMPERATURES = {"[degR]": ("1", "0"), "K": ("1.8", "0"), "Cel": ("1.8", "273.15"), "[degF]": ("1", "459.67")}


class SourceError(Exception):
    """units.toml says something that cannot be true, or that pint does not confirm."""


def registry() -> Any:
    from ucumvert import PintUcumRegistry  # type: ignore[import-untyped]

    return PintUcumRegistry(non_int_type=Decimal)


def size(part: str) -> Fraction:
    """One part of a unit in units without prefix (mole, gram, litre, second ...), exactly."""
    if part in FIXED:
        return FIXED[part]
    for atom in METRIC:
        if part.endswith(atom) and part[: -len(atom)] in PREFIXES:
            return FIXED.get(atom, Fraction(1)) * Fraction(10) ** PREFIXES[part[: -len(atom)]]
    raise SourceError(f"{part!r} is made of nothing we know")


def magnitude(code: str) -> Fraction:
    first, *rest = code.split("/")
    result = size(first) if first else Fraction(1)
    for part in rest:
        result /= size(part)
    return result


def decimal(number: Fraction) -> Decimal:
    """The fraction in 28 digits, without trailing zeros; exact where it ends."""
    shortest = (Decimal(number.numerator) / Decimal(number.denominator)).normalize()
    return shortest if shortest.as_tuple().exponent <= 0 else shortest.quantize(Decimal(1))  # type: ignore[operator]


def stand_in(code: str) -> str:
    for ours, theirs in STAND_INS:
        code = code.replace(ours, theirs)
    return code


def confirm(ureg: Any, code: str, base: str, factor: Fraction) -> None:
    """SourceError unless pint, given the same two units, finds the same factor."""
    target = ureg.from_ucum(stand_in(base))
    quantity = ureg.from_ucum(stand_in(code)).to(target.units)
    found = Fraction(Decimal(quantity.magnitude)) / Fraction(Decimal(target.magnitude))
    if abs(found / factor - 1) > AGREEMENT:
        raise SourceError(f"1 {code} is {factor} {base} by our parts, {found} by pint")


def confirm_temperature(ureg: Any, code: str, factor: Fraction, offset: Fraction) -> None:
    """SourceError unless pint finds the same at two points of the line."""
    for value in (0, 100):
        found = ureg.Quantity(Decimal(value), ureg.from_ucum(code).units).to(ureg.from_ucum("K").units).magnitude
        if abs(Fraction(Decimal(found)) * Fraction("1.8") - (value + offset) * factor) > AGREEMENT:
            raise SourceError(f"{value} {code} is {found} K by pint")


def factor_and_offset(ureg: Any, code: str, base: str) -> tuple[Fraction, Fraction]:
    """base = (value + offset) x factor, exactly, confirmed by pint."""
    if code in TEMPERATURES:
        factor, offset = (Fraction(text) for text in TEMPERATURES[code])
        confirm_temperature(ureg, code, factor, offset)
        return factor, offset
    if code == base or code in ALONE:
        return Fraction(1), Fraction(0)
    factor = magnitude(code) / magnitude(base)
    confirm(ureg, code, base, factor)
    if Fraction(decimal(factor)) != factor:
        raise SourceError(f"1 {code} in {base} does not end; choose another base for the kind")
    return factor, Fraction(0)


def build(source: dict[str, Any]) -> str:
    ureg = registry()
    units: dict[str, Known] = {}
    for kind, codes in source["kinds"].items():
        for code in codes:
            if code in units:
                raise SourceError(f"{code} is given to two kinds: {units[code][0]}, {kind}")
            units[code] = (kind, *factor_and_offset(ureg, code, codes[0]))
    spellings: dict[str, str] = {}
    for code, texts in source["spellings"].items():
        for text in texts:
            if text in spellings or (text in units and text != code):
                raise SourceError(f"spelling {text!r} has two meanings")
            spellings[text] = code
    for text, code in source["whole"].items():
        if code not in units:
            raise SourceError(f"{text!r} stands for {code!r}, which is no unit of ours")
        if text in units and text != code:
            raise SourceError(f"{text!r} is itself a unit")
    kept: dict[str, str] = {}
    pairs: dict[tuple[str, str], Decimal | None] = {}
    for analyte, row in source["analytes"].items():
        kept[analyte] = row["unit"]
        for code in (*row["accepts"], *row.get("same", ()), *row.get("mass_units", ())):
            if code not in units:
                raise SourceError(f"{analyte}: {code} is no unit of ours")
        for code in row["accepts"]:
            pairs[analyte, code] = pair(units, row["unit"], code, row)
        for code in row.get("same", ()):
            pairs[analyte, code] = Decimal(1)
        for code in row.get("mass_units", ()):  # a body weight in grams: here alone drug mass and weight meet
            if units[row["unit"]][0] != "body weight":
                raise SourceError(f"{analyte}: only a body weight may be read from a mass")
            pairs[analyte, code] = decimal(magnitude(code) / magnitude(row["unit"]))
    by_code: dict[tuple[str, str, str], Decimal] = {}
    for row in source["by_code"]:
        factor = pair(units, kept[row["analyte"]], row["unit"], row)
        if factor is None:
            raise SourceError(f"{row['analyte']}: {row['unit']} needs more than a factor")
        for loinc in row["codes"]:
            by_code[row["analyte"], row["unit"], loinc] = factor
    return render(units, spellings, source["whole"], kept, pairs, by_code)


def pair(units: dict[str, Known], target: str, code: str, row: dict[str, Any]) -> Decimal | None:
    """Factor from `code` to the unit an analyte is kept in, over its molar mass or charge where the kinds differ.

    None for temperatures, which need more than a factor.
    """
    kind, factor, offset = units[code]
    target_kind, target_factor, target_offset = units[target]
    if kind == target_kind:
        return None if offset != target_offset and code != target else decimal(factor / target_factor)
    match kind, target_kind:
        case "mass concentration", "substance concentration":  # mg/L -> mmol/L
            return decimal(factor / Fraction(row["molar_mass"]) / target_factor)
        case "substance concentration", "mass concentration":  # mmol/L -> mg/L
            return decimal(factor * Fraction(row["molar_mass"]) / target_factor)
        case "equivalent concentration", "substance concentration":
            return decimal(factor / row["charge"] / target_factor)
    raise SourceError(f"no way from {code} ({kind}) to {target} ({target_kind})")


def render(
    units: dict[str, Known],
    spellings: dict[str, str],
    whole: dict[str, str],
    kept: dict[str, str],
    pairs: dict[tuple[str, str], Decimal | None],
    by_code: dict[tuple[str, str, str], Decimal],
) -> str:
    out = [
        '"""Units, spellings and analyte factors. Written by deploy/generate/units.py from units.toml: edit that, not this."""',
        "# ruff: noqa: FURB157",
        "# fmt: off",
        "",
        "from decimal import Decimal as D",
        "",
        "# code: (kind, factor, offset); base = (value + offset) x factor",
        "UNITS: dict[str, tuple[str, D, D]] = {",
        *(f'    "{code}": ("{kind}", D("{decimal(factor)}"), D("{decimal(offset)}")),' for code, (kind, factor, offset) in units.items()),
        "}",
        "",
        "# one part of a unit text, as feeds spell it: the part of the code it stands for",
        "SPELLINGS: dict[str, str] = {",
        *(f'    "{text}": "{code}",' for text, code in spellings.items()),
        "}",
        "",
        "# a whole unit text: its code",
        "WHOLE: dict[str, str] = {",
        *(f'    "{text}": "{code}",' for text, code in whole.items()),
        "}",
        "",
        "# analyte: the unit it is kept in",
        "KEPT: dict[str, str] = {",
        *(f'    "{analyte}": "{code}",' for analyte, code in kept.items()),
        "}",
        "",
        "# (analyte, unit): factor to the kept unit; None: needs more than a factor (temperatures)",
        "PAIRS: dict[tuple[str, str], D | None] = {",
        *(f'    ("{analyte}", "{code}"): ' + ("None" if factor is None else f'D("{factor}")') + "," for (analyte, code), factor in pairs.items()),
        "}",
        "",
        "# (analyte, unit, LOINC code): factor, for pairs that hold under that code only",
        "BY_CODE: dict[tuple[str, str, str], D] = {",
        *(f'    ("{analyte}", "{code}", "{loinc}"): D("{factor}"),' for (analyte, code, loinc), factor in by_code.items()),
        "}",
        "",
    ]
    return "\n".join(out)


def main() -> int:
    parser = argparse.ArgumentParser(description="Write cds/_unit_table.py from units.toml.")
    parser.add_argument("--check", action="store_true", help="exit 1 if the committed table is not current")
    arguments = parser.parse_args()
    text = build(tomllib.loads(SOURCE.read_text(encoding="utf-8")))
    if arguments.check:
        current = TARGET.read_text(encoding="utf-8") if TARGET.exists() else ""
        if current != text:
            print(f"{TARGET.name} is not what units.toml gives; run python deploy/generate/units.py", file=sys.stderr)
            return 1
        return 0
    TARGET.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
