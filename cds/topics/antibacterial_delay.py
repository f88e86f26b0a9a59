"""An antibacterial that has not been given: septic shock and sepsis (D8), and an infection of the brain or its coverings that nothing covers."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, OneOf, Trigger, Words
from cds.logic.criteria import (
    Age,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeastValue,
    Below,
    Between,
    Criterion,
    CultureShows,
    Expression,
    Extreme,
    HasCondition,
    HasOrder,
    InvestigationOrdered,
    Latest,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    Scaled,
    Since,
    State,
)
from cds.parameters import Parameter, ParameterSet
from cds.states.allergies import forbidden
from cds.states.infection import SEPSIS_ZERO, SHOCK_ZERO
from cds.states.parts import column_limit, computable, held, if_known

SURVIVING = "Evans 2021, Intensive Care Med 47:1181 (Surviving Sepsis Campaign): shock within 1 h, possible sepsis without shock within 3 h"
CHILDREN = "Weiss 2020, Pediatr Crit Care Med 21:e52 (SSC-Children): shock within 1 h, sepsis within 3 h"
NG240 = "NICE NG240 (2024), bacterial meningitis; Tunkel 2004, Clin Infect Dis 39:1267 (IDSA)"
ENCEPHALITIS = "Solomon 2012, J Infect 64:347 (UK encephalitis guideline): aciclovir 10 mg/kg every 8 h"
CNS = ("meningitis", "encephalitis", "cns_infection")
# Another infection that explains a fever; sepsis without a source and one that seeds the brain do not.
EXPLAINED = ("pneumonia", "urinary_tract_infection", "pyelonephritis", "cystitis", "prostatitis", "catheter_associated_uti")
ANTI_INFECTIVE = ("antibacterial", "aciclovir")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories of this topic. Figures and sources: antibacterial_delay.toml."""
    return _delayed(p), _brain(p)


def _first_doses(p: ParameterSet, *, brain: bool) -> tuple[OneOf, ...]:
    """One broad dose now, the first that suits this patient. None for a child: the dose is by weight and local protocol."""
    if not held(p, "first_ceftriaxone"):
        return ()
    drugs = (("ceftriaxone", "first_ceftriaxone"), ("meropenem", "first_meropenem_cns" if brain else "first_meropenem"), ("aztreonam", "first_aztreonam"))
    gives = tuple(Give(f"Give {drug} now", drug, p[key], "mg", minutes=p["first_infusion_minutes"]) for drug, key in drugs)
    return (OneOf("One broad antibacterial by source and local policy", gives),)


