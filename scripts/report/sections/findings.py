"""What was found in the primary outcomes."""

from engine.listings import described
from report.heart import FALLS, contrasts_of, not_comparable, rate_in_sets_is_equal
from report.sentences import sentence_against_others, sentence_of_contrast
from report.words import window_of_set
from results.decided import SAME_ORDER
from results.words import words_of

ORDER = 10

TITLE = "What was found"

NEEDS = ("outcomes", "contrasts")


def section(results):
    settings = results.settings
    return {
        "findings": findings(results.outcomes, results.compared, settings),
        "n_primary": len(results.primary),
        "n_secondary": n_secondary(results.compared),
    }


def findings(found, compared, settings):
    """For every primary outcome whether the last condition differed from all others, then why.

    A list of (sentence, sentences of the single contrasts), in the order of the study.
    """
    conditions = settings.study.conditions
    told = []
    for outcome, window in settings.study.primary:
        module = described(outcome)
        chosen = contrasts_of(compared, outcome, window)
        label = f"{module.LABEL} ({window_of_set(window)})"
        comparable = [
            outcome not in FALLS or rate_in_sets_is_equal(compared, contrast)
            for contrast in chosen["contrast"]
        ]
        single = [
            sentence_of_contrast(
                row,
                label,
                module.UNIT,
                same_order=SAME_ORDER in str(row.note),
                confidence=settings.compare_conditions.confidence,
            )
            + without_exercises(found, outcome, window, row.contrast)
            for row in chosen[comparable].itertuples()
        ]
        if not all(comparable):
            single.append(not_comparable(label, chosen["contrast"][[not c for c in comparable]]))
        last = chosen[chosen["contrast"].str.startswith(f"{conditions[-1]} - ")]
        is_whole = len(last) > 1 and all(comparable) and last["p"].notna().all()
        whole = ""
        if is_whole:
            in_order = last["note"].fillna("").str.contains(SAME_ORDER, regex=False).any()
            whole = sentence_against_others(last, label, conditions[-1], same_order=bool(in_order))
        if single:
            told.append((whole, single))
    return told


def without_exercises(found, outcome, window, contrast):
    """Says which exercises a contrast leaves out, for want of values in both conditions."""
    own = found[
        (found["outcome"] == outcome) & (found["window"] == window) & found["exercise"].notna()
    ]
    given = own[own["value"].notna()]
    in_both = set.intersection(
        *(set(given[given["condition"] == name]["exercise"]) for name in contrast.split(" - "))
    )
    left_out = [words_of(name) for name in own["exercise"].unique() if name not in in_both]
    if not left_out or not in_both:
        return ""
    return f" Left out: {', '.join(left_out)} (no values in both conditions)."


def n_secondary(compared):
    """Number of outcomes and windows that were compared beside the primary ones."""
    others = compared[compared["primary"] != "yes"]
    return len(others[["outcome", "window"]].drop_duplicates())
