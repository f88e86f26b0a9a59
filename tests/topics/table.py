"""Reads a table that a clinician can sign, builds the chart of a row, and says which advisories it raises.

Columns: case, patient, results, conditions, orders, expect, source; `profile` and `hook` where they matter. Cells hold entries parted by ";".

    patient     61y 68kg · 8y 25kg · 20d · age not known · 61y no weight · male
    results     potassium 3.4 mmol/L 20min · bhb 5.6 · pH 7.22 · unusable potassium · failed potassium · not sent potassium · haemolysed potassium 3.4
    conditions  epilepsy · diabetes · seizure onset 30min · seizure onset 90min ended 60min resolved · dka recorded 60min · failed conditions
    orders      draft insulin 6.8/h · run insulin 2/h from 300min · draft insulin push 10 · draft insulin under skin 6 lispro · run potassium 20mmol 500mL 2h central
                · stop insulin 6.8/h (a draft that stops it) · run insulin glargine 20 under skin 1/day from 3h · home insulin glargine 20 under skin 1/day
                · draft insulin 10 bare (a dose, no rate) · draft insulin bag (no rate) · once insulin push 10 from 90min (ordered once, given)
                · draft potassium push 20mmol · draft potassium bare 20mmol (a dose and nothing else) · draft potassium 20mmol 500mL 2h in glucose (or text glucose)
                · draft potassium 20mmol 10mL 2h undiluted · draft sodium_phosphate 20mmol 250mL 50mL/h peripheral
                · home empagliflozin · draft meropenem 1000mg 3/day for sepsis · draft phenytoin 1000mg 100mL in glucose 100mL/h · gave lorazepam 20min · failed medications
                · draft ciprofloxacin 500mg oral 2/day course 7d
    records     allergy penicillin severe immediate · allergy ampicillin mild refuted · tested meropenem R blood 2d · tested esbl R urine 1d · swab tested meropenem R
                · culture urine positive 1d · procedure dialysis · ordered csf_culture · failed allergies
    expect      code indicator · code unknown · - for none of the table's codes
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from cds.advisory import Assessment, Outcome
from cds.assess import Knowledge, assess, knowledge_of
from cds.chart import NO_MEMORY, Administration, Care, Chart, Condition, Investigation, Order, Problem, Result
from cds.parameters import ADULT_PROFILES, CHILD_PROFILES, ParameterSet, load_toml_text, parameter_set
from tests import charts
from tests.charts import Item, allergy, condition, culture, given, insulin, order, potassium_bag, result, susceptibility, unusable

HERE = Path(__file__).parent
CDS = HERE.parents[1] / "cds"
_SHORT = {
    "bhb": "beta_hydroxybutyrate", "ph": "ph", "hco3": "bicarbonate", "na": "sodium", "cl": "chloride", "ca": "calcium_total", "mg": "magnesium",
    "urine ketones": "urine_ketones", "urine": "urine_output", "ionised calcium": "calcium_ionised",
}  # fmt: skip
_CONCEPTS = {
    "dka": ("diabetic_ketoacidosis", "ketoacidosis"),
    "hhs": ("hyperosmolar_state",),
    "status": ("status_epilepticus",),
    "type 1 diabetes": ("diabetes_type_1", "diabetes"),
}
_FLUIDS = {"glucose": "glucose", "saline": "sodium_chloride", "ringer": "electrolyte_solution", "water": "water"}


@lru_cache(maxsize=1)
def files() -> dict[str, dict[str, object]]:
    """Every parameter file of the package, parsed."""
    return {path.name: load_toml_text(path.read_text()) for path in sorted(CDS.rglob("*.toml")) if "vocabulary" not in path.parts}


@lru_cache(maxsize=16)
def parameters(profile: str = "") -> ParameterSet:
    """The figures under the default profiles, with one of them changed by name."""
    if profile in ADULT_PROFILES:
        return parameter_set(files(), adult=profile)
    if profile in CHILD_PROFILES:
        return parameter_set(files(), child=profile)
    return parameter_set(files(), seizure=profile) if profile else parameter_set(files())


@lru_cache(maxsize=16)
def knowledge(profile: str = "") -> Knowledge:
    """The knowledge under a profile."""
    return knowledge_of(parameters(profile))


@dataclass(frozen=True)
class Row:
    """One row. `codes` are the table's codes: only they are judged."""

    name: str
    cells: tuple[tuple[str, str], ...]
    codes: frozenset[str]

    def __str__(self) -> str:
        return self.name

    def cell(self, column: str) -> str:
        """A cell, "" where the table has no such column or it is "-"."""
        text = dict(self.cells).get(column, "").strip()
        return "" if text == "-" else text

    @property
    def profile(self) -> str:
        """The profile to judge under, "" for the defaults."""
        return self.cell("profile")

    def expect(self) -> dict[str, str]:
        """Code to indicator, or to "unknown"."""
        return dict(entry.split() for entry in _entries(self.cell("expect")))  # type: ignore[misc]

    def chart(self) -> Chart:
        """The chart of the row."""
        return _chart(self)

    def judged(self, **how: bool) -> Assessment:
        """The assessment of the row's chart, for the table's codes alone."""
        return assess(self.chart(), NO_MEMORY, knowledge(self.profile), only=self.codes, **how)

    def found(self, **how: bool) -> dict[str, str]:
        """Code to indicator for what fired (also folded or absorbed), "unknown" for what waits for a datum."""
        made: dict[str, str] = {}
        assessment = self.judged(**how)
        for group in assessment.groups:
            for finding in (*group.absorbed, *group.others, group.lead):
                made[finding.code] = finding.indicator
        for finding in assessment.folded:
            made.setdefault(finding.code, finding.indicator)
        for verdict in assessment.verdicts:
            if verdict.outcome is Outcome.UNKNOWN:
                made[verdict.code] = "unknown"
        return made


