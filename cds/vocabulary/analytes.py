"""What can be measured: names, plausible ranges, what one measurement may be off by, and the LOINC codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

from cds import units
from cds.vocabulary import _tables
from cds.vocabulary.systems import LOINC


@dataclass(frozen=True, slots=True)
class Analyte:
    """One measurable thing. `label` is what a card calls it, `unit` the UCUM code it is kept in, `decimals` how it is shown.

    A value outside `plausible_low` to `plausible_high` (in `unit`) is not one of a living patient and is set aside. The two
    errors are what one laboratory measurement may be off by, absolute in `unit` and relative as a fraction; None where none is
    known; `error_source` and `error_verified` say whence. `window_group` names the look-back windows that apply.
    """

    name: str
    label: str
    unit: str
    decimals: int
    plausible_low: Decimal
    plausible_high: Decimal
    error_absolute: Decimal | None
    error_relative: Decimal | None
    error_source: str
    error_verified: str
    window_group: str


@dataclass(frozen=True, slots=True)
class CodeUse:
    """What one code measures: `analyte` is our name; `method` laboratory, gas, meter, strip, monitor or clinical.

    `specimen` is serum, plasma, blood, arterial, venous, capillary, urine or "". `property` is what the code says is counted
    (mass, substance ...): a remark, the unit sent decides (F-4).
    """

    analyte: str
    method: str
    specimen: str
    property: str


def _analyte(name: str) -> Analyte:
    label, decimals, low, high, window, error, _ = _tables.ANALYTES[name]
    unit = units.kept_unit(name)
    if unit is None:
        raise ValueError(f"{name} is in the vocabulary and has no unit")
    absolute, relative, _, source, verified = error or (None, None, None, "", "")
    return Analyte(name, label, unit, int(decimals), low, high, absolute, relative, source, verified, window)


ANALYTES: Mapping[str, Analyte] = MappingProxyType({name: _analyte(name) for name in _tables.ANALYTES})

_CODES: dict[tuple[str, str], CodeUse] = {key: CodeUse(*row) for key, row in _tables.CODES.items()}


def analyte_of(system: str, code: str) -> CodeUse | None:
    """What the code measures; None when it is not recognised, which is never read as anything else."""
    return _CODES.get((system, code))


def is_panel(system: str, code: str) -> bool:
    """Whether the code names a panel whose components are read (blood pressure)."""
    return (system, code) in _tables.PANELS


def codes_of(analyte: str) -> tuple[tuple[str, str], ...]:
    """Every (system, code) under which an analyte is read, in the order of the source file."""
    return tuple(key for key, use in _CODES.items() if use.analyte == analyte)


def analyte_code(analyte: str) -> str:
    """The LOINC code under which Trivet asks for an analyte in its suggestions: the first of the source file. KeyError when there is none."""
    for system, code in codes_of(analyte):
        if system == LOINC:
            return code
    raise KeyError(analyte)


def allowable_error(analyte: str, value: Decimal, method: str = "laboratory") -> Decimal | None:
    """What one measurement of `value` (in the analyte's unit) may be off by, in that unit; None where none is known.

    The greater of the absolute and the relative figure. A glucose meter or strip has its own limit: absolute below 5.55
    mmol/L, relative at or above it (ISO 15197:2013). KeyError for a name that is not an analyte.
    """
    *_, error, meter_error = _tables.ANALYTES[analyte]
    if meter_error is not None and method in ("meter", "strip"):
        error = meter_error
    if error is None:
        return None
    absolute, relative, relative_from, _, _ = error
    if relative_from is not None and absolute is not None and relative is not None:
        return absolute if value < relative_from else relative * value
    sizes = [absolute] if absolute is not None else []
    if relative is not None:
        sizes.append(relative * abs(value))
    return max(sizes)
