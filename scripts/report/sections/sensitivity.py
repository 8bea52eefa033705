"""How sensitive the contrasts of the primary outcomes are to what was assumed."""

import pandas as pd

from report.origins import Origin, Told
from report.page import shown_table
from report.single_case import is_one_participant
from report.words import basis_in_columns, label_of, span_of
from results.format import estimate_and_interval, p_value, three_digits
from results.words import words_of

ORDER = 35

TITLE = "How sensitive the results are"

NEEDS = ("outcomes", "contrasts", "sensitivity", "alternatives", "missing", "planning", "claims")


def section(results):
    if is_one_participant(results.outcomes, results.conditions):
        return None
    if results.contrasts["estimate"].isna().all():
        return None
    primary = results.primary
    return {
        "left_out_ranges": shown_table(
            left_out_ranges(results.contrasts, primary), "Without one participant"
        ),
        "assumptions": shown_table(
            other_assumptions(results.contrasts, results.sensitivity, primary),
            "The same values under other assumptions",
        ),
        "alternatives": shown_table(
            other_settings(results.alternatives, primary), "Under other settings"
        ),
        "unchanged": [
            Told(sentence, Origin("alternatives", 0))
            for sentence in without_a_change(results.alternatives)
        ],
        "work": shown_table(work(results.contrasts), "Work done: later minus earlier condition"),
        "missing": shown_table(
            primary_missing(results.missing),
            "Missing values of the primary outcomes",
            Origin.of_each("missing", results.missing[results.missing["primary"] == "yes"]),
        ),
        "planning": shown_table(
            detectable(results.planning, primary),
            "Smallest true difference from all other conditions that n participants would show",
        ),
        "chances": shown_table(
            chances(results.planning, primary),
            "Power for the smallest effect, % (with the uncertainty of the spread)",
        ),
        "n_claims": len(results.claims) if results.settings.plan.across_claims == "holm" else 1,
        "power_pct": 100 * results.settings.compare_conditions.power,
    }


PRIMARY = "the primary analysis: within people, CR2"


TERMS = {
    "participant:condition": "between sessions",
    "participant:exercise": "between the exercises of a participant",
    "zero: participant": "zero: between participants",
}


WORK = ("reps_done",)

BASIS = tuple(basis_in_columns([]))


def left_out_ranges(contrasts, primary):
    """Range of each primary contrast over all who could be left out, and who moves it most."""
    known = contrasts[contrasts["leave_out_most"].notna() & contrasts["ci_low"].notna()]
    shown = pd.concat([_of(known, *key) for key in primary]) if primary else known
    return pd.DataFrame(
        {
            "outcome": label_of(row.outcome),
            "contrast": row.contrast,
            "with all": Told(three_digits(row.estimate), Origin.of("contrasts", row)),
            "lowest": three_digits(row.leave_out_low),
            "highest": three_digits(row.leave_out_high),
            "moved most by leaving out": row.leave_out_most,
        }
        | basis_in_columns([row])
        for row in shown.itertuples()
    )


def other_assumptions(contrasts, sensitivity, primary):
    """A row for every analysis of the same values, the primary one first, a column per contrast."""
    marginal = contrasts[contrasts["exercise"] == "all"]
    rest = sensitivity[sensitivity["left_out"].isna()]
    table_rows = []
    for outcome, window in primary:
        of_primary = _of(marginal, outcome, window)
        of_outcome, basis = (
            _by_contrast(of_primary, "contrasts"),
            basis_in_columns(of_primary.itertuples()),
        )
        if any(of_outcome.values()):
            table_rows.append(_labels(outcome, window) | {"analysis": PRIMARY} | of_outcome | basis)
        for analysis, part in _of(rest, outcome, window).groupby("analysis", sort=False):
            by_contrast = _by_contrast(part[part["contrast"].notna()], "sensitivity")
            notes = [n for note in part["note"].dropna() for n in note.split("; ")]
            note = in_plain_words("; ".join(dict.fromkeys(notes)))
            behind = basis | {"pairs": span_of(part["n_pairs"]), "note": note}
            # without an estimate of its own, the rows of its p-values
            origins = () if any(by_contrast.values()) else Origin.of_each("sensitivity", part[:1])
            named = {"analysis": Told(analysis, *origins)}
            table_rows.append(_labels(outcome, window) | named | by_contrast | behind)
    return _with_columns(table_rows, [*marginal["contrast"].unique(), *BASIS, "note"])


def other_settings(alternatives, primary):
    """A row for each alternative that changes a contrast of an outcome, after the main analysis."""
    table_rows = []
    for outcome, window in primary:
        of_outcome = _of(alternatives, outcome, window)
        changed = of_outcome[_changed(of_outcome)]
        if changed.empty:
            continue
        # the main analysis stands first
        for name in dict.fromkeys([of_outcome["alternative"].iloc[0], *changed["alternative"]]):
            part = of_outcome[of_outcome["alternative"] == name]
            n_changed = part["n_values_changed"].iloc[0]
            table_rows.append(
                _labels(outcome, window)
                | {"setting": part["says"].iloc[0]}
                | _by_contrast(part, "alternatives")
                | basis_in_columns(part.itertuples())
                | {"values changed": "" if pd.isna(n_changed) else f"{n_changed:.0f}"}
            )
    last = [*alternatives["contrast"].dropna().unique(), *BASIS, "values changed"]
    return _with_columns(table_rows, last)


