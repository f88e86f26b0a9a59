"""What a culture says of the antibacterial in hand (D9)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Give, OneOf, Trigger, Words
from cds.logic.criteria import (
    AllOf,
    AnyOf,
    AnyOrder,
    Criterion,
    CultureShows,
    Expression,
    HasCondition,
    Latest,
    Not,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderTested,
    Scaled,
    State,
)
from cds.parameters import Limit, ParameterSet
from cds.states.infection import URINARY
from cds.states.parts import held

SOURCES = (
    "Tamma 2024, Clin Infect Dis (IDSA guidance on resistant Gram-negative infections): preferred medicines for organisms with an extended-spectrum beta-lactamase",
    "EUCAST definitions of S, I and R (2019): I is susceptible at increased exposure",
    "EUCAST expert rules: oxacillin or cefoxitin stands for all beta-lactams in staphylococci only",
)
# A combination is judged by its own result: amoxicillin resistant says nothing of amoxicillin with clavulanate.
COMBINED = ("clavulanate", "tazobactam", "sulbactam")
BETA_LACTAMS = ("penicillin", "cephalosporin", "carbapenem", "aztreonam")
STILL_ACTIVE = ("ceftaroline", "ceftobiprole")
STAPHYLOCOCCUS = ("staph", "mrsa", "s. aureus", "s aureus")
# First to third generation; a fourth-generation one is "avoid" below.
EXTENDED_SPECTRUM = (
    "cefalexin", "cefazolin", "cefuroxime", "cefaclor", "cefadroxil", "cefprozil", "cefotaxime", "ceftriaxone", "ceftazidime", "cefixime", "cefpodoxime", "ceftibuten",
    "aztreonam",
)  # fmt: skip
AVOID_WITH_ESBL = ("piperacillin", "cefepime")
GRAVE = ("bacteraemia", "sepsis", "septic_shock", "meningitis", "cns_infection")
SPREAD = ("sepsis", "septic_shock", "bacteraemia")
# An infection elsewhere: what grew in the urine is not of it.
ELSEWHERE = ("pneumonia", "meningitis", "encephalitis", "cns_infection", "endocarditis", "abscess")
TESTED = (
    "ampicillin", "amoxicillin", "clavulanate", "tazobactam", "cefazolin", "cefoxitin", "cefotaxime", "ceftriaxone", "ceftazidime", "cefepime", "aztreonam", "ertapenem",
    "imipenem", "meropenem", "ciprofloxacin", "levofloxacin", "tobramycin", "gentamicin", "amikacin", "trimethoprim", "sulfamethoxazole", "nitrofurantoin", "vancomycin",
    "tetracycline", "doxycycline", "fosfomycin",
)  # fmt: skip


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisory about cultures for one population. Figures and sources: culture.toml and states/infection.toml."""
    return (
        Advisory(
            code="culture-resistant-to-current-antibiotic",
            title="Culture resistant to the antibacterial",
            problem="antibacterial choice",
            kind="order",
            trigger=Trigger((("drafted:antibacterial", "running:antibacterial"),)),
            over=OrderFilter(("antibacterial",), "either"),
            branches=_branches(p),
            sources=SOURCES,
            touches=("antibacterial", "aciclovir"),
            touched=("critical", "warning"),
            # Most infections have no culture yet: a list that did not come is a line, and no card of its own.
            gap_indicator="info",
            refire_minutes=p["refire_critical"],
            without_age=True,
            hazards=("HZ-36",),
            purpose="An infection treated with what does not reach its organism.",
        ),
    )


def _shown(results: tuple[str, ...], within: Limit, specimens: tuple[str, ...]) -> Criterion:
    """The order in hand was tested with one of the results: a combination by its own, another by the drug's."""
    whole = tuple(AllOf((OrderHas((part,), "active"), CultureShows(results, within, markers=(part,), specimens=specimens))) for part in COMBINED)
    # What resists both together resists trimethoprim; what both together stop, trimethoprim alone need not.
    falls_alone = ("trimethoprim",) if results == ("R",) else ()
    folic = AllOf((OrderHas(("sulfamethoxazole", *falls_alone), "active"), CultureShows(results, within, markers=("sulfamethoxazole",), specimens=specimens)))
    alone = AllOf((Not(OrderHas((*COMBINED, "sulfamethoxazole"), "active")), OrderTested(results, within, specimens)))
    return AnyOf((*whole, folic, alone))


def _at_site(results: tuple[str, ...], within: Limit) -> Criterion:
    """As `_shown`, by a specimen that may belong to the infection: urine counts where the infection is urinary, spread, or of no named place."""
    urinary = AnyOf((HasCondition((*URINARY, *SPREAD)), Not(HasCondition(ELSEWHERE))))
    return AnyOf((_shown(results, within, ("blood", "csf", "other")), AllOf((urinary, _shown(results, within, ("urine",))))))


def _by_class(within: Limit) -> Criterion:
    """The order in hand falls to a marker of its class: staphylococci that resist oxacillin, an extended-spectrum beta-lactamase, a carbapenemase."""
    methicillin = AllOf(
        (
            OrderHas(BETA_LACTAMS, "active"),
            Not(OrderHas(STILL_ACTIVE, "active")),
            CultureShows(("R",), within, markers=("oxacillin", "cefoxitin"), organisms=STAPHYLOCOCCUS),
        )
    )
    esbl = AllOf(
        (
            OrderHas(("penicillin", *EXTENDED_SPECTRUM), "active"),
            Not(OrderHas((*COMBINED, "temocillin", "pivmecillinam"), "active")),
            CultureShows(("R",), within, markers=("esbl",)),
        )
    )
    carbapenemase = AllOf((OrderHas(("carbapenem",), "active"), CultureShows(("R",), within, markers=("carbapenemase",))))
    return AnyOf((methicillin, esbl, carbapenemase))