def rows(name: str) -> list[Row]:
    """The rows of a table."""
    text = (HERE / name).read_text()
    codes = frozenset(re.findall(r"`([a-z0-9-]+)`", text.split("\n\n|", 1)[0]))
    lines = [line for line in text.splitlines() if line.startswith("|")]
    found: list[Row] = []
    header: list[str] = []
    for line in lines:
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if cells[0] == "case":
            header = cells
        elif not set(line) <= set("|-: "):
            if len(cells) != len(header):
                raise ValueError(f"{name}: '{line}' has {len(cells)} cells, not {len(header)}")
            found.append(Row(f"{name[:-3]}: {cells[0]}", tuple(zip(header, cells, strict=True)), codes))
    return found


def _entries(text: str) -> list[str]:
    return [entry.strip() for entry in text.split(";") if entry.strip()]


def _chart(row: Row) -> Chart:
    patient = row.cell("patient")
    years, days = re.search(r"\b(\d+)y", patient), re.search(r"\b(\d+)d\b", patient)
    weight = re.search(r"([\d.]+)kg", patient)
    items: list[Item] = []
    failed: list[str] = []
    not_sent: list[str] = []
    for column, read in (("results", _result), ("conditions", _condition), ("orders", _order), ("records", _record)):
        for entry in _entries(row.cell(column)):
            if entry.startswith("failed "):
                failed.append(_analyte(entry[7:]))
            elif entry.startswith("not sent "):
                not_sent.append(_analyte(entry[9:]))
            elif entry.startswith("stop "):
                running = _order(f"run {entry[5:]}")
                assert isinstance(running, Order)
                items += [running, replace(running, drafted=True, status="stopped")]
            else:
                items.append(read(entry))
    unknown = "not known" in patient
    return charts.chart(
        *items, hook=row.cell("hook"),
        years=None if unknown or days else int(years[1]) if years else 61, days=int(days[1]) if days else None,
        weight=None if "no weight" in patient else weight[1] if weight else "68",
        sex="male" if "male" in patient.split() else "female", failed=failed, not_sent=not_sent,
    )  # fmt: skip


def _analyte(name: str) -> str:
    return _SHORT.get(name.lower(), name.replace(" ", "_").lower())


def _minutes(text: str, word: str) -> float | None:
    found = re.search(rf"\b{word} ([\d.]+)(min|h|d)\b", text)
    return None if found is None else float(found[1]) * {"min": 1, "h": 60, "d": 1440}[found[2]]


def _result(entry: str) -> Result | Problem:
    if entry.startswith("unusable "):
        return unusable(_analyte(entry[9:]))
    haemolysed = entry.startswith("haemolysed ")
    entry = entry.removeprefix("haemolysed ")
    found = re.fullmatch(
        r"([A-Za-z_ 0-9]*?[A-Za-z_0-9]) ([<>=]*[\d.]+)(?: (?![\d.]+(?:min|h|d)$)([A-Za-z\[\]/{}%.0-9]*[A-Za-z\]/%]))?(?: ([\d.]+)(min|h|d))?", entry
    )
    if found is None:
        raise ValueError(f"result '{entry}' not understood")
    age = float(found[4]) * {"min": 1, "h": 60, "d": 1440}[found[5]] if found[4] else 30
    return result(_analyte(found[1]), found[2], found[3] or "", age, haemolysed=haemolysed)


