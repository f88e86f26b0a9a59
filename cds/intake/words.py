"""Closed lists of the words and answer codes that stand for values, and of the units that are confused with each other; and what a text states."""

import re
from collections.abc import Iterable

# Units in which an implausible value may have been meant; only ever a question (formulas: unit traps).
MEANT = {
    "glucose": ("mg/dL", "mmol/L"),
    "creatinine": ("umol/L", "mg/dL"),
    "urea": ("mg/dL", "mmol/L"),
    "calcium_total": ("mg/dL", "mmol/L"),
    "calcium_ionised": ("mg/dL", "mmol/L"),
    "magnesium": ("mg/dL", "meq/L", "mmol/L"),
    "phosphate": ("mg/dL", "mmol/L"),
    "albumin": ("g/L", "g/dL"),
    "pco2": ("kPa", "mm[Hg]"),
    "po2": ("kPa", "mm[Hg]"),
    "lactate": ("mg/dL", "mmol/L"),
    "beta_hydroxybutyrate": ("mg/dL", "mmol/L"),
    "phenytoin_total": ("umol/L", "mg/L"),
    "phenytoin_free": ("umol/L", "mg/L"),
    "valproate_level": ("umol/L", "mg/L"),
    "carbamazepine_level": ("umol/L", "mg/L"),
    "phenobarbital_level": ("umol/L", "mg/L"),
    "temperature": ("[degF]", "Cel"),
    "weight": ("g", "[lb_av]", "kg"),
    "height": ("m", "[in_i]", "cm"),
}

NONE_WORDS = frozenset(("negative", "neg", "nil", "none", "not detected", "absent", "-", "0"))
KETONE_WORDS = {
    **dict.fromkeys(("trace", "tr", "+/-", "+-", "±", "trace amount"), "0.5"),
    **dict.fromkeys(("small", "+", "1+", "+1", "+ (small)", "small (1+)", "1+ (small)"), "1"),
    **dict.fromkeys(("moderate", "mod", "++", "2+", "+2", "moderate (2+)", "2+ (moderate)"), "2"),
    **dict.fromkeys(("large", "+++", "3+", "+3", "large (3+)", "3+ (large)"), "3"),
    **dict.fromkeys(("very large", "++++", "4+", "+4"), "4"),
}
POSITIVE_WORDS = frozenset(("positive", "pos", "present", "detected"))
AVPU_WORDS = {
    **dict.fromkeys(("a", "alert", "mentally alert", "awake"), "alert"),
    **dict.fromkeys(("v", "voice", "verbal", "responds to voice", "responds to verbal", "responsive to voice"), "voice"),
    **dict.fromkeys(("p", "pain", "painful", "responds to pain", "responsive to pain"), "pain"),
    **dict.fromkeys(("u", "unresponsive", "unresponsive to stimuli"), "unresponsive"),
}
PREGNANCY_ANSWERS = {"LA15173-0": "1", "LA26683-5": "0", "77386006": "1", "60001007": "0"}
PREGNANCY_WORDS = {"pregnant": "1", "not pregnant": "0", "yes": "1", "no": "0"}

_CLAUSES = re.compile(r"[.;,\n]|\bbut\b")
_DENIED = re.compile(r"\b(?:no|not|non|nil|without|never|denie[sd]|negative|neg|absent|unlikely|excluded)\b")
# "Gram-negative" and "coagulase-negative" deny nothing.
_STAINS = re.compile(r"\b(?:gram|coagulase|catalase|oxidase|lactose)[ -]*(?:stain[ -]*)?(?:negative|neg|positive|pos)\b|\bnon-lactose\b")


class Spoken:
    """Words to look for in a text. "anaphyla*" is the beginning of a word, "hives" a whole one.

    A word in a clause that denies it before ("no anaphylaxis"), or with `after` anywhere ("ESBL not detected"), is not stated.
    """

    def __init__(self, words: Iterable[str], *, after: bool = False) -> None:
        parts = [re.escape(word[:-1]) if word.endswith("*") else rf"{re.escape(word)}\b" for word in words]
        self._form = re.compile(rf"\b(?:{'|'.join(parts)})")
        self._after = after

    def stated(self, text: str) -> bool:
        """Whether a clause of the text states one of the words."""
        if not text:
            return False
        for clause in _CLAUSES.split(_STAINS.sub(" ", text.lower())):
            found = self._form.search(clause)
            if found is not None and _DENIED.search(clause if self._after else clause[: found.start()]) is None:
                return True
        return False
