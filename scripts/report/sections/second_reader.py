"""What a second reader needs: effect sizes, a row for meta-analysis, F tests, repeatability."""

import numpy as np
import pandas as pd

from report.origins import Origin
from report.page import shown_table
from report.words import COLUMNS_OF_BASIS, label_of
from results.format import decimals, estimate_and_interval, p_value, three_digits
from results.words import words_of

ORDER = 38

TITLE = "Effect sizes, individual responses and repeatability"

NEEDS = ("outcomes", "effect_sizes", "models", "repeatability")

# repeatability is told of the primary outcomes and of these
ALSO = ("mean_hr_bpm", "rmssd_ms", "smo2_nadir_pct", "reps_done")

VARIANCE = "variance of "


def section(results):
    sizes = of_primary(results.effect_sizes, results.primary)
    sizes = sizes[(sizes["exercise"] == "all") & sizes["d_z"].notna()]
    repeats = repeatability(results.repeatability, results.primary)
    if sizes.empty and repeats.empty:
        return None
    of_sizes = Origin.of_each("effect_sizes", sizes)
    asked = results.models, results.primary
    tests, parts = tested(*asked), components(*asked)
    of_parts = dict.fromkeys(zip(parts["outcome"], parts["window"], strict=True))
    return {
        "sizes": shown_table(named_sizes(sizes), "Effect sizes (95 % interval)", of_sizes),
        "for_meta_analysis": shown_table(
            for_meta_analysis(sizes), "Rows for meta-analysis", of_sizes
        ),
        "tests": shown_table(f_tests(*asked), "F tests", Origin.of_each("models", tests)),
        "variances": shown_table(
            variances(*asked),
            "Variances (95 % interval)",
            [Origin("models", 0, *key) for key in of_parts],
        ),
        "responses": shown_table(
            responses(sizes),
            "Spread of true differences between people (95 % interval)",
            Origin.of_each("effect_sizes", sizes[sizes["bout_sd"].notna()]),
        ),
        "one_visit": one_visit_each(results.outcomes, results.conditions),
        "repeatability": shown_table(
            repeats,
            "Repeatability (95 % interval)",
            Origin.of_each("repeatability", read_most(results.repeatability, results.primary)),
        ),
    }


def of_primary(table, primary):
    """Rows of the primary outcomes, in the order of the study."""
    parts = [
        table[(table["outcome"] == outcome) & (table["window"] == window)]
        for outcome, window in primary
    ]
    return pd.concat([table[:0], *parts])


def named(spans):
    """Outcome with its window, and the contrast."""
    return {
        "outcome": [label(row) for row in spans.itertuples()],
        "contrast": spans["contrast"],
    }


def label(row):
    return f"{label_of(row.outcome)}, {words_of(row.window)}"


def named_sizes(sizes):
    """Every effect size with what its name divides by; a ratio is a difference of logarithms."""
    columns = {
        "raw": ("difference", "difference_low", "difference_high"),
        **{name: (name, f"{name}_low", f"{name}_high") for name in ("d_av", "g_av", "d_z", "g_z")},
    }
    shown = {
        name: [
            estimate_and_interval(*(getattr(row, part) for part in parts))
            for row in sizes.itertuples()
        ]
        for name, parts in columns.items()
    }
    basis = {
        column: [decimals(n, 0) for n in sizes[name]] for column, name in COLUMNS_OF_BASIS.items()
    }
    return pd.DataFrame(named(sizes) | basis | shown)


def for_meta_analysis(sizes):
    """n, means, standard deviations and their correlation."""
    return pd.DataFrame(
        named(sizes)
        | {
            "n": [decimals(n, 0) for n in sizes["n_pairs"]],
            "first condition, mean (SD)": [
                f"{row.condition_mean:.4g} ({row.condition_sd:.3g})" for row in sizes.itertuples()
            ],
            "second condition, mean (SD)": [
                f"{row.reference_mean:.4g} ({row.reference_sd:.3g})" for row in sizes.itertuples()
            ],
            "r": [decimals(r, 2) for r in sizes["correlation"]],
            "SD of differences": [three_digits(sd) for sd in sizes["sd_of_differences"]],
        }
    )