def _condition(entry: str) -> Condition:
    name = re.split(r" (?:onset|recorded|ended|resolved|refuted|inactive)\b", entry)[0]
    concepts = _CONCEPTS.get(name, (name.replace(" ", "_"),))
    clinical = "resolved" if "resolved" in entry else "inactive" if "inactive" in entry else "active"
    return condition(
        *concepts, onset=_minutes(entry, "onset"), recorded=_minutes(entry, "recorded"), ended=_minutes(entry, "ended"), clinical=clinical,
        verification="refuted" if "refuted" in entry else "confirmed",
    )  # fmt: skip


def _record(entry: str) -> Item:
    kind, *words = entry.replace("swab ", "").split()
    minutes = re.search(r" (\d+)(min|h|d)$", entry)
    age = float(minutes[1]) * {"min": 1, "h": 60, "d": 1440}[minutes[2]] if minutes else 1440
    match kind:
        case "allergy":
            return allergy(words[0], " ".join(words[1:]).removesuffix(" refuted"), stands=not entry.endswith(" refuted"))
        case "tested":
            organism = re.search(r" of ([a-z ]+?)(?: \d|$)", entry)
            specimen = next((word for word in words if word in ("blood", "urine", "csf", "other")), "urine")
            return susceptibility(words[0], words[1], specimen, age, organism=organism[1] if organism else "", colonisation=entry.startswith("swab "))
        case "culture":
            return culture(words[0], words[1], age)
        case "procedure":
            return Care("Procedure/1", (words[0],), "completed" if minutes else "in-progress", words[0], charts.ago(age) if minutes else None)
        case "ordered":
            return Investigation("ServiceRequest/1", (words[0],), False, "active", words[0])
        case _:
            raise ValueError(f"record '{entry}' not understood")


def _order(entry: str) -> Order | Administration:
    if entry.startswith("gave "):
        found = re.fullmatch(r"gave (\w+) ([\d.]+)min", entry)
        if found is None:
            raise ValueError(f"order '{entry}' not understood")
        return given((found[1],), float(found[2]))
    place, name, rest = re.fullmatch(r"(draft|run|home|held|stopped|once) (\S+) ?(.*)", entry).groups()  # type: ignore[union-attr]
    drafted = place == "draft"
    start = _minutes(rest, "from")
    if name == "insulin":
        return _insulin(place, rest, start)
    if name in ("potassium", "potassium_phosphate"):
        return _potassium(name, rest, drafted)
    return _other(place, name, rest, start)


_INSULINS = ("lispro", "aspart", "glulisine", "glargine", "detemir", "degludec", "isophane")
_STATUS = {"held": "on-hold", "stopped": "stopped", "once": "completed"}


def _insulin(place: str, rest: str, start: float | None) -> Order:
    rate, dose, per_day = (
        re.search(r"([\d.]+)/h", rest),
        re.search(r"(?:push|skin|bare) ([\d.]+)(?!\S)|([\d.]+) (?:under skin|bare)", rest),
        re.search(r"([\d.]+)/day", rest),
    )
    drug = "premixed_insulin" if "premixed" in rest else next((f"insulin_{kind}" for kind in _INSULINS if kind in rest), "insulin_soluble")
    minutes, strength = re.search(r"over ([\d.]+)min", rest), re.search(r"([\d.]+)/mL", rest)
    units = (dose[1] or dose[2]) if dose else "6" if "under skin" in rest else "10"
    drafted, status = place == "draft", _STATUS.get(place, "")
    if "bag" in rest or strength:
        amount = strength[1] if strength else "50"
        return order(
            drug, drafted=drafted, status=status, contents=((drug, amount, "[iU]"),), diluent="" if strength else "sodium_chloride", volume="1" if strength else "50",
            push="push" in rest, start=start,
        )  # fmt: skip
    if "under skin" in rest or "push" in rest or "bare" in rest or minutes:
        return order(
            drug, drafted=drafted, status=status, push="push" in rest, dose=(units, "[iU]"), route="subcutaneous" if "under skin" in rest else "intravenous",
            start=start, per_day=per_day[1] if per_day else None, home=place == "home", minutes=minutes[1] if minutes else None,
        )  # fmt: skip
    per_kg = re.search(r"([\d.]+)/kg/h", rest)
    if per_kg:
        return order(drug, drafted=drafted, status=status, rate=(per_kg[1], "[iU]/kg/h"), start=start)
    if "mL/h" in rest:
        flow = re.search(r"([\d.]+)mL/h", rest)
        return order(drug, drafted=drafted, status=status, rate=(flow[1] if flow else "5", "mL/h"), start=start)
    if "pump" in rest:
        return order(drug, drafted=drafted, status=status, rate=(rate[1] if rate else "1", "[iU]/h"), route="subcutaneous", start=start)
    made = insulin(rate[1] if rate else None, drafted=drafted, start=start, drug=drug)
    return replace(made, status=status) if status else made


