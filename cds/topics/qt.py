"""Medicines that lengthen the QT interval, with low potassium or magnesium or a long QT already (B8)."""

from __future__ import annotations

from cds.advisory import Advisory, Branch, Measure, Proposal, Trigger, Words
from cds.logic.criteria import AllOf, AnyOf, AtLeastValue, Below, Criterion, Expression, HasCondition, Latest, Limit, Not, OrderFilter, OrderHas, OrderIs, State
from cds.parameters import ParameterSet
from cds.states.minerals import QT_DRUGS, qtc
from cds.states.parts import POTASSIUM_TOUCHES, computable, potassium_on_the_ward
from cds.states.potassium_level import potassium_not_known, potassium_now

TORSADES = "Drew BJ et al. Prevention of torsade de pointes in hospital settings. AHA/ACCF statement. Circulation 2010;121:1047-1060"
LABELS = "Labels of the medicines listed"


def advisories(p: ParameterSet) -> tuple[Advisory, ...]:
    """The one advisory of this topic. Figures and sources: qt.toml, states/mineral_lines.toml."""
    interval = qtc(p)
    potassium, magnesium = potassium_on_the_ward(p), Latest("magnesium", p["minerals_age"])
    facts: dict[str, Expression] = {"potassium": potassium, "magnesium": magnesium, "qtc": interval}
    drafted, two = OrderIs("drafted"), State("two medicines lengthen QT")

    def low(limit: Limit) -> Criterion:
        return AllOf((State("low potassium measured"), potassium_now(p, lambda item: Below(item, limit))))

    def short_of_magnesium(limit: Limit) -> Criterion:
        return AllOf((State("magnesium measured"), Below(magnesium, limit)))

    def longer(limit: Limit) -> Criterion:
        """What is not recorded is not long; the card asks for an ECG."""
        return computable(interval, AtLeastValue(interval, limit))

    low_potassium, low_magnesium = low(p["potassium_low_below"]), short_of_magnesium(p["magnesium_low_below"])
    low_mineral = AnyOf((low_potassium, low_magnesium))
    long, very_long = longer(p["qtc_long_from"]), longer(p["qtc_very_long_from"])
    # Without any potassium it is asked for only where the heart is at risk already: every antiemetic would ask for one else.
    not_looked = AllOf((drafted, AnyOf((long, two)), potassium_not_known(p), Below(potassium, p["potassium_low_below"])))
    # Everyday: one medicine that is taken already, and a value just below the line (R-m46).
    mild = AllOf((Not(drafted), Not(two), Not(long), Not(low(p["qt_potassium_dangerous_below"])), Not(short_of_magnesium(p["magnesium_very_low_below"]))))
    # A first antibacterial in shock or infection of the brain is warned of, never held up (N-19).
    waits = Not(AllOf((drafted, OrderHas(("antibacterial",), "active"), HasCondition(("septic_shock", "meningitis", "encephalitis")))))
    found = ("Potassium {potassium}, magnesium {magnesium}, longest QTc {qtc}.", "About: {order}.")
    do = (
        "By local protocol: potassium to {p.qt_potassium_aim} and magnesium above {p.qt_magnesium_above} (or magnesium {p.qt_magnesium_dose}) before the dose.",
        "12-lead ECG now and after the dose; another medicine without QT effect where there is one; ECG on the monitor.",
    )
    cautions: tuple[str, ...] = (
        "Female sex, age, a slow pulse, heart failure and fast injection add to the risk.",
        "Bazett reads too long with a fast pulse.",
        "A medicine that treats the arrhythmia itself is for the cardiologist to weigh.",
        "A first antibacterial in septic shock or meningitis is given now; potassium and magnesium run beside it.",
    )
    if p.population == "child":
        cautions = (*cautions, "Doses by weight, with the specialist team.")
    ask: tuple[Proposal, ...] = (
        Measure("qtc", "Record a 12-lead ECG now", unless_within=p["qtc_age"]),
        Measure("magnesium", "Measure magnesium", unless_within=p["minerals_age"]),
        Measure("potassium", "Measure potassium again", unless_within=p["potassium_age_in_crisis"]),
    )

    def branch(name: str, when: Criterion, indicator: str, summary: str) -> Branch:
        return Branch(name, when, indicator, Words(summary, found, do, cautions, facts=facts), ask)

    return (
        Advisory(
            code="hypokalaemia-with-qt-drug",
            title="QT-lengthening medicine with low potassium or magnesium",
            problem="heart rhythm",
            kind="order",
            trigger=Trigger((("drafted:qt_prolonging", "running:qt_prolonging", "listed:qt_prolonging"),)),
            over=OrderFilter(QT_DRUGS, "active"),
            branches=(
                branch("very long QT", AllOf((waits, low_mineral, very_long)), "critical",
                       "QTc {qtc}, potassium {potassium}, magnesium {magnesium}: replace before a QT medicine"),
                branch("potassium very low", AllOf((waits, low(p["qt_potassium_dangerous_below"]))), "critical",
                       "Potassium {potassium}: give potassium before this QT-lengthening medicine; ECG"),
                branch("magnesium very low", AllOf((waits, short_of_magnesium(p["magnesium_very_low_below"]))), "critical",
                       "Magnesium {magnesium}: give magnesium before this QT-lengthening medicine; ECG"),
                branch("two medicines", AllOf((waits, two, low_potassium, AnyOf((long, low_magnesium)))), "critical",
                       "Potassium {potassium} with two QT-lengthening medicines: give potassium first; ECG, choose another"),
                branch("taken already, a little low", AllOf((low_mineral, mild)), "info",
                       "Potassium {potassium}, magnesium {magnesium} with a QT-lengthening medicine: replace, ECG"),
                branch("low potassium", low_potassium, "warning", "Potassium {potassium}: replace potassium before this QT-lengthening medicine; ECG"),
                branch("low magnesium", low_magnesium, "warning", "Magnesium {magnesium}: replace magnesium before this QT-lengthening medicine; ECG"),
                branch("long QT alone", very_long, "warning", "QTc {qtc}: choose a medicine without QT effect, or call for cardiology advice"),
                branch("potassium not known", not_looked, "warning", "QT-lengthening medicine: measure potassium first"),
            ),
            sources=(TORSADES, LABELS),
            touches=POTASSIUM_TOUCHES,
            gap_indicator="info",
            hazards=("HZ-07", "HZ-11", "HZ-17", "HZ-35", "HZ-36"),
            purpose="Torsades, which a tablet, a low potassium and a long QT make together.",
        ),
    )  # fmt: skip
