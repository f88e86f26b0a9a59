"""Write cds/vocabulary/_tables.py from the TOML files beside it.

    python deploy/generate/vocabulary.py            write the tables
    python deploy/generate/vocabulary.py --check    exit 1 if the committed tables are not what would be written

A code that would get two meanings, an unknown key or word, or a class that names an unknown drug stops the run.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

SOURCES = Path(__file__).parent.parent.parent / "cds" / "vocabulary"
TARGET = SOURCES / "_tables.py"

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"
ICD10 = "http://hl7.org/fhir/sid/icd-10"
ICD10CM = "http://hl7.org/fhir/sid/icd-10-cm"
V3 = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"

CHECKED = ("seen", "converted pair", "public file", "from memory")
# Lengths at which conditions_of looks for a prefix: chapter letter, category, and one or two characters after the dot.
PREFIX_LENGTHS = (1, 3, 5, 6)
VERIFIED = ("in text", "second hand", "from memory", "ours")
# RxNorm and ATC codes were looked up in the releases that drugs.toml names.
LOOKED_UP = "seen"

Row = dict[str, Any]


class SourceError(Exception):
    """A vocabulary file says something that cannot be true; the message names file, row and what was expected."""


def only(where: str, row: Row, allowed: Iterable[str]) -> None:
    unknown = set(row) - set(allowed)
    if unknown:
        raise SourceError(f"{where}: unknown {sorted(unknown)}; allowed are {sorted(allowed)}")


class Tables:
    """Lines of the generated module, and the record of how each code was checked."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.checked: dict[tuple[str, str], str] = {}

    def note(self, system: str, code: str, checked: str) -> None:
        if checked not in CHECKED:
            raise SourceError(f"{system} {code}: checked is {checked!r}, must be one of {CHECKED}")
        before = self.checked.setdefault((system, code), checked)
        if before != checked:
            raise SourceError(f"{system} {code} is both {before!r} and {checked!r}")

    def table(self, name: str, kind: str, comment: str, rows: dict[Any, Any]) -> None:
        self.lines += ["", f"# {comment}", f"{name}: {kind} = {{"]
        self.lines += [f"    {literal(key)}: {literal(value)}," for key, value in rows.items()]
        self.lines.append("}")


def literal(value: Any) -> str:
    if value is None:
        return "None"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Decimal):
        return f'D("{value}")'
    if isinstance(value, tuple):
        return "(" + ", ".join(literal(item) for item in value) + ("," if len(value) == 1 else "") + ")"
    raise SourceError(f"cannot write {value!r}")


def analytes(source: Row, out: Tables) -> None:
    rows: Row = {}
    codes: dict[tuple[str, str], tuple[str, str, str, str]] = {}
    panels = source.pop("panels")
    keys = ("label", "decimals", "plausible", "error", "meter_error", "window", "codes")
    for name, row in source.items():
        only(f"analytes.toml [{name}]", row, keys)
        low, high = row["plausible"]
        errors: list[tuple[Any, ...] | None] = []
        for key in ("error", "meter_error"):
            error = row.get(key)
            if error is None:
                errors.append(None)
                continue
            only(f"analytes.toml [{name}] {key}", error, ("absolute", "relative", "relative_from", "source", "verified"))
            if error["verified"] not in VERIFIED:
                raise SourceError(f"analytes.toml [{name}]: verified is {error['verified']!r}, must be one of {VERIFIED}")
            errors.append(
                (
                    number(error.get("absolute")),
                    number(error.get("relative")),
                    number(error.get("relative_from")),
                    error["source"],
                    error["verified"],
                )
            )
        rows[name] = (row["label"], Decimal(row["decimals"]), number(low), number(high), row["window"], *errors)
        for code, method, specimen, kind, checked in row["codes"]:
            if (LOINC, code) in codes:
                raise SourceError(f"LOINC {code} is given to {codes[LOINC, code][0]} and {name}")
            codes[LOINC, code] = (name, method, specimen, kind)
            out.note(LOINC, code, checked)
    for code in panels:
        out.note(LOINC, code, "from memory")
    out.table(
        "ANALYTES",
        "dict[str, tuple[str, D, D, D, str, Error | None, Error | None]]",
        "analyte: label, decimals, plausible low and high, window group, error, error of a meter",
        rows,
    )
    out.table(
        "CODES",
        "dict[tuple[str, str], tuple[str, str, str, str]]",
        "(system, code): analyte, method, specimen, property",
        codes,
    )
    out.lines += [
        "",
        f"PANELS: frozenset[tuple[str, str]] = frozenset({{{', '.join(literal((LOINC, code)) for code in panels)}}})",
    ]


