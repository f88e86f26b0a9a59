"""Write every `request.json` of this folder.

Run `python synthetic_bundles/build.py` to write the files, `python synthetic_bundles/build.py --check` to compare them
with what this script makes (exit code 1 and the list of differing files). Standard library only, no clock, no
randomness: two runs give the same bytes. The charts are invented; the expectations beside them (`expected.md`,
`expected.json`) are written by hand and never by this script.
"""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
Json = dict[str, Any]
Number = int | float

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"
ICD_CM = "http://hl7.org/fhir/sid/icd-10-cm"
ICD = "http://hl7.org/fhir/sid/icd-10"
UCUM = "http://unitsofmeasure.org"
TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
LABORATORY_IDS = "https://laboratory.example/results"
NAMESPACE = uuid.UUID("7b0f6c7e-6a52-5a0c-9d3b-0c1f5f7a2d11")

KEYS = (
    "patient", "conditions", "medications", "administrations", "glucose", "electrolytes", "acid_base", "ketones",
    "lactate_osmolality", "renal", "minerals", "vitals", "consciousness", "body", "levels", "allergies", "procedures", "investigations", "cultures",
)

# item: (prefetch key, LOINC code, LOINC display, UCUM unit, category)
ITEMS: dict[str, tuple[str, str, str, str, str]] = {
    "potassium": ("electrolytes", "2823-3", "Potassium [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "potassium_gas": ("electrolytes", "6298-4", "Potassium [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "potassium_arterial": ("electrolytes", "32713-0", "Potassium [Moles/volume] in Arterial blood", "mmol/L", "laboratory"),
    "potassium_us": ("electrolytes", "2823-3", "Potassium [Moles/volume] in Serum or Plasma", "meq/L", "laboratory"),
    "sodium": ("electrolytes", "2951-2", "Sodium [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "sodium_us": ("electrolytes", "2951-2", "Sodium [Moles/volume] in Serum or Plasma", "meq/L", "laboratory"),
    "sodium_gas": ("electrolytes", "2947-0", "Sodium [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "chloride": ("electrolytes", "2075-0", "Chloride [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "chloride_us": ("electrolytes", "2075-0", "Chloride [Moles/volume] in Serum or Plasma", "meq/L", "laboratory"),
    "total_co2": ("acid_base", "2028-9", "Carbon dioxide, total [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "total_co2_us": ("acid_base", "2028-9", "Carbon dioxide, total [Moles/volume] in Serum or Plasma", "meq/L", "laboratory"),
    "bicarbonate_gas": ("acid_base", "1959-6", "Bicarbonate [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "bicarbonate_arterial": ("acid_base", "1960-4", "Bicarbonate [Moles/volume] in Arterial blood", "mmol/L", "laboratory"),
    "ph_arterial": ("acid_base", "2744-1", "pH of Arterial blood", "[pH]", "laboratory"),
    "ph_blood": ("acid_base", "11558-4", "pH of Blood", "[pH]", "laboratory"),
    "ph_venous": ("acid_base", "2746-6", "pH of Venous blood", "[pH]", "laboratory"),
    "pco2_arterial": ("acid_base", "2019-8", "Carbon dioxide [Partial pressure] in Arterial blood", "kPa", "laboratory"),
    "pco2_blood": ("acid_base", "11557-6", "Carbon dioxide [Partial pressure] in Blood", "kPa", "laboratory"),
    "pco2_blood_us": ("acid_base", "11557-6", "Carbon dioxide [Partial pressure] in Blood", "mm[Hg]", "laboratory"),
    "base_excess": ("acid_base", "11555-0", "Base excess in Blood by calculation", "mmol/L", "laboratory"),
    "glucose": ("glucose", "14749-6", "Glucose [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "glucose_us": ("glucose", "2345-7", "Glucose [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "glucose_meter": ("glucose", "14743-9", "Glucose [Moles/volume] in Capillary blood by Glucometer", "mmol/L", "laboratory"),
    "glucose_meter_us": ("glucose", "41653-7", "Glucose [Mass/volume] in Capillary blood by Glucometer", "mg/dL", "laboratory"),
    "glucose_gas": ("glucose", "15074-8", "Glucose [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "ketones": ("ketones", "66441-7", "Beta hydroxybutyrate [Moles/volume] in Blood by Test strip", "mmol/L", "laboratory"),
    "ketones_lab": ("ketones", "6873-4", "Beta hydroxybutyrate [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "lactate": ("lactate_osmolality", "32693-4", "Lactate [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "osmolality": ("lactate_osmolality", "2692-2", "Osmolality of Serum or Plasma", "mosm/kg", "laboratory"),
    "creatinine": ("renal", "14682-9", "Creatinine [Moles/volume] in Serum or Plasma", "umol/L", "laboratory"),
    "creatinine_us": ("renal", "2160-0", "Creatinine [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "urea": ("renal", "22664-7", "Urea [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "urea_nitrogen_us": ("renal", "3094-0", "Urea nitrogen [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "urine_rate": ("renal", "9187-6", "Urine output", "mL/h", "vital-signs"),
    "magnesium": ("minerals", "2601-3", "Magnesium [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "magnesium_us": ("minerals", "19123-9", "Magnesium [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "phosphate": ("minerals", "14879-1", "Phosphate [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "phosphate_us": ("minerals", "2777-1", "Phosphate [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "calcium": ("minerals", "2000-8", "Calcium [Moles/volume] in Serum or Plasma", "mmol/L", "laboratory"),
    "calcium_us": ("minerals", "17861-6", "Calcium [Mass/volume] in Serum or Plasma", "mg/dL", "laboratory"),
    "calcium_ionised": ("minerals", "1994-3", "Calcium.ionized [Moles/volume] in Blood", "mmol/L", "laboratory"),
    "albumin": ("minerals", "1751-7", "Albumin [Mass/volume] in Serum or Plasma", "g/L", "laboratory"),
    "albumin_us": ("minerals", "1751-7", "Albumin [Mass/volume] in Serum or Plasma", "g/dL", "laboratory"),
    "heart_rate": ("vitals", "8867-4", "Heart rate", "/min", "vital-signs"),
    "respiratory_rate": ("vitals", "9279-1", "Respiratory rate", "/min", "vital-signs"),
    "temperature": ("vitals", "8310-5", "Body temperature", "Cel", "vital-signs"),
    "pr_interval": ("vitals", "8625-6", "P-R interval", "ms", "procedure"),
    "qtc": ("vitals", "8636-3", "Q-T interval corrected", "ms", "procedure"),
    "spo2": ("vitals", "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", "%", "vital-signs"),
    "gcs": ("consciousness", "9269-2", "Glasgow coma score total", "{score}", "vital-signs"),
    "weight": ("body", "29463-7", "Body weight", "kg", "vital-signs"),
    "weight_us": ("body", "29463-7", "Body weight", "[lb_av]", "vital-signs"),
    "height": ("body", "8302-2", "Body height", "cm", "vital-signs"),
    "gestation": ("body", "18185-9", "Gestational age", "wk", "exam"),
    "valproate_level": ("levels", "4086-5", "Valproate [Mass/volume] in Serum or Plasma", "mg/L", "laboratory"),
    "phenytoin_level": ("levels", "3968-5", "Phenytoin [Mass/volume] in Serum or Plasma", "mg/L", "laboratory"),
    "carbamazepine_level": ("levels", "3432-2", "Carbamazepine [Mass/volume] in Serum or Plasma", "mg/L", "laboratory"),
}

# drug: (RxNorm ingredient, name, ATC)
DRUGS: dict[str, tuple[str, str, str]] = {
    "insulin": ("253182", "insulin, regular, human", "A10AB01"),
    "lispro": ("86009", "insulin lispro", "A10AB04"),
    "glargine": ("274783", "insulin glargine", "A10AE04"),
    "potassium_chloride": ("8591", "potassium chloride", "B05XA01"),
    "potassium_phosphate": ("34322", "potassium phosphate", "B05XA06"),
    "potassium_oral": ("8591", "potassium chloride", "A12BA01"),
    "sodium_chloride": ("9863", "sodium chloride", "B05CB01"),
    "glucose": ("4850", "glucose", "B05BA03"),
    "magnesium_sulfate": ("6585", "magnesium sulfate", "B05XA05"),
    "empagliflozin": ("1545653", "empagliflozin", "A10BK03"),
    "dapagliflozin": ("1488564", "dapagliflozin", "A10BK01"),
    "metformin": ("6809", "metformin", "A10BA02"),
    "valproate": ("40254", "valproate", "N03AG01"),
    "levetiracetam": ("114477", "levetiracetam", "N03AX14"),
    "lamotrigine": ("28439", "lamotrigine", "N03AX09"),
    "carbamazepine": ("2002", "carbamazepine", "N03AF01"),
    "phenytoin": ("8183", "phenytoin", "N03AB02"),
    "lorazepam": ("6470", "lorazepam", "N05BA06"),
    "meropenem": ("29561", "meropenem", "J01DH02"),
    "ciprofloxacin": ("2551", "ciprofloxacin", "J01MA02"),
    "ceftriaxone": ("2193", "ceftriaxone", "J01DD04"),
    "cefazolin": ("2180", "cefazolin", "J01DB04"),
    "paracetamol": ("161", "acetaminophen", "N02BE01"),
    "enoxaparin": ("67108", "enoxaparin", "B01AB05"),
    "pantoprazole": ("40790", "pantoprazole", "A02BC02"),
    "ramipril": ("35296", "ramipril", "C09AA05"),
    "amlodipine": ("17767", "amlodipine", "C08CA01"),
    "atorvastatin": ("83367", "atorvastatin", "C10AA05"),
    "furosemide": ("4603", "furosemide", "C03CA01"),
    "thiamine": ("10454", "thiamine", "A11DA01"),
    "norepinephrine": ("7512", "norepinephrine", "C01CA03"),
    "bisoprolol": ("19484", "bisoprolol", "C07AB07"),
    "spironolactone": ("9997", "spironolactone", "C03DA01"),
    "trimethoprim": ("10829", "trimethoprim", "J01EA01"),
    "prednisolone": ("8638", "prednisolone", "H02AB06"),
    "omeprazole": ("7646", "omeprazole", "A02BC01"),
    "sertraline": ("36437", "sertraline", "N06AB06"),
    "hydrochlorothiazide": ("5487", "hydrochlorothiazide", "C03AA03"),
    "haloperidol": ("5093", "haloperidol", "N05AD01"),
    "methadone": ("6813", "methadone", "N07BC02"),
    "ondansetron": ("26225", "ondansetron", "A04AA01"),
    "sodium_bicarbonate": ("36676", "sodium bicarbonate", "B05XA02"),
    "diazepam": ("3322", "diazepam", "N05BA01"),
    "midazolam": ("6960", "midazolam", "N05CD08"),
    "labetalol": ("6185", "labetalol", "C07AG01"),
    "aspirin": ("1191", "aspirin", "B01AC06"),
    "cefepime": ("20481", "cefepime", "J01DE01"),
    "piperacillin_tazobactam": ("74169", "piperacillin / tazobactam", "J01CR05"),
    "azithromycin": ("18631", "azithromycin", "J01FA10"),
    "amitriptyline": ("704", "amitriptyline", "N06AA09"),
    "flumazenil": ("4457", "flumazenil", "V03AB25"),
}

# The later folders of one patient's course, and its first: the same person, encounter and resource ids.
COURSES = {18: 17, 19: 17, 20: 17, 22: 21}

# investigation: (LOINC code, words)
INVESTIGATIONS: dict[str, tuple[str, str]] = {
    "ecg": ("11524-6", "EKG study"),
    "blood culture": ("600-7", "Bacteria identified in Blood by Culture"),
}

# condition: (SNOMED code or "", ICD-10-CM code or "", words)
CONDITIONS: dict[str, tuple[str, str, str]] = {
    "epilepsy": ("84757009", "G40.909", "Epilepsy"),
    "seizure": ("91175000", "R56.9", "Seizure"),
    "status epilepticus": ("230456007", "", "Status epilepticus"),
    "type 1 diabetes": ("46635009", "E10.9", "Type 1 diabetes mellitus"),
    "type 2 diabetes": ("44054006", "E11.9", "Type 2 diabetes mellitus"),
    "ketoacidosis type 1": ("420422005", "E10.10", "Diabetic ketoacidosis in type 1 diabetes"),
    "ketoacidosis type 2": ("420422005", "E11.10", "Diabetic ketoacidosis in type 2 diabetes"),
    "heart failure": ("84114007", "I50.9", "Heart failure"),
    "kidney disease stage 4": ("709044004", "N18.4", "Chronic kidney disease, stage 4"),
    "pneumonia": ("233604007", "J18.9", "Pneumonia"),
    "pyelonephritis": ("45816000", "N10", "Acute pyelonephritis"),
    "sepsis": ("91302008", "A41.9", "Sepsis"),
    "peritonitis": ("", "K65.9", "Peritonitis after right hemicolectomy"),
    "colon cancer": ("", "C18.2", "Malignant neoplasm of ascending colon"),
    "hypertension": ("", "I10", "Essential hypertension"),
    "hyperlipidaemia": ("", "E78.5", "Hyperlipidaemia"),
    "hypokalaemia": ("", "E87.6", "Hypokalaemia"),
    "gastroenteritis": ("", "A09", "Infectious gastroenteritis"),
    "migraine": ("", "G43.909", "Migraine"),
    "femur fracture": ("", "S72.001A", "Fracture of neck of right femur"),
    "kidney disease stage 3": ("", "N18.30", "Chronic kidney disease, stage 3"),
    "broad QRS": ("", "I45.4", "Intraventricular block, QRS 164 ms on the ECG"),
    "polymyalgia": ("", "M35.3", "Polymyalgia rheumatica"),
    "hyponatraemia": ("", "E87.1", "Hyponatraemia"),
    "depression": ("", "F32.9", "Depressive episode"),
    "delirium": ("2776000", "F05", "Delirium"),
    "opioid dependence": ("", "F11.20", "Opioid dependence, on methadone"),
    "pregnancy": ("77386006", "Z33.1", "Pregnancy"),
    "pre-eclampsia": ("398254007", "O14.13", "Severe pre-eclampsia, third trimester"),
    "eclampsia": ("15938005", "O15.03", "Eclampsia, third trimester"),
    "end-stage kidney disease": ("46177005", "N18.6", "End-stage renal disease"),
    "dialysis": ("", "Z99.2", "Dependence on renal dialysis"),
    "septic shock": ("76571007", "R65.21", "Septic shock"),
    "bacteraemia": ("5758002", "R78.81", "Bacteraemia"),
    "tricyclic poisoning": ("", "T43.012A", "Poisoning by tricyclic antidepressants, intentional self-harm"),
    "benzodiazepine poisoning": ("", "T42.4X2A", "Poisoning by benzodiazepines, intentional self-harm"),
    "atrial fibrillation": ("", "I48.0", "Paroxysmal atrial fibrillation"),
    "renal stones": ("", "N20.0", "Calculus of kidney"),
}

ROUTES = {
    "intravenous": ("47625008", "Intravenous route"),
    "central": ("418114005", "Intravenous central route"),
    "peripheral": ("419993007", "Intravenous peripheral route"),
    "oral": ("26643006", "Oral route"),
    "subcutaneous": ("34206005", "Subcutaneous route"),
    "intramuscular": ("78421000", "Intramuscular route"),
    "rectal": ("37161004", "Rectal route"),
    "buccal": ("54471007", "Buccal route"),
}


def quantity(value: Number, unit: str) -> Json:
    """A Quantity in UCUM; the printed unit is the one a ward would read."""
    printed = {"[iU]": "unit", "[iU]/h": "unit/h", "[iU]/kg/h": "unit/kg/h", "meq/L": "mEq/L", "umol/L": "µmol/L",
               "Cel": "°C", "mm[Hg]": "mmHg", "[lb_av]": "lb", "[pH]": "pH", "{score}": "score", "[iU]/mL": "unit/mL"}
    return {"value": value, "unit": printed.get(unit, unit), "system": UCUM, "code": unit}


def drug(name: str) -> Json:
    """A CodeableConcept with the RxNorm and the ATC coding of one ingredient."""
    rxnorm, words, atc = DRUGS[name]
    return {
        "coding": [{"system": RXNORM, "code": rxnorm, "display": words}, {"system": ATC, "code": atc, "display": words}],
        "text": words,
    }


def ratio(numerator: tuple[Number, str], denominator: tuple[Number, str]) -> Json:
    return {"numerator": quantity(*numerator), "denominator": quantity(*denominator)}


def coded_condition(name: str) -> Json:
    snomed, icd, words = CONDITIONS[name]
    coding = []
    if snomed:
        coding.append({"system": SNOMED, "code": snomed, "display": words})
    if icd:
        coding.append({"system": ICD_CM, "code": icd, "display": words})
    return {"coding": coding, "text": words}


class Scenario:
    """One request under construction: a chart by prefetch key, the drafts, and the moment of judging."""

    def __init__(self, number: int, name: str, hook: str, now: str, *, sex: str, birth: str, offset_hours: int = 1):
        self.folder = f"{number:02d}-{name}"
        number = COURSES.get(number, number)
        self.tag = f"s{number:02d}"
        self.number = number
        self.hook = hook
        self.now = datetime.fromisoformat(now)
        self.zone = timezone(timedelta(hours=offset_hours))
        self.patient_id = f"{self.tag}-patient"
        self.encounter_id = f"{self.tag}-encounter"
        self.chart: dict[str, list[Json]] = {key: [] for key in KEYS if key != "patient"}
        # Every ward asks: an empty list would say that nobody did, and be asked about beside a beta-lactam.
        self.chart["allergies"].append({
            "resourceType": "AllergyIntolerance", "id": f"{self.tag}-no-allergy",
            "clinicalStatus": {"coding": [{"system": f"{TERMINOLOGY}/allergyintolerance-clinical", "code": "active"}]},
            "verificationStatus": {"coding": [{"system": f"{TERMINOLOGY}/allergyintolerance-verification", "code": "confirmed"}]},
            "code": {"coding": [{"system": SNOMED, "code": "716186003", "display": "No known allergy"}]},
            "patient": self.subject(), "recordedDate": self.at(300),
        })
        self.drafts: list[Json] = []
        self.selected: list[str] = []
        self.replaced: dict[str, Any] = {}
        self.left_out: list[str] = []
        self.next_links: dict[str, str] = {}
        self.counts: dict[str, int] = {}
        self.patient: Json = {
            "resourceType": "Patient", "id": self.patient_id, "active": True,
            "identifier": [{"system": "https://hospital.example/patients", "value": f"SYN-{number:04d}"}],
            "name": [{"family": "Test", "given": [f"Synthetic-{number:02d}"]}],
            "gender": sex, "birthDate": birth,
        }

    # -- small helpers -------------------------------------------------------------------------------------------
    def at(self, minutes_ago: Number) -> str:
        return (self.now - timedelta(minutes=minutes_ago)).astimezone(self.zone).isoformat()

    def name_for(self, kind: str) -> str:
        self.counts[kind] = self.counts.get(kind, 0) + 1
        return f"{self.tag}-{kind.replace('_', '-')}-{self.counts[kind]}"

    def subject(self) -> Json:
        return {"reference": f"Patient/{self.patient_id}"}

    def encounter(self) -> Json:
        return {"reference": f"Encounter/{self.encounter_id}"}

    # -- results -------------------------------------------------------------------------------------------------
    def result(self, item: str, value: Number, minutes_ago: Number, *, status: str = "final", unit: str | None = None,
               interpretation: str = "", specimen: str = "", comparator: str = "", note: str = "") -> Json:
        key, code, display, usual_unit, category = ITEMS[item]
        identity = self.name_for(item)
        amount = quantity(value, unit or usual_unit)
        if comparator:
            amount["comparator"] = comparator
        resource: Json = {
            "resourceType": "Observation", "id": identity, "status": status,
            "category": [{"coding": [{"system": f"{TERMINOLOGY}/observation-category", "code": category}]}],
            "code": {"coding": [{"system": LOINC, "code": code, "display": display}], "text": display},
            "subject": self.subject(), "encounter": self.encounter(), "effectiveDateTime": self.at(minutes_ago),
            "valueQuantity": amount,
        }
        if category == "laboratory":
            resource["identifier"] = [{"system": LABORATORY_IDS, "value": identity.upper()}]
            resource["issued"] = self.at(max(minutes_ago - (4 if "gas" in item or "meter" in item else 15), 0))
        if specimen:
            resource["specimen"] = {"display": specimen}
        if interpretation:
            resource["interpretation"] = [
                {"coding": [{"system": f"{TERMINOLOGY}/v3-ObservationInterpretation", "code": interpretation}]}]
        if note:
            resource["note"] = [{"text": note}]
        self.chart[key].append(resource)
        return resource

    def series(self, item: str, *points: tuple[Number, Number], **more: Any) -> None:
        """Points are (minutes ago, value), in any order."""
        for minutes_ago, value in points:
            self.result(item, value, minutes_ago, **more)

    def gas(self, minutes_ago: Number, ph: Number, pco2: Number, bicarbonate: Number, base_excess: Number, *,
            potassium: Number | None = None, glucose: Number | None = None, lactate: Number | None = None,
            arterial: bool = False, us: bool = False) -> None:
        """One blood gas: pCO2 in kPa, or in mmHg with `us`."""
        specimen = "Arterial blood" if arterial else "Venous blood"
        self.result("ph_arterial" if arterial else "ph_venous", ph, minutes_ago, specimen=specimen)
        self.result("pco2_arterial" if arterial else ("pco2_blood_us" if us else "pco2_blood"), pco2, minutes_ago,
                    specimen=specimen)
        self.result("bicarbonate_arterial" if arterial else "bicarbonate_gas", bicarbonate, minutes_ago,
                    specimen=specimen)
        self.result("base_excess", base_excess, minutes_ago, specimen=specimen)
        if potassium is not None:
            self.result("potassium_arterial" if arterial else "potassium_gas", potassium, minutes_ago, specimen=specimen)
        if glucose is not None:
            self.result("glucose_gas", glucose, minutes_ago, specimen=specimen)
        if lactate is not None:
            self.result("lactate", lactate, minutes_ago, specimen=specimen)

    def chemistry(self, minutes_ago: Number, *, us: bool = False, **values: Number) -> None:
        """A laboratory panel drawn at one time; with `us` every item is taken in its United States unit."""
        for item, value in values.items():
            name = f"{item}_us" if us and f"{item}_us" in ITEMS else item
            self.result(name, value, minutes_ago, specimen="Plasma")

    def vitals(self, minutes_ago: Number, pulse: int, breaths: int, temperature: Number, spo2: int,
               systolic: int, diastolic: int) -> None:
        for item, value in (("heart_rate", pulse), ("respiratory_rate", breaths), ("temperature", temperature),
                            ("spo2", spo2)):
            self.result(item, value, minutes_ago)
        parts = []
        mean = round((systolic + 2 * diastolic) / 3)
        for code, words, value in (("8480-6", "Systolic blood pressure", systolic),
                                   ("8462-4", "Diastolic blood pressure", diastolic),
                                   ("8478-0", "Mean blood pressure", mean)):
            parts.append({"code": {"coding": [{"system": LOINC, "code": code, "display": words}]},
                          "valueQuantity": quantity(value, "mm[Hg]")})
        self.chart["vitals"].append({
            "resourceType": "Observation", "id": self.name_for("blood-pressure"), "status": "final",
            "category": [{"coding": [{"system": f"{TERMINOLOGY}/observation-category", "code": "vital-signs"}]}],
            "code": {"coding": [{"system": LOINC, "code": "85354-9",
                                 "display": "Blood pressure panel with all children optional"}]},
            "subject": self.subject(), "encounter": self.encounter(), "effectiveDateTime": self.at(minutes_ago),
            "component": parts,
        })

    # -- conditions ----------------------------------------------------------------------------------------------
    def condition(self, name: str, *, clinical: str = "active", verification: str = "confirmed",
                  onset_minutes: Number | None = None, onset: str = "", recorded_minutes: Number | None = None,
                  recorded: str = "", abated_minutes: Number | None = None, category: str = "problem-list-item") -> Json:
        resource: Json = {
            "resourceType": "Condition", "id": self.name_for("condition"),
            "clinicalStatus": {"coding": [{"system": f"{TERMINOLOGY}/condition-clinical", "code": clinical}]},
            "verificationStatus": {"coding": [{"system": f"{TERMINOLOGY}/condition-ver-status", "code": verification}]},
            "category": [{"coding": [{"system": f"{TERMINOLOGY}/condition-category", "code": category}]}],
            "code": coded_condition(name), "subject": self.subject(),
        }
        if category == "encounter-diagnosis":
            resource["encounter"] = self.encounter()
        if verification == "entered-in-error":
            del resource["clinicalStatus"]  # FHIR invariant con-5
        if onset_minutes is not None:
            resource["onsetDateTime"] = self.at(onset_minutes)
        elif onset:
            resource["onsetDateTime"] = onset
        if abated_minutes is not None:
            resource["abatementDateTime"] = self.at(abated_minutes)
        if recorded_minutes is not None:
            resource["recordedDate"] = self.at(recorded_minutes)
        elif recorded:
            resource["recordedDate"] = recorded
        self.chart["conditions"].append(resource)
        return resource

    # -- orders --------------------------------------------------------------------------------------------------
    def _place(self, order: Json, *, draft: bool, selected: bool = False) -> Json:
        if draft:
            self.drafts.append(order)
            if selected:
                self.selected.append(f"{order['resourceType']}/{order['id']}")
        else:
            self.chart["medications"].append(order)
        return order

    def _order(self, slug: str, status: str, authored_minutes: Number, *, reason: str = "", home: bool = False) -> Json:
        order: Json = {
            "resourceType": "MedicationRequest", "id": self.name_for(f"order-{slug}"), "status": status,
            "intent": "order",
            "category": [{"coding": [{"system": f"{TERMINOLOGY}/medicationrequest-category",
                                      "code": "community" if home else "inpatient"}]}],
            "subject": self.subject(), "encounter": self.encounter(), "authoredOn": self.at(authored_minutes),
            "requester": {"reference": "Practitioner/synthetic-practitioner"},
        }
        if reason:
            order["reasonCode"] = [coded_condition(reason)]
        return order

    def tablet(self, name: str, dose: Number, unit: str, *, per_day: int = 1, status: str = "active",
               authored_minutes: Number = 4320, reason: str = "", route: str = "oral", home: bool = False,
               stop_reason: str = "", draft: bool = False, prn: bool = False) -> Json:
        """A regular order by mouth or by injection under the skin."""
        order = self._order(name, status, authored_minutes, reason=reason, home=home)
        order["medicationCodeableConcept"] = drug(name)
        if stop_reason:
            order["statusReason"] = {"text": stop_reason}
        dosage: Json = {
            "text": f"{dose} {'unit' if unit == '[iU]' else unit} {per_day} times a day",
            "timing": {"repeat": {"frequency": per_day, "period": 1, "periodUnit": "d"}},
            "route": {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]},
            "doseAndRate": [{"doseQuantity": quantity(dose, unit)}],
        }
        if prn:
            dosage["asNeededBoolean"] = True
        order["dosageInstruction"] = [dosage]
        return self._place(order, draft=draft)

    def infusion(self, slug: str, parts: Iterable[tuple[str, Number, str]], diluent: str, volume_ml: Number, *,
                 rate: tuple[Number, str] | None = None, rate_ratio: tuple[tuple[Number, str], tuple[Number, str]] | None = None,
                 duration_minutes: Number | None = None, route: str = "intravenous", status: str = "active",
                 start_minutes: Number | None = None, authored_minutes: Number | None = None, text: str = "",
                 every_hours: int | None = None, dose: tuple[Number, str] | None = None, reason: str = "",
                 per_bag: bool = False, draft: bool = False, selected: bool = False, diluent_words: str = "") -> Json:
        """An intravenous order: active ingredients in a diluent, with its rate or its duration.

        `per_bag` writes strengths per bag instead of per millilitres of the bag.
        """
        if authored_minutes is None:
            authored_minutes = 5 if draft else (start_minutes or 0) + 10
        order = self._order(slug, status, authored_minutes, reason=reason)
        denominator: tuple[Number, str] = (1, "{bag}") if per_bag else (volume_ml, "mL")
        ingredients: list[Json] = []
        for name, amount, unit in parts:
            ingredients.append({"itemCodeableConcept": drug(name), "isActive": True,
                                "strength": ratio((amount, unit), denominator)})
        if diluent:
            concept = drug(diluent)
            concept["text"] = diluent_words or {"sodium_chloride": "sodium chloride 0.9 %", "glucose": "glucose 5 %"}[diluent]
            ingredients.append({"itemCodeableConcept": concept, "isActive": False,
                                "strength": ratio((volume_ml, "mL"), denominator)})
        order["contained"] = [{
            "resourceType": "Medication", "id": "bag", "code": {"text": text or slug},
            "amount": ratio((volume_ml, "mL"), (1, "{bag}")), "ingredient": ingredients,
        }]
        order["medicationReference"] = {"reference": "#bag", "display": text or slug}
        amounts: Json = {"doseQuantity": quantity(*(dose or (volume_ml, "mL")))}
        if rate is not None:
            amounts["rateQuantity"] = quantity(*rate)
        if rate_ratio is not None:
            amounts["rateRatio"] = ratio(*rate_ratio)
        repeat: Json = {}
        if every_hours:
            repeat |= {"frequency": 1, "period": every_hours, "periodUnit": "h"}
        if duration_minutes is not None:
            repeat |= {"duration": duration_minutes, "durationUnit": "min"}
        if start_minutes is not None:
            repeat["boundsPeriod"] = {"start": self.at(start_minutes)}
        dosage: Json = {"text": text or slug}
        if repeat:
            dosage["timing"] = {"repeat": repeat}
        dosage["route"] = {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]}
        dosage["doseAndRate"] = [amounts]
        order["dosageInstruction"] = [dosage]
        return self._place(order, draft=draft, selected=selected)

    def fluid(self, words: str, volume_ml: int, rate_ml_h: Number, *, start_minutes: Number, name: str = "sodium_chloride",
              status: str = "active", route: str = "peripheral", draft: bool = False) -> Json:
        """A plain fluid, written as most systems write it: one concept, a volume, a rate. A draft starts when it is signed."""
        order = self._order("fluid", "draft" if draft else status, start_minutes + 5)
        concept = drug(name)
        concept["text"] = words
        order["medicationCodeableConcept"] = concept
        order["dosageInstruction"] = [{
            "text": f"{words}, {volume_ml} mL at {rate_ml_h} mL/h",
            "timing": {"repeat": {"boundsPeriod": {"start": self.at(start_minutes)}}},
            "route": {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]},
            "doseAndRate": [{"doseQuantity": quantity(volume_ml, "mL"), "rateQuantity": quantity(rate_ml_h, "mL/h")}],
        }]
        if draft:
            del order["dosageInstruction"][0]["timing"]
        return self._place(order, draft=draft)

    def bolus(self, name: str, dose: Number, unit: str, *, status: str = "draft", authored_minutes: Number = 3) -> Json:
        """One dose into a vein at once."""
        order = self._order(name, status, authored_minutes)
        order["medicationCodeableConcept"] = drug(name)
        printed = "unit" if unit == "[iU]" else unit
        order["dosageInstruction"] = [{
            "text": f"{dose} {printed} IV bolus, once",
            "timing": {"repeat": {"count": 1}},
            "route": {"coding": [{"system": SNOMED, "code": ROUTES["intravenous"][0], "display": ROUTES["intravenous"][1]}]},
            "method": {"text": "IV bolus"},
            "doseAndRate": [{"doseQuantity": quantity(dose, unit)}],
        }]
        return self._place(order, draft=status == "draft")

    def stop(self, order: Json, why: str) -> Json:
        """A draft that stops a running order: the order as it stands, with its own id."""
        draft: Json = json.loads(json.dumps(order))
        draft["status"] = "stopped"
        draft["statusReason"] = {"text": why}
        self.drafts.append(draft)
        return draft

    def investigation(self, name: str, authored_minutes: Number) -> Json:
        """A test that was ordered."""
        code, words = INVESTIGATIONS[name]
        resource: Json = {
            "resourceType": "ServiceRequest", "id": self.name_for("investigation"), "status": "active", "intent": "order",
            "code": {"coding": [{"system": LOINC, "code": code, "display": words}], "text": words},
            "subject": self.subject(), "encounter": self.encounter(), "authoredOn": self.at(authored_minutes),
        }
        self.chart["investigations"].append(resource)
        return resource

    def forget_the_future(self) -> None:
        """Leave out what had not happened yet: a course is written once, and each of its requests holds what was known by then."""
        for key, resources in self.chart.items():
            self.chart[key] = [each for each in resources if self._begins(each) <= self.now]

    def _begins(self, resource: Json) -> datetime:
        text = str(resource.get("effectiveDateTime") or resource.get("authoredOn") or resource.get("effectivePeriod", {}).get("start")
                   or resource.get("recordedDate") or "")
        return datetime.fromisoformat(text) if "T" in text else datetime.min.replace(tzinfo=UTC)

    def given(self, order: Json, start_minutes: Number, *, end_minutes: Number | None = None, status: str = "",
              dose: tuple[Number, str] | None = None) -> Json:
        """The administration that answers an order: in progress without an end, completed with one."""
        resource: Json = {
            "resourceType": "MedicationAdministration", "id": self.name_for("given"),
            "status": status or ("in-progress" if end_minutes is None else "completed"),
            "subject": self.subject(), "context": self.encounter(),
            "request": {"reference": f"MedicationRequest/{order['id']}"},
            "effectivePeriod": {"start": self.at(start_minutes)},
        }
        if "medicationCodeableConcept" in order:
            resource["medicationCodeableConcept"] = order["medicationCodeableConcept"]
        else:
            first = order["contained"][0]["ingredient"][0]
            resource["medicationCodeableConcept"] = first["itemCodeableConcept"]
        if end_minutes is not None:
            resource["effectivePeriod"]["end"] = self.at(end_minutes)
        if dose:
            resource["dosage"] = {"dose": quantity(*dose)}
        self.chart["administrations"].append(resource)
        return resource

    def dose(self, name: str, amount: Number, unit: str, minutes_ago: Number, *, route: str = "intravenous", words: str = "", end_minutes: Number | None = None) -> Json:
        """One dose charted without an order: what parents, a crew or a nurse in an emergency gave."""
        resource: Json = {
            "resourceType": "MedicationAdministration", "id": self.name_for("given"), "status": "completed",
            "medicationCodeableConcept": drug(name), "subject": self.subject(), "context": self.encounter(),
            "dosage": {"dose": quantity(amount, unit), "route": {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]}},
        }
        if end_minutes is None:
            resource["effectiveDateTime"] = self.at(minutes_ago)
        else:
            resource["effectivePeriod"] = {"start": self.at(minutes_ago), "end": self.at(end_minutes)}
        if words:
            resource["note"] = [{"text": words}]
        self.chart["administrations"].append(resource)
        return resource

    def once(self, name: str, amount: Number, unit: str, *, route: str, text: str, reason: str = "") -> Json:
        """A draft of one dose by any route, no infusion."""
        order = self._order(name, "draft", 2, reason=reason)
        order["medicationCodeableConcept"] = drug(name)
        order["dosageInstruction"] = [{
            "text": text, "timing": {"repeat": {"count": 1}},
            "route": {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]},
            "doseAndRate": [{"doseQuantity": quantity(amount, unit)}],
        }]
        return self._place(order, draft=True)

    def procedure(self, snomed: str, words: str, minutes_ago: Number, *, end_minutes: Number | None = None) -> Json:
        """Something that was done to the patient."""
        resource: Json = {
            "resourceType": "Procedure", "id": self.name_for("procedure"), "status": "completed",
            "code": {"coding": [{"system": SNOMED, "code": snomed, "display": words}], "text": words},
            "subject": self.subject(), "encounter": self.encounter(),
        }
        if end_minutes is None:
            resource["performedDateTime"] = self.at(minutes_ago)
        else:
            resource["performedPeriod"] = {"start": self.at(minutes_ago), "end": self.at(end_minutes)}
        self.chart["procedures"].append(resource)
        return resource

    def allergy(self, code: str, words: str, reaction: tuple[str, str], *, recorded: str, criticality: str = "", note: str = "") -> Json:
        """An allergy with its reaction (SNOMED codes); it takes the place of "no known allergy"."""
        self.chart["allergies"] = [each for each in self.chart["allergies"] if not each["id"].endswith("-no-allergy")]
        resource: Json = {
            "resourceType": "AllergyIntolerance", "id": self.name_for("allergy"),
            "clinicalStatus": {"coding": [{"system": f"{TERMINOLOGY}/allergyintolerance-clinical", "code": "active"}]},
            "verificationStatus": {"coding": [{"system": f"{TERMINOLOGY}/allergyintolerance-verification", "code": "confirmed"}]},
            "type": "allergy", "category": ["medication"],
            "code": {"coding": [{"system": SNOMED, "code": code, "display": words}], "text": words},
            "patient": self.subject(), "recordedDate": recorded,
            "reaction": [{"manifestation": [{"coding": [{"system": SNOMED, "code": reaction[0], "display": reaction[1]}], "text": reaction[1]}]}],
        }
        if criticality:
            resource["criticality"] = criticality
        if note:
            resource["note"] = [{"text": note}]
        self.chart["allergies"].append(resource)
        return resource

    def culture(self, specimen: str, organism: tuple[str, str], minutes_ago: Number, *, status: str = "final", words: str = "") -> Json:
        """A culture of blood or urine with its organism (SNOMED code and name)."""
        code, display = {"blood": ("600-7", "Bacteria identified in Blood by Culture"), "urine": ("630-4", "Bacteria identified in Urine by Culture")}[specimen]
        resource: Json = {
            "resourceType": "Observation", "id": self.name_for(f"culture-{specimen}"), "status": status,
            "category": [{"coding": [{"system": f"{TERMINOLOGY}/observation-category", "code": "laboratory"}]}],
            "code": {"coding": [{"system": LOINC, "code": code, "display": display}], "text": display},
            "subject": self.subject(), "encounter": self.encounter(), "effectiveDateTime": self.at(minutes_ago),
            "valueCodeableConcept": {"coding": [{"system": SNOMED, "code": organism[0], "display": organism[1]}], "text": words or organism[1]},
        }
        self.chart["cultures"].append(resource)
        return resource

    def susceptibilities(self, culture: Json, *found: tuple[str, str, str], status: str = "final") -> None:
        """Members of a culture: (LOINC code, drug, "S", "I" or "R")."""
        for code, name, answer in found:
            display = f"{name} [Susceptibility]"
            identity = self.name_for("susceptibility")
            self.chart["cultures"].append({
                "resourceType": "Observation", "id": identity, "status": status,
                "category": [{"coding": [{"system": f"{TERMINOLOGY}/observation-category", "code": "laboratory"}]}],
                "code": {"coding": [{"system": LOINC, "code": code, "display": display}], "text": display},
                "subject": self.subject(), "encounter": self.encounter(), "effectiveDateTime": culture["effectiveDateTime"],
                "derivedFrom": [{"reference": f"Observation/{culture['id']}"}],
                "interpretation": [{"coding": [{"system": f"{TERMINOLOGY}/v3-ObservationInterpretation", "code": answer}]}],
            })

    # -- the request ---------------------------------------------------------------------------------------------
    def _searchset(self, key: str) -> Json:
        def moment(resource: Json) -> datetime:
            text = str(resource.get("effectiveDateTime") or resource.get("authoredOn")
                       or resource.get("effectivePeriod", {}).get("start") or resource.get("recordedDate") or "")
            if len(text) < 20:
                return datetime.min.replace(tzinfo=UTC)
            return datetime.fromisoformat(text)

        resources = sorted(self.chart[key], key=moment, reverse=True)
        bundle: Json = {"resourceType": "Bundle", "id": f"{self.tag}-{key.replace('_', '-')}", "type": "searchset",
                        "total": len(resources)}
        if key in self.next_links:
            bundle["link"] = [{"relation": "next", "url": self.next_links[key]}]
            bundle["total"] = len(resources) + 40
        if resources:
            bundle["entry"] = [
                {"fullUrl": f"https://ehr.example/fhir/{r['resourceType']}/{r['id']}", "resource": r,
                 "search": {"mode": "match"}} for r in resources]
        return bundle

    def request(self) -> Json:
        context: Json = {"userId": "Practitioner/synthetic-practitioner", "patientId": self.patient_id,
                         "encounterId": self.encounter_id}
        if self.hook == "order-select":
            context["selections"] = self.selected
        if self.hook in ("order-select", "order-sign"):
            context["draftOrders"] = {
                "resourceType": "Bundle", "id": f"{self.tag}-drafts", "type": "collection",
                "entry": [{"fullUrl": f"https://ehr.example/fhir/{r['resourceType']}/{r['id']}", "resource": r}
                          for r in self.drafts]}
        prefetch: Json = {"patient": self.patient}
        for key in KEYS[1:]:
            if key in self.left_out:
                continue
            prefetch[key] = self.replaced.get(key, None) if key in self.replaced else self._searchset(key)
        return {
            "hook": self.hook,
            "hookInstance": str(uuid.uuid5(NAMESPACE, self.folder)),
            "context": context,
            "prefetch": prefetch,
            "extension": {"example.trivet.evaluate-at": self.now.strftime("%Y-%m-%dT%H:%M:%SZ")},
        }


# ----------------------------------------------------------------------------------------------------------------------
# The scenarios
# ----------------------------------------------------------------------------------------------------------------------


def lead() -> Scenario:
    s = Scenario(1, "ketoacidosis-valproate-meropenem", "order-sign", "2026-03-14T08:20:00Z", sex="female",
                 birth="1964-09-02")
    s.condition("epilepsy", onset="1998", recorded="2011-05-17")
    s.condition("type 2 diabetes", onset="2014-03", recorded="2014-03-20")
    s.condition("hypertension", recorded="2016-10-04")
    s.condition("hyperlipidaemia", recorded="2016-10-04")
    s.condition("colon cancer", recorded="2026-02-11")
    s.condition("peritonitis", verification="provisional", onset_minutes=300, recorded_minutes=45,
                category="encounter-diagnosis")
    s.condition("pneumonia", verification="refuted", clinical="inactive", recorded_minutes=600,
                category="encounter-diagnosis")

    s.tablet("valproate", 500, "mg", per_day=2, reason="epilepsy", authored_minutes=4300, home=False)
    s.tablet("empagliflozin", 10, "mg", reason="type 2 diabetes", authored_minutes=4290)
    s.tablet("metformin", 1000, "mg", per_day=2, status="stopped", authored_minutes=4290, reason="type 2 diabetes",
             stop_reason="Held before surgery")
    s.tablet("amlodipine", 5, "mg", reason="hypertension")
    s.tablet("atorvastatin", 20, "mg", reason="hyperlipidaemia")
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=2900)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=2900)
    s.tablet("pantoprazole", 40, "mg", authored_minutes=2900)
    s.infusion("cefazolin", [("cefazolin", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), duration_minutes=30,
               status="completed", start_minutes=2990, text="Cefazolin 2 g before incision")
    saline = s.fluid("Sodium chloride 0.9 % infusion", 1000, 125, start_minutes=260)
    s.given(saline, 260)
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 83, start_minutes=1700, status="completed")

    s.series("glucose_meter", (1460, 8.1), (1100, 8.8), (740, 9.2), (500, 9.4), (260, 10.2), (130, 10.0))
    s.result("glucose", 9.8, 40, specimen="Plasma")
    s.result("glucose_gas", 9.7, 42, specimen="Arterial blood")
    s.result("ketones", 5.6, 38, specimen="Capillary blood", interpretation="HH")
    s.result("ketones", 0.4, 4310, specimen="Capillary blood")
    s.gas(130, 7.27, 3.87, 13.1, -11.8, potassium=3.3, lactate=1.4, arterial=True)
    s.gas(42, 7.22, 3.49, 10.6, -15.4, potassium=3.1, lactate=1.6, arterial=True)
    s.chemistry(4310, potassium=4.1, sodium=140, chloride=103, creatinine=71, urea=5.2)
    s.chemistry(2600, potassium=3.9, sodium=141, chloride=106, total_co2=22, creatinine=74, urea=5.0)
    s.chemistry(1160, potassium=3.6, sodium=140, chloride=107, total_co2=17, creatinine=79, urea=5.9)
    s.chemistry(40, potassium=3.1, sodium=139, chloride=108, total_co2=11, creatinine=82, urea=7.4, magnesium=0.74,
                phosphate=0.81, calcium=2.11, albumin=31)
    # A specimen that belonged to another tube, withdrawn by the laboratory; newer than the true one and must not count.
    s.result("potassium", 4.4, 25, status="entered-in-error", specimen="Plasma", note="Mislabelled tube, withdrawn")
    s.result("potassium", 5.9, 135, status="cancelled", specimen="Plasma", note="Haemolysed, not reported")
    s.series("urine_rate", (300, 80), (240, 90), (180, 95), (120, 90), (60, 85))
    s.vitals(300, 96, 20, 37.4, 96, 124, 70)
    s.vitals(180, 104, 23, 37.9, 96, 118, 68)
    s.vitals(60, 112, 27, 38.2, 95, 112, 64)
    s.vitals(15, 114, 28, 38.2, 95, 110, 62)
    s.series("gcs", (300, 15), (60, 15), (15, 15))
    s.result("weight", 68, 4320)
    s.result("height", 164, 4320)
    s.result("valproate_level", 71, 4310, specimen="Plasma")

    s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(6.8, "[iU]/h"), dose=(50, "[iU]"),
               text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 6.8 units per hour", status="draft", draft=True)
    s.infusion("meropenem", [("meropenem", 1, "g")], "sodium_chloride", 100, dose=(1, "g"), every_hours=8,
               duration_minutes=30, reason="peritonitis", text="Meropenem 1 g in 100 mL every 8 hours",
               status="draft", draft=True)
    return s


def three_bags(number: int, name: str, *, central: bool) -> Scenario:
    """The same three bags (5, 6 and 7 mmol/h); only patient and line differ between scenarios 02 and 03."""
    route = "central" if central else "peripheral"
    s = Scenario(number, name, "order-sign", "2026-02-03T14:10:00Z", sex="male" if central else "female",
                 birth="1957-01-19" if central else "1953-06-30")
    first = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(125, "mL/h"),
                       route=route, start_minutes=190, text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %",
                       per_bag=central)
    # The second bag states no line in 02: it is then taken as peripheral.
    second = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000,
                        rate_ratio=((300, "mL"), (2, "h")), route="central" if central else "intravenous",
                        start_minutes=75, text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %", per_bag=central)
    s.given(first, 190)
    s.given(second, 75)
    s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(175, "mL/h"),
               route=route, status="draft", draft=True, text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %",
               per_bag=central)
    s.infusion("potassium", [("potassium_chloride", 20, "mmol")], "sodium_chloride", 500, rate=(125, "mL/h"),
               route=route, status="cancelled", start_minutes=400, text="Potassium chloride 20 mmol, cancelled unhung")
    return s


def peripheral_sum() -> Scenario:
    s = three_bags(2, "three-bags-one-cannula", central=False)
    s.condition("gastroenteritis", onset_minutes=4300, recorded_minutes=900, category="encounter-diagnosis")
    s.condition("hypokalaemia", onset_minutes=880, recorded_minutes=870, category="encounter-diagnosis")
    s.condition("heart failure", recorded="2022-08-15")
    s.condition("hypertension", recorded="2009-01-12")
    s.tablet("ramipril", 5, "mg", status="on-hold", stop_reason="Held, low blood pressure")
    s.tablet("furosemide", 40, "mg", status="stopped", stop_reason="Stopped on admission")
    s.tablet("amlodipine", 5, "mg", status="on-hold", stop_reason="Held, low blood pressure")
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=860, prn=True)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=860)
    s.chemistry(890, potassium=2.6, sodium=133, chloride=97, total_co2=21, creatinine=104, urea=11.8, magnesium=0.72,
                phosphate=0.84, calcium=2.18, albumin=36)
    s.chemistry(340, potassium=2.9, sodium=135, chloride=101, total_co2=22, creatinine=92, urea=9.1)
    s.result("potassium", 2.1, 888, status="entered-in-error", specimen="Plasma", note="Entered twice")
    s.series("glucose", (890, 6.2), (340, 5.9), specimen="Plasma")
    s.result("glucose_meter", 6.1, 35)
    s.gas(885, 7.39, 4.7, 21.2, -3.4, potassium=2.6, lactate=1.7)
    for hour in range(1, 7):
        s.result("urine_rate", 40 + 5 * hour, 60 * (7 - hour) - 20)
    for minutes, pulse, systolic in ((860, 112, 92), (600, 104, 98), (360, 98, 104), (120, 92, 108), (20, 90, 110)):
        s.vitals(minutes, pulse, 18, 37.1, 97, systolic, 60)
    s.series("gcs", (860, 15), (120, 15), (20, 15))
    s.result("weight", 64, 870)
    s.result("height", 161, 870)
    return s


def central_sum() -> Scenario:
    s = three_bags(3, "three-bags-central-line", central=True)
    s.condition("pneumonia", onset_minutes=2200, recorded_minutes=1500, category="encounter-diagnosis")
    s.condition("sepsis", onset_minutes=1480, recorded_minutes=1470, category="encounter-diagnosis")
    s.condition("hypokalaemia", onset_minutes=420, recorded_minutes=400, category="encounter-diagnosis")
    s.condition("hypertension", recorded="2012-04-02")
    s.tablet("ramipril", 10, "mg", status="on-hold", stop_reason="Held in shock")
    s.tablet("pantoprazole", 40, "mg", authored_minutes=1400)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=1400)
    pressor = s.infusion("norepinephrine", [("norepinephrine", 4, "mg")], "sodium_chloride", 50,
                         rate=(0.12, "ug/kg/min"), route="central", start_minutes=1380,
                         text="Noradrenaline 4 mg in 50 mL, 0.12 micrograms/kg/min")
    s.given(pressor, 1380)
    magnesium = s.infusion("magnesium", [("magnesium_sulfate", 4, "g")], "sodium_chloride", 100, rate=(25, "mL/h"),
                           route="central", start_minutes=90, text="Magnesium sulfate 4 g over 4 hours")
    s.given(magnesium, 90)
    s.infusion("ceftriaxone", [("ceftriaxone", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), every_hours=24,
               duration_minutes=30, start_minutes=1450, reason="pneumonia", text="Ceftriaxone 2 g every 24 hours")
    s.chemistry(1440, potassium=3.8, sodium=137, chloride=103, total_co2=17, creatinine=128, urea=12.4)
    s.chemistry(430, potassium=2.9, sodium=139, chloride=106, total_co2=20, creatinine=117, urea=11.9, magnesium=0.61,
                phosphate=0.79, calcium=2.04, albumin=26)
    s.chemistry(150, potassium=3.0, sodium=140, chloride=107, total_co2=21, creatinine=112, urea=11.4)
    s.gas(1445, 7.27, 4.6, 15.4, -10.4, potassium=3.9, glucose=8.8, lactate=4.6, arterial=True)
    s.gas(430, 7.35, 4.8, 19.6, -5.3, potassium=2.9, glucose=7.7, lactate=2.4, arterial=True)
    s.gas(45, 7.38, 4.9, 21.4, -3.1, potassium=3.1, glucose=7.4, lactate=1.8, arterial=True)
    for hour in range(1, 7):
        s.result("urine_rate", 45 + 3 * hour, 60 * (7 - hour) - 25)
    for minutes, pulse, systolic in ((1440, 124, 84), (900, 112, 96), (430, 102, 104), (120, 96, 112), (15, 94, 114)):
        s.vitals(minutes, pulse, 22, 38.1, 95, systolic, 58)
    s.series("gcs", (1440, 13), (430, 14), (15, 14))
    s.result("weight", 82, 1430)
    s.result("height", 178, 1430)
    return s


def low_glucose_seizure() -> Scenario:
    s = Scenario(4, "low-glucose-seizure-on-insulin", "order-sign", "2026-01-22T22:47:00Z", sex="male",
                 birth="1991-11-08", offset_hours=-6)
    s.condition("type 1 diabetes", onset="2003", recorded="2015-02-10")
    s.condition("ketoacidosis type 1", onset_minutes=930, recorded_minutes=880, category="encounter-diagnosis")
    s.condition("seizure", onset_minutes=3, recorded_minutes=2, category="encounter-diagnosis")
    insulin = s.infusion("insulin", [("insulin", 100, "[iU]")], "sodium_chloride", 100, rate=(7, "mL/h"),
                         start_minutes=820, text="Insulin 100 units in 100 mL sodium chloride 0.9 %, 7 mL per hour")
    s.given(insulin, 820)
    potassium = s.infusion("potassium", [("potassium_chloride", 40, "meq")], "sodium_chloride", 1000,
                           rate=(150, "mL/h"), route="peripheral", start_minutes=300,
                           text="Potassium chloride 40 mEq in 1 L sodium chloride 0.9 %")
    s.given(potassium, 300)
    glucose = s.fluid("Dextrose 10 % infusion", 500, 100, start_minutes=350, name="glucose", status="completed")
    s.given(glucose, 350, end_minutes=50)
    s.tablet("glargine", 22, "[iU]", route="subcutaneous", status="on-hold", stop_reason="On insulin infusion")
    s.tablet("lispro", 8, "[iU]", per_day=3, route="subcutaneous", status="on-hold", stop_reason="On insulin infusion")
    s.tablet("atorvastatin", 20, "mg")
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=800)
    s.series("glucose_meter_us", (900, 512), (840, 488), (780, 431), (720, 388), (660, 342), (600, 301), (540, 266),
             (480, 241), (420, 222), (360, 198), (300, 187), (240, 176), (180, 164), (120, 141), (65, 92), (1, 43),
             specimen="Capillary blood")
    s.series("ketones", (900, 6.8), (660, 5.4), (420, 3.9), (180, 2.6), (95, 2.1), specimen="Capillary blood")
    s.gas(890, 7.09, 23.0, 6.7, -21.4, us=True, potassium=5.2)
    s.gas(420, 7.24, 31.0, 12.9, -12.8, us=True, potassium=4.2)
    s.gas(95, 7.31, 35.0, 17.1, -8.1, us=True, potassium=3.9)
    s.chemistry(890, us=True, potassium=5.3, sodium=131, chloride=95, total_co2=7, creatinine=1.5, urea_nitrogen=31)
    s.chemistry(420, us=True, potassium=4.2, sodium=137, chloride=106, total_co2=13, creatinine=1.1, urea_nitrogen=24)
    s.chemistry(95, us=True, potassium=3.9, sodium=140, chloride=110, total_co2=17, creatinine=0.9, urea_nitrogen=17,
                magnesium=1.9, phosphate=2.6, calcium=8.9, albumin=3.8)
    s.series("urine_rate", (320, 110), (200, 90), (80, 85))
    for minutes, pulse in ((880, 118), (600, 104), (300, 94), (120, 88), (2, 132)):
        s.vitals(minutes, pulse, 20, 36.8, 97, 128, 74)
    s.series("gcs", (880, 14), (600, 15), (120, 15), (2, 6))
    s.result("weight_us", 156, 880)
    s.result("height", 176, 880)
    s.infusion("lorazepam", [("lorazepam", 4, "mg")], "", 2, dose=(4, "mg"), duration_minutes=2, status="draft",
               draft=True, text="Lorazepam 4 mg intravenously once, now", reason="seizure")
    return s


def old_potassium() -> Scenario:
    s = Scenario(5, "insulin-with-old-potassium", "order-sign", "2026-03-02T04:30:00Z", sex="male", birth="1978-04-25")
    s.condition("type 1 diabetes", onset="1990", recorded="2010-09-01")
    s.condition("hypertension", recorded="2019-02-02")
    saline = s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=70)
    s.given(saline, 70)
    s.tablet("glargine", 26, "[iU]", route="subcutaneous", home=True)
    s.tablet("lispro", 9, "[iU]", per_day=3, route="subcutaneous", status="on-hold", stop_reason="Not eating")
    s.tablet("ramipril", 5, "mg", status="on-hold", stop_reason="Held, dehydrated")
    s.series("glucose_meter", (305, 24.8), (75, 27.9), (20, 27.4), specimen="Capillary blood")
    s.series("ketones", (72, 5.8), (25, 5.6), specimen="Capillary blood")
    s.chemistry(300, potassium=3.1, sodium=134, chloride=96, total_co2=14, creatinine=118, urea=12.1, magnesium=0.78,
                phosphate=1.02, calcium=2.31, albumin=42)
    pending = s.result("potassium", 0, 20, status="registered", specimen="Plasma")
    del pending["valueQuantity"]
    del pending["issued"]
    s.result("potassium", 3.4, 62, status="cancelled", specimen="Plasma", note="Insufficient sample")
    s.gas(50, 7.16, 3.30, 8.7, -18.2, lactate=2.1)
    s.series("urine_rate", (60, 160), (10, 130))
    for minutes, pulse in ((300, 108), (70, 116), (15, 112)):
        s.vitals(minutes, pulse, 28, 36.9, 98, 116, 70)
    s.series("gcs", (70, 15), (15, 15))
    s.result("weight", 74, 68)
    s.result("height", 181, 68)
    s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(0.1, "[iU]/kg/h"), dose=(50, "mL"),
               status="draft", draft=True, text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 0.1 units/kg per hour")
    return s


def status_epilepticus() -> Scenario:
    s = Scenario(6, "status-epilepticus-phenytoin-in-glucose", "order-sign", "2026-02-17T11:05:00Z", sex="male",
                 birth="1983-12-12")
    s.condition("epilepsy", onset="2001", recorded="2013-03-30")
    s.condition("status epilepticus", onset_minutes=12, recorded_minutes=6, category="encounter-diagnosis")
    s.condition("femur fracture", clinical="resolved", onset="2021-10-02", recorded="2021-10-02")
    s.tablet("lamotrigine", 150, "mg", per_day=2, reason="epilepsy", authored_minutes=200000, home=True)
    lorazepam = s.infusion("lorazepam", [("lorazepam", 4, "mg")], "", 2, dose=(4, "mg"), duration_minutes=2,
                           status="completed", start_minutes=6, text="Lorazepam 4 mg intravenously once", reason="seizure")
    s.given(lorazepam, 6, end_minutes=4, dose=(4, "mg"))
    s.infusion("phenytoin", [("phenytoin", 1500, "mg")], "glucose", 250, dose=(1500, "mg"), duration_minutes=40,
               status="draft", draft=True, text="Phenytoin 1500 mg in 250 mL glucose 5 % over 40 minutes",
               reason="status epilepticus")
    s.result("glucose_meter", 6.1, 9, specimen="Capillary blood")
    s.gas(7, 7.21, 6.6, 19.2, -7.2, potassium=4.3, glucose=6.4, lactate=6.9)
    s.chemistry(7, sodium=139, chloride=103, creatinine=84, urea=4.9, magnesium=0.86, calcium=2.34, albumin=41,
                phosphate=1.1)
    s.chemistry(129600, potassium=4.5, sodium=140, chloride=104, creatinine=82, urea=5.0)
    s.vitals(8, 128, 24, 37.3, 93, 156, 92)
    s.vitals(3, 118, 20, 37.4, 95, 148, 88)
    s.series("gcs", (8, 5), (2, 7))
    s.result("weight", 75, 5000)
    s.result("height", 179, 5000)
    return s


def seizure_no_glucose() -> Scenario:
    s = Scenario(7, "seizure-without-glucose", "patient-view", "2026-03-20T17:40:00Z", sex="male", birth="1973-08-14")
    s.condition("seizure", onset_minutes=3, recorded_minutes=1, category="encounter-diagnosis")
    s.condition("femur fracture", onset_minutes=3000, recorded_minutes=2900, category="encounter-diagnosis")
    s.condition("hypertension", recorded="2018-06-06")
    s.tablet("amlodipine", 10, "mg")
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=2800)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=2800)
    s.tablet("pantoprazole", 40, "mg", authored_minutes=2800)
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 83, start_minutes=2700, status="completed")
    s.series("glucose", (2850, 6.0), (1330, 5.8), specimen="Plasma")
    s.result("glucose_meter", 5.5, 14, status="cancelled", specimen="Capillary blood", note="Strip error, not repeated")
    s.chemistry(2850, potassium=4.2, sodium=139, chloride=104, total_co2=24, creatinine=81, urea=5.6)
    s.chemistry(190, potassium=4.0, sodium=138, chloride=103, total_co2=23, creatinine=80, urea=5.3, magnesium=0.82,
                calcium=2.29, albumin=37, phosphate=1.0)
    for minutes, pulse in ((1300, 82), (700, 80), (240, 84), (2, 124)):
        s.vitals(minutes, pulse, 18, 37.0, 96, 138, 80)
    s.series("gcs", (700, 15), (240, 15), (1, 4))
    s.result("weight", 88, 2860)
    s.result("height", 182, 2860)
    return s


def ciprofloxacin() -> Scenario:
    s = Scenario(8, "ciprofloxacin-epilepsy-kidney-disease", "order-sign", "2026-04-09T15:20:00Z", sex="female",
                 birth="1949-02-27", offset_hours=-4)
    s.condition("epilepsy", onset="2016", recorded="2016-11-01")
    s.condition("kidney disease stage 4", onset="2021", recorded="2021-05-12")
    s.condition("pyelonephritis", onset_minutes=1500, recorded_minutes=240, category="encounter-diagnosis")
    s.condition("hypertension", recorded="2004-01-01")
    s.tablet("levetiracetam", 500, "mg", per_day=2, reason="epilepsy", authored_minutes=300000, home=True)
    s.tablet("amlodipine", 5, "mg", home=True)
    s.tablet("atorvastatin", 20, "mg", home=True)
    s.tablet("paracetamol", 650, "mg", per_day=3, authored_minutes=230, prn=True)
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 100, start_minutes=200)
    s.chemistry(43200, us=True, potassium=4.7, sodium=139, chloride=104, creatinine=2.3, urea_nitrogen=41)
    s.chemistry(230, us=True, potassium=4.6, sodium=138, chloride=105, total_co2=21, creatinine=2.4, urea_nitrogen=43,
                magnesium=2.0, calcium=9.0, albumin=3.6, phosphate=4.1)
    s.series("glucose_us", (43200, 101), (230, 112), specimen="Plasma")
    s.result("glucose_meter_us", 108, 25, specimen="Capillary blood")
    s.gas(225, 7.35, 38.0, 20.5, -4.6, us=True, lactate=1.3)
    for minutes, pulse in ((235, 102), (120, 98), (20, 94)):
        s.vitals(minutes, pulse, 20, 38.4, 96, 124, 66)
    s.series("gcs", (235, 15), (20, 15))
    s.series("urine_rate", (180, 45), (120, 50), (60, 55))
    s.result("weight", 58, 236)
    s.result("height", 158, 236)
    s.infusion("ciprofloxacin", [("ciprofloxacin", 400, "mg")], "sodium_chloride", 200, dose=(400, "mg"), every_hours=12,
               duration_minutes=60, reason="pyelonephritis", status="draft", draft=True,
               text="Ciprofloxacin 400 mg in 200 mL every 12 hours")
    return s


def child() -> Scenario:
    s = Scenario(9, "child-ketoacidosis-insulin", "order-sign", "2026-05-05T19:15:00Z", sex="female", birth="2019-10-21",
                 offset_hours=2)
    s.condition("ketoacidosis type 1", onset_minutes=150, recorded_minutes=120, category="encounter-diagnosis")
    bag = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(85, "mL/h"),
                     route="peripheral", start_minutes=75, text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %")
    s.given(bag, 75)
    bolus = s.fluid("Sodium chloride 0.9 % bolus", 200, 400, start_minutes=125, status="completed")
    s.given(bolus, 125, end_minutes=95)
    s.tablet("paracetamol", 300, "mg", per_day=4, authored_minutes=100, prn=True)
    s.series("glucose_meter", (140, 27.8), (80, 25.9), (18, 24.6), specimen="Capillary blood")
    s.series("ketones", (138, 5.6), (30, 5.2), specimen="Capillary blood")
    s.gas(135, 7.10, 3.0, 6.9, -21.0, potassium=3.8, lactate=1.9)
    s.gas(30, 7.12, 3.11, 7.5, -20.1, potassium=3.2, lactate=1.7)
    s.chemistry(135, potassium=3.8, sodium=132, chloride=98, creatinine=52, urea=7.8, magnesium=0.8, phosphate=1.1,
                calcium=2.3, albumin=43)
    s.series("urine_rate", (120, 60), (60, 55), (15, 50))
    for minutes, pulse in ((140, 138), (90, 130), (45, 126), (10, 122)):
        s.vitals(minutes, pulse, 32, 36.9, 99, 98, 58)
    s.series("gcs", (140, 15), (70, 15), (10, 15))
    s.result("weight", 20, 130)
    s.result("height", 116, 130)
    s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(1, "mL/h"), dose=(50, "mL"),
               status="draft", draft=True, text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 1 mL per hour")
    return s


def unreadable() -> Scenario:
    s = Scenario(10, "unreadable-and-foreign-results", "order-sign", "2026-03-08T06:50:00Z", sex="male",
                 birth="1968-05-03")
    s.condition("type 2 diabetes", recorded="2012-09-09")
    s.condition("pneumonia", onset_minutes=2000, recorded_minutes=100, category="encounter-diagnosis")
    s.tablet("metformin", 1000, "mg", per_day=2, status="stopped", stop_reason="Acidosis")
    s.tablet("atorvastatin", 40, "mg")
    saline = s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=80)
    s.given(saline, 80)
    s.series("glucose_meter", (110, 32.4), (55, 31.8), (15, 31.2), specimen="Capillary blood")
    s.series("ketones", (90, 5.1), (30, 4.8), specimen="Capillary blood")
    # pH 7.18 does not go with 4.67 kPa and 18.6 mmol/L, which give 7.34.
    s.gas(35, 7.18, 4.67, 18.6, -9.6, lactate=2.2)
    no_unit = s.result("potassium", 3.3, 36, specimen="Plasma")
    no_unit["valueQuantity"] = {"value": 3.3}
    foreign = s.result("potassium", 4.6, 30, specimen="Plasma")
    foreign["subject"] = {"reference": "Patient/s10-other-patient"}
    del foreign["encounter"]
    s.chemistry(1560, potassium=4.1, sodium=136, chloride=101, total_co2=23, creatinine=98, urea=6.9)
    s.chemistry(36, sodium=129, chloride=92, creatinine=126, urea=13.2, magnesium=0.88, phosphate=1.2, calcium=2.2,
                albumin=38)
    s.series("urine_rate", (70, 140), (20, 120))
    for minutes, pulse in ((105, 116), (60, 114), (12, 112)):
        s.vitals(minutes, pulse, 26, 38.0, 94, 118, 66)
    s.series("gcs", (105, 15), (12, 15))
    s.result("weight", 91, 100)
    s.result("height", 177, 100)
    s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(9, "[iU]/h"), dose=(50, "[iU]"),
               status="draft", draft=True, text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 9 units per hour")
    return s


def stopped_bag() -> Scenario:
    s = Scenario(11, "potassium-bag-exchanged", "order-sign", "2026-02-25T09:00:00Z", sex="female", birth="1960-03-17")
    s.condition("gastroenteritis", onset_minutes=3000, recorded_minutes=1300, category="encounter-diagnosis")
    s.condition("hypokalaemia", onset_minutes=1200, recorded_minutes=1190, category="encounter-diagnosis")
    s.condition("hyperlipidaemia", recorded="2015-05-05")
    running = s.infusion("potassium", [("potassium_chloride", 20, "mmol")], "sodium_chloride", 500, rate=(150, "mL/h"),
                         route="peripheral", start_minutes=140,
                         text="Potassium chloride 20 mmol in 500 mL sodium chloride 0.9 %")
    s.given(running, 140)
    s.tablet("atorvastatin", 20, "mg", home=True)
    s.tablet("paracetamol", 1, "g", per_day=4, prn=True, authored_minutes=1180)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=1180)
    s.chemistry(1250, potassium=2.8, sodium=136, chloride=101, total_co2=22, creatinine=88, urea=8.0, magnesium=0.76,
                phosphate=0.9, calcium=2.2, albumin=38)
    s.chemistry(200, potassium=3.2, sodium=138, chloride=103, total_co2=23, creatinine=80, urea=6.1)
    s.series("glucose", (1250, 5.6), (200, 5.4), specimen="Plasma")
    s.result("glucose_meter", 5.7, 30, specimen="Capillary blood")
    for hour in range(1, 7):
        s.result("urine_rate", 60 + 2 * hour, 60 * (7 - hour) - 10)
    for minutes, pulse in ((1200, 98), (600, 90), (240, 84), (30, 82)):
        s.vitals(minutes, pulse, 16, 37.0, 98, 116, 68)
    s.series("gcs", (1200, 15), (30, 15))
    s.result("weight", 70, 1190)
    s.result("height", 167, 1190)
    stop = json.loads(json.dumps(running))
    stop["status"] = "stopped"
    stop["statusReason"] = {"text": "Replaced by the next bag"}
    s.drafts.append(stop)
    s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(200, "mL/h"),
               route="peripheral", status="draft", draft=True,
               text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %")
    return s