def tested(models, primary):
    """Rows of models.tsv with F tests of the primary outcomes."""
    tests = of_primary(models, primary)
    return tests[tests["F"].notna()]


def f_tests(models, primary):
    """F tests of the mixed model, type III, with their degrees of freedom."""
    tests = tested(models, primary)
    return pd.DataFrame(
        {
            "outcome": [label(row) for row in tests.itertuples()],
            "term": tests["term"].str.removeprefix("F test of "),
            "F": [three_digits(f) for f in tests["F"]],
            "df": [f"{row.df_num:.0f}, {row.df:.3g}" for row in tests.itertuples()],
            "p": [p_value(p) for p in tests["p"]],
        }
    )


def components(models, primary):
    """Rows of models.tsv with variances of the primary outcomes."""
    terms = of_primary(models, primary)
    return terms[terms["term"].str.startswith(VARIANCE) & terms["estimate"].notna()]


def variances(models, primary):
    """Variance components of the mixed model by outcome, on the scale of the analysis."""
    terms = components(models, primary)
    wide = {}
    for row in terms.itertuples():
        part = row.term.removeprefix(VARIANCE).removesuffix(" Intercept")
        size = f"{row.estimate:.3g}"
        if pd.notna(row.ci_high):
            size = estimate_and_interval(row.estimate, row.ci_low, row.ci_high)
        elif row.estimate == 0:
            size = "estimated as zero"
        wide.setdefault(label(row), {})[part] = size
    return pd.DataFrame([{"outcome": name} | parts for name, parts in wide.items()]).fillna("")


def responses(sizes):
    """Spread of true differences and of bouts; of ratios as factors."""
    told = sizes[sizes["bout_sd"].notna()]

    def shown(row, *names):
        numbers = [getattr(row, name) for name in names]
        if row.scale == "ratio":
            numbers = [float(np.exp(number)) for number in numbers]
        sign = "\N{MULTIPLICATION SIGN} " if row.scale == "ratio" else ""
        if len(numbers) == 1:
            return f"{sign}{numbers[0]:.3g}"
        return sign + estimate_and_interval(*numbers)

    limits = ("individual_sd", "individual_sd_low", "individual_sd_high")
    return pd.DataFrame(
        named(told)
        | {
            "SD between people": [
                shown(row, *limits) if pd.notna(row.individual_sd) else row.note
                for row in told.itertuples()
            ],
            "SD from bouts": [shown(row, "bout_sd") for row in told.itertuples()],
        }
    )


def one_visit_each(outcomes, conditions):
    """Whether nobody had a condition at more than one visit."""
    done = outcomes[outcomes["condition"].isin(conditions)]
    visits = done[["participant_id", "condition", "session_id"]].drop_duplicates()
    return not visits.duplicated(["participant_id", "condition"]).any()


def read_most(table, primary):
    """Rows of repeatability.tsv of what is read most."""
    chosen = {*(outcome for outcome, _ in primary), *ALSO}
    windows = {"set", "baseline", *(window for _, window in primary)}
    return table[
        table["outcome"].isin(chosen) & table["window"].isin(windows) & table["icc"].notna()
    ]


def repeatability(table, primary):
    """Correlation, error of measurement and detectable change of what is read most."""
    table_rows = []
    for row in read_most(table, primary).itertuples():
        sign = "\N{MULTIPLICATION SIGN} " if row.scale == "ratio" else ""
        table_rows.append(
            {
                "outcome": label(row),
                "of": row.of,
                "people": decimals(row.n_participants, 0),
                "form": row.form,
                "ICC": icc_in_words(row),
                "error of measurement": sign
                + estimate_and_interval(row.sem, row.sem_low, row.sem_high),
                "smallest detectable change": f"{sign}{row.detectable_change:.3g}",
            }
        )
    return pd.DataFrame(table_rows)


def icc_in_words(row):
    if pd.isna(row.icc_low):
        return decimals(row.icc, 2)
    return f"{row.icc:.2f} ({row.icc_low:.2f} to {row.icc_high:.2f})"
