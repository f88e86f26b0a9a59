"""Parameter files: what is accepted, what is refused, and whose figure holds for whom."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Any

import pytest

import cds.parameters.choosing
from cds.parameters import Absent, Parameter, ParameterError, ParameterSet, load_toml_text, parameter_set

TAIL = 'source = "made up"\nverified = "ours"\n'

METABOLIC = f"""
[potassium_floor]
means = "potassium below which insulin waits"
unit = "mmol/L"
range = [2.5, 4.5]
[[potassium_floor.value]]
profile = "consensus-2024"
since = 2024-06-22
is = 3.5
{TAIL}
[[potassium_floor.value]]
profile = "us-2009"
since = 2009-07-01
is = 3.3
{TAIL}
[[potassium_floor.value]]
profile = "paediatric-2022"
since = 2022-08-01
is = 3.0
{TAIL}
[glucose_floor]
means = "glucose below which it is low"
unit = "mmol/L"
range = [2, 6]
[[glucose_floor.value]]
profile = "consensus-2024"
since = 2024-06-22
is = 3.9
also = [{{unit = "mg/dL", is = 70}}]
{TAIL}
[[glucose_floor.value]]
profile = "uk-2023"
since = 2023-01-01
is = 4.0
{TAIL}
[[glucose_floor.value]]
profile = "paediatric-2022"
since = 2022-08-01
same_as = "adult"
source = "the children's guideline says so"
verified = "from memory"
[adults_only]
means = "said for adults alone"
unit = "mL/kg"
[[adults_only.value]]
profile = "consensus-2024"
since = 2024-06-22
is = 100
{TAIL}
[window]
means = "look-back"
unit = "min"
[[window.value]]
profile = "any"
population = "any"
since = 2024-01-01
is = 120
{TAIL}
"""

SEIZURE = f"""
[lorazepam_maximum]
means = "largest single dose"
unit = "mg"
range = [1, 8]
[[lorazepam_maximum.value]]
profile = "default"
population = "adult"
since = 2016-01-01
is = 4
{TAIL}
[[lorazepam_maximum.value]]
profile = "default"
population = "child"
since = 2016-01-01
same_as = "adult"
{TAIL}
[[lorazepam_maximum.value]]
profile = "uk"
population = "adult"
since = 2022-01-01
is = 5
{TAIL}
[about.threshold_drugs]
population = "any"
columns = ["drug", "limit"]
key = "drug"
[[table.threshold_drugs]]
drug = "tramadol"
limit = 400
{TAIL}
[[table.threshold_drugs]]
drug = "bupropion"
limit = 450
{TAIL}
[[table.threshold_drugs]]
drug = "tramadol"
limit = 300
profile = "uk"
{TAIL}
"""


def a_set(extra: str = "", **choice: Any) -> ParameterSet:
    files = {"metabolic.toml": load_toml_text(METABOLIC), "seizure.toml": load_toml_text(SEIZURE)}
    if extra:
        files["extra.toml"] = load_toml_text(extra)
    return parameter_set(files, **choice)


def figure(chosen: ParameterSet, key: str, population: Any) -> str | None:
    found = chosen.for_population(population)[key]
    return None if isinstance(found, Absent) else str(found.value)


@pytest.mark.parametrize(
    ("choice", "key", "adult", "child"),
    [
        ({}, "potassium_floor", "3.5", "3.0"),
        ({"adult": "us-2009"}, "potassium_floor", "3.3", "3.0"),
        ({"adult": "uk-2023"}, "potassium_floor", "3.5", "3.0"),  # no uk row: the adults' default
        ({"child": "paediatric-uk-2021"}, "potassium_floor", "3.5", "3.0"),  # no row: the children's default
        ({}, "glucose_floor", "3.9", "3.9"),  # the child's row says same_as
        ({"adult": "uk-2023"}, "glucose_floor", "4.0", "3.9"),  # what a site picks for adults moves no child
        ({}, "adults_only", "100", None),
        ({}, "window", "120", "120"),
        ({}, "lorazepam_maximum", "4", "4"),
        ({"seizure": "uk"}, "lorazepam_maximum", "5", "4"),
    ],
)
def test_hz_17_whose_figure_holds(choice: dict[str, str], key: str, adult: str, child: str | None) -> None:
    """F-44: families apart, no way from an adult's figure to a child but a row that says so."""
    chosen = a_set(**choice)
    assert (figure(chosen, key, "adult"), figure(chosen, key, "child")) == (adult, child)


def test_hz_17_no_population_no_figure() -> None:
    with pytest.raises(ParameterError, match="for_population"):
        a_set()["potassium_floor"]
    assert a_set().number("window") == 120
    with pytest.raises(ParameterError, match="no figure for child"):
        a_set().for_population("child").number("adults_only")


