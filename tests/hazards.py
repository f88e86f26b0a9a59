"""Which hazards of the hazard log no test names: `python -m tests.hazards`.

A test covers a hazard when its name holds the id: `test_hz_15_offsets` covers HZ-15. The command only reports, so it always
ends with 0; a hazard may wait for a part of the product that is still to come.
"""

import re
from pathlib import Path

TESTS = Path(__file__).parent

HAZARDS: dict[str, str] = {
    "HZ-01": "Advice computed on another patient's data",
    "HZ-02": "Laboratory value in the wrong unit (mg/dL taken as mmol/L or the reverse)",
    "HZ-03": "Value with no unit, a text result, or a comparator ('<2.0', '>33', 'haemolysed')",
    "HZ-04": "Potassium, magnesium, phosphate or insulin amount in the wrong unit (mmol, mEq, g, mg, mL, units)",
    "HZ-05": "Rate units confused (mcg/kg/min, mcg/min, mg/h, mL/h)",
    "HZ-06": "Stale value used as current",
    "HZ-07": "Missing datum read as normal or as zero",
    "HZ-08": "Preliminary, cancelled, corrected or entered-in-error result used",
    "HZ-09": "Spurious result (haemolysis, drip-arm sample, EDTA contamination, pseudohyponatraemia)",
    "HZ-10": "Local code changed or unmapped, so a rule silently stops",
    "HZ-11": "Drug not recognised (combination product, brand, salt, new formulation, free text)",
    "HZ-12": "Same infusion counted twice",
    "HZ-13": "Stopped or paused infusion counted as running",
    "HZ-14": "Running infusion absent from the request",
    "HZ-15": "Time zone or daylight-saving error",
    "HZ-16": "Wrong clock on the service host or the EHR",
    "HZ-17": "Child dosed as adult, or adult limits used in a child",
    "HZ-18": "Weight in pounds, misplaced decimal, or years old",
    "HZ-19": "Pregnancy, allergy or kidney function unknown treated as absent or normal",
    "HZ-20": "Resolved, refuted, historical or family condition used as current",
    "HZ-21": "Arterial, venous, capillary, point-of-care and laboratory values pooled",
    "HZ-22": "Wrong threshold or formula in the knowledge base",
    "HZ-23": "Gap or overlap between thresholds",
    "HZ-24": "Two cards contradict each other (give / hold the same drug)",
    "HZ-25": "Guidelines differ and the difference is hidden",
    "HZ-26": "Guideline superseded",
    "HZ-27": "Knowledge change has unintended effects",
    "HZ-28": "Rounding or floating-point error at a threshold",
    "HZ-29": "Projection (potassium fall, sodium rise) believed as measurement",
    "HZ-30": "EHR truncates, folds away or reorders the card",
    "HZ-31": "Latency makes the EHR skip the advice",
    "HZ-32": "Service failure looks like all clear",
    "HZ-33": "Silence taken as endorsement (omission by over-trust)",
    "HZ-34": "Wrong card obeyed (commission by over-trust)",
    "HZ-35": "Alert fatigue",
    "HZ-36": "Advice delays life-saving treatment",
    "HZ-37": "Accepted suggestion places a wrong or outdated order",
    "HZ-38": "Danger arises from the combination but each order is checked alone",
    "HZ-39": "State changes between order-select and order-sign",
    "HZ-40": "Markdown or text injection through patient-supplied strings",
    "HZ-41": "Forged, replayed or mis-addressed token",
    "HZ-42": "Call-back address abused (server-side request forgery) or access token leaked",
    "HZ-43": "Log altered, truncated or reordered",
    "HZ-44": "Logged advisory cannot be reproduced",
    "HZ-45": "Log or error text discloses personal data",
    "HZ-46": "Override and ignore data misread",
    "HZ-47": "'Will monitor' promised and not done",
    "HZ-48": "Wrong site configuration (line limits, units shown, decimal comma, language)",
    "HZ-49": "Shadow mode left on, or test mode in live use",
    "HZ-50": "Silent change in firing rate",
    "HZ-51": "Overload, oversized or hostile bundle",
    "HZ-52": "Library or runtime upgrade changes results",
    "HZ-53": "Used outside intended purpose (neonates, unscoped drugs, as an order source)",
}


def covered(tests: Path = TESTS) -> dict[str, list[str]]:
    """The names of the tests under `tests`, by the hazard ids that stand in them."""
    found: dict[str, list[str]] = {}
    for path in sorted(tests.rglob("test_*.py")):
        for name in re.findall(r"^\s*(?:async )?def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE):
            for number in re.findall(r"hz_(\d\d)(?!\d)", name):
                found.setdefault(f"HZ-{number}", []).append(name)
    return found


def main() -> None:
    """Print the hazards without a test, one a line, then the count."""
    named = covered()
    missing = [name for name in HAZARDS if name not in named]
    for name in missing:
        print(f"{name}  {HAZARDS[name]}")
    print(f"{len(missing)} of {len(HAZARDS)} hazards have no test that names them")


if __name__ == "__main__":
    main()