def discharge() -> Scenario:
    s = Scenario(12, "discharge-on-sglt2-inhibitor", "encounter-discharge", "2026-03-12T10:15:00Z", sex="male",
                 birth="1955-07-28")
    s.condition("type 2 diabetes", recorded="2011-01-15")
    s.condition("heart failure", recorded="2020-09-21")
    s.condition("ketoacidosis type 2", clinical="resolved", onset_minutes=9800, recorded_minutes=9700,
                abated_minutes=7900, category="encounter-diagnosis")
    s.tablet("dapagliflozin", 10, "mg", reason="heart failure", authored_minutes=500000, home=True)
    s.tablet("glargine", 18, "[iU]", route="subcutaneous", authored_minutes=8100, reason="type 2 diabetes")
    s.tablet("ramipril", 5, "mg", home=True, reason="heart failure")
    s.tablet("atorvastatin", 40, "mg", home=True)
    old = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(4, "[iU]/h"), dose=(50, "[iU]"),
                     status="completed", start_minutes=9600, text="Insulin 50 units in 50 mL, finished")
    s.given(old, 9600, end_minutes=7900)
    s.series("glucose_meter", (9750, 14.1), (8000, 8.4), (2900, 8.9), (1700, 7.6), (1450, 9.4), (900, 8.1), (420, 8.8),
             (40, 7.9), specimen="Capillary blood")
    s.series("ketones", (9740, 5.9), (8900, 3.1), (7950, 0.5), (1450, 0.2), (130, 0.2), specimen="Capillary blood")
    s.gas(9740, 7.17, 3.3, 8.9, -17.8, potassium=4.9)
    s.gas(7950, 7.37, 5.0, 21.4, -3.3, potassium=4.1)
    s.chemistry(9740, potassium=4.9, sodium=134, chloride=98, total_co2=9, creatinine=126, urea=11.2)
    s.chemistry(1440, potassium=4.2, sodium=139, chloride=103, total_co2=24, creatinine=92, urea=6.3)
    s.chemistry(130, potassium=4.3, sodium=140, chloride=103, total_co2=25, creatinine=90, urea=6.1, magnesium=0.84,
                phosphate=1.08, calcium=2.3, albumin=39)
    for minutes, pulse in ((9700, 110), (7900, 88), (1440, 76), (60, 74)):
        s.vitals(minutes, pulse, 16, 36.8, 97, 122, 70)
    s.series("gcs", (9700, 14), (7900, 15), (60, 15))
    s.series("urine_rate", (7950, 80))
    s.result("weight", 83, 1500)
    s.result("height", 175, 9700)
    return s