def test_control_hz_17_fall_through_to_adult_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the split taken out, the check above must fail."""
    choose = cds.parameters.choosing._choose
    monkeypatch.setattr(
        cds.parameters.choosing,
        "_choose",
        lambda rows, site, _, profiles, day: choose(rows, site, "adult", profiles, day),
    )
    with pytest.raises(AssertionError):
        assert figure(a_set(), "adults_only", "child") is None


def test_provenance_is_said() -> None:
    adult = a_set(adult="uk-2023").for_population("adult")["potassium_floor"]
    assert isinstance(adult, Parameter)
    assert (adult.profile, adult.inherited, adult.since, adult.table) == (
        "consensus-2024",
        True,
        "2024-06-22",
        "metabolic.toml",
    )
    child = a_set().for_population("child")["glucose_floor"]
    assert isinstance(child, Parameter)
    assert (child.same_as, child.inherited) == ("adult", False)
    assert child.source == "the children's guideline says so (same as adult: made up)"
    assert (child.in_unit("mmol/L"), child.in_unit("mg/dL"), child.in_unit("g/L")) == (
        Decimal("3.9"),
        Decimal(70),
        None,
    )


@pytest.mark.parametrize(
    ("as_of", "expect"), [(date(2024, 12, 31), "1"), (date(2025, 1, 1), "2"), (date(2023, 1, 1), None), (None, "2")]
)
def test_newest_not_after(as_of: date | None, expect: str | None) -> None:
    rows = "".join(
        f'[[k.value]]\nprofile = "consensus-2024"\nsince = {day}\nis = {value}\n{TAIL}'
        for day, value in (("2025-01-01", 2), ("2024-01-01", 1))
    )
    assert figure(a_set(f'[k]\nmeans = "m"\nunit = "1"\n{rows}', as_of=as_of), "k", "adult") == expect


def block(row: str, head: str = "", name: str = "k") -> str:
    return f'[{name}]\nmeans = "m"\nunit = "mmol/L"\n{head}\n[[{name}.value]]\n{row}\n'


GOOD = f'profile = "consensus-2024"\nsince = 2024-01-01\nis = 1.5\n{TAIL}'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (block(GOOD + "colour = 1"), "extra.toml: k.value #1: unknown key 'colour'; allowed: profile, population"),
        (block(GOOD, "rnage = [1, 2]"), "extra.toml: k: unknown key 'rnage'; allowed: means, unit, range, value"),
        (block(GOOD, "range = [2, 3]"), "1.5 mmol/L is outside range 2 to 3"),
        (block(GOOD, "range = [3, 2]"), "runs backwards"),
        (block(GOOD.replace("consensus-2024", "consensus")), "profile 'consensus'; allowed: consensus-2024"),
        (block(GOOD.replace("consensus-2024", "any")), 'population = "any" beside it'),
        (block(GOOD.replace("consensus-2024", "uk")), "needs population"),
        (block(GOOD + 'population = "child"'), "is for population 'adult'"),
        (block(GOOD.replace("ours", "yes")), "verified 'yes'; allowed: in text"),
        (block(GOOD.replace('source = "made up"', "")), "needs source"),
        (block(GOOD.replace("2024-01-01", '"2024"')), "since must be a date"),
        (block(GOOD + 'same_as = "adult"'), "either is or same_as"),
        (block(GOOD.replace("is = 1.5", 'same_as = "adult"')), "only a child's row"),
        (block(GOOD + f"[[k.value]]\n{GOOD}"), "second row"),
        (block(GOOD.replace("is = 1.5", "is = nan")), "not a number"),
        (block(GOOD, name="window"), "already in metabolic.toml"),
        ('[k]\nmeans = "m"\nunit = "1"\n', "needs at least one"),
        ('[[table.t]]\ndrug = "x"\npopulation = "any"\n', "needs source"),
        (f'[[table.t]]\ndrug = "x"\n{TAIL}', "needs population"),
        (f'[[table.t]]\ndrug = "x"\npopulation = "any"\nprofile = "uk"\n{TAIL}', "key = columns"),
        (f'[about.t]\ncolumns = ["drug"]\n[[table.t]]\ndrgu = "x"\n{TAIL}', "unknown key 'drgu'; allowed: drug"),
    ],
)
def test_refused(text: str, says: str) -> None:
    with pytest.raises(ParameterError) as caught:
        a_set(text)
    assert says in str(caught.value)


def test_a_float_is_refused() -> None:
    import tomllib

    with pytest.raises(ParameterError, match="exact decimals"):
        parameter_set({"f.toml": tomllib.loads(block(GOOD))})
    with pytest.raises(ParameterError, match="not TOML"):
        load_toml_text("[")
    with pytest.raises(ParameterError, match="adult profile 'uk'"):
        a_set(adult="uk")
    with pytest.raises(ParameterError, match="no parameter"):
        a_set().for_population("adult")["potasium_floor"]


def override(row: str, key: str = "potassium_floor") -> Mapping[str, Any]:
    return {"ward.toml": load_toml_text(f"[[{key}.value]]\nsince = 2025-01-01\n{row}")}


def test_a_site_changes_a_figure_for_the_population_it_names() -> None:
    chosen = a_set(overrides=override(f'population = "adult"\nis = 3.6\n{TAIL}'))
    assert (figure(chosen, "potassium_floor", "adult"), figure(chosen, "potassium_floor", "child")) == ("3.6", "3.0")
    glucose = a_set(overrides=override(f'population = "adult"\nis = 4.5\n{TAIL}', "glucose_floor"))
    assert figure(glucose, "glucose_floor", "child") == "3.9"
    found = glucose.for_population("adult")["glucose_floor"]
    assert isinstance(found, Parameter) and (found.profile, found.in_unit("mg/dL")) == ("site", None)


@pytest.mark.parametrize(
    ("row", "key", "says"),
    [
        (f'population = "adult"\nis = 4.6\n{TAIL}', "potassium_floor", "outside range"),
        ('population = "adult"\nis = 3.6\nverified = "ours"', "potassium_floor", "needs source"),
        (f"is = 3.6\n{TAIL}", "potassium_floor", "needs population"),
        (f'population = "any"\nis = 90\n{TAIL}', "window", "has no range"),
        (f'population = "any"\nis = 90\n{TAIL}', "windw", "no such parameter"),
        (
            f'population = "adult"\nis = 4.5\nalso = [{{unit="mg/dL", is=70}}]\n{TAIL}',
            "glucose_floor",
            "70 mg/dL is not 4.5",
        ),
        (f'population = "adult"\nis = 3.6\nprofile = "uk"\n{TAIL}', "potassium_floor", "unknown key 'profile'"),
    ],
)
def test_hz_site_override_refused(row: str, key: str, says: str) -> None:
    with pytest.raises(ParameterError) as caught:
        a_set(overrides=override(row, key))
    assert says in str(caught.value)


def test_control_override_outside_range_without_the_range() -> None:
    """With the range opened, 4.6 is taken and the check for a refusal must fail."""
    text = METABOLIC.replace("range = [2.5, 4.5]", "range = [2.5, 9]")
    with pytest.raises(AssertionError):
        try:
            parameter_set({"m": load_toml_text(text)}, overrides=override(f'population = "adult"\nis = 4.6\n{TAIL}'))
        except ParameterError:
            return
        raise AssertionError("4.6 was accepted")


def test_tables() -> None:
    def limits(chosen: ParameterSet) -> list[tuple[str, Decimal]]:
        return [(row["drug"], row["limit"]) for row in chosen.table("threshold_drugs")]

    assert limits(a_set()) == [("tramadol", Decimal(400)), ("bupropion", Decimal(450))]
    assert limits(a_set(seizure="uk")) == [("bupropion", Decimal(450)), ("tramadol", Decimal(300))]
    row = a_set().table("threshold_drugs")[0]
    assert isinstance(row, MappingProxyType) and isinstance(row["limit"], Decimal)
    with pytest.raises(ParameterError, match="no table"):
        a_set().table("x")


def test_hz_17_a_child_gets_no_adult_row() -> None:
    chosen = a_set(f'[[table.t]]\ndrug = "x"\ndose = 1.5\npopulation = "adult"\n{TAIL}')
    assert chosen.for_population("child").table("t") == ()
    assert len(chosen.for_population("adult").table("t")) == 1
    with pytest.raises(ParameterError, match="for_population"):
        chosen.table("t")


def test_digest_follows_what_can_change_a_verdict() -> None:
    assert a_set().digest == a_set().digest == a_set().for_population("child").digest
    assert len({a_set().digest, a_set(adult="us-2009").digest, a_set(block(GOOD)).digest}) == 3
    site = override(f'population = "adult"\nis = 3.6\n{TAIL}')
    assert a_set(overrides=site).digest != a_set().digest


def test_iteration() -> None:
    chosen = a_set()
    assert set(chosen) == {"potassium_floor", "glucose_floor", "adults_only", "window", "lorazepam_maximum"}
    assert len(list(chosen.for_population("child").limits())) == len(chosen) == 5
    assert [row.profile for row in chosen.rows("potassium_floor")] == ["consensus-2024", "us-2009", "paediatric-2022"]


def test_a_key_nobody_wrote() -> None:
    chosen = a_set().for_population("adult")
    assert chosen.get("weight_age") is None and "weight_age" not in chosen
    with pytest.raises(KeyError):
        chosen["weight_age"]
    assert chosen == a_set().for_population("adult") != a_set().for_population("child")
    assert len({chosen, a_set().for_population("adult")}) == 1