def _delayed(p: ParameterSet) -> Advisory:
    since, sepsis = Since(SHOCK_ZERO), Since(SEPSIS_ZERO)
    shock, alone, covered = State("septic shock"), State("sepsis without shock"), State("antibacterial since the shock")
    drafts = OrderFilter(("antibacterial",), "drafted", "intravenous")
    # A draft that the allergy forbids is none that anybody should hurry.
    against, drafted = AnyOrder(drafts, forbidden(p)), AnyOrder(drafts, Not(forbidden(p)))
    unsafe = "Give another antibacterial than the drafted one now: severe allergy; septic shock for {since}, none given"
    open_ = AllOf((shock, Not(covered)))
    facts: dict[str, Expression] = {
        "since": since,
        "lactate": Latest("lactate", p["shock_lactate_age"]),
        "pressure": Latest("mean_pressure", p["shock_pressure_age"]),
    }
    found = (
        "Septic shock for {since}; no antibacterial by vein runs or was given for it.",
        "Lactate {lactate}, {lactate.age}; mean pressure {pressure}, {pressure.age}.",
    )
    do = (
        "By local protocol: one broad antibacterial by vein now, by likely source, allergy and seizure risk.",
        "Blood cultures first if that takes no more than {p.culture_delay_most}; fluid, vasopressor and source control beside it.",
    )
    cautions = (
        "A dose that was given and not charted is not seen here: look before you give a second.",
        "If shock has another cause (bleeding, heart, drug), say so and treat that.",
    )
    differs = (
        "Antibacterial within 1 h of septic shock, within 3 h of sepsis without shock (SSC 2021, SSC-Children 2020); within 1 h where NEWS2 is 7 or more (NICE NG253).",
    )

    def words(summary: str, lines: tuple[str, ...] = found, shown: dict[str, Expression] = facts) -> Words:
        return Words(summary, lines, do, cautions, differs, shown)

    first = _first_doses(p, brain=False)
    late = (AllOf((open_, AtLeastValue(since, p["shock_delay_critical"]))), AllOf((open_, AtLeastValue(since, p["shock_delay_warning"]))))
    undated = AllOf((open_, NotComputable(since)))
    waiting = AllOf((alone, Not(covered), AtLeastValue(sepsis, p["sepsis_delay_warning"])))
    sepsis_facts: dict[str, Expression] = {"since": sepsis, "lactate": Latest("lactate", p["shock_lactate_age"])}
    return Advisory(
        code="antibiotic-delayed-in-septic-shock",
        title="Antibacterial delayed in septic shock",
        problem="antibacterial delayed",
        kind="result",
        trigger=Trigger((("condition:septic_shock", "condition:sepsis", "condition:infection"),)),
        branches=(
            Branch("shock, drafted and not started", AllOf((late[0], drafted)), "critical", words("Start the drafted antibacterial now: septic shock for {since}, none given")),
            Branch("shock, drafted against an allergy", AllOf((late[0], against)), "critical", words(unsafe), first),
            Branch("shock", late[0], "critical", words("Give an antibacterial by vein now: septic shock for {since}, none given"), first),
            Branch("shock soon an hour, drafted", AllOf((late[1], drafted)), "warning", words("Start the drafted antibacterial now: septic shock for {since}, none given")),
            Branch("shock soon an hour, drafted against an allergy", AllOf((late[1], against)), "warning", words(unsafe), first),
            Branch("shock soon an hour", late[1], "warning", words("Give an antibacterial by vein now: septic shock for {since}, none given yet"), first),
            Branch(
                "shock without a time", undated, "warning",
                words("Give an antibacterial by vein now if none was: septic shock, its time is not recorded", ("Septic shock on record without a time; no antibacterial by vein runs or was given.",)),
                first,
            ),
            Branch(
                "shock began on an antibacterial", State("shock began on an antibacterial"), "warning",
                Words(
                    "Check the antibacterial cover now: septic shock began while the present one ran",
                    ("Septic shock for {since}; the antibacterial had been running for more than a day before.",),
                    ("By local protocol: review cover with cultures and microbiology, look for a source to drain.",),
                    cautions, (), {"since": since},
                ),
            ),
            Branch(
                "sepsis", waiting, "warning",
                words("Give an antibacterial by vein now: sepsis for {since}, none given", ("Sepsis without shock for {since}; lactate {lactate}, {lactate.age}.",), sepsis_facts),
                first,
            ),
        ),
        sources=(SURVIVING, CHILDREN, "NICE NG253 (2025)", "The warning at 30 min is our own"),
        touches=ANTI_INFECTIVE,
        touched=("critical", "warning"),
        always=("critical",),
        without_age=True,
        refire_minutes=p["refire_shock"],
        hazards=("HZ-36",),
        purpose="Each hour without an antibacterial in septic shock costs lives.",
    )  # fmt: skip


# The brain -------------------------------------------------------------------------------------------------------------------------------


def _covers(p: ParameterSet) -> Criterion:
    """Something that covers the brain runs, is drafted or was given: aciclovir by vein, or an antibacterial at a dose for meningitis. A child's dose is not
    judged here: there each of those medicines by vein counts."""
    rows = p.table("cns_dose")
    named = ("ceftriaxone", "cefotaxime", "meropenem", "benzylpenicillin", "ampicillin", "amoxicillin", "chloramphenicol")
    if not rows:
        places = (OrderFilter(named, "either", "intravenous"), OrderFilter(named, "given", started_within=p["cns_dose_counts"]))
        enough: list[Criterion] = [HasOrder(place) for place in places]
    else:
        enough = []
        for row in rows:
            drug = str(row["drug"])
            dose, daily = OfOrder("amount", f"drug:{drug}"), OfOrder("per_day", f"drug:{drug}")
            least, a_day = column_limit(p, row, "least_mg", "mg"), column_limit(p, row, "least_mg_a_day", "mg")
            large_enough = AtLeastValue(dose, least) if isinstance(least, Parameter) else OrderHas((drug,), "active")
            # What cannot be computed is taken to be enough: the card is about what is missing, not about what is written badly.
            large: Criterion = AnyOf((NotComputable(dose), large_enough))
            if a_day is not None:
                large = AllOf((large, AnyOf((OrderIs("one-off"), computable(daily, AtLeastValue(daily, a_day)), NotComputable(daily)))))
            enough.append(AnyOrder(OrderFilter((drug,), "either", "intravenous"), large))
            enough.append(
                AnyOrder(OrderFilter((drug,), "given", started_within=p["cns_dose_counts"]), AnyOf((NotComputable(dose), large_enough)))
            )
    viral = (
        HasOrder(OrderFilter(("aciclovir",), "either", "intravenous")),
        HasOrder(OrderFilter(("aciclovir",), "given", started_within=p["cns_dose_counts"])),
    )
    return AnyOf((*enough, *viral))