def right_answer_is_silence() -> Scenario:
    s = Scenario(13, "treated-ketoacidosis-paracetamol", "order-sign", "2026-03-28T13:30:00Z", sex="female",
                 birth="1996-01-30")
    s.condition("type 1 diabetes", onset="2008", recorded="2014-06-20")
    s.condition("ketoacidosis type 1", onset_minutes=430, recorded_minutes=390, category="encounter-diagnosis")
    insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(3, "[iU]/h"),
                         dose=(50, "[iU]"), start_minutes=95,
                         text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 3 units per hour")
    s.given(insulin, 95)
    first = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(6, "[iU]/h"), dose=(50, "[iU]"),
                       start_minutes=350, status="stopped", text="Insulin 50 units in 50 mL, 6 units per hour")
    s.given(first, 350, end_minutes=95)
    potassium = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(250, "mL/h"),
                           route="peripheral", start_minutes=170,
                           text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %")
    s.given(potassium, 170)
    glucose = s.fluid("Glucose 10 % infusion", 500, 125, start_minutes=95, name="glucose")
    s.given(glucose, 95)
    s.tablet("glargine", 20, "[iU]", route="subcutaneous")
    s.tablet("lispro", 6, "[iU]", per_day=3, route="subcutaneous", status="on-hold", stop_reason="On insulin infusion")
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=300)
    s.series("glucose_meter", (400, 28.7), (340, 26.1), (280, 22.4), (220, 18.6), (160, 15.1), (100, 12.9), (45, 12.2),
             (12, 12.4), specimen="Capillary blood")
    s.series("ketones", (400, 6.2), (280, 5.0), (160, 4.1), (48, 3.3), specimen="Capillary blood")
    s.gas(400, 7.08, 2.8, 6.1, -22.4, potassium=5.3, lactate=2.3)
    s.gas(220, 7.17, 3.6, 9.8, -17.4, potassium=4.6, lactate=1.5)
    s.gas(48, 7.26, 4.1, 13.7, -12.1, potassium=4.4, lactate=1.1)
    s.chemistry(400, potassium=5.4, sodium=133, chloride=96, creatinine=98, urea=9.2, albumin=42, magnesium=0.9,
                phosphate=1.3, calcium=2.36)
    s.chemistry(48, potassium=4.4, sodium=138, chloride=108, total_co2=14, creatinine=79, urea=6.6, phosphate=0.88)
    for hour in range(1, 7):
        s.result("urine_rate", 150 - 8 * hour, 60 * (7 - hour) - 30)
    for minutes, pulse in ((390, 124), (280, 112), (160, 102), (90, 96), (20, 92)):
        s.vitals(minutes, pulse, 22, 37.2, 98, 114, 68)
    s.series("gcs", (390, 14), (160, 15), (20, 15))
    s.result("weight", 60, 395)
    s.result("height", 168, 395)
    s.tablet("paracetamol", 1, "g", per_day=4, status="draft", authored_minutes=2, draft=True)
    return s


