"""What was found in the primary outcomes."""

from engine.listings import described
from report.estimand import estimand
from report.heart import (
    FALLS,
    RESERVATION,
    contrasts_of,
    may_compare_falls,
    not_comparable,
    rate_has_smallest_effect,
)
from report.joint_tests import told_interaction
from report.origins import Origin, Told
from report.sentences import sentence_of_claim, sentence_of_contrast
from report.single_case import is_one_participant
from report.words import window_of_set
from results.decided import SAME_ORDER
from results.words import words_of

ORDER = 25

TITLE = "Claims and single differences"

NEEDS = ("outcomes", "contrasts", "claims", "joint_tests")


def section(results):
    if is_one_participant(results.outcomes, results.conditions):
        return None
    settings = results.settings
    return {
        "estimand": estimand(results),
        "findings": findings(
            results.outcomes, results.contrasts, results.claims, results.joint_tests, settings
        ),
        "n_primary": len(results.primary),
        "n_secondary": n_secondary(results.contrasts),
    }


def findings(outcomes, compared, claims, tests, settings):
    """For every primary outcome its planned claims, then the single contrasts.

    A list of (sentences of the claims, sentences of the single contrasts), in the order of the
    study; outcomes that only a claim names stand last. Whether contrasts vary from exercise to
    exercise stands behind them.
    """
    claimed = list(zip(claims["outcome"], claims["window"], strict=True))
    told = []
    for outcome, window in dict.fromkeys([*settings.study.primary, *claimed]):
        module = described(outcome)
        chosen = contrasts_of(compared, outcome, window)
        label = f"{module.LABEL} ({window_of_set(window)})"
        if len(chosen) and chosen["estimate"].isna().all():
            why = why_nothing(outcomes, outcome, window)
            told.append(
                (
                    [],
                    [f"{label}: nothing could be compared{why}."],
                )
            )
            continue
        falls = outcome in FALLS
        comparable = [
            not falls or may_compare_falls(compared, contrast) for contrast in chosen["contrast"]
        ]
        single = [
            Told(
                sentence_of_contrast(
                    row, label, module.UNIT, same_order=SAME_ORDER in str(row.note)
                )
                + without_exercises(outcomes, outcome, window, row.contrast),
                Origin.of("contrasts", row),
            )
            for row in chosen[comparable].itertuples()
        ]
        if not all(comparable):
            single.append(not_comparable(label, chosen["contrast"][[not c for c in comparable]]))
        elif falls and single and not rate_has_smallest_effect(compared):
            single.append(RESERVATION)
        whole = []
        if all(comparable) and len(chosen):
            in_order = chosen["note"].fillna("").str.contains(SAME_ORDER, regex=False).any()
            of_outcome = claims[(claims["outcome"] == outcome) & (claims["window"] == window)]
            whole = [
                Told(
                    sentence_of_claim(
                        claim._replace(parts=None), chosen, label, same_order=bool(in_order)
                    ),
                    Origin.of("claims", claim),
                )
                for claim in of_outcome.itertuples()
            ]
        if all(comparable) and (said := told_interaction(tests, outcome, window, label)):
            single.append(said)
        if single:
            told.append((whole, single))
    return told


def why_nothing(outcomes, outcome, window):
    """The reason that most values of an outcome are absent for, behind a colon; or nothing."""
    of_outcome = outcomes[(outcomes["outcome"] == outcome) & (outcomes["window"] == window)]
    reasons = of_outcome.loc[of_outcome["value"].isna(), "reason"].dropna()
    return f": {reasons.mode().iloc[0]}" if len(reasons) else ""


def without_exercises(outcomes, outcome, window, contrast):
    """Says which exercises a contrast leaves out, for want of values in both conditions."""
    of_outcome = outcomes[
        (outcomes["outcome"] == outcome)
        & (outcomes["window"] == window)
        & outcomes["exercise"].notna()
    ]
    given = of_outcome[of_outcome["value"].notna()]
    in_both = set.intersection(
        *(set(given[given["condition"] == name]["exercise"]) for name in contrast.split(" - "))
    )
    left_out = [words_of(name) for name in of_outcome["exercise"].unique() if name not in in_both]
    if not left_out or not in_both:
        return ""
    return f" Left out: {', '.join(left_out)} (no values in both conditions)."


def n_secondary(compared):
    """Number of outcomes and windows that were compared beside the primary ones."""
    secondary = compared[compared["primary"] != "yes"]
    return len(secondary[["outcome", "window"]].drop_duplicates())
