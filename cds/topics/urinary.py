"""Urinary infection beyond the bladder: how long it is treated (D10), and medicines that reach only the urine."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Trigger, Withdraw, Words
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    Below,
    CountOrders,
    Criterion,
    Expression,
    Figure,
    HasCondition,
    HasOrder,
    Latest,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    Plus,
    SinceStart,
    State,
)
from cds.parameters import ParameterSet
from cds.states.kidney import clearance
from cds.states.parts import computable, guidelines_print, held

IDSA = "Trautner 2025 (IDSA, complicated urinary tract infection): 5 to 7 days of a fluoroquinolone, 7 of others and with bacteria in the blood, from the first active day"
EAU = "EAU guideline on urological infections: 7 days if afebrile for 48 h, 14 for men in whom prostatitis is not excluded (second hand)"
LABELS = "Nitrofurantoin: US label, MHRA 2014, AGS Beers criteria 2019; fosfomycin by mouth: SmPC (cystitis only)"
# What lengthens a course by itself.
LONGER = ("prostatitis", "abscess", "urinary_obstruction", "neutropenia", "endocarditis")
# Ordered for something else: they do nothing in the urine (R-n75).
NOT_FOR_URINE = ("linezolid", "metronidazole", "nitrofurantoin")
TOUCHES = ("antibacterial", "aciclovir")


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The advisories of this topic for one population. Figures and sources: culture.toml."""
    return _duration(p), _urinary_only(p)


def _duration(p: ParameterSet) -> Advisory:
    course, started = OfOrder("course_days", "order"), OfOrder("started_minutes", "order")
    mine = OrderFilter(("antibacterial",), "running", ended_within=p["uti_course_window"])
    running = SinceStart(mine)
    counts = AllOf((OrderHas(("antibacterial",), "active"), Not(OrderHas(NOT_FOR_URINE, "active"))))
    scope = AllOf((State("urinary infection beyond the bladder"), counts, Not(HasCondition(LONGER))))
    drafted = OrderIs("drafted")
    # Days given and days ordered are one course; where nothing runs yet the draft is all of it (R-n75).
    runs = HasOrder(mine)

    together = Plus((course, running))

    def spans(compare: type[Above] | type[Below], limit: str) -> Criterion:
        alone, more = compare(course, p[limit]), compare(together, p[limit])
        return AllOf((drafted, Not(NotComputable(course)), AnyOf((AllOf((Not(runs), alone)), AllOf((runs, more))))))

    long = AllOf((Not(drafted), computable(started, Above(started, p["uti_course_long"]))))
    long_ordered = spans(Above, "uti_course_long")
    review = _review(p, course)
    one_drug = Below(CountOrders(OrderFilter(("antibacterial",), "drafted")), p["uti_drafts_of_one"])
    quinolone = OrderHas(("fluoroquinolone",), "active")
    short = AllOf(
        (
            Not(review),
            one_drug,
            AnyOf((AllOf((quinolone, spans(Below, "uti_course_least_fluoroquinolone"))), AllOf((Not(quinolone), spans(Below, "uti_course_least"))))),
        )
    )
    # The first part gives the sum its unit: days, not minutes.
    so_far = Plus((Figure(p["uti_no_days"]), started))
    facts: dict[str, Expression] = {"course": course, "started": so_far}
    do = (
        "By local protocol: {p.uti_course_least} in all from the first day of an active medicine, {p.uti_course_least_fluoroquinolone} or more with a fluoroquinolone, if the patient improves.",
        "If there is a reason for more (no answer in 72 h, obstruction, abscess, prostatitis, a catheter that stays), write it on the order.",
    )
    cautions = ("Days of a medicine that the organism resists do not count.", "A man in whom prostatitis is not excluded is treated for longer.")
    differs = ("IDSA 2025: 7 days, 5 to 7 with a fluoroquinolone. EAU: 7 days if afebrile for 48 h, 14 for men in whom prostatitis is not excluded.",)
    ordered = "Course as ordered: {course}, after what was given before it."

    def branch(name: str, when: Criterion, indicator: str, summary: str, line: str) -> Branch:
        return Branch(name, AllOf((scope, when)), indicator, Words(summary, (line,), do, cautions, differs, facts))

    return Advisory(
        code="complicated-uti-duration",
        title="Course of a complicated urinary infection",
        problem="antibacterial course",
        kind="order",
        trigger=Trigger((("drafted:antibacterial", "running:antibacterial"),)),
        over=OrderFilter(("antibacterial",), "either"),
        branches=(
            branch("too short", short, "warning", "Check the length of {order}: {course} is short for an infection beyond the bladder", ordered),
            branch("longer than usual", long, "info", "Check whether {order} can stop: longer than {p.uti_course_long}, no reason on record", "Begun {started} ago."),
            branch("ordered for longer than usual", long_ordered, "info", "Check the length of {order}: more than {p.uti_course_long} in all, no reason on record", ordered),
        ),
        sources=(IDSA, EAU),
        touches=TOUCHES,
        touched=("critical", "warning"),
        hazards=("HZ-40",),
        purpose="Days of an antibacterial that do only harm, or too few.",
    )  # fmt: skip


