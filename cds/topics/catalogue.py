"""Every code that an answer may carry, so that precedence and expectations may name it. Codes are permanent and never used again."""

CATALOGUE = (
    # A: hyperglycaemic crisis
    "dka-criteria-met", "hhs-criteria-met", "ketones-not-measured", "high-anion-gap-without-ketosis", "hypoglycaemia", "insulin-with-low-potassium",
    "insulin-without-recent-potassium", "insulin-rate-out-of-range", "insulin-bolus-in-child", "dextrose-needed-with-insulin", "fluid-volume-check",
    "crisis-trajectory-off-target", "crisis-resolved", "insulin-stop-without-overlap", "insulin-stop-before-resolution",
    "subcutaneous-transition-dose", "sglt2-inhibitor-in-ketoacidosis", "metformin-in-acidosis", "bicarbonate-without-indication",
    "cerebral-oedema-risk-in-child",
    # B: electrolytes
    "potassium-rate-exceeds-line-limit", "potassium-given-as-push", "potassium-replacement-missing", "potassium-with-hyperkalaemia-or-oliguria",
    "potassium-in-dextrose", "potassium-falling-on-insulin", "hyperkalaemia", "hypokalaemia-with-qt-drug", "magnesium-low", "phosphate-low",
    "calcium-low", "hyponatraemia-with-seizure", "sodium-correction-too-fast", "osmolality-falling-too-fast",
    # N: further metabolic
    "wrong-insulin-for-intravenous-use", "hypoglycaemia-after-insulin-for-hyperkalaemia", "potassium-raising-drugs-stacked",
    "basal-insulin-omitted-type-1", "hyperchloraemic-acidosis", "ketoacidosis-without-diabetes", "thiamine-missing-before-glucose",
    "hypernatraemia-correction-too-fast", "hypotonic-fluid-in-seizure-or-hyponatraemia", "magnesium-excess-risk", "phosphate-with-low-calcium",
    "calcium-with-phosphate-or-bicarbonate-line", "crisis-cause-not-sought", "thrombosis-prophylaxis-missing-in-hyperosmolar-state",
    "potassium-sample-suspect", "concentrated-fluid-through-peripheral-line",
    # C: seizure
    "status-epilepticus-stage", "seizure-without-glucose", "provoked-seizure-cause", "benzodiazepine-dose-check", "asm-loading-dose-check",
    "asm-infusion-rate-check", "asm-diluent-incompatible", "asm-cardiac-contraindication", "asm-hepatic-or-pregnancy-contraindication",
    "asm-renal-adjustment", "asm-level-missing-after-breakthrough", "asm-level-out-of-range", "phenytoin-worsens-hyperglycaemia",
    "abrupt-asm-stop", "eclampsia-magnesium-first",
    # D: medicines, seizure and infection
    "seizure-threshold-lowering-order", "renally-cleared-neurotoxic-antibiotic", "carbapenem-with-valproate", "flumazenil-with-seizure-risk",
    "enzyme-inducing-asm-interaction", "respiratory-depression-stacking", "sepsis-screen-positive", "antibiotic-delayed-in-septic-shock",
    "culture-resistant-to-current-antibiotic", "complicated-uti-duration", "pregnancy-unsafe-order", "beta-lactam-allergy-conflict",
    # further ones of the seizure and infection side
    "nonconvulsive-seizure-suspected", "cns-infection-not-covered", "pyridoxine-responsive-seizure", "phenytoin-in-toxic-seizure",
    "enzyme-inhibitor-raises-asm", "fluoroquinolone-with-glucose-lowering-drug", "fluoroquinolone-chelation-or-qt", "valproate-hyperammonaemia",
    "propofol-infusion-risk", "urinary-only-antibiotic-in-systemic-uti", "hla-b1502-before-carbamazepine", "ceftriaxone-with-calcium",
    # E: data quality
    "critical-input-missing", "input-unusable", "blood-gas-inconsistent", "stale-input",
    # views
    "crisis-course", "discharge-readiness", "promised-check-overdue",
)  # fmt: skip
