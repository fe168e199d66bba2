"""How the items of the checklist are answered from a plan or a page; an empty answer is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from trialkit.domain.outcomes import Outcome
from trialkit.domain.plans import PLACEHOLDER, Plan
from trialkit.report.content import Kind, PageContent, Status
from trialkit.report.numbers import POINT
from trialkit.report.tables import with_status
from trialkit.report.words.method import in_blocks
from trialkit.report.words.pictures import upper_first
from trialkit.report.words.rests import in_words
from trialkit.report.words.verdicts import declared_margin

PlanAnswer = Callable[[Plan], str]
PageAnswer = Callable[[PageContent], str]


@dataclass(frozen=True, slots=True)
class Item:
    """One item: its number, what it asks for, how it is answered, and where to enter the answer.

    ``of_plan`` answers from the protocol alone, ``of_page`` from the whole report; an empty
    answer means missing. ``never`` says why an item cannot apply to a trial in one athlete.
    """

    number: str
    asks: str
    enter: str
    of_plan: Callable[[Plan], str] | None = None
    of_page: Callable[[PageContent], str] | None = None
    never: str = ""


def free_text(plan: Plan, name: str) -> str:
    """A free text of the protocol; one that still asks to be filled in tells nothing."""
    text = plan.details.get(name, "")
    return "" if text.startswith(PLACEHOLDER) else text


def detail(*names: str) -> PlanAnswer:
    """An answer from the free texts of the protocol's [trial] table."""

    def answer(plan: Plan) -> str:
        return " ".join(t for n in names if (t := free_text(plan, f"trial.{n}")))

    return answer


def section(name: str, *, told: Callable[[PageContent], bool] = lambda _: True) -> PageAnswer:
    """An answer that stands in a section of the page, if there is anything to tell."""
    return lambda content: f"See “{name}”." if told(content) else ""


def title(plan: Plan) -> str:
    """Title with the kind of trial in it."""
    return plan.title if "n-of-1" in plan.title.lower() else f"{plan.title}: an n-of-1 trial"


def design(plan: Plan) -> str:
    """Scheme, number and length of periods, practice, baseline and rests."""
    d = plan.design
    told = f"{upper_first(d.scheme)}, {in_blocks(plan)}"
    told += f", {d.familiarisation} practice and {d.baseline} baseline periods"
    for span, name in (
        (plan.rest.between_periods, "between periods"),
        (plan.rest.between_sessions, "between sessions"),
        (plan.rest.washout, "washout"),
    ):
        if span is not None:
            told += f"; {name} {in_words(span)}"
    period = free_text(plan, "design.period")
    return f"{told}. {period}".strip()


def recipes(plan: Plan) -> str:
    """Every condition with its recipe; missing when one has none."""
    if any(not c.recipe for c in plan.conditions):
        return ""
    return " ".join(f"{c.label}: {c.recipe.rstrip('.')}." for c in plan.conditions)


def outcomes(plan: Plan) -> str:
    """Every outcome with role, unit and how it is measured."""
    return "; ".join(_outcome(o) for o in plan.outcomes)


def _outcome(outcome: Outcome) -> str:
    recipe = outcome.measure
    how = "typed in" if recipe is None else f"{recipe.statistic} of {recipe.channel}"
    return f"{outcome.label} ({outcome.role.value}, {outcome.unit}, {how})"


def reliability(plan: Plan) -> str:
    """Typical error of the primary outcome with its source."""
    noise = plan.primary.typical_error if plan.primary else None
    if noise is None:
        return ""
    df = "no degrees of freedom given" if noise.df is None else f"{POINT.short(noise.df)} df"
    return f"typical error {POINT.short(noise.value)} {noise.unit}, {df}; {noise.source}"


def aim(plan: Plan) -> str:
    """Question, aim and margin; missing without a margin."""
    if plan.primary is None or plan.primary.worthwhile is None:
        return ""
    margin = declared_margin(plan.primary, POINT).replace("\u00a0", " ")
    stated = free_text(plan, "trial.aim")
    return f"{plan.question} {stated} Margin {margin}.".replace("  ", " ")


def looks(plan: Plan) -> str:
    """Declared looks and stopping rules."""
    at = ", ".join(map(str, plan.analysis.looks))
    declared = f"Looks after {at} blocks ({plan.analysis.spending})." if at else "No look declared."
    return f"{declared} {free_text(plan, 'trial.stopping_rules')}".strip()


def randomisation(plan: Plan) -> str:
    """How the order is made."""
    if plan.design.scheme == "fixed":
        return "The order was fixed, not drawn."
    return f"Drawn by scheme {plan.design.scheme}, blocks of {plan.design.block_size}."


def restrictions(plan: Plan) -> str:
    """Restrictions on the order beyond the scheme."""
    c = plan.design.constraints
    found = [
        f"longest run {c.longest_run}" if c.longest_run else "",
        f"balanced over {c.balance}" if c.balance else "",
        f"shortest phase {c.min_phase}" if c.min_phase else "",
        f"blocks of {c.block_days} days" if c.block_days else "",
    ]
    told = ", ".join(f for f in found if f) or "none beyond the scheme"
    return f"{plan.design.scheme}; further restrictions: {told}"