def selecting_insulin() -> Scenario:
    s = Scenario(14, "insulin-selected-without-dose", "order-select", "2026-04-16T20:05:00Z", sex="female",
                 birth="1987-09-14", offset_hours=2)
    s.condition("type 1 diabetes", onset="1999", recorded="2012-12-12")
    s.condition("gastroenteritis", onset_minutes=2900, recorded_minutes=60, category="encounter-diagnosis")
    saline = s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=50)
    s.given(saline, 50)
    s.tablet("glargine", 24, "[iU]", route="subcutaneous", home=True)
    s.tablet("lispro", 7, "[iU]", per_day=3, route="subcutaneous", home=True, status="on-hold", stop_reason="Vomiting")
    s.series("glucose_meter", (65, 23.8), (14, 22.9), specimen="Capillary blood")
    s.series("ketones", (63, 4.4), (28, 4.3), specimen="Capillary blood")
    s.gas(30, 7.19, 3.88, 11.0, -15.6, potassium=3.3, lactate=1.8)
    s.chemistry(60, potassium=3.4, sodium=135, chloride=99, creatinine=91, urea=8.8, magnesium=0.81, phosphate=1.0,
                calcium=2.35, albumin=44)
    s.chemistry(86400, potassium=4.3, sodium=139, chloride=103, creatinine=68, urea=4.8)
    s.series("urine_rate", (40, 110), (10, 100))
    for minutes, pulse in ((65, 118), (30, 112), (10, 110)):
        s.vitals(minutes, pulse, 25, 37.0, 98, 112, 66)
    s.series("gcs", (65, 15), (10, 15))
    s.result("weight", 62, 62)
    s.result("height", 166, 62)
    insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, status="draft", draft=True,
                         selected=True, text="Insulin 50 units in 50 mL sodium chloride 0.9 %")
    del insulin["dosageInstruction"][0]["doseAndRate"]
    potassium = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, route="peripheral",
                           status="draft", draft=True, text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %")
    del potassium["dosageInstruction"][0]["doseAndRate"]
    return s