def without_a_change(alternatives):
    """Sentences on the alternatives that changed no contrast of an outcome that they concern.

    Apart from them those that concern no primary outcome and those that are the main setting:
    that nothing changes under these says nothing.
    """
    told = alternatives.assign(changed=_changed(alternatives))
    told = told[told["concerns"].notna()]
    same, elsewhere, main = [], [], []
    for says, alike in told.groupby("says", sort=False):
        concerned = alike[
            (alike["concerns"] == "yes") & (alike["estimate"].notna() | alike["changed"])
        ]
        moved = concerned.groupby(["outcome", "window"], sort=False)["changed"].any()
        kept = [_labels(*key)["outcome"] for key in moved.index[~moved]]
        if (alike["concerns"] == "main setting").all():
            main.append(says)
        elif concerned.empty:
            elsewhere.append(says)
        elif kept:
            same.append(f"{says} ({'; '.join(kept)})")
    sentences = []
    if same:
        sentences.append(
            f"These settings leave every contrast that they concern as it is: {', '.join(same)}."
        )
    if elsewhere:
        sentences.append(f"These concern no primary outcome: {', '.join(elsewhere)}.")
    if main:
        sentences.append(f"This is the main setting, which was not run again: {', '.join(main)}.")
    return sentences


def _changed(alternatives):
    """Rows whose estimate or interval is not that of the main analysis."""
    keys = ["outcome", "window", "contrast"]
    shown = ["estimate", "ci_low", "ci_high"]
    first = alternatives["alternative"] == alternatives["alternative"].head(1).squeeze()
    main = alternatives[first].set_index(keys)[shown]
    of_main = main.reindex(pd.MultiIndex.from_frame(alternatives[keys]))
    same = (alternatives[shown].to_numpy() == of_main.to_numpy()) | (
        alternatives[shown].isna().to_numpy() & of_main.isna().to_numpy()
    )
    return ~same.all(axis=1)


def work(contrasts):
    """Repetitions and sets to failure by condition, which pressure may have changed as well."""
    of_work = contrasts[
        contrasts["outcome"].isin(WORK)
        & (contrasts["window"] == "set")
        & (contrasts["exercise"] == "all")
        & contrasts["ci_low"].notna()
    ]
    return pd.DataFrame(
        {
            "outcome": label_of(row.outcome),
            "contrast": row.contrast,
            "difference": Told(
                estimate_and_interval(row.estimate, row.ci_low, row.ci_high),
                Origin.of("contrasts", row),
            ),
        }
        | basis_in_columns([row])
        | {"p": p_value(row.p), "sign-flip p": p_value(row.sign_flip_p)}
        for row in of_work.itertuples()
    )


def primary_missing(missing):
    """What is missing of the primary outcomes, by condition and reason."""
    of_primary = missing[missing["primary"] == "yes"]
    counts = ("n_values", "n_cells", "n_participants", "n_in_sets_to_failure")
    return pd.DataFrame(
        {
            "outcome": [label_of(name) for name in of_primary["outcome"]],
            "window": [words_of(name) for name in of_primary["window"]],
            **{name: of_primary[name] for name in ("condition", "status", "reason")},
            **{
                words_of(name): ["" if pd.isna(n) else f"{n:.0f}" for n in of_primary[name]]
                for name in counts
            },
        }
    )


def detectable(planning, primary):
    """Differences that each planned claim would show, a column per number of participants."""
    return by_size(
        planning[planning["claim"].notna() & planning["detectable_adjusted"].notna()],
        primary,
        lambda row: Told(three_digits(row.detectable_adjusted), Origin.of("planning", row)),
    )


def chances(planning, primary):
    """Power of each planned claim for the smallest effect, with the uncertainty of the spread."""
    return by_size(
        planning[planning["claim"].notna() & planning["assurance"].notna()],
        primary,
        lambda row: Told(
            f"{100 * row.power_at_smallest_effect:.0f} ({100 * row.assurance:.0f})",
            Origin.of("planning", row),
        ),
    )


def by_size(planning, primary, shown):
    """A row for each outcome and claim, a column for each number of participants."""
    by_contrast = {}
    for key in primary:
        for row in _of(planning, *key).itertuples():
            labels = (_labels(*key)["outcome"], row.claim)
            by_contrast.setdefault(labels, {})[f"n {row.n_participants:.0f}"] = shown(row)
    table = [
        {"outcome": outcome, "claim": claim} | n for (outcome, claim), n in by_contrast.items()
    ]
    return pd.DataFrame(table).fillna("")


def in_plain_words(note):
    """A note with the terms of the model named as what they are."""
    for term, words in TERMS.items():
        note = note.replace(term, words)
    return note


def _of(table, outcome, window):
    return table[(table["outcome"] == outcome) & (table["window"] == window)]


def _labels(outcome, window):
    return {"outcome": f"{label_of(outcome)}, {words_of(window)}"}


def _by_contrast(table_rows, table):
    """The estimates of each contrast, marked with their rows of the result table."""
    return {
        row.contrast: Told(
            estimate_and_interval(row.estimate, row.ci_low, row.ci_high), Origin.of(table, row)
        )
        for row in table_rows.itertuples()
    }


def _with_columns(table_rows, last):
    """Rows as a table, empty where a row has nothing; the columns named stand last."""
    table = pd.DataFrame(table_rows).fillna("")
    return table[[*(c for c in table if c not in last), *(c for c in last if c in table)]]