def _brain(p: ParameterSet) -> Advisory:
    gcs = Latest("gcs", p["consciousness_age"])
    not_recovered = AllOf(
        (
            State("seizure now"),
            if_known("gcs", p["consciousness_age"], Below(gcs, p["cns_gcs_below"])),
            AtLeastValue(Since("seizure onset"), p["cns_after_convulsion"]),
        )
    )
    explained = HasCondition(EXPLAINED)
    recorded = HasCondition(CNS)
    fever, seizure = State("fever lately"), State("seizure now")
    deficit = AnyOf((HasCondition(("neck_stiffness",)), HasCondition(("focal_neurological_deficit",), within=p["cns_deficit_age"], undated="yes")))
    suspected: Criterion = AllOf((fever, AnyOf((AllOf((seizure, Not(explained))), deficit))))
    if held(p, "febrile_seizure_from_days"):
        # A simple febrile seizure of a small child who is awake again is not one of these.
        awake = AllOf(
            (
                HasCondition(("febrile_seizure",), "recorded", within=p["fever_age"]),
                Not(State("seizure ongoing")),
                Between(Age("days"), p["febrile_seizure_from_days"], p["febrile_seizure_below_days"]),
            )
        )
        suspected = AllOf((suspected, AnyOf((Not(awake), not_recovered, deficit))))
    sampled = AnyOf(
        (
            InvestigationOrdered(("csf_culture",)),
            CultureShows(("positive", "negative", "mixed", "pending", "contaminated"), p["cns_csf_age"], specimens=("csf",)),
        )
    )
    bare = Not(_covers(p))
    facts: dict[str, Expression] = {"temperature": Extreme("temperature", p["fever_age"], "highest"), "gcs": gcs}
    found = (
        "Highest temperature of the day {temperature}; coma score {gcs}, {gcs.age}.",
        "No antibacterial at a dose for meningitis and no aciclovir by vein runs, is drafted or was given.",
    )
    do = (
        "By local protocol: ceftriaxone or cefotaxime at the dose for meningitis now, with aciclovir where encephalitis is possible; add cover for listeria and resistant pneumococci as local policy says.",
        "Blood cultures at once; dexamethasone with the first dose by local protocol. Scan and lumbar puncture follow, they do not come first.",
    )
    cautions = (
        "A dose given before hospital may not be on record: ask.",
        "If it is viral, over, or explained by another source, record that, and this card goes.",
    )
    offers: tuple[OneOf | Give, ...] = _first_doses(p, brain=True)
    if held(p, "first_aciclovir_per_kg"):
        by_weight = Scaled(Latest("weight", p["weight_age"]), p["first_aciclovir_per_kg"], "mg")
        offers = (
            *offers,
            Give("Give aciclovir by weight", "aciclovir", by_weight, "mg", minutes=p["aciclovir_infusion_minutes"], times_a_day=p["aciclovir_times_a_day"]),
        )

    def branch(name: str, when: Criterion, indicator: str, summary: str) -> Branch:
        return Branch(name, AllOf((bare, when)), indicator, Words(summary, found, do, cautions, facts=facts), offers)

    taken = Not(sampled)
    return Advisory(
        code="cns-infection-not-covered",
        title="Infection of the brain not covered",
        problem="brain infection not covered",
        kind="result",
        trigger=Trigger((("condition:meningitis", "condition:encephalitis", "condition:cns_infection", "analyte:temperature"),)),
        branches=(
            branch("recorded", AllOf((recorded, taken)), "critical", "Give meningitis-dose antibacterial (and aciclovir) now: on record, none at that dose ordered"),
            branch("no recovery", AllOf((suspected, not_recovered, taken)), "critical", "Give meningitis-dose antibacterial and aciclovir now: fever {temperature}, seizure, GCS {gcs}"),
            branch("recorded, fluid taken and no result", AllOf((recorded, sampled, Not(CultureShows(("negative",), p["cns_csf_age"], specimens=("csf",))))), "warning",
                   "Give meningitis-dose antibacterial while the spinal fluid is awaited: none at that dose ordered"),
            branch("suspected", AllOf((suspected, taken)), "warning", "Look for an infection of the brain: fever {temperature} with seizure, stiff neck or deficit, no cover"),
        ),
        sources=(NG240, ENCEPHALITIS, "When it is suspected is our own (R-n79)"),
        touches=(*ANTI_INFECTIVE, "anti_seizure", "benzodiazepine"),
        touched=("critical", "warning"),
        always=("critical",),
        refire_minutes=p["refire_shock"],
        hazards=("HZ-36",),
        purpose="Meningitis and encephalitis are treated before the scan.",
    )  # fmt: skip