def partial() -> Scenario:
    s = Scenario(15, "partial-prefetch", "order-sign", "2026-03-31T02:20:00Z", sex="male", birth="1970-10-10",
                 offset_hours=2)
    s.condition("type 2 diabetes", recorded="2013-03-03")
    s.condition("hypertension", recorded="2013-03-03")
    s.series("glucose_meter", (610, 16.2), (480, 18.8), (360, 20.1), (240, 21.6), (120, 22.4), (60, 22.9), (15, 22.3),
             specimen="Capillary blood")
    s.series("ketones", (70, 5.4), (20, 5.2), specimen="Capillary blood")
    s.gas(25, 7.20, 3.60, 10.3, -15.7, lactate=1.9)
    s.chemistry(25, creatinine=109, urea=10.4, magnesium=0.83, phosphate=1.05, calcium=2.3, albumin=40)
    s.series("urine_rate", (90, 120), (30, 110))
    for minutes, pulse in ((120, 112), (60, 110), (10, 108)):
        s.vitals(minutes, pulse, 26, 37.1, 97, 124, 72)
    s.series("gcs", (120, 15), (10, 15))
    s.result("weight", 86, 130)
    s.result("height", 174, 130)
    s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(8.5, "[iU]/h"), dose=(50, "[iU]"),
               status="draft", draft=True, text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 8.5 units per hour")
    s.replaced["medications"] = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "timeout", "diagnostics": "The medication search did not finish"}]}
    s.replaced["levels"] = None
    s.left_out = ["electrolytes"]
    s.next_links["glucose"] = "https://ehr.example/fhir/Observation?page=2"
    return s


def migraine_valproate() -> Scenario:
    s = Scenario(16, "meropenem-valproate-for-migraine", "order-sign", "2026-04-21T12:45:00Z", sex="female",
                 birth="1981-06-11", offset_hours=-5)
    s.condition("migraine", onset="2010", recorded="2012-03-05")
    s.condition("pyelonephritis", onset_minutes=2700, recorded_minutes=300, category="encounter-diagnosis")
    s.condition("epilepsy", verification="entered-in-error", recorded="2012-03-05")
    s.tablet("valproate", 500, "mg", per_day=1, reason="migraine", authored_minutes=400000, home=True)
    s.tablet("paracetamol", 1, "g", per_day=3, prn=True, authored_minutes=280)
    s.tablet("atorvastatin", 20, "mg", home=True)
    first = s.infusion("ceftriaxone", [("ceftriaxone", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), every_hours=24,
                       duration_minutes=30, start_minutes=280, status="stopped", reason="pyelonephritis",
                       text="Ceftriaxone 2 g every 24 hours, stopped: resistant organism known")
    s.given(first, 280, end_minutes=250, dose=(2, "g"))
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 125, start_minutes=270)
    s.chemistry(290, us=True, potassium=4.0, sodium=137, chloride=102, total_co2=23, creatinine=0.8, urea_nitrogen=13,
                magnesium=1.9, calcium=9.2, albumin=3.9, phosphate=3.2)
    s.series("glucose_us", (290, 104), specimen="Plasma")
    s.result("glucose_meter_us", 99, 20, specimen="Capillary blood")
    s.gas(288, 7.41, 36.0, 22.4, -1.6, us=True, lactate=1.1)
    for minutes, pulse in ((295, 108), (180, 100), (60, 94), (15, 92)):
        s.vitals(minutes, pulse, 18, 38.3, 98, 118, 70)
    s.series("gcs", (295, 15), (15, 15))
    s.series("urine_rate", (200, 70), (120, 75), (60, 70))
    s.result("weight_us", 143, 290)
    s.result("height", 168, 290)
    s.result("valproate_level", 48, 120000, specimen="Plasma")
    s.infusion("meropenem", [("meropenem", 1, "g")], "sodium_chloride", 100, dose=(1, "g"), every_hours=8,
               duration_minutes=30, reason="pyelonephritis", status="draft", draft=True,
               text="Meropenem 1 g in 100 mL every 8 hours")
    return s


def ketoacidosis_course(number: int, name: str, hook: str, now: int) -> Scenario:
    """A man of 34 over 14 hours, written once; `now` is minutes after the first order was signed. Folders 17 to 20."""
    began = datetime(2026, 5, 6, 8, 10, tzinfo=UTC)
    s = Scenario(number, name, hook, (began + timedelta(minutes=now)).isoformat(), sex="male", birth="1991-08-19", offset_hours=1)

    def ago(minute: Number) -> Number:
        return now - minute

    def ran(order: Json, begin: int, end: int) -> None:
        """What the pump's record says by now."""
        if now >= end:
            order["status"] = "stopped"
        s.given(order, ago(begin), end_minutes=ago(end) if now >= end else None)

    s.condition("type 1 diabetes", onset="2006", recorded="2012-03-08")
    s.condition("ketoacidosis type 1", onset_minutes=ago(-600), recorded_minutes=ago(30), category="encounter-diagnosis")
    s.tablet("glargine", 24, "[iU]", route="subcutaneous", home=True, authored_minutes=ago(-200000))
    s.tablet("lispro", 8, "[iU]", per_day=3, route="subcutaneous", home=True, status="on-hold", stop_reason="Vomiting, pen empty for two days",
             authored_minutes=ago(-200000))
    s.tablet("omeprazole", 20, "mg", home=True, authored_minutes=ago(-90000))
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=ago(60))
    s.tablet("paracetamol", 1, "g", per_day=4, prn=True, authored_minutes=ago(60))
    s.investigation("ecg", ago(-20))

    first_litre = s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=ago(5))
    ran(first_litre, 5, 65)
    replacement = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(500, "mL/h"), route="peripheral",
                             start_minutes=ago(8), text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %, 500 mL per hour")
    ran(replacement, 8, 180)
    fast_insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(7.2, "[iU]/h"), dose=(50, "[iU]"), start_minutes=ago(48),
                              text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 7.2 units per hour")
    ran(fast_insulin, 48, 245)
    maintenance = s.infusion("potassium", [("potassium_chloride", 40, "mmol")], "sodium_chloride", 1000, rate=(250, "mL/h"), route="peripheral",
                             start_minutes=ago(180), text="Potassium chloride 40 mmol in 1 L sodium chloride 0.9 %, 250 mL per hour")
    ran(maintenance, 180, 100000)
    slow_insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(3.6, "[iU]/h"), dose=(50, "[iU]"), start_minutes=ago(245),
                              text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 3.6 units per hour")
    ran(slow_insulin, 245, 100000)
    sugar = s.fluid("Glucose 10 % infusion", 500, 125, start_minutes=ago(440), name="glucose")
    ran(sugar, 440, 100000)
    basal = s.tablet("glargine", 24, "[iU]", route="subcutaneous", authored_minutes=ago(758))
    s.given(basal, ago(765), end_minutes=ago(765), dose=(24, "[iU]"))

    s.series("glucose_meter", *((ago(at), value) for at, value in (
        (-38, 29.4), (10, 28.1), (45, 26.0), (75, 22.4), (105, 18.5), (122, 16.4), (180, 13.6), (240, 11.8), (300, 10.6), (360, 9.7), (418, 9.0),
        (480, 10.4), (540, 11.2), (600, 11.0), (660, 10.6), (720, 10.8), (780, 10.4), (832, 10.1))), specimen="Capillary blood")
    s.series("ketones", *((ago(at), value) for at, value in (
        (-35, 6.4), (55, 5.9), (115, 5.2), (175, 4.6), (240, 3.9), (300, 3.3), (360, 2.8), (408, 2.4), (480, 1.9), (600, 1.1), (720, 0.6), (815, 0.4))),
        specimen="Capillary blood")
    for at, ph, pco2, bicarbonate, base_excess, potassium, lactate in (
        (-25, 7.12, 2.9, 7.0, -20.9, 3.4, 2.1), (15, 7.13, 2.9, 7.2, -20.5, 3.5, 1.9), (50, 7.14, 3.0, 7.6, -19.8, 3.7, 1.7),
        (85, 7.15, 3.1, 8.0, -19.2, 3.6, 1.5), (115, 7.18, 3.3, 9.1, -17.8, 3.5, 1.4), (240, 7.23, 3.9, 12.1, -14.2, 4.0, 1.2),
        (405, 7.28, 4.4, 15.3, -10.4, 4.2, 1.0), (600, 7.32, 4.6, 17.6, -7.6, 4.3, 0.9), (815, 7.35, 4.9, 20.1, -4.9, 4.3, 0.9)):
        s.gas(ago(at), ph, pco2, bicarbonate, base_excess, potassium=potassium, lactate=lactate)
    s.chemistry(ago(-150000), potassium=4.4, sodium=139, chloride=103, creatinine=79, urea=5.1)
    s.chemistry(ago(-22), glucose=28.9, potassium=3.4, sodium=132, chloride=94, total_co2=8, creatinine=124, urea=11.2, magnesium=0.74, phosphate=0.98,
                calcium=2.36, albumin=45)
    s.chemistry(ago(240), potassium=4.1, sodium=138, chloride=108, total_co2=12, creatinine=98, urea=8.1, magnesium=0.72, phosphate=0.86)
    s.chemistry(ago(405), potassium=4.2, sodium=139, chloride=110, total_co2=15, creatinine=88, urea=6.9, phosphate=0.78)
    s.chemistry(ago(815), potassium=4.4, sodium=140, chloride=111, total_co2=19, creatinine=82, urea=5.4, magnesium=0.74, phosphate=0.74)
    s.series("urine_rate", *((ago(at), value) for at, value in (
        (-10, 120), (60, 160), (120, 150), (180, 140), (240, 130), (300, 120), (360, 110), (415, 100), (540, 95), (660, 90), (780, 85), (830, 85))))
    for at, pulse, breaths, systolic in ((-40, 122, 28, 112), (-5, 118, 28, 116), (60, 110, 26, 118), (118, 106, 24, 120), (240, 98, 22, 122),
                                         (410, 92, 20, 124), (600, 86, 18, 122), (825, 80, 16, 124)):
        s.vitals(ago(at), pulse, breaths, 36.4, 98, systolic, 68)
    s.series("gcs", *((ago(at), value) for at, value in ((-40, 14), (-5, 15), (60, 15), (118, 15), (240, 15), (410, 15), (600, 15), (825, 15))))
    s.result("weight", 72, ago(-36))
    s.result("height", 180, ago(-36))
    s.forget_the_future()

    if now == 0:
        s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=0, draft=True)
        s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(7.2, "[iU]/h"), dose=(50, "[iU]"), status="draft", draft=True,
                   text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 7.2 units per hour")
    if hook == "order-sign" and now > 0:
        s.stop(slow_insulin, "Glucose is 9" if now < 600 else "Ketoacidosis over, basal insulin given")
    if now > 600:
        s.tablet("lispro", 8, "[iU]", per_day=3, route="subcutaneous", status="draft", authored_minutes=4, draft=True)
    return s