def number(value: Any) -> Decimal | None:
    return None if value is None else Decimal(value)


def drugs(source: Row, out: Tables) -> None:
    only("drugs.toml", source, ("drugs", "groups", "combinations", "classes", "fluid_words", "fluid_capitals"))
    names = {**source["drugs"], **source["groups"]}
    codes: dict[tuple[str, str], tuple[str, ...]] = {}
    prefixes: dict[str, str] = {}
    for name, row in source["drugs"].items():
        only(f"drugs.toml [drugs] {name}", row, ("label", "rxnorm", "atc", "memory", "public"))
        add_drug_codes(row, (name,), codes, out)
    for row in source["combinations"]:
        only("drugs.toml [[combinations]]", row, ("rxnorm", "atc", "drugs", "memory", "public"))
        unknown = [name for name in row["drugs"] if name not in names]
        if unknown:
            raise SourceError(f"drugs.toml [[combinations]]: {unknown} are not drugs")
        add_drug_codes(row, tuple(row["drugs"]), codes, out)
    for name, row in source["groups"].items():
        only(f"drugs.toml [groups] {name}", row, ("label", "atc", "rxnorm", "public"))
        add_drug_codes({key: row[key] for key in ("rxnorm", "public") if key in row}, (name,), codes, out)
        for prefix in row["atc"]:
            if len(prefix) not in (3, 4, 5) or prefix in prefixes:
                raise SourceError(f"drugs.toml [groups] {name}: {prefix} is not a free ATC group")
            prefixes[prefix] = name
    members = {name: expand(name, source["classes"], names) for name in source["classes"]}
    for (system, code), _ in codes.items():
        if system == ATC and code[0] in "DS" and code != "D10BA01":
            raise SourceError(f"ATC {code} is a topical or eye preparation")
    rows = {
        name: (
            row["label"],
            tuple(sorted(c for c, drugs_in in members.items() if name in drugs_in)),
            tuple(row.get("atc", ())),
            tuple(row.get("rxnorm", ())),
        )
        for name, row in names.items()
    }
    out.table(
        "DRUGS",
        "dict[str, tuple[str, tuple[str, ...], tuple[str, ...], tuple[str, ...]]]",
        "drug: label, classes, ATC codes (groups: prefixes), RxNorm codes",
        rows,
    )
    out.table("DRUG_CODES", "dict[tuple[str, str], tuple[str, ...]]", "(system, code): ingredients", codes)
    out.table(
        "ATC_GROUPS",
        "dict[str, str]",
        "ATC prefix: the drug that stands for a member without a row of its own",
        prefixes,
    )
    for key in ("fluid_words", "fluid_capitals"):
        phrases = {}
        for name, texts in source[key].items():
            if name not in names:
                raise SourceError(f"drugs.toml [{key}]: {name} is not a drug")
            phrases.update(dict.fromkeys(texts, name))
        out.table(key.upper(), "dict[str, str]", "phrase in a text: the fluid it names", phrases)


def add_drug_codes(row: Row, names: tuple[str, ...], codes: dict[tuple[str, str], tuple[str, ...]], out: Tables) -> None:
    memory, public = set(row.get("memory", ())), set(row.get("public", ()))
    known = {*row.get("rxnorm", ()), *row.get("atc", ())}
    if (memory | public) - known:
        raise SourceError(f"drugs.toml {names}: {sorted((memory | public) - known)} are not among its codes")
    for system, key in ((RXNORM, "rxnorm"), (ATC, "atc")):
        for code in row.get(key, ()):
            if (system, code) in codes:
                raise SourceError(f"{system} {code} is given to {codes[system, code]} and {names}")
            codes[system, code] = names
            out.note(system, code, "from memory" if code in memory else "public file" if code in public else LOOKED_UP)


