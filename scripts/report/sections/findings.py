"""What was found in the primary outcomes, and how far the muscle desaturated."""

from engine.listings import described
from muscle.desaturation import reached_band
from report.heart import FALLS, contrasts_of, not_comparable, rate_in_sets_is_equal
from report.sentences import sentence_against_others, sentence_of_contrast
from report.words import source_of, window_of_set
from results.decided import SAME_ORDER
from results.words import words_of

ORDER = 10

TITLE = "What was found"

NEEDS = ("outcomes", "contrasts")


def section(results):
    settings = results.settings
    return {
        "findings": findings(results.outcomes, results.compared, settings),
        "failure_band": failure_band(results.outcomes, settings, results.default_settings),
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


def failure_band(found, settings, default_settings):
    """How far the muscle desaturated, whether that reached the band, and whether sets then failed.

    A list of sentences: one for each condition, then the counts over all of them.
    """
    low, high = settings.protocol.failure_band_pct
    source = source_of("protocol", "failure_band_pct", settings, default_settings)
    outcomes = ["smo2_nadir_pct", "to_failure"]
    sets = found[(found["window"] == "set") & found["outcome"].isin(outcomes)]
    wide = sets.pivot_table(
        index=["participant_id", "session_id", "event_id", "condition"],
        columns="outcome",
        values="value",
    ).reindex(columns=outcomes)
    known = wide.dropna(subset="smo2_nadir_pct").reset_index("condition")
    reached = reached_band(known["smo2_nadir_pct"], low_pct=low, high_pct=high)
    sentences = []
    for condition in settings.study.conditions:
        own = known["condition"] == condition
        if own.any():
            nadirs = known.loc[own, "smo2_nadir_pct"]
            sentences.append(
                f"Condition {condition}: the lowest saturation of a set was {nadirs.min():.0f} % "
                f"(median {nadirs.median():.0f} %); {reached[own].sum()} of {own.sum()} sets "
                f"reached the band of {low:g} to {high:g} % that is said to mark failure "
                f"({source})."
            )
    failed, not_failed = known["to_failure"] == 1, known["to_failure"] == 0
    if failed.any():
        sentences.append(
            f"Does the band mark failure here? {reached[failed].sum()} of {failed.sum()} sets to "
            f"failure reached it, and {reached[not_failed].sum()} of {not_failed.sum()} other "
            "sets. These are counts of sets, several of one person, and not a test."
        )
    elif sentences:
        sentences.append(
            "No set with a saturation is noted as one to failure: whether the band marks failure "
            "cannot be told from this study."
        )
    if sentences:
        sentences.append(
            "A set reached the band when its nadir, the lowest mean saturation as defined in the "
            "methods, lay in it. Time in the band is an outcome of its own: it counts single "
            "readings, of which some may lie in the band where the nadir does not."
        )
    return sentences