def roles(plan: Plan) -> str:
    """Who does what; missing when nobody is named."""
    b = plan.blinding
    named = (
        ("opens the sequence", b.opens_sequence),
        ("tests", b.tester),
        ("analyses", b.analyst),
        ("keeps the key", b.keyholder),
    )
    return "; ".join(f"{who} {what}" for what, who in named if who)


def blinding(plan: Plan) -> str:
    """Who is blind and how."""
    b = plan.blinding
    return f"{', '.join(b.blind) or 'nobody'}. {b.how}".strip()


def alike(plan: Plan) -> str:
    """How alike the conditions look or feel."""
    return "; ".join(f"{c.label}: {c.alike}" for c in plan.conditions if c.alike)


def analysis(plan: Plan) -> str:
    """Declared method, level and rule for missing periods."""
    a = plan.analysis
    told = f"method {a.method}, level {POINT.short(a.level)}"
    return f"{told}; missing periods: {a.missing_rule}" if a.missing_rule else told


def nuisances(plan: Plan) -> str:
    """How carryover, period effects and correlation in time are handled."""
    a = plan.analysis
    period = "adjusted for" if a.period_effect else "left to the random order"
    serial = "modelled" if a.method == "serial" else "left to the random order"
    told = f"carryover {a.carryover}; place in the block {period}; trend {a.trend}"
    return f"{told}; serial correlation {serial}"


def order(content: PageContent) -> str:
    """The intended order of the trial's periods."""
    labels = [content.label(p.planned_condition) for p in content.trial_periods()]
    return "; ".join(f"{i} {label}" for i, label in enumerate(labels, start=1))


def concealment(content: PageContent) -> str:
    """How the order was kept hidden."""
    seal = content.seal
    if seal is None or not seal.commitment:
        return ""
    return (
        f"Sealed before the first period (fingerprint {seal.commitment[:16]}…), opened one by one."
    )


def completed(content: PageContent) -> str:
    """Periods held against planned."""
    periods = content.trial_periods()
    held = sum(p.status is Status.DONE for p in periods)
    reasons = " ".join(
        f"Period {p.number}: {with_status(p)}." for p in periods if p.status is not Status.DONE
    )
    return f"{held} of {len(periods)} periods held. {reasons}".strip() if periods else ""


def exclusions(content: PageContent) -> str:
    """Periods lost, aborted or left out in whole or in part, with the reasons that were entered."""
    periods = content.trial_periods()
    lost = (Status.MISSED, Status.ABORTED, Status.EXCLUDED)
    out = [p for p in periods if p.status in lost or Status.EXCLUDED.value in p.note]
    if not out:
        return "No period was missed, aborted or left out."
    return " ".join(f"Period {p.number}: {with_status(p)}." for p in out)


def dates(content: PageContent) -> str:
    """First and last day."""
    moments = [m for p in content.periods if (m := p.actual_start) is not None]
    return f"{min(moments).date()} to {max(moments).date()}" if moments else ""


def stopped(content: PageContent) -> str:
    """Whether the trial ended before its last planned period."""
    open_ones = [p for p in content.trial_periods() if p.status is Status.PLANNED]
    if not open_ones:
        return "No: every planned period was held or is accounted for."
    return f"{len(open_ones)} planned periods have not been held."


def baseline(content: PageContent) -> str:
    """Profile of the athlete and the baseline periods."""
    count = sum(p.kind is Kind.BASELINE for p in content.periods)
    runs = f"{count} baseline periods." if count else ""
    return f"{free_text(content.plan, 'trial.profile')} {runs}".strip()


def analysed(content: PageContent) -> str:
    """Periods analysed per condition."""
    result = content.primary
    if result is None or result.estimate is None:
        return ""
    counts: dict[str, int] = {}
    for period in content.trial_periods():
        if period.value(result.outcome.name) is not None:
            held = period.delivered_condition or period.planned_condition
            counts[held] = counts.get(held, 0) + 1
    return "; ".join(f"{content.label(name)}: {count}" for name, count in counts.items())


def amended(content: PageContent) -> str:
    """Changes after the order was drawn."""
    if not content.amendments:
        return "None."
    return "; ".join(f"{a.when} {a.field}: {a.reason}" for a in content.amendments)


def estimated(content: PageContent) -> bool:
    """Whether the primary outcome has an estimate."""
    return content.primary is not None and content.primary.estimate is not None


def harms(content: PageContent) -> str:
    """Harms, or that there were none; missing when nobody asked."""
    if content.harms is None:
        return ""
    return (
        f"{len(content.harms)} reported, see “Symptoms and injuries”." if content.harms else "None."
    )


def protocol_hash(content: PageContent) -> str:
    """Fingerprint of the frozen protocol."""
    registered = free_text(content.plan, "trial.registration")
    seal = "" if content.seal is None else f"Protocol SHA-256 {content.seal.protocol_sha256}"
    return "; ".join(part for part in (registered, seal) if part)