def _potassium(name: str, rest: str, drafted: bool) -> Order:
    mmol, volume = re.search(r"([\d.]+)mmol", rest), re.search(r"([\d.]+)mL\b(?!/h)", rest)
    hours, rate = re.search(r"([\d.]+)h\b", re.sub(r"mL/h", "", rest)), re.search(r"([\d.]+)mL/h", rest)
    if "oral" in rest:
        return order("potassium_chloride", drafted=drafted, route="oral", dose=(mmol[1] if mmol else "20", "mmol"), per_day="3")
    minutes, drug = re.search(r"over ([\d.]+)min", rest), "potassium_phosphate" if name == "potassium_phosphate" else "potassium_chloride"
    if "push" in rest or "bare" in rest or minutes:
        return order(drug, drafted=drafted, dose=(mmol[1] if mmol else "20", "mmol"), push="push" in rest, minutes=minutes[1] if minutes else None)
    made = re.search(r"text (\w+)", rest)
    return potassium_bag(
        mmol[1] if mmol else None, volume[1] if volume else "500", hours[1] if hours else None, rate[1] if rate else None, drafted=drafted,
        line=_line(rest), line_from_text="by text" in rest, drug=drug,
        diluent="" if "undiluted" in rest or made else "glucose" if "in glucose" in rest else "sodium_chloride", diluent_text=_FLUIDS[made[1]] if made else "",
    )  # fmt: skip


def _line(rest: str) -> str | None:
    return "central" if "central" in rest else "peripheral" if "peripheral" in rest else None


_ROUTES = (
    ("oral", "oral"), ("muscle", "intramuscular"), ("infiltration", "subcutaneous"), ("no route", None), ("rectal", "rectal"), ("buccal", "buccal"), ("nasal", "nasal"),
)  # fmt: skip


def _other(place: str, name: str, rest: str, start: float | None) -> Order:
    drugs = tuple(name.split("+"))
    mg, volume = re.search(r"([\d.]+)(mgPE|mg|mmol|g)(/kg)?(?![\w/])", rest), re.search(r"([\d.]+)mL\b(?!/h)", rest)
    unit = "" if mg is None else mg[2].replace("PE", "{PE}") + (mg[3] or "")
    rate, per_day = re.search(r"([\d.]+)(mL|mgPE|mg|g)((?:/kg)?/(?:h|min))", rest), re.search(r"([\d.]+)/day", rest)
    fluid = re.search(r"\bin (\w+)", rest)
    text = re.search(r"text (\w+)", rest)
    reason = re.search(r"\bfor (.+)$", rest)
    minutes = re.search(r"over ([\d.]+)min", rest)
    route = next((kind for word, kind in _ROUTES if word in rest), "intravenous")
    if not rest and place == "home":
        route = "oral"
    ended, course = _minutes(rest, "ended"), _minutes(rest, "course")
    if course is not None:
        start, ended = 0, -course
    bag = bool(volume)
    return order(
        *drugs, drafted=place == "draft", status=_STATUS.get(place, ""), home=place == "home", route=route, start=start,
        authored=_minutes(rest, "since"), dose=None if bag or mg is None else (mg[1], unit), per_day=per_day[1] if per_day else None,
        contents=((drugs[0], mg[1], unit),) if bag and mg else (), line=_line(rest), diluent=_FLUIDS[fluid[1]] if fluid else "", volume=volume[1] if volume else "",
        diluent_text=_FLUIDS[text[1]] if text else "", minutes=minutes[1] if minutes else None,
        rate=(rate[1], rate[2].replace("PE", "{PE}") + rate[3]) if rate else None, push="push" in rest,
        reasons=tuple(reason[1].replace(" ", "_").split("+")) if reason and reason[1] not in ("migraine", "mood") else (),
        reason_stated=bool(reason), ended=ended,
    )  # fmt: skip