def expand(name: str, classes: dict[str, list[str]], names: Row, above: tuple[str, ...] = ()) -> frozenset[str]:
    if name in above:
        raise SourceError(f"drugs.toml [classes]: {name} contains itself")
    result: set[str] = set()
    for item in classes[name]:
        if item.startswith("@"):
            result |= expand(item[1:], classes, names, (*above, name))
        elif item in names:
            result.add(item)
        else:
            raise SourceError(f"drugs.toml [classes] {name}: {item} is not a drug")
    return frozenset(result)


def conditions(source: Row, out: Tables) -> None:
    exact: dict[tuple[str, str], tuple[str, ...]] = {}
    prefixes: dict[tuple[str, str], tuple[str, ...]] = {}
    refused: dict[tuple[str, str], tuple[str, ...]] = {}
    for name, row in source.items():
        only(f"conditions.toml [{name}]", row, ("label", "snomed", "memory", "who", "cm", "but_not", "checked", "note"))
        if ("note" in row) != (not any(row.get(key) for key in ("snomed", "who", "cm"))):
            raise SourceError(f"conditions.toml [{name}]: a concept has codes, or a note that says why it has none")
        for system, key in ((SNOMED, "snomed"), (ICD10, "who"), (ICD10CM, "cm")):
            for code in row.get(key, ()):
                if key == "snomed":
                    checked = "from memory" if code in row.get("memory", ()) else "public file"
                else:
                    checked = row["checked"]
                bare = code.removesuffix("*")
                if code.endswith("*") and len(bare) not in PREFIX_LENGTHS:
                    raise SourceError(f"conditions.toml [{name}]: {code} is no prefix that is looked up; lengths are {PREFIX_LENGTHS}")
                table = prefixes if code.endswith("*") else exact
                if name in table.get((system, bare), ()):
                    raise SourceError(f"conditions.toml [{name}]: {code} stands twice")
                table[system, bare] = (*table.get((system, bare), ()), name)
                out.note(system, bare, checked)
        for code in row.get("but_not", ()):
            for system in (ICD10, ICD10CM):
                refused[system, code] = (*refused.get((system, code), ()), name)
    out.table("CONCEPTS", "dict[str, str]", "concept: label", {name: row["label"] for name, row in source.items()})
    out.table("CONDITION_CODES", "dict[tuple[str, str], tuple[str, ...]]", "(system, code), exact: concepts", exact)
    out.table("CONDITION_PREFIXES", "dict[tuple[str, str], tuple[str, ...]]", "(system, prefix): concepts", prefixes)
    out.table(
        "CONDITION_REFUSED",
        "dict[tuple[str, str], tuple[str, ...]]",
        "(system, code): concepts that a prefix would wrongly give",
        refused,
    )


def routes(source: Row, out: Tables) -> None:
    only("routes.toml", source, ("route", "line_words"))
    codes: dict[tuple[str, str], tuple[str, str | None]] = {}
    texts: dict[str, tuple[str, str | None]] = {}
    for row in source["route"]:
        only("routes.toml [[route]]", row, ("kind", "line", "codes", "texts"))
        route = (row["kind"], row.get("line"))
        for code, checked in row["codes"]:
            if (SNOMED, code) in codes:
                raise SourceError(f"routes.toml: {code} stands twice")
            codes[SNOMED, code] = route
            out.note(SNOMED, code, checked)
        for text in row["texts"]:
            if text in texts or text != " ".join(text.lower().split()):
                raise SourceError(f"routes.toml: text {text!r} stands twice or is not in lower case")
            texts[text] = route
    words = {
        phrase: {"central": "central", "peripheral": "peripheral", "neither": ""}[line] for line, phrases in source["line_words"].items() for phrase in phrases
    }
    out.table("ROUTE_CODES", "dict[tuple[str, str], tuple[str, str | None]]", "(system, code): kind, line", codes)
    out.table("ROUTE_TEXTS", "dict[str, tuple[str, str | None]]", "whole text in lower case: kind, line", texts)
    out.table("LINE_WORDS", "dict[str, str]", 'phrase in a text: the line it names, "" for none', words)