def ketoacidosis_hour_0() -> Scenario:
    return ketoacidosis_course(17, "ketoacidosis-hour-0-potassium-low", "order-sign", 0)


def ketoacidosis_hour_2() -> Scenario:
    return ketoacidosis_course(18, "ketoacidosis-hour-2-potassium-falling", "patient-view", 125)


def ketoacidosis_hour_7() -> Scenario:
    return ketoacidosis_course(19, "ketoacidosis-hour-7-insulin-stopped-early", "order-sign", 425)


def ketoacidosis_hour_14() -> Scenario:
    return ketoacidosis_course(20, "ketoacidosis-hour-14-insulin-stopped-rightly", "order-sign", 840)


def hyperosmolar_course(number: int, name: str, hook: str, now: int) -> Scenario:
    """A woman of 81 with heart failure; `now` is minutes after the first order was signed. Folders 21 and 22."""
    began = datetime(2026, 6, 11, 13, 20, tzinfo=UTC)
    s = Scenario(number, name, hook, (began + timedelta(minutes=now)).isoformat(), sex="female", birth="1944-10-05", offset_hours=2)

    def ago(minute: Number) -> Number:
        return now - minute

    s.condition("type 2 diabetes", onset="2004", recorded="2009-02-17")
    s.condition("heart failure", recorded="2019-06-03")
    s.condition("hypertension", recorded="2009-02-17")
    s.condition("polymyalgia", onset_minutes=ago(-24000), recorded_minutes=ago(-23000))
    s.tablet("prednisolone", 15, "mg", reason="polymyalgia", home=True, authored_minutes=ago(-23000))
    s.tablet("bisoprolol", 2.5, "mg", home=True, reason="heart failure", authored_minutes=ago(-300000))
    s.tablet("atorvastatin", 20, "mg", home=True, authored_minutes=ago(-300000))
    for held, dose in (("furosemide", 40), ("ramipril", 2.5), ("metformin", 500)):
        s.tablet(held, dose, "mg", home=True, status="on-hold", stop_reason="Held on admission, dehydrated", authored_minutes=ago(-300000))
    s.investigation("ecg", ago(-40))

    first = s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=ago(5), status="completed")
    s.given(first, ago(5), end_minutes=ago(65))
    second = s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=ago(70), status="stopped")
    s.given(second, ago(70), end_minutes=ago(125))
    half = s.infusion("potassium", [("potassium_chloride", 20, "mmol")], "sodium_chloride", 1000, rate=(500, "mL/h"), route="peripheral",
                      start_minutes=ago(130), text="Potassium chloride 20 mmol in 1 L sodium chloride 0.45 %, 500 mL per hour",
                      diluent_words="sodium chloride 0.45 %")
    s.given(half, ago(130))
    insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(2.9, "[iU]/h"), dose=(50, "[iU]"), start_minutes=ago(125),
                         text="Insulin 50 units in 50 mL sodium chloride 0.9 %, 2.9 units per hour")
    s.given(insulin, ago(125))

    s.result("glucose_meter", 33.3, ago(-50), comparator=">", specimen="Capillary blood", note="Meter reads HI")
    s.series("glucose_meter", *((ago(at), value) for at, value in ((65, 41.0), (125, 35.0), (180, 31.0), (240, 24.4), (300, 18.8), (355, 14.6))),
             specimen="Capillary blood")
    s.series("ketones", *((ago(at), value) for at, value in ((-48, 1.1), (120, 0.9), (340, 0.4))), specimen="Capillary blood")
    s.gas(ago(-35), 7.36, 5.4, 22.6, -2.4, potassium=4.5, lactate=2.4)
    s.gas(ago(340), 7.37, 5.3, 22.7, -2.0, potassium=4.2, lactate=1.6)
    s.chemistry(ago(-86000), potassium=4.5, sodium=139, chloride=102, creatinine=96, urea=8.4)
    s.chemistry(ago(-30), glucose=46.2, potassium=4.6, sodium=148, chloride=108, total_co2=23, creatinine=168, urea=24.5, magnesium=0.86, phosphate=1.3,
                calcium=2.42, albumin=40, osmolality=369)
    s.chemistry(ago(110), glucose=36.2, potassium=4.5, sodium=148, urea=23.4)
    s.chemistry(ago(230), glucose=25.2, potassium=4.3, sodium=145, urea=21.2)
    s.chemistry(ago(280), glucose=20.6, potassium=4.2, sodium=144, urea=20)
    s.chemistry(ago(340), glucose=15.6, potassium=4.2, sodium=143, chloride=107, total_co2=23, creatinine=149, urea=18.6, magnesium=0.8, phosphate=0.98)
    s.series("urine_rate", *((ago(at), value) for at, value in ((-10, 45), (60, 55), (120, 60), (180, 60), (240, 55), (300, 50), (350, 45))))
    for at, pulse, breaths, spo2, systolic in ((-55, 108, 20, 95, 106), (-5, 106, 20, 95, 108), (60, 102, 20, 95, 116), (120, 100, 20, 94, 118),
                                               (240, 102, 22, 93, 122), (345, 112, 26, 90, 126)):
        s.vitals(ago(at), pulse, breaths, 36.8, spo2, systolic, 64)
    s.series("gcs", *((ago(at), value) for at, value in ((-55, 13), (-5, 13), (60, 14), (120, 14), (240, 14), (300, 14), (348, 12))))
    s.result("weight", 58, ago(-45), note="Bed scale")
    s.result("height", 158, ago(-45))
    s.forget_the_future()
    if now == 0:
        s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=0, draft=True)
    return s


def hyperosmolar_hour_0() -> Scenario:
    return hyperosmolar_course(21, "hyperosmolar-hour-0-fluid-in-heart-failure", "order-sign", 0)


def hyperosmolar_hour_6() -> Scenario:
    return hyperosmolar_course(22, "hyperosmolar-hour-6-osmolality-falling", "patient-view", 360)


def high_potassium() -> Scenario:
    s = Scenario(23, "high-potassium-insulin-without-glucose-after", "order-sign", "2026-07-02T05:40:00Z", sex="male", birth="1951-11-20", offset_hours=1)
    s.condition("heart failure", onset="2020", recorded="2020-03-15")
    s.condition("kidney disease stage 3", recorded="2021-09-09")
    s.condition("hypertension", recorded="2008-05-05")
    s.condition("broad QRS", onset_minutes=15, recorded_minutes=12, category="encounter-diagnosis")
    s.tablet("ramipril", 10, "mg", home=True, reason="heart failure", authored_minutes=400000)
    s.tablet("spironolactone", 25, "mg", home=True, reason="heart failure", authored_minutes=90000)
    s.tablet("bisoprolol", 5, "mg", home=True, reason="heart failure", authored_minutes=400000)
    s.tablet("furosemide", 80, "mg", home=True, authored_minutes=400000)
    s.tablet("trimethoprim", 200, "mg", per_day=2, home=True, authored_minutes=7200)
    s.tablet("atorvastatin", 40, "mg", home=True, authored_minutes=400000)
    s.series("glucose_meter", (70, 5.6), (12, 5.3), specimen="Capillary blood")
    s.chemistry(20160, potassium=5.1, sodium=136, chloride=103, total_co2=23, creatinine=132, urea=11.8)
    s.chemistry(28, glucose=5.2, potassium=6.7, sodium=134, chloride=106, total_co2=19, creatinine=214, urea=22.4, magnesium=0.92, phosphate=1.6,
                calcium=2.28, albumin=36)
    s.gas(32, 7.29, 5.1, 18.2, -7.4, potassium=6.6, glucose=5.3, lactate=1.9)
    s.result("pr_interval", 236, 15)
    s.result("qtc", 468, 15)
    s.series("urine_rate", (60, 40), (15, 35))
    for minutes, pulse, systolic in ((75, 46, 104), (40, 42, 100), (8, 41, 98)):
        s.vitals(minutes, pulse, 20, 36.2, 95, systolic, 56)
    s.series("gcs", (75, 15), (8, 15))
    s.result("weight", 80, 70)
    s.result("height", 174, 70)
    s.infusion("insulin", [("insulin", 10, "[iU]")], "glucose", 125, duration_minutes=15, dose=(10, "[iU]"), diluent_words="glucose 20 %", status="draft",
               draft=True, text="Insulin 10 units in 125 mL glucose 20 % over 15 minutes, once")
    return s


def metformin_acidosis() -> Scenario:
    s = Scenario(24, "metformin-lactic-acidosis", "order-sign", "2026-07-21T10:30:00Z", sex="female", birth="1958-01-15", offset_hours=2)
    s.condition("type 2 diabetes", onset="2009", recorded="2011-04-12")
    s.condition("hypertension", recorded="2006-10-10")
    s.condition("gastroenteritis", onset_minutes=5700, recorded_minutes=90, category="encounter-diagnosis")
    s.tablet("metformin", 1000, "mg", per_day=2, home=True, reason="type 2 diabetes", authored_minutes=500000)
    s.tablet("ramipril", 5, "mg", home=True, reason="hypertension", authored_minutes=500000)
    s.tablet("amlodipine", 5, "mg", home=True, status="on-hold", stop_reason="Held, low pressure", authored_minutes=500000)
    s.tablet("atorvastatin", 20, "mg", home=True, authored_minutes=500000)
    saline = s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=80)
    s.given(saline, 80)
    s.series("glucose_meter", (100, 8.4), (20, 7.8), specimen="Capillary blood")
    s.series("ketones", (60, 1.4), specimen="Capillary blood")
    s.gas(96, 7.08, 2.7, 5.9, -23.1, potassium=5.7, lactate=13.1, arterial=True)
    s.gas(58, 7.05, 2.6, 5.3, -24.3, potassium=5.8, glucose=8.1, lactate=14.2, arterial=True)
    s.chemistry(129600, potassium=4.6, sodium=139, chloride=103, creatinine=82, urea=5.9)
    s.chemistry(55, glucose=7.9, potassium=5.9, sodium=137, chloride=96, total_co2=6, creatinine=305, urea=31, magnesium=0.9, phosphate=2.1,
                calcium=2.21, albumin=38)
    s.series("urine_rate", (40, 18), (10, 15))
    for minutes, pulse, systolic in ((100, 116, 88), (60, 114, 92), (10, 112, 94)):
        s.vitals(minutes, pulse, 30, 35.9, 97, systolic, 50)
    s.series("gcs", (100, 14), (10, 14))
    s.result("weight", 74, 95)
    s.result("height", 163, 95)
    s.tablet("metformin", 1000, "mg", per_day=2, status="draft", authored_minutes=4, reason="type 2 diabetes", draft=True)
    s.tablet("ramipril", 5, "mg", status="draft", authored_minutes=4, reason="hypertension", draft=True)
    s.tablet("paracetamol", 1, "g", per_day=4, prn=True, status="draft", authored_minutes=4, draft=True)
    return s


def sodium_too_fast() -> Scenario:
    s = Scenario(25, "sodium-16-up-the-day-after-a-convulsion", "order-sign", "2026-08-05T10:20:00Z", sex="female", birth="1967-09-30", offset_hours=1)
    s.condition("hypertension", recorded="2015-02-11")
    s.condition("depression", recorded="2023-11-20")
    s.condition("hyponatraemia", onset_minutes=1140, recorded_minutes=1090, category="encounter-diagnosis")
    s.condition("seizure", clinical="resolved", onset_minutes=1105, recorded_minutes=1100, abated_minutes=1101, category="encounter-diagnosis")
    s.tablet("hydrochlorothiazide", 25, "mg", home=True, status="stopped", stop_reason="Low sodium", authored_minutes=60000)
    s.tablet("sertraline", 50, "mg", home=True, reason="depression", authored_minutes=250000)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=900)
    for minutes in (1090, 1065):
        strong = s.infusion("saline", [("sodium_chloride", 4.5, "g")], "", 150, duration_minutes=20, status="completed", start_minutes=minutes,
                            text="Sodium chloride 3 % 150 mL over 20 minutes")
        s.given(strong, minutes, end_minutes=minutes - 20)
    running = s.fluid("Sodium chloride 0.9 % infusion", 1000, 125, start_minutes=900)
    s.given(running, 900)
    s.series("glucose", (1100, 6.6), (480, 5.9), (35, 5.7), specimen="Plasma")
    s.result("glucose_meter", 6.9, 1103, specimen="Capillary blood")
    s.chemistry(30000, potassium=3.9, sodium=134, chloride=98, creatinine=64, urea=4.4)
    s.chemistry(1100, potassium=3.3, sodium=112, chloride=78, total_co2=24, creatinine=58, urea=2.6, magnesium=0.78, phosphate=0.9, calcium=2.24,
                albumin=40, osmolality=236)
    s.series("sodium", (1030, 117), (840, 119), (480, 123), specimen="Plasma")
    s.chemistry(35, potassium=3.1, sodium=128, chloride=94, total_co2=25, creatinine=55, urea=2.4, magnesium=0.77, phosphate=0.88)
    s.gas(1098, 7.30, 5.4, 19.7, -6.1, potassium=3.3, lactate=4.8)
    s.gas(1030, 7.39, 5.1, 22.9, -1.6, potassium=3.3, lactate=1.4)
    s.series("urine_rate", (1000, 60), (840, 90), (480, 180), (240, 240), (120, 280), (60, 300), (15, 280))
    for minutes, pulse in ((1098, 118), (1030, 96), (840, 84), (480, 78), (20, 76)):
        s.vitals(minutes, pulse, 16, 36.7, 97, 132, 78)
    s.series("gcs", (1100, 5), (1070, 11), (1030, 14), (840, 15), (20, 15))
    s.result("weight", 61, 1080)
    s.result("height", 165, 1080)
    s.infusion("potassium", [("potassium_chloride", 20, "mmol")], "sodium_chloride", 500, rate=(125, "mL/h"), route="peripheral", status="draft", draft=True,
               text="Potassium chloride 20 mmol in 500 mL sodium chloride 0.9 %, 125 mL per hour")
    return s


