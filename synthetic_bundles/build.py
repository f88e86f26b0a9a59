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
from datetime import datetime, timedelta, timezone
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
    "lactate_osmolality", "renal", "minerals", "vitals", "consciousness", "body", "levels",
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
    "spo2": ("vitals", "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", "%", "vital-signs"),
    "gcs": ("consciousness", "9269-2", "Glasgow coma score total", "{score}", "vital-signs"),
    "weight": ("body", "29463-7", "Body weight", "kg", "vital-signs"),
    "weight_us": ("body", "29463-7", "Body weight", "[lb_av]", "vital-signs"),
    "height": ("body", "8302-2", "Body height", "cm", "vital-signs"),
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
    "femur fracture": ("", "S72.001A", "Fracture of neck of right femur"),
}

ROUTES = {
    "intravenous": ("47625008", "Intravenous route"),
    "central": ("418114005", "Intravenous central route"),
    "peripheral": ("419993007", "Intravenous peripheral route"),
    "oral": ("26643006", "Oral route"),
    "subcutaneous": ("34206005", "Subcutaneous route"),
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
        self.tag = f"s{number:02d}"
        self.number = number
        self.hook = hook
        self.now = datetime.fromisoformat(now.replace("Z", "+00:00"))
        self.zone = timezone(timedelta(hours=offset_hours))
        self.patient_id = f"{self.tag}-patient"
        self.encounter_id = f"{self.tag}-encounter"
        self.chart: dict[str, list[Json]] = {key: [] for key in KEYS if key != "patient"}
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
              status: str = "active", route: str = "peripheral") -> Json:
        """A plain fluid, written as most systems write it: one concept, a volume, a rate."""
        order = self._order("fluid", status, start_minutes + 5)
        concept = drug(name)
        concept["text"] = words
        order["medicationCodeableConcept"] = concept
        order["dosageInstruction"] = [{
            "text": f"{words}, {volume_ml} mL at {rate_ml_h} mL/h",
            "timing": {"repeat": {"boundsPeriod": {"start": self.at(start_minutes)}}},
            "route": {"coding": [{"system": SNOMED, "code": ROUTES[route][0], "display": ROUTES[route][1]}]},
            "doseAndRate": [{"doseQuantity": quantity(volume_ml, "mL"), "rateQuantity": quantity(rate_ml_h, "mL/h")}],
        }]
        return self._place(order, draft=False)

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

    # -- the request ---------------------------------------------------------------------------------------------
    def _searchset(self, key: str) -> Json:
        def moment(resource: Json) -> datetime:
            text = str(resource.get("effectiveDateTime") or resource.get("authoredOn")
                       or resource.get("effectivePeriod", {}).get("start") or resource.get("recordedDate") or "")
            if len(text) < 20:
                return datetime.min.replace(tzinfo=timezone.utc)
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


SCENARIOS: list[Callable[[], Scenario]] = [lead]


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