def _review(p: ParameterSet, course: Expression) -> Criterion:
    """An order to stop and review within three days is no course."""
    return AllOf((Not(NotComputable(course)), Not(Above(course, p["uti_review_course"]))))


def _urinary_only(p: ParameterSet) -> Advisory:
    nitrofurantoin = OrderHas(("nitrofurantoin",), "active")
    fosfomycin = AllOf((OrderHas(("fosfomycin",), "active"), OrderIs("oral")))
    beyond = State("urinary infection beyond the bladder")
    facts: dict[str, Expression] = {"clearance": clearance(p), "creatinine": Latest("creatinine", p["creatinine_window"])}
    out = (Withdraw("Take this order out and choose a medicine that reaches the tissue"),)
    reach = Words(
        "Choose another than {order}: it treats only the bladder, and this infection is beyond it",
        ("Pyelonephritis, an infected catheter, prostatitis, fever or bacteria in the blood is on record.",),
        ("By local protocol: an antibacterial that reaches kidney and blood, by culture.",),
        ("If the fever has another cause and the urine is only cystitis, record it.",),
        facts=facts,
    )
    branches = [
        Branch("beyond the bladder, drafted", AllOf((OrderIs("drafted"), AnyOf((nitrofurantoin, fosfomycin)), beyond)), "warning", reach, out),
        Branch("beyond the bladder", AllOf((AnyOf((nitrofurantoin, fosfomycin)), beyond)), "warning", reach),
    ]
    if held(p, "nitrofurantoin_clearance"):
        branches.append(
            Branch(
                "poor kidneys", AllOf((nitrofurantoin, Below(clearance(p), p["nitrofurantoin_clearance"]))), "warning",
                Words(
                    "Choose another than nitrofurantoin: clearance {clearance} is below {p.nitrofurantoin_clearance}",
                    ("Clearance {clearance} from creatinine {creatinine}, {creatinine.age}.",),
                    ("By local protocol: another medicine for cystitis, by culture.",),
                    ("Too little reaches the urine, and neuropathy is more likely.",),
                    (f"Clearance below which it is not used: {guidelines_print(p, 'nitrofurantoin_clearance')}.",),
                    facts,
                ),
            )
        )  # fmt: skip
    return Advisory(
        code="urinary-only-antibiotic-in-systemic-uti",
        title="Antibacterial that reaches only the urine",
        problem="antibacterial choice",
        kind="order",
        trigger=Trigger((("drafted:nitrofurantoin", "running:nitrofurantoin", "drafted:fosfomycin", "running:fosfomycin"),)),
        over=OrderFilter(("nitrofurantoin", "fosfomycin"), "either"),
        branches=tuple(branches),
        sources=(IDSA, LABELS),
        touches=TOUCHES,
        touched=("critical", "warning"),
        hazards=("HZ-36",),
        purpose="Pyelonephritis treated with what never reaches the kidney.",
    )
