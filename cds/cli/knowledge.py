"""`trivet knowledge`: the advisories for a person at a terminal, and the reference page as Markdown."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from cds.assess import Knowledge
from cds.cards.build import TITLES
from cds.cards.parts import overdue, review_by
from cds.cli import reference
from cds.formulas import FORMULAS
from cds.logic.wording import orders_in_words
from cds.numbers import shown
from cds.overviews import COURSE, DISCHARGE, PROMISE
from cds.overviews import TITLES as VIEW_TITLES
from cds.parameters import POPULATIONS, Parameter
from cds.service.knowledge import load_knowledge
from cds.service.settings import Settings, SettingsError

QUALITY = (
    ("critical-input-missing", "warning, info", "an input that decides an advisory was not measured, not sent or could not be fetched; a drug on an intravenous draft is not recognised"),
    ("input-unusable", "warning, info", "an input was sent and set aside: no unit, an impossible value, another patient's, not valid FHIR; a part of a draft is not understood"),
    ("stale-input", "warning, info", "the newest value is older than its look-back window; what it would decide if it still held is said"),
    ("blood-gas-inconsistent", "warning, info", "pH, pCO2 and bicarbonate of one gas do not agree, or two methods differ on one sample"),
)
VIEWS = (
    (
        COURSE, "critical, warning, info", ("due_", "overview_"),
        "patient-view, in a hyperglycaemic crisis, a seizure ongoing or within a day, sepsis or a critical electrolyte: the first card. What and how bad, what runs, the trend, "
        "what is due, the next step and its gate, what could not be judged. As grave as the worst advisory of the answer",
    ),
    (
        DISCHARGE, "critical, warning, info", ("discharge_",),
        "encounter-discharge, where this stay held one of those: what speaks against leaving, what is not known, what fits, what a person has to confirm. Ready only where "
        "nothing speaks against it and nothing is missing",
    ),
    (
        PROMISE, "warning", ("promise",),
        "an override 'will monitor' whose newer result did not come in the time of table `promises`: a card, or a line of the two above",
    ),
)  # fmt: skip


def run(settings: Settings, code: str | None, *, markdown: bool, child: bool) -> int:
    """Print; exit code 0. SettingsError for a code that there is no advisory for."""
    knowledge = load_knowledge(settings)
    if code in VIEW_TITLES:
        print("\n".join(_view(knowledge, *next(view for view in VIEWS if view[0] == code))))
        return 0
    if code is not None and code not in knowledge.codes:
        raise SettingsError(f"there is no advisory '{code}'; `trivet knowledge` lists them")
    if markdown:
        print(page(knowledge, code), end="")
        return 0
    console = Console()
    if code is None:
        console.print(_overview(knowledge))
        for line in late_reviews(knowledge, int(time.time() * 1000)):
            console.print(Text(line, style="bold"))
    for each in [code] if code else knowledge.codes:
        _print_advisory(console, knowledge, each, "child" if child else "adult")
    return 0


def late_reviews(knowledge: Knowledge, now: int) -> list[str]:
    """One line for each advisory whose review was due before `now` (epoch ms)."""
    return [f"{ready.advisory.code}: {line}" for ready in knowledge.adult.ready if (line := overdue(ready.advisory, knowledge.adult.p, now))]


# For a terminal ---------------------------------------------------------------------------------------------------------------------


def _overview(knowledge: Knowledge) -> Table:
    table = Table("code", "title", "indicators", title=f"{len(knowledge.codes)} advisories, {len(QUALITY)} codes on what could not be judged")
    for ready in knowledge.adult.ready:
        table.add_row(ready.advisory.code, ready.advisory.title, reference.indicators_of(ready.advisory))
    for code, indicators, _ in QUALITY:
        table.add_row(code, TITLES[code], indicators)
    for code, indicators, _, _ in VIEWS:
        table.add_row(code, VIEW_TITLES[code], indicators)
    return table


def _print_advisory(console: Console, knowledge: Knowledge, code: str, population: str) -> None:
    advisory = knowledge.population(population).advisory(code)
    people = "children" if population == "child" else "adults"
    console.print()
    console.print(Text.assemble((code, "bold"), f"  {advisory.title}"))
    if advisory.purpose:
        console.print(advisory.purpose)
    criteria = Table("branch", "indicator", f"criteria for {people}", title="Tried in this order; the first that is met decides", title_justify="left")
    for row in reference.criteria_of(knowledge, code):
        if people in row.people:
            criteria.add_row(row.branch, row.indicator, Text("\nand ".join(row.parts)))
    console.print(criteria)
    figures = Table("figure", "means", "profile", "value", "source", "read", title="Figures", title_justify="left")
    for key in reference.keys_of(advisory, knowledge.parameters):
        rows = reference.rows_of(knowledge.parameters, key, population)
        if not rows:
            figures.add_row(key, knowledge.parameters.rows(key)[0].means, "", reference.NO_FIGURE, "", "")
        for place, each in enumerate(rows):
            first = (key, each.means) if place == 0 else ("", "")
            figures.add_row(*first, each.profile, Text(reference.figure(each)), Text(each.source), each.verified)
    console.print(figures)
    for source in advisory.sources:
        console.print(Text(f"Source: {source}"))


# As Markdown ------------------------------------------------------------------------------------------------------------------------


def markdown(knowledge: Knowledge) -> str:
    """The reference page: every advisory, criterion, figure, table, unit pair, formula and window, adults and children."""
    return page(knowledge)


def page(knowledge: Knowledge, code: str | None = None) -> str:
    """The whole reference page, or the section of one advisory."""
    if code is not None:
        return "\n".join(_advisory(knowledge, code)).strip() + "\n"
    lines = [
        "# Reference",
        "",
        "Written by `trivet knowledge --markdown` from the knowledge itself; do not edit. `read` says how a source was read: in text, second hand, from memory; "
        "`ours` marks a decision of this project. Figures that are not read in the text need a clinician's check before use.",
        "",
        f"Profiles chosen here: {', '.join(f'{name} {profile}' for name, profile in knowledge.parameters.profiles.items())}.",
        "",
        *_contents(knowledge),
    ]
    for each in knowledge.codes:
        lines += _advisory(knowledge, each)
    for view in VIEWS:
        lines += _view(knowledge, *view)
    for section in (_quality, _states, _figures, _tables, _pairs, _windows, _formulas):
        lines += section(knowledge)
    return "\n".join(lines).strip() + "\n"


def _contents(knowledge: Knowledge) -> list[str]:
    rows = [(f"[`{r.advisory.code}`](#{r.advisory.code})", r.advisory.title, reference.indicators_of(r.advisory), r.advisory.problem) for r in knowledge.adult.ready]
    rows += [(f"[`{code}`](#what-could-not-be-judged)", TITLES[code], indicators, "what could not be judged") for code, indicators, _ in QUALITY]
    rows += [(f"[`{code}`](#{code})", VIEW_TITLES[code], indicators, "a card of its own") for code, indicators, _, _ in VIEWS]
    return ["## Advisories", "", *_table(("code", "title", "indicators", "problem (one card each)"), rows), ""]


def _advisory(knowledge: Knowledge, code: str) -> list[str]:
    advisory, twin = knowledge.adult.advisory(code), knowledge.child.advisory(code)
    about = [f"Judged at {', '.join(advisory.hooks)}."]
    if advisory.over is not None:
        about.append(f"Judged for each order: {orders_in_words(advisory.over)}.")
    if advisory.without_age:
        about.append("Judged by the adult figures where the age is not known.")
    if advisory.neonate:
        about.append("Judged under 28 days of age too.")
    lines = [f"### {code}", "", f"`{code}`: {advisory.title}.{f' {advisory.purpose}' if advisory.purpose else ''}", "", " ".join(about), ""]
    rows = [(r.branch, r.indicator, r.people, "<br>and ".join(_cell(part) for part in r.parts)) for r in reference.criteria_of(knowledge, code)]
    lines += [*_table(("branch", "indicator", "for", "criteria"), rows, escaped=True), ""]
    keys = list(dict.fromkeys((*reference.keys_of(advisory, knowledge.parameters), *reference.keys_of(twin, knowledge.parameters))))
    if keys:
        figures = [(f"`{key}`", *(reference.figure(knowledge.population(people).p[key]) for people in POPULATIONS)) for key in keys]
        lines += [*_table(("figure", "adults", "children"), figures), ""]
    lines += [f"- {reference.precedence_in_words(row)}" for row in advisory.precedence]
    lines += [f"- Source: {source}" for source in advisory.sources]
    lines += [f"- Hazards: {', '.join(advisory.hazards)}"] if advisory.hazards else []
    lines += [f"- Version {advisory.version}, reviewed {advisory.reviewed}, next review by {review_by(advisory, knowledge.adult.p)}", ""]
    return lines


def _view(knowledge: Knowledge, code: str, indicators: str, prefixes: tuple[str, ...], when: str) -> list[str]:
    """An overview: when it speaks, and the figures that are its own."""
    own = [key for key in knowledge.parameters if knowledge.parameters.rows(key)[0].table.endswith("overviews.toml") and key.startswith(prefixes)]
    figures = [(f"`{key}`", knowledge.parameters.rows(key)[0].means, *(reference.figure(knowledge.population(people).p[key]) for people in POPULATIONS)) for key in sorted(own)]
    table = [*_table(("figure", "means", "adults", "children"), figures), ""] if figures else []
    return [f"### {code}", "", f"`{code}`: {VIEW_TITLES[code]} ({indicators}). When: {when}.", "", *table]


def _quality(_: Knowledge) -> list[str]:
    rows = [(f"`{code}`", TITLES[code], indicators, when) for code, indicators, when in QUALITY]
    text = "Said only where an advisory of indicator critical or warning waits for it, or where a draft is concerned."
    return ["## What could not be judged", "", text, "", *_table(("code", "title", "indicators", "when"), rows), ""]


def _states(knowledge: Knowledge) -> list[str]:
    rows = reference.states_of(knowledge)
    return ["## States that advisories share", "", *_table(("state", "means", "adults", "children"), rows), ""] if rows else []


def _figures(knowledge: Knowledge) -> list[str]:
    parameters = knowledge.parameters
    lines = ["## Figures", "", "Every figure on file, of every profile; `site may set` is the only room a site has.", ""]
    for file, keys in reference.files_of(parameters, parameters).items():
        rows: list[Sequence[str]] = []
        for key in keys:
            for place, row in enumerate(parameters.rows(key)):
                first = (f"`{key}`", row.means) if place == 0 else ("", "")
                rows.append((*first, row.profile, row.population, reference.figure(row), reference.room_of(row), row.since, _source(row), row.verified))
        lines += [f"### {file}", "", *_table(("figure", "means", "profile", "for", "value", "site may set", "since", "source", "read"), rows), ""]
    return lines


def _source(row: Parameter) -> str:
    return f"{row.source}. {row.note}" if row.note else row.source


def _tables(knowledge: Knowledge) -> list[str]:
    parameters = knowledge.parameters
    lines = ["## Tables of drugs", ""] if parameters.table_names else []
    for name in parameters.table_names:
        by_people = {people: parameters.for_population(people).table(name) for people in POPULATIONS}
        same = by_people["adult"] == by_people["child"]
        for people in POPULATIONS[:1] if same else POPULATIONS:
            columns = list(dict.fromkeys(column for row in by_people[people] for column in row))
            rows = [[_plain(row.get(column, "")) for column in columns] for row in by_people[people]]
            title = f"### Table {name}{'' if same else ', children' if people == 'child' else ', adults'}"
            table = _table([column.replace("_", " ") for column in columns], rows) if rows else ["No row: nothing is judged by this table here."]
            lines += [title, "", *table, ""]
    return lines


def _pairs(knowledge: Knowledge) -> list[str]:
    text = (
        "A result is compared in the unit in which it was reported, with the figure that its source prints for that unit. Where the two printed figures are not the "
        "same amount, a value between them is judged differently in the two units; each such band is listed."
    )
    rows = [
        (f"`{band.row.key}`", band.row.profile, band.row.population, band.analyte.replace("_", " "), f"{shown(band.row.number)} {band.row.unit}", band.other, band.between)
        for band in reference.bands_of(knowledge)
    ]
    return ["## Figures printed in two units", "", text, "", *_table(("figure", "profile", "for", "analyte", "printed", "also printed", "between them"), rows), ""]


def _windows(knowledge: Knowledge) -> list[str]:
    rows = [(item, f"`{key}`", *people) for (item, key), people in reference.windows_of(knowledge).items()]
    return ["## Look-back windows", "", "Older than this, a result is stale and never decides.", "", *_table(("looked for", "figure", "adults", "children"), rows), ""]


def _formulas(_: Knowledge) -> list[str]:
    rows = [
        (f"`{f.name}`", f.label, ", ".join((*f.inputs, *(f"{name} (optional)" for name in f.optional))), f.unit, f.valid_text, f.source) for f in FORMULAS.values()
    ]
    return ["## Formulas", "", *_table(("formula", "label", "from", "unit", "holds", "source"), rows), ""]


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], *, escaped: bool = False) -> list[str]:
    return list(_table_lines(head, rows, escaped=escaped))


def _table_lines(head: Sequence[str], rows: Iterable[Sequence[str]], *, escaped: bool) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{' --- |' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(cell if escaped else _cell(cell) for cell in row)} |"


def _cell(text: str) -> str:
    return " ".join(text.replace("|", "\\|").replace("<", "&lt;").split())


def _plain(value: Any) -> str:
    if isinstance(value, Decimal):
        return shown(value)
    if isinstance(value, list | tuple):
        return ", ".join(_plain(each) for each in value)
    return str(value)