def long_qt() -> Scenario:
    s = Scenario(26, "haloperidol-with-low-potassium-and-methadone", "order-sign", "2026-09-09T22:15:00Z", sex="male", birth="1965-03-08", offset_hours=2)
    s.condition("opioid dependence", recorded="2013-07-07")
    s.condition("femur fracture", onset_minutes=5900, recorded_minutes=5800, category="encounter-diagnosis")
    s.condition("delirium", onset_minutes=700, recorded_minutes=300, category="encounter-diagnosis")
    s.tablet("methadone", 70, "mg", home=True, reason="opioid dependence", authored_minutes=400000)
    s.tablet("omeprazole", 40, "mg", home=True, authored_minutes=400000)
    s.tablet("furosemide", 40, "mg", authored_minutes=4200)
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=5700)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=5700)
    s.infusion("cefazolin", [("cefazolin", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), duration_minutes=30, status="completed", start_minutes=4400,
               text="Cefazolin 2 g before incision")
    s.chemistry(5800, potassium=3.9, sodium=138, chloride=102, creatinine=84, urea=5.6)
    s.chemistry(2900, potassium=3.4, sodium=137, chloride=101, total_co2=27, creatinine=86, urea=6.2)
    s.chemistry(190, potassium=2.9, sodium=137, chloride=99, total_co2=29, creatinine=88, urea=6.8, magnesium=0.48, phosphate=0.86, calcium=2.14,
                albumin=33)
    s.series("glucose", (2900, 6.2), (190, 6.4), specimen="Plasma")
    s.result("glucose_meter", 6.6, 280, specimen="Capillary blood")
    s.result("qtc", 472, 380)
    s.result("pr_interval", 168, 380)
    for minutes, pulse in ((2900, 84), (1400, 82), (700, 96), (300, 104), (40, 102)):
        s.vitals(minutes, pulse, 18, 37.1, 96, 138, 82)
    s.series("gcs", (2900, 15), (700, 14), (300, 14), (40, 14))
    s.series("urine_rate", (300, 70), (120, 65), (60, 65))
    s.result("weight", 66, 5700)
    s.result("height", 176, 5700)
    s.tablet("haloperidol", 2.5, "mg", route="intramuscular", status="draft", authored_minutes=3, reason="delirium", draft=True)
    return s


def child_bolus_and_bicarbonate() -> Scenario:
    s = Scenario(27, "child-ketoacidosis-bolus-and-bicarbonate", "order-sign", "2026-10-14T17:30:00Z", sex="female", birth="2021-12-03", offset_hours=2)
    s.condition("type 1 diabetes", recorded_minutes=20, category="encounter-diagnosis")
    s.condition("ketoacidosis type 1", onset_minutes=2000, recorded_minutes=20, category="encounter-diagnosis")
    bolus = s.fluid("Sodium chloride 0.9 % infusion", 160, 320, start_minutes=35, status="completed")
    s.given(bolus, 35, end_minutes=5)
    saline = s.fluid("Sodium chloride 0.9 % infusion", 500, 65, start_minutes=4)
    s.given(saline, 4)
    s.tablet("paracetamol", 240, "mg", per_day=4, prn=True, authored_minutes=30)
    s.series("glucose_meter", (68, 32.0), (12, 30.2), specimen="Capillary blood")
    s.series("ketones", (45, 6.9), specimen="Capillary blood")
    s.gas(40, 6.98, 2.2, 3.8, -27.1, potassium=4.8, glucose=31.0, lactate=2.6)
    s.chemistry(38, glucose=31.4, potassium=4.9, sodium=133, chloride=98, total_co2=4, creatinine=62, urea=9.2, magnesium=0.88, phosphate=1.1, calcium=2.3,
                albumin=42)
    s.series("urine_rate", (50, 40), (15, 30))
    for minutes, pulse in ((65, 156), (40, 152), (10, 146)):
        s.vitals(minutes, pulse, 44, 36.7, 99, 94, 52)
    s.series("gcs", (65, 14), (40, 14), (10, 14))
    s.result("weight", 16, 60)
    s.result("height", 104, 60)
    s.bolus("insulin", 1.6, "[iU]")
    s.infusion("bicarbonate", [("sodium_bicarbonate", 16, "mmol")], "", 16, duration_minutes=60, status="draft", draft=True,
               text="Sodium bicarbonate 8.4 % 16 mL over 60 minutes")
    return s


def quiet_variable_rate() -> Scenario:
    s = Scenario(28, "variable-rate-insulin-after-surgery", "order-sign", "2026-11-18T08:30:00Z", sex="male", birth="1960-02-02")
    s.condition("type 2 diabetes", onset="2008", recorded="2010-06-30")
    s.condition("colon cancer", recorded="2026-10-02")
    s.condition("hypertension", recorded="2012-01-19")
    insulin = s.infusion("insulin", [("insulin", 50, "[iU]")], "sodium_chloride", 50, rate=(2, "[iU]/h"), dose=(50, "[iU]"), start_minutes=1100,
                         text="Variable-rate insulin, 50 units in 50 mL sodium chloride 0.9 %, now 2 units per hour")
    s.given(insulin, 1100)
    fluid = s.infusion("potassium", [("potassium_chloride", 20, "mmol")], "glucose", 1000, rate=(83, "mL/h"), route="peripheral", start_minutes=500,
                       text="Potassium chloride 20 mmol in 1 L glucose 5 % with sodium chloride 0.45 %, 83 mL per hour",
                       diluent_words="glucose 5 % with sodium chloride 0.45 %")
    s.given(fluid, 500)
    basal = s.tablet("glargine", 20, "[iU]", route="subcutaneous", authored_minutes=1500)
    s.given(basal, 620, end_minutes=620, dose=(20, "[iU]"))
    s.tablet("metformin", 1000, "mg", per_day=2, status="on-hold", stop_reason="Held for surgery")
    s.tablet("amlodipine", 5, "mg")
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=900)
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=1000)
    s.infusion("cefazolin", [("cefazolin", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), duration_minutes=30, status="completed", start_minutes=1260,
               text="Cefazolin 2 g before incision")
    s.series("glucose_meter", *((minutes, value) for minutes, value in (
        (1080, 11.2), (900, 9.8), (720, 9.1), (540, 8.8), (420, 8.2), (360, 8.4), (300, 8.0), (240, 7.9), (180, 8.1), (120, 7.7), (60, 7.8), (15, 7.4))),
        specimen="Capillary blood")
    s.series("ketones", (150, 0.3), specimen="Capillary blood")
    s.gas(1090, 7.39, 5.0, 22.4, -2.1, potassium=4.1, lactate=1.3)
    s.gas(150, 7.41, 5.1, 24.0, -0.4, potassium=4.2, lactate=0.9)
    s.chemistry(1500, potassium=4.3, sodium=140, chloride=103, total_co2=25, creatinine=82, urea=5.9, albumin=38)
    s.chemistry(150, potassium=4.2, sodium=139, chloride=104, total_co2=24, creatinine=84, urea=5.4, magnesium=0.84, phosphate=1.02, calcium=2.24,
                albumin=34, glucose=7.9)
    s.series("urine_rate", *((60 * hour - 20, 70 + hour) for hour in range(1, 7)))
    for minutes, pulse in ((1080, 88), (720, 84), (360, 80), (120, 78), (25, 76)):
        s.vitals(minutes, pulse, 15, 37.1, 97, 128, 74)
    s.series("gcs", (1080, 14), (720, 15), (360, 15), (25, 15))
    s.result("weight", 82, 1500)
    s.result("height", 177, 1500)
    slower: Json = json.loads(json.dumps(insulin))
    slower["status"] = "draft"
    slower["dosageInstruction"][0]["text"] = "Variable-rate insulin, now 1.5 units per hour"
    slower["dosageInstruction"][0]["doseAndRate"][0]["rateQuantity"] = quantity(1.5, "[iU]/h")
    s.drafts.append(slower)
    s.tablet("ondansetron", 4, "mg", per_day=3, prn=True, route="intravenous", status="draft", authored_minutes=3, draft=True)
    return s


def child_third_benzodiazepine() -> Scenario:
    s = Scenario(29, "child-status-third-benzodiazepine", "order-sign", "2026-05-19T18:42:00Z", sex="female", birth="2024-01-08", offset_hours=2)
    s.condition("epilepsy", onset="2025-02", recorded="2025-02-27")
    s.condition("status epilepticus", onset_minutes=26, recorded_minutes=7, category="encounter-diagnosis")
    s.condition("gastroenteritis", clinical="resolved", onset="2025-11-02", recorded="2025-11-02")
    s.tablet("levetiracetam", 130, "mg", per_day=2, reason="epilepsy", home=True, authored_minutes=200000)
    s.tablet("paracetamol", 195, "mg", per_day=4, prn=True, home=True, authored_minutes=40000)
    s.dose("diazepam", 5, "mg", 21, route="rectal", words="Given by the parents at home")
    s.dose("midazolam", 5, "mg", 12, route="buccal", words="Given by the ambulance crew")
    s.result("glucose_meter", 7.2, 14, specimen="Capillary blood", note="Ambulance")
    s.result("glucose_meter", 6.8, 5, specimen="Capillary blood")
    s.gas(4, 7.22, 6.7, 19.9, -6.8, potassium=4.4, glucose=6.9, lactate=5.1)
    s.result("sodium_gas", 137, 4, specimen="Venous blood")
    s.result("calcium_ionised", 1.21, 4, specimen="Venous blood")
    s.chemistry(180000, potassium=4.2, sodium=139, chloride=105, creatinine=24, urea=3.6)
    for minutes, pulse, breaths, spo2 in ((15, 168, 26, 91), (6, 172, 24, 95), (2, 170, 22, 95)):
        s.vitals(minutes, pulse, breaths, 37.4, spo2, 104, 62)
    s.series("gcs", (15, 6), (6, 6), (2, 6))
    s.result("weight", 13, 6, note="Scale in the resuscitation room")
    s.result("weight", 12.4, 60000)
    s.result("height", 88, 60000)
    s.once("midazolam", 5, "mg", route="buccal", text="Midazolam 5 mg into the cheek once, no vein found", reason="status epilepticus")
    return s


def eclampsia_phenytoin() -> Scenario:
    s = Scenario(30, "eclampsia-phenytoin-no-magnesium", "order-sign", "2026-04-02T03:14:00Z", sex="female", birth="1996-07-23", offset_hours=2)
    s.condition("pregnancy", onset="2025-08-14", recorded="2025-10-06")
    s.condition("pre-eclampsia", onset_minutes=190, recorded_minutes=170, category="encounter-diagnosis")
    s.condition("eclampsia", onset_minutes=6, recorded_minutes=3, category="encounter-diagnosis")
    s.condition("migraine", recorded="2019-05-20")
    s.tablet("labetalol", 200, "mg", per_day=3, authored_minutes=160)
    s.tablet("aspirin", 150, "mg", home=True, authored_minutes=160000)
    s.tablet("paracetamol", 1, "g", per_day=4, prn=True, authored_minutes=160)
    s.dose("labetalol", 200, "mg", 150, route="oral")
    s.series("glucose_meter", (185, 5.4), (4, 6.3), specimen="Capillary blood")
    s.chemistry(60000, potassium=4.0, sodium=137, chloride=104, creatinine=51, urea=3.1)
    s.chemistry(140, glucose=5.2, potassium=4.1, sodium=136, chloride=104, total_co2=21, creatinine=74, urea=4.8, magnesium=0.78, phosphate=1.1,
                calcium=2.18, albumin=29)
    s.result("gestation", 33, 180)
    for minutes, pulse, systolic, diastolic, spo2 in ((185, 92, 158, 104, 98), (120, 90, 156, 102, 98), (60, 94, 162, 106, 97), (4, 118, 170, 112, 93), (2, 116, 172, 112, 95)):
        s.vitals(minutes, pulse, 20, 36.9, spo2, systolic, diastolic)
    s.series("gcs", (185, 15), (60, 15), (3, 6))
    s.series("urine_rate", (120, 55), (60, 45))
    s.result("weight", 78, 182)
    s.result("height", 166, 182)
    s.infusion("phenytoin", [("phenytoin", 1500, "mg")], "sodium_chloride", 250, dose=(1500, "mg"), duration_minutes=40, status="draft", draft=True,
               text="Phenytoin 1500 mg in 250 mL sodium chloride 0.9 % over 40 minutes", reason="eclampsia")
    return s


def dialysis_cefepime() -> Scenario:
    s = Scenario(31, "dialysis-cefepime-confused", "patient-view", "2026-08-13T07:05:00Z", sex="male", birth="1957-12-02", offset_hours=2)
    s.condition("end-stage kidney disease", onset="2021", recorded="2021-04-19")
    s.condition("dialysis", recorded="2021-04-19")
    s.condition("hypertension", recorded="2003-03-11")
    s.condition("pneumonia", onset_minutes=4400, recorded_minutes=4300, category="encounter-diagnosis")
    s.condition("delirium", onset_minutes=560, recorded_minutes=95, category="encounter-diagnosis")
    s.tablet("amlodipine", 10, "mg", home=True, reason="hypertension", authored_minutes=500000)
    s.tablet("atorvastatin", 20, "mg", home=True, authored_minutes=500000)
    s.tablet("paracetamol", 1, "g", per_day=3, prn=True, authored_minutes=4250)
    cefepime = s.infusion("cefepime", [("cefepime", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), every_hours=8, duration_minutes=30, reason="pneumonia",
                          start_minutes=4200, text="Cefepime 2 g in 100 mL sodium chloride 0.9 % every 8 hours")
    for dose in range(9):
        begun = 4200 - 480 * dose
        s.given(cefepime, begun, end_minutes=begun - 30, dose=(2, "g"))
    s.procedure("302497006", "Haemodialysis", 7300, end_minutes=7060)
    s.procedure("302497006", "Haemodialysis", 2980, end_minutes=2740)
    s.series("glucose_meter", (4300, 7.4), (1400, 6.6), (100, 6.2), specimen="Capillary blood")
    s.chemistry(4290, potassium=5.4, sodium=136, chloride=101, total_co2=21, creatinine=782, urea=25.1, magnesium=0.98, phosphate=1.9, calcium=2.16, albumin=33)
    s.chemistry(2600, potassium=4.1, sodium=138, chloride=101, total_co2=26, creatinine=341, urea=9.4)
    s.chemistry(110, potassium=4.9, sodium=137, chloride=102, total_co2=24, creatinine=644, urea=19.8, magnesium=0.94, phosphate=1.7, calcium=2.19, albumin=31,
                glucose=6.1)
    s.gas(105, 7.36, 5.6, 23.2, -1.8, potassium=4.8, glucose=6.2, lactate=1.1)
    for minutes, pulse, breaths, temperature, spo2, systolic in (
        (4310, 104, 24, 38.6, 92, 142), (2880, 92, 20, 37.8, 95, 138), (1440, 84, 18, 37.2, 96, 136), (560, 84, 18, 37.0, 96, 138), (25, 88, 18, 36.9, 96, 144)):
        s.vitals(minutes, pulse, breaths, temperature, spo2, systolic, 78)
    s.series("gcs", (4310, 15), (1440, 15), (560, 14), (25, 13))
    s.result("weight", 71, 2730, note="After dialysis")
    s.result("height", 173, 4300)
    return s


def septic_shock_penicillin_allergy() -> Scenario:
    s = Scenario(32, "septic-shock-penicillin-anaphylaxis", "order-sign", "2026-10-03T21:20:00Z", sex="female", birth="1955-02-14", offset_hours=2)
    s.condition("pyelonephritis", onset_minutes=900, recorded_minutes=110, category="encounter-diagnosis")
    s.condition("renal stones", recorded="2018-07-02")
    s.condition("septic shock", onset_minutes=75, recorded_minutes=70, category="encounter-diagnosis")
    s.condition("hypertension", recorded="2005-09-09")
    s.allergy("91936005", "Allergy to penicillin", ("39579001", "Anaphylaxis"), recorded="1994-06-11", criticality="high",
              note="Amoxicillin 1994, adrenaline given, two days in intensive care")
    s.tablet("ramipril", 5, "mg", home=True, status="on-hold", stop_reason="Held, shock", authored_minutes=400000)
    s.tablet("amlodipine", 5, "mg", home=True, status="on-hold", stop_reason="Held, shock", authored_minutes=400000)
    s.tablet("atorvastatin", 20, "mg", home=True, authored_minutes=400000)
    first = s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=105, status="completed")
    s.given(first, 105, end_minutes=45)
    second = s.fluid("Sodium chloride 0.9 % infusion", 1000, 1000, start_minutes=44)
    s.given(second, 44)
    pressor = s.infusion("norepinephrine", [("norepinephrine", 4, "mg")], "sodium_chloride", 50, rate=(0.6, "mg/h"), dose=(4, "mg"), route="central",
                         start_minutes=30, text="Norepinephrine 4 mg in 50 mL, 0.6 mg per hour")
    s.given(pressor, 30)
    s.investigation("blood culture", 60)
    s.series("glucose_meter", (112, 9.6), (20, 8.9), specimen="Capillary blood")
    s.gas(72, 7.31, 4.7, 17.6, -7.9, potassium=4.6, glucose=9.4, lactate=4.8)
    s.gas(14, 7.32, 4.8, 18.3, -7.1, potassium=4.5, glucose=8.8, lactate=4.2)
    s.chemistry(43200, potassium=4.3, sodium=139, chloride=104, creatinine=82, urea=6.1)
    s.chemistry(70, glucose=9.2, potassium=4.6, sodium=137, chloride=111, total_co2=18, creatinine=162, urea=14.2, magnesium=0.81, phosphate=1.2, calcium=2.04,
                albumin=29)
    for minutes, pulse, breaths, temperature, spo2, systolic, diastolic in (
        (112, 118, 24, 39.2, 95, 92, 48), (72, 122, 26, 39.4, 94, 78, 40), (30, 120, 26, 39.0, 95, 82, 44), (6, 114, 24, 38.8, 95, 96, 54)):
        s.vitals(minutes, pulse, breaths, temperature, spo2, systolic, diastolic)
    s.series("gcs", (112, 15), (72, 14), (6, 14))
    s.series("urine_rate", (60, 15), (10, 20))
    s.result("weight", 64, 100)
    s.result("height", 161, 100)
    s.infusion("tazobactam", [("piperacillin_tazobactam", 4.5, "g")], "sodium_chloride", 100, dose=(4.5, "g"), every_hours=8, duration_minutes=30,
               reason="septic shock", status="draft", draft=True, text="Piperacillin/tazobactam 4.5 g in 100 mL sodium chloride 0.9 % every 8 hours")
    return s


def esbl_with_valproate() -> Scenario:
    s = Scenario(33, "esbl-blood-culture-valproate", "patient-view", "2026-07-08T09:10:00Z", sex="female", birth="1967-10-30", offset_hours=2)
    s.condition("epilepsy", onset="1989", recorded="2002-01-15")
    s.condition("pyelonephritis", onset_minutes=3900, recorded_minutes=2800, category="encounter-diagnosis")
    s.condition("bacteraemia", onset_minutes=2790, recorded_minutes=1500, category="encounter-diagnosis")
    s.condition("hyperlipidaemia", recorded="2017-03-03")
    s.tablet("valproate", 500, "mg", per_day=2, reason="epilepsy", home=True, authored_minutes=900000)
    s.tablet("valproate", 500, "mg", per_day=2, reason="epilepsy", authored_minutes=2750)
    s.tablet("atorvastatin", 20, "mg", authored_minutes=2750)
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=2750)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=2750)
    running = s.infusion("ciprofloxacin", [("ciprofloxacin", 400, "mg")], "sodium_chloride", 200, dose=(400, "mg"), every_hours=12, duration_minutes=60,
                         reason="pyelonephritis", start_minutes=2700, text="Ciprofloxacin 400 mg in 200 mL every 12 hours")
    for begun in (2700, 1980, 1260, 540):
        s.given(running, begun, end_minutes=begun - 60, dose=(400, "mg"))
    s.investigation("blood culture", 2790)
    coli = ("112283007", "Escherichia coli")
    blood = s.culture("blood", coli, 2780, words="Escherichia coli, extended-spectrum beta-lactamase (ESBL) positive, 2 of 2 sets")
    s.susceptibilities(blood, ("18864-9", "Ampicillin", "R"), ("18895-3", "Ceftriaxone", "R"), ("18893-8", "Ceftazidime", "R"), ("18879-7", "Cefepime", "R"),
                       ("18970-4", "Piperacillin+Tazobactam", "S"), ("18906-8", "Ciprofloxacin", "R"), ("20629-2", "Levofloxacin", "R"),
                       ("18998-5", "Trimethoprim+Sulfamethoxazole", "R"), ("18928-2", "Gentamicin", "S"), ("18860-7", "Amikacin", "S"),
                       ("35802-8", "Ertapenem", "S"), ("18943-1", "Meropenem", "S"))
    urine = s.culture("urine", coli, 2785, words="Escherichia coli above 100 000 per mL, ESBL positive")
    s.susceptibilities(urine, ("18906-8", "Ciprofloxacin", "R"), ("18955-5", "Nitrofurantoin", "S"), ("25596-8", "Fosfomycin", "S"))
    s.series("glucose", (2780, 7.1), (1440, 6.4), (170, 6.2), specimen="Plasma")
    s.chemistry(2780, potassium=4.0, sodium=137, chloride=103, total_co2=23, creatinine=92, urea=7.4, magnesium=0.8, calcium=2.2, albumin=35)
    s.chemistry(1440, potassium=3.9, sodium=138, chloride=104, creatinine=84, urea=6.2)
    s.chemistry(170, potassium=4.1, sodium=138, chloride=104, total_co2=24, creatinine=78, urea=5.6, magnesium=0.82, phosphate=1.0, calcium=2.21, albumin=33)
    s.result("lactate", 1.4, 165, specimen="Venous blood")
    s.result("valproate_level", 68, 2600, specimen="Plasma")
    for minutes, pulse, temperature, systolic in ((2790, 112, 39.3, 104), (2000, 104, 38.9, 106), (1200, 100, 38.8, 108), (600, 98, 38.7, 108), (35, 96, 38.5, 112)):
        s.vitals(minutes, pulse, 18, temperature, 97, systolic, 64)
    s.series("gcs", (2790, 15), (1200, 15), (35, 15))
    s.series("urine_rate", (300, 60), (60, 65))
    s.result("weight", 66, 2760)
    s.result("height", 165, 2760)
    return s


