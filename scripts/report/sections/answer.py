"""The first screen: what was done, safety, what each claim came to, muscle and heart."""

from engine.listings import described
from report.answer import (
    course_in_words,
    marks_in_words,
    parts_of,
    person_means,
    plan_in_words,
    pressures_in_words,
    what_was_done,
)
from report.drawn import across_conditions, interval_scale
from report.heart import contrasts_of
from report.joint_tests import told_in_short
from report.origins import Origin, Told
from report.safety import safety_findings
from report.sentences import in_unit, same_order, sentence_of_claim, shares_in_words
from report.single_case import is_one_participant
from report.words import label_of, window_of_set
from results.format import interval, significant
from results.words import counted
from study.plan import NOT_FROZEN

ORDER = 1

TITLE = "The answer"

NEEDS = ("outcomes", "contrasts", "claims", "joint_tests", "safety", "harms", "single_case")

# the muscle, then the heart: one picture each, drawn where the study has the values
PICTURES = (("smo2_nadir_pct", "set"), ("mean_hr_bpm", "set"))


def section(results):
    settings = results.settings
    alone = is_one_participant(results.outcomes, results.conditions)
    return {
        "alone": alone,
        "told_set_by_set": len(results.single_case) > 0,
        "done": what_was_done(results.recordings, results.events, results.conditions),
        "pressures": Told(
            pressures_in_words(
                results.safety, results.conditions, settings.protocol.no_cuff_condition
            ),
            Origin("safety", 0),
        ),
        "findings": safety_findings(results.safety, results.harms),
        "claims": [] if alone else claims_shown(results.claims, results.contrasts),
        "plan": plan_in_words(results.claims, settings.plan),
        "pictures": [] if alone else list(pictures(results)),
    }


def claims_shown(claims, contrasts):
    """Every claim, where anything could be compared at all."""
    if contrasts["estimate"].isna().all():
        return []
    return [claim_shown(claim, contrasts) for claim in claims.itertuples()]


def claim_shown(claim, contrasts):
    """What the first screen says and draws of one claim."""
    module = described(claim.outcome)
    label = f"{module.LABEL} ({window_of_set(claim.window)})"
    contrasts_shown = contrasts_of(contrasts, claim.outcome, claim.window)
    parts = parts_of(claim)
    ratio = module.SCALE == "ratio"
    smallest = contrasts_shown["smallest_effect"].dropna()
    smallest = float(smallest.iloc[0]) if len(smallest) else None
    short = claim._replace(parts=None, plan=NOT_FROZEN)
    shown = {
        "sentence": Told(
            sentence_of_claim(short, contrasts_shown, label, same_order=same_order(contrasts)),
            Origin.of("claims", claim),
        ),
        "verdict": claim.verdict,
        "parts": [],
        "plan": "" if claim.plan == NOT_FROZEN else claim.plan,
    }
    if not parts:
        return shown
    scale = interval_scale(
        [(p["estimate"], p["low"], p["high"]) for p in parts], ratio=ratio, smallest=smallest
    )
    return shown | {
        "unit": "ratio" if ratio else in_unit("", module.UNIT),
        "parts": parts_shown(parts, scale.strips, contrasts_shown, ratio=ratio),
        "axis": scale.axis,
        "matters": matters(smallest, module),
    }


def parts_shown(parts, strips, contrasts, *, ratio):
    """The differences of a claim as cells: drawn, the estimate with its row of contrasts.tsv, its
    interval, pairs, and the shares of the values behind it that are flagged and withheld."""
    behind = {row.contrast: row for row in contrasts.itertuples()}
    return [
        {
            "name": part["name"],
            "strip": strip,
            "estimate": Told(
                significant(part["estimate"], signed=not ratio),
                *([Origin.of("contrasts", behind[part["name"]])] if part["name"] in behind else ()),
            ),
            "level": f"{part['level']:.3g} %",
            "interval": interval(part["low"], part["high"]),
            "pairs": part["pairs"],
            "shares": ", ".join(shares_in_words(behind.get(part["name"]))),
        }
        for part, strip in zip(parts, strips, strict=True)
    ]


def matters(smallest, outcome):
    """What is shaded behind the intervals, or that nothing is."""
    if smallest is None:
        return "No smallest effect was stated."
    if outcome.SCALE == "ratio":
        return f"Shaded: smaller than the smallest effect, a ratio of {smallest:g}."
    return f"Shaded: smaller than the smallest effect, {in_unit(f'{smallest:g}', outcome.UNIT)}."


def pictures(results):
    """A picture with its caption for the muscle and for the heart."""
    for outcome, window in PICTURES:
        cells = person_means(results.outcomes, outcome, window, results.conditions)
        if cells.empty:
            continue
        module = described(outcome)
        band = results.settings.protocol.failure_band_pct if outcome == "smo2_nadir_pct" else None
        said = course_in_words(cells, results.conditions, module.LABEL, module.UNIT)
        people = counted(cells["participant_id"].nunique(), "person", "people")
        of_outcome = results.contrasts["outcome"].eq(outcome) & results.contrasts["window"].eq(
            window
        )
        marks = marks_in_words(results.contrasts[of_outcome])
        shaded = f" Shaded: the failure band, {band[0]:g} to {band[1]:g} %." if band else ""
        yield {
            "said": said,
            "interaction": told_in_short(results.joint_tests, outcome, window),
            "drawing": across_conditions(
                cells, results.conditions, said=said, label=label_of(outcome), band=band
            ),
            "caption": f"{people}, a line each. {marks}{shaded}",
        }