def cultures(source: Row, out: Tables) -> None:
    only("cultures.toml", source, ("susceptibility", "culture", "interpretation"))
    drugs_known = set(tomllib.loads((SOURCES / "drugs.toml").read_text(encoding="utf-8"))["drugs"])
    tested: dict[tuple[str, str], tuple[str, ...]] = {}
    for name, row in source["susceptibility"].items():
        only(f"cultures.toml [susceptibility] {name}", row, ("code", "with", "checked"))
        names = (name, *row.get("with", ()))
        unknown = [each for each in names if each not in drugs_known]
        if unknown:
            raise SourceError(f"cultures.toml [susceptibility]: {unknown} are not drugs")
        if (LOINC, row["code"]) in tested or (LOINC, row["code"]) in out.checked:
            raise SourceError(f"cultures.toml [susceptibility] {name}: {row['code']} has a meaning already")
        tested[LOINC, row["code"]] = names
        out.note(LOINC, row["code"], row["checked"])
    specimens: dict[tuple[str, str], str] = {}
    for kind, codes in source["culture"].items():
        for code, checked in codes:
            if (LOINC, code) in out.checked:
                raise SourceError(f"cultures.toml [culture] {kind}: {code} has a meaning already")
            specimens[LOINC, code] = kind
            out.note(LOINC, code, checked)
    answers: dict[tuple[str, str], str] = {}
    texts: dict[str, str] = {}
    for answer, row in source["interpretation"].items():
        only(f"cultures.toml [interpretation] {answer}", row, ("v3", "loinc", "texts", "checked"))
        for system, key in ((V3, "v3"), (LOINC, "loinc")):
            for code in row.get(key, ()):
                if (system, code) in answers:
                    raise SourceError(f"cultures.toml [interpretation]: {code} stands twice")
                answers[system, code] = answer
                out.note(system, code, row["checked"])
        for text in row["texts"]:
            if text in texts or text != " ".join(text.lower().split()):
                raise SourceError(f"cultures.toml [interpretation]: text {text!r} stands twice or is not in lower case")
            texts[text] = answer
    out.table("SUSCEPTIBILITY", "dict[tuple[str, str], tuple[str, ...]]", "(system, code): the drug tested, and what is tested with it", tested)
    out.table("CULTURES", "dict[tuple[str, str], str]", "(system, code): the specimen cultured", specimens)
    out.table("INTERPRETATIONS", "dict[tuple[str, str], str]", "(system, code): S, I or R", answers)
    out.table("INTERPRETATION_TEXTS", "dict[str, str]", "whole text in lower case: S, I or R", texts)


def build() -> str:
    out = Tables()
    readers = (("analytes", analytes), ("drugs", drugs), ("conditions", conditions), ("routes", routes), ("cultures", cultures))
    for name, read in readers:
        read(tomllib.loads((SOURCES / f"{name}.toml").read_text(encoding="utf-8"), parse_float=Decimal), out)
    out.table(
        "CHECKED",
        "dict[tuple[str, str], str]",
        "(system, code or prefix): how code and meaning were confirmed",
        out.checked,
    )
    head = [
        '"""Names and codes. Written by deploy/generate/vocabulary.py from the TOML files beside it: edit those, not this."""',
        "# ruff: noqa: FURB157, E501",
        "# fmt: off",
        "",
        "from decimal import Decimal as D",
        "",
        "# absolute, relative, from which value on the relative one alone counts, source, verified",
        "Error = tuple[D | None, D | None, D | None, str, str]",
    ]
    return "\n".join([*head, *out.lines, ""])


def main() -> int:
    parser = argparse.ArgumentParser(description="Write cds/vocabulary/_tables.py from its TOML files.")
    parser.add_argument("--check", action="store_true", help="exit 1 if the committed tables are not current")
    text = build()
    if parser.parse_args().check:
        if not TARGET.exists() or TARGET.read_text(encoding="utf-8") != text:
            print("_tables.py is not what the TOML files give; run python deploy/generate/vocabulary.py", file=sys.stderr)
            return 1
        return 0
    TARGET.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
