"""Ceftriaxone and calcium by vein in a newborn: they precipitate in lungs and kidneys."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Trigger, Withdraw, Words
from cds.logic.criteria import AllOf, HasOrder, OrderFilter, PatientIs
from cds.parameters import ParameterSet

LABEL = "Ceftriaxone, FDA label section 4 and SmPC 4.3: contraindicated at 28 days or younger with calcium-containing solutions by vein"
# Any salt; and a balanced fluid, which may hold calcium (Ringer, Hartmann) or not.
CALCIUM, PERHAPS = ("calcium",), ("balanced_crystalloid",)


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. It holds in newborns alone: beyond 28 days the line is another code's (N-13)."""
    do = (
        "By local protocol: cefotaxime in place of ceftriaxone, and ask the neonatal team.",
        "If the calcium cannot wait, it goes on, and the ceftriaxone does not.",
    )
    cautions = (
        "Separate lines and separate times do not make it safe at this age.",
        "Never a reason to leave an infection untreated: another antibacterial goes in at once.",
    )

    # Asked of the patient, and not of each order: where the patient is no newborn, a list of orders that failed leaves no question open.
    drafted, either = (OrderFilter(("ceftriaxone",), place) for place in ("drafted", "either"))
    calcium, perhaps = (OrderFilter(classes, "either", "intravenous") for classes in (CALCIUM, PERHAPS))
    newborn = PatientIs("neonate")
    both = Words(
        "Choose cefotaxime, not ceftriaxone with calcium by vein: they precipitate in a newborn",
        ("Calcium by vein and ceftriaxone are both ordered; age 28 days or less.",),
        do,
        cautions,
    )
    fluid = Words(
        "Check the fluid for calcium: with ceftriaxone it precipitates in a newborn; choose cefotaxime",
        ("A balanced fluid by vein and ceftriaxone are both ordered; age 28 days or less.",),
        do,
        cautions,
    )
    out = (Withdraw("Take the ceftriaxone out"),)
    return (
        Advisory(
            code="ceftriaxone-with-calcium",
            title="Ceftriaxone with calcium in a newborn",
            problem="ceftriaxone with calcium",
            kind="order",
            trigger=Trigger((("drafted:ceftriaxone", "running:ceftriaxone"),)),
            branches=(
                Branch("calcium, ceftriaxone drafted", AllOf((newborn, HasOrder(drafted), HasOrder(calcium))), "critical", both, out),
                Branch("calcium", AllOf((newborn, HasOrder(either), HasOrder(calcium))), "critical", both),
                Branch("balanced fluid", AllOf((newborn, HasOrder(either), HasOrder(perhaps))), "warning", fluid),
            ),
            sources=(LABEL,),
            touches=("ceftriaxone", "calcium", "balanced_crystalloid"),
            always=("critical",),
            neonate=True,
            hazards=("HZ-36",),
            purpose="Deaths of newborns from crystals in lungs and kidneys.",
        ),
    )