def phenytoin_bradycardia() -> Scenario:
    s = Scenario(34, "phenytoin-80-mg-per-minute-heart-rate-46", "order-sign", "2026-01-29T14:33:00Z", sex="female", birth="1947-06-21", offset_hours=1)
    s.condition("status epilepticus", onset_minutes=22, recorded_minutes=14, category="encounter-diagnosis")
    s.condition("hypertension", recorded="1999-11-01")
    s.condition("atrial fibrillation", recorded="2020-02-20")
    s.tablet("bisoprolol", 5, "mg", home=True, authored_minutes=600000)
    s.tablet("amlodipine", 5, "mg", home=True, authored_minutes=600000)
    s.tablet("atorvastatin", 40, "mg", home=True, authored_minutes=600000)
    s.dose("lorazepam", 4, "mg", 13, end_minutes=11)
    s.investigation("ecg", 10)
    s.series("glucose_meter", (18, 6.9), (5, 7.4), specimen="Capillary blood")
    s.gas(9, 7.27, 6.2, 20.9, -5.2, potassium=4.2, glucose=7.5, lactate=4.6)
    s.chemistry(60000, potassium=4.4, sodium=140, chloride=104, creatinine=88, urea=6.6)
    s.chemistry(9, glucose=7.3, potassium=4.2, sodium=139, chloride=108, total_co2=21, creatinine=91, urea=7.1, magnesium=0.84, phosphate=1.1, calcium=2.3, albumin=40)
    s.result("pr_interval", 188, 8)
    s.result("qtc", 441, 8)
    for minutes, pulse, systolic, spo2 in ((19, 62, 148, 93), (10, 50, 132, 96), (3, 46, 122, 96)):
        s.vitals(minutes, pulse, 18, 36.6, spo2, systolic, 66)
    s.series("gcs", (19, 4), (10, 6), (3, 6))
    s.result("weight", 62, 12, note="Told by the daughter")
    s.result("height", 160, 12)
    s.infusion("phenytoin", [("phenytoin", 1240, "mg")], "sodium_chloride", 200, dose=(1240, "mg"), rate=(80, "mg/min"), status="draft", draft=True,
               reason="status epilepticus", text="Phenytoin 1240 mg in 200 mL sodium chloride 0.9 % at 80 mg per minute")
    return s


def valproate_stopped() -> Scenario:
    s = Scenario(35, "valproate-stopped-last-medicine", "order-sign", "2026-11-12T10:45:00Z", sex="male", birth="1979-09-17", offset_hours=1)
    s.condition("epilepsy", onset="1995", recorded="2004-05-05")
    s.condition("femur fracture", onset_minutes=960, recorded_minutes=900, category="encounter-diagnosis")
    valproate = s.tablet("valproate", 600, "mg", per_day=2, reason="epilepsy", authored_minutes=870)
    s.given(valproate, 800, end_minutes=800, dose=(600, "mg"))
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=880)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=880)
    s.tablet("pantoprazole", 40, "mg", authored_minutes=870)
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 83, start_minutes=240)
    s.series("glucose", (890, 6.4), (200, 5.6), specimen="Plasma")
    s.chemistry(890, potassium=4.1, sodium=140, chloride=104, total_co2=25, creatinine=79, urea=5.2, magnesium=0.85, calcium=2.3, albumin=41)
    s.chemistry(200, potassium=4.0, sodium=139, chloride=104, total_co2=25, creatinine=76, urea=5.0)
    s.result("valproate_level", 71, 200, specimen="Plasma")
    for minutes, pulse in ((890, 96), (480, 84), (60, 80)):
        s.vitals(minutes, pulse, 16, 36.9, 97, 134, 78)
    s.series("gcs", (890, 15), (480, 15), (60, 15))
    s.result("weight", 81, 890)
    s.result("height", 180, 890)
    s.stop(valproate, "Nil by mouth for theatre, swallowing not possible until tomorrow")
    s.infusion("cefazolin", [("cefazolin", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), duration_minutes=30, status="draft", draft=True,
               text="Cefazolin 2 g before incision, once")
    return s


def tricyclic_flumazenil() -> Scenario:
    s = Scenario(36, "tricyclic-overdose-flumazenil", "order-sign", "2026-02-22T01:50:00Z", sex="female", birth="1981-12-09", offset_hours=1)
    s.condition("depression", onset="2019", recorded="2019-09-01")
    s.condition("tricyclic poisoning", onset_minutes=170, recorded_minutes=40, category="encounter-diagnosis")
    s.condition("benzodiazepine poisoning", onset_minutes=170, recorded_minutes=40, category="encounter-diagnosis")
    s.tablet("amitriptyline", 75, "mg", home=True, reason="depression", authored_minutes=90000)
    s.tablet("diazepam", 5, "mg", per_day=2, prn=True, home=True, authored_minutes=26000)
    s.tablet("omeprazole", 20, "mg", home=True, authored_minutes=90000)
    s.investigation("ecg", 42)
    s.fluid("Sodium chloride 0.9 % infusion", 1000, 500, start_minutes=35)
    s.series("glucose_meter", (48, 6.6), (15, 6.2), specimen="Capillary blood")
    s.gas(38, 7.34, 6.1, 24.2, -1.2, potassium=3.9, glucose=6.4, lactate=1.8)
    s.chemistry(70000, potassium=4.2, sodium=140, chloride=104, creatinine=66, urea=4.2)
    s.chemistry(40, glucose=6.5, potassium=3.8, sodium=141, chloride=106, total_co2=24, creatinine=72, urea=4.6, magnesium=0.8, phosphate=1.0, calcium=2.28, albumin=40)
    s.result("qtc", 486, 41, note="QRS 128 ms, R in aVR 4 mm")
    s.result("pr_interval", 196, 41)
    for minutes, pulse, breaths, spo2, systolic in ((50, 124, 14, 94, 108), (25, 128, 13, 96, 102), (4, 130, 12, 96, 98)):
        s.vitals(minutes, pulse, breaths, 37.6, spo2, systolic, 58)
    s.series("gcs", (50, 10), (25, 8), (4, 7))
    s.result("weight", 70, 45)
    s.result("height", 168, 45)
    s.bolus("flumazenil", 0.3, "mg")
    return s


def levetiracetam_kidney() -> Scenario:
    s = Scenario(37, "levetiracetam-1500-twice-a-day-clearance-28", "order-sign", "2026-05-27T11:15:00Z", sex="female", birth="1945-11-11", offset_hours=2)
    s.condition("epilepsy", onset="2026-05", recorded="2026-05-20")
    s.condition("kidney disease stage 4", recorded="2024-10-10")
    s.condition("hypertension", recorded="1998-02-02")
    s.condition("seizure", clinical="resolved", onset_minutes=10300, recorded_minutes=10200, abated_minutes=10290, category="encounter-diagnosis")
    s.tablet("amlodipine", 5, "mg", authored_minutes=10000)
    s.tablet("atorvastatin", 20, "mg", authored_minutes=10000)
    s.tablet("levetiracetam", 500, "mg", per_day=2, status="stopped", stop_reason="Dose raised", reason="epilepsy", authored_minutes=9900)
    s.series("glucose", (10200, 6.8), (1500, 5.9), (260, 6.1), specimen="Plasma")
    s.chemistry(43000, potassium=4.6, sodium=139, chloride=104, creatinine=121, urea=11.4)
    s.chemistry(1500, potassium=4.7, sodium=138, chloride=104, total_co2=23, creatinine=124, urea=11.9)
    s.chemistry(260, potassium=4.6, sodium=138, chloride=104, total_co2=23, creatinine=123, urea=11.6, magnesium=0.88, phosphate=1.3, calcium=2.24, albumin=38)
    for minutes, pulse in ((1500, 76), (700, 74), (40, 74)):
        s.vitals(minutes, pulse, 16, 36.6, 97, 138, 72)
    s.series("gcs", (1500, 15), (40, 15))
    s.result("weight", 55, 1490)
    s.result("height", 157, 1490)
    s.tablet("levetiracetam", 1500, "mg", per_day=2, reason="epilepsy", status="draft", authored_minutes=3, draft=True)
    return s


def lorazepam_too_small() -> Scenario:
    s = Scenario(38, "status-lorazepam-1-mg", "order-sign", "2026-09-18T22:04:00Z", sex="male", birth="1962-04-04", offset_hours=2)
    s.condition("status epilepticus", onset_minutes=8, recorded_minutes=4, category="encounter-diagnosis")
    s.condition("epilepsy", onset="2015", recorded="2015-08-01")
    s.condition("hypertension", recorded="2010-01-20")
    s.tablet("lamotrigine", 100, "mg", per_day=2, home=True, reason="epilepsy", authored_minutes=400000)
    s.tablet("ramipril", 5, "mg", home=True, authored_minutes=400000)
    s.result("glucose_meter", 7.8, 4, specimen="Capillary blood")
    s.gas(3, 7.29, 6.0, 21.2, -4.6, potassium=4.1, glucose=7.9, lactate=3.8)
    s.chemistry(90000, potassium=4.3, sodium=139, chloride=103, creatinine=84, urea=5.5)
    s.chemistry(3, glucose=7.7, sodium=138, chloride=107, creatinine=86, urea=5.7, magnesium=0.82, phosphate=1.0, calcium=2.3, albumin=41)
    for minutes, pulse, spo2 in ((6, 124, 92), (2, 122, 95)):
        s.vitals(minutes, pulse, 22, 36.9, spo2, 164, 92)
    s.series("gcs", (6, 5), (2, 5))
    s.result("weight", 88, 200000)
    s.result("weight", 86, 3, note="Estimated")
    s.result("height", 178, 200000)
    s.bolus("lorazepam", 1, "mg")
    return s


def quiet_ceftriaxone() -> Scenario:
    s = Scenario(39, "ceftriaxone-mild-penicillin-rash", "order-sign", "2026-12-01T08:30:00Z", sex="male", birth="1961-03-25", offset_hours=1)
    s.condition("pneumonia", onset_minutes=2900, recorded_minutes=50, category="encounter-diagnosis")
    s.condition("hypertension", recorded="2012-02-14")
    s.condition("epilepsy", verification="refuted", clinical="inactive", recorded="1984-05-01")
    s.allergy("91936005", "Allergy to penicillin", ("271807003", "Eruption of skin"), recorded="2003-04-09", criticality="low",
              note="Rash on day 6 of amoxicillin, no other complaint")
    s.tablet("amlodipine", 5, "mg", home=True, authored_minutes=400000)
    s.tablet("atorvastatin", 20, "mg", home=True, authored_minutes=400000)
    s.tablet("paracetamol", 1, "g", per_day=4, prn=True, authored_minutes=45)
    s.investigation("blood culture", 55)
    s.investigation("ecg", 58)
    s.series("glucose", (52, 6.7), specimen="Plasma")
    s.chemistry(52, potassium=4.2, sodium=138, chloride=103, total_co2=24, creatinine=88, urea=6.4, magnesium=0.84, phosphate=1.0, calcium=2.24, albumin=37)
    s.chemistry(200000, potassium=4.4, sodium=140, chloride=104, creatinine=85, urea=5.6)
    s.result("lactate", 1.2, 50, specimen="Venous blood")
    s.result("qtc", 428, 56)
    for minutes, pulse, temperature, spo2 in ((60, 94, 38.4, 95), (12, 88, 38.0, 96)):
        s.vitals(minutes, pulse, 20, temperature, spo2, 132, 76)
    s.series("gcs", (60, 15), (12, 15))
    s.result("weight", 79, 55)
    s.result("height", 175, 55)
    s.infusion("ceftriaxone", [("ceftriaxone", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), every_hours=24, duration_minutes=30, reason="pneumonia",
               status="draft", draft=True, text="Ceftriaxone 2 g in 100 mL sodium chloride 0.9 % every 24 hours")
    s.tablet("azithromycin", 500, "mg", reason="pneumonia", status="draft", authored_minutes=3, draft=True)
    return s


def quiet_lamotrigine() -> Scenario:
    s = Scenario(40, "lamotrigine-continued-stable", "patient-view", "2026-03-05T07:40:00Z", sex="female", birth="1994-08-08", offset_hours=1)
    s.condition("epilepsy", onset="2012", recorded="2012-12-03")
    s.condition("seizure", clinical="resolved", onset="2023-06-18", recorded="2023-06-18")
    s.condition("femur fracture", clinical="resolved", onset="2022-01-15", recorded="2022-01-15")
    s.tablet("lamotrigine", 150, "mg", per_day=2, reason="epilepsy", home=True, authored_minutes=600000)
    lamotrigine = s.tablet("lamotrigine", 150, "mg", per_day=2, reason="epilepsy", authored_minutes=1420)
    for minutes in (1380, 660):
        s.given(lamotrigine, minutes, end_minutes=minutes, dose=(150, "mg"))
    s.tablet("paracetamol", 1, "g", per_day=4, authored_minutes=1000)
    s.tablet("enoxaparin", 40, "mg", route="subcutaneous", authored_minutes=1000)
    s.tablet("ondansetron", 4, "mg", per_day=3, prn=True, authored_minutes=1000)
    s.infusion("cefazolin", [("cefazolin", 2, "g")], "sodium_chloride", 100, dose=(2, "g"), duration_minutes=30, status="completed", start_minutes=1180,
               text="Cefazolin 2 g before incision")
    s.series("glucose", (1500, 5.1), (120, 5.4), specimen="Plasma")
    s.chemistry(1500, potassium=4.1, sodium=139, chloride=104, total_co2=25, creatinine=64, urea=4.2, magnesium=0.86, calcium=2.32, albumin=42)
    s.chemistry(120, potassium=4.0, sodium=138, chloride=104, total_co2=24, creatinine=62, urea=3.9)
    for minutes, pulse in ((1440, 72), (900, 84), (400, 76), (45, 72)):
        s.vitals(minutes, pulse, 15, 36.8, 98, 118, 70)
    s.series("gcs", (1440, 15), (400, 15), (45, 15))
    s.result("weight", 63, 1500)
    s.result("height", 169, 1500)
    return s


SCENARIOS: list[Callable[[], Scenario]] = [
    lead, peripheral_sum, central_sum, low_glucose_seizure, old_potassium, status_epilepticus, seizure_no_glucose,
    ciprofloxacin, child, unreadable, stopped_bag, discharge, right_answer_is_silence, selecting_insulin, partial,
    migraine_valproate,
    ketoacidosis_hour_0, ketoacidosis_hour_2, ketoacidosis_hour_7, ketoacidosis_hour_14, hyperosmolar_hour_0, hyperosmolar_hour_6,
    high_potassium, metformin_acidosis, sodium_too_fast, long_qt, child_bolus_and_bicarbonate, quiet_variable_rate,
    child_third_benzodiazepine, eclampsia_phenytoin, dialysis_cefepime,
    septic_shock_penicillin_allergy, esbl_with_valproate, phenytoin_bradycardia, valproate_stopped, tricyclic_flumazenil, levetiracetam_kidney,
    lorazepam_too_small, quiet_ceftriaxone, quiet_lamotrigine,
]


def written(scenario: Scenario) -> str:
    return json.dumps(scenario.request(), indent=1, ensure_ascii=False) + "\n"


def main(arguments: list[str]) -> int:
    differing = []
    for make in SCENARIOS:
        scenario = make()
        path = HERE / scenario.folder / "request.json"
        text = written(scenario)
        if "--check" in arguments:
            if not path.exists() or path.read_text(encoding="utf-8") != text:
                differing.append(str(path.relative_to(HERE)))
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    for name in differing:
        print(f"differs: {name}")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