def _alternatives(p: ParameterSet) -> tuple[OneOf, ...]:
    """What IDSA prefers, in its order; each is judged for this patient, and what did not test susceptible falls out as a finding of this very code."""
    if not held(p, "alternative_ertapenem"):
        return ()
    over, gentamicin = p["alternative_minutes"], Scaled(Latest("weight", p["weight_age"]), p["alternative_gentamicin_per_kg"], "mg")
    return (
        OneOf(
            "An alternative that tests susceptible",
            (
                Give("Trimethoprim with sulfamethoxazole, dose as trimethoprim", "trimethoprim", p["alternative_trimethoprim"], "mg", minutes=over),
                Give("Ciprofloxacin", "ciprofloxacin", p["alternative_ciprofloxacin"], "mg", minutes=over),
                Give("Ertapenem", "ertapenem", p["alternative_ertapenem"], "mg", minutes=over),
                Give("Meropenem", "meropenem", p["alternative_meropenem"], "mg", minutes=over),
                Give("Gentamicin, once, by weight", "gentamicin", gentamicin, "mg", minutes=over),
            ),
        ),
    )


def _branches(p: ParameterSet) -> tuple[Branch, ...]:
    within: Limit = p["culture_age"]
    infected, drafted = HasCondition(("infection", *URINARY, *GRAVE, "endocarditis", "abscess")), OrderIs("drafted")
    resistant, class_resistant = _at_site(("R",), within), _by_class(within)
    # Reported susceptible and yet not to be trusted with an extended-spectrum enzyme: neither covers, nor is another's cover.
    doubted = AllOf((OrderHas(AVOID_WITH_ESBL, "active"), CultureShows(("R",), within, markers=("esbl",))))
    works = AllOf((_at_site(("S",), within), Not(_at_site(("R",), within)), Not(_by_class(within)), Not(doubted)))
    covered = AnyOrder(OrderFilter(("antibacterial",), "running"), works)
    falls = AllOf((infected, AnyOf((resistant, class_resistant)), Not(covered)))
    spread = AnyOf((HasCondition(GRAVE), _shown(("R",), within, ("blood", "csf"))))
    # Growth of several organisms, or of the skin, and nothing better: ask for a clean specimen before anything is changed.
    doubtful = AllOf((CultureShows(("mixed", "contaminated"), within), Not(CultureShows(("positive",), within))))
    improving = State("infection improving")
    esbl = AllOf((infected, doubted, Not(HasCondition(("cystitis",)))))
    earlier = AllOf(
        (infected, drafted, Not(CultureShows(("positive",), within)), _at_site(("R",), p["culture_earlier"]), Not(_at_site(("R", "S", "I"), within)))
    )
    untested = AllOf(
        (infected, drafted, CultureShows(("S",), within, markers=TESTED), Not(_at_site(("R", "S", "I"), within)), Not(class_resistant), _one_resistant(within))
    )
    facts: dict[str, Expression] = {"temperature": Latest("temperature", p["improving_temperature_age"])}
    found = ("The reports that decided are listed with their specimen, organism and age.",)
    do = (
        "By local protocol and with microbiology: change to what tests susceptible and reaches the site.",
        "With an extended-spectrum beta-lactamase outside the bladder: trimethoprim with sulfamethoxazole or a fluoroquinolone if susceptible, else a carbapenem, first of all in the critically ill; not nitrofurantoin or fosfomycin by mouth.",
    )
    cautions = (
        "Check that the report is of this infection, and not of a carrier or of another site.",
        "Never stop before the next one is given; in shock broaden at once.",
    )
    improving_found = (*found, "Temperature now {temperature}, {temperature.age}: a fever of these days has gone.")
    offers = _alternatives(p)

    def words(summary: str, lines: tuple[str, ...] = found, shown: dict[str, Expression] | None = None) -> Words:
        return Words(summary, lines, do, cautions, facts=shown or {})

    return (
        Branch("several organisms or skin", AllOf((falls, doubtful)), "info", words("Repeat the culture: mixed or contaminated growth, resistant to {order}")),
        Branch(
            "resistant, spread, improving",
            AllOf((falls, spread, improving)),
            "warning",
            words("Check {order} with microbiology: resistant in culture, yet the fever has gone", improving_found, facts),
            offers,
        ),
        Branch("resistant, spread", AllOf((falls, spread)), "critical", words("Choose another now: the culture is resistant to {order}"), offers),
        Branch(
            "resistant, improving",
            AllOf((falls, improving)),
            "warning",
            words("Check {order}: resistant in culture, yet the fever has gone", improving_found, facts),
            offers,
        ),
        Branch("resistant", falls, "warning", words("Choose another: the culture is resistant to {order}"), offers),
        Branch(
            "avoid with an extended-spectrum enzyme",
            AllOf((esbl, Not(covered))),
            "warning",
            words("Choose a carbapenem or what tests well: an ESBL organism may beat {order}, even if reported S"),
            offers,
        ),
        Branch(
            "susceptible at a higher dose",
            AllOf((infected, _at_site(("I",), within))),
            "info",
            words("Check the dose of {order}: the culture is susceptible at increased exposure (I)"),
        ),
        Branch(
            "resistant in an earlier culture", earlier, "info", words("Check {order}: an earlier culture was resistant to it, and none of this illness is back")
        ),
        Branch("not among those tested", untested, "info", words("Check {order}: the culture did not test it, and another medicine tests susceptible")),
    )


def _one_resistant(within: Limit) -> Criterion:
    return AnyOf((CultureShows(("R",), within, markers=TESTED), CultureShows(("R",), within, markers=("esbl", "carbapenemase"))))
