"""Ratings compared by ranks, failure by exact tests: numbers of others, and both sides."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from comparison.conditions import Comparison, comparable_rows
from comparison.contrasts import Rules, contrast_table
from comparison.outcome_tables import Plan, compare
from project import settings_with
from report.methods import ratings_in_words
from report.sentences import sentence_of_contrast
from results.columns import columns_of
from results.tables import stack

CONDITIONS = ["none", "low", "target"]
RULES = Rules(confidence=0.95, fewest_participants=4, power=0.8, seed=1)


def ratings(values, outcome="pain"):
    """Outcomes of people by conditions, everybody in one order; `values` (people, conditions)."""
    rows = [
        {"participant_id": f"sub-{p:02d}", "session_id": f"ses-{c}", "visit": c + 1}
        | {"event_id": "set-1", "event_onset_s": 0.0, "exercise": "curl", "window": "set"}
        | {"condition": CONDITIONS[c], "outcome": outcome, "value": float(v), "status": "ok"}
        for (p, c), v in np.ndenumerate(values)
    ]
    return pd.DataFrame(rows).reindex(columns=columns_of("outcomes"))


def comparison_of(values):
    comparable = comparable_rows(ratings(values), {"pain": "ordinal"}, CONDITIONS)
    return Comparison.of_rows(
        comparable, outcome="pain", window="set", scale="ordinal", conditions=CONDITIONS
    )


def contrasts_of(values):
    return contrast_table(comparison_of(values), RULES).set_index("contrast")


def random_ratings(people=8, effect=(0, 0, 0), seed=1):
    rng = np.random.default_rng(seed)
    level = 4 + rng.normal(size=(people, 1)) + np.asarray(effect)
    return np.clip(np.round(level + rng.normal(size=(people, 3))), 0, 10)


def test_of_two_conditions_a_contrast_is_the_probability_of_superiority_less_a_half():
    # scipy.stats.mannwhitneyu: U over the number of pairs is P(A > B) + P(A = B) / 2
    values = random_ratings(effect=(0, 1, 0))[:, :2]
    row = contrasts_of(values).loc["low - none"]
    u = stats.mannwhitneyu(values[:, 1], values[:, 0]).statistic
    assert row["estimate"] == pytest.approx(u / 64 - 0.5)


def test_the_error_is_that_of_the_differences_of_ranks_within_people():
    # scipy.stats.rankdata and ttest_rel
    values = random_ratings(effect=(0, 1, 2))
    row = contrasts_of(values).loc["target - none"]
    ranks = stats.rankdata(values).reshape(values.shape)
    assert row["p"] == pytest.approx(stats.ttest_rel(ranks[:, 2], ranks[:, 0]).pvalue)


def test_steps_between_ratings_have_no_size_and_only_their_order_counts():
    values = random_ratings(effect=(0, 1, 2))
    stretched = values**3 + 5
    names = ["estimate", "se", "p"]
    for first, second in zip(
        contrasts_of(values)[names].to_numpy(),
        contrasts_of(stretched)[names].to_numpy(),
        strict=True,
    ):
        assert first == pytest.approx(second)


def test_contrasts_of_ratings_add_up():
    pairs = contrasts_of(random_ratings(effect=(0, 1, 2)))["estimate"]
    assert pairs["low - none"] + pairs["target - low"] == pytest.approx(pairs["target - none"])


def test_ratings_that_never_overlap_still_have_an_error():
    """Everybody higher with target: a test of the signs alone has no spread to go by."""
    values = random_ratings() * 0.3 + np.array([0, 0, 6])
    row = contrasts_of(np.round(values)).loc["target - none"]
    assert 0 < row["se"] < row["estimate"]
    assert row["ci_low"] > 0


def test_points_are_told_beside_ranks_and_nothing_is_standardised():
    values = random_ratings(effect=(0, 1, 2))
    row = contrasts_of(values).loc["target - none"]
    points = (values[:, 2] - values[:, 0]).mean()
    assert f"mean difference {points:+.3g} points" in row["note"]
    assert "d_av" not in row or pd.isna(row["d_av"])
    assert comparison_of(values).fit is None


@pytest.mark.parametrize("people", [5, 8, 12])
def test_ratings_without_any_effect_differ_in_no_more_than_one_study_of_twenty(people):
    # 2,000 studies a case: three standard errors of a share of .05 are .015
    rng = np.random.default_rng(people)
    shape = (2_000, people, 3)
    level = 2 + 1.5 * rng.normal(size=(2_000, people, 1)) + rng.normal(size=shape)
    values = np.clip(np.round(level), 0, 10).reshape(2_000, -1)
    ranks = stats.rankdata(values, axis=1).reshape(shape)
    p = stats.ttest_rel(ranks[..., 2], ranks[..., 0], axis=1).pvalue
    assert np.mean(p < 0.05) < 0.065


def test_a_rating_is_told_as_a_relative_effect_and_other_outcomes_are_not():
    row = next(contrasts_of(random_ratings(effect=(0, 0, 4))).reset_index().iloc[1:].itertuples())
    assert "with none: relative effect +" in sentence_of_contrast(row, "Pain", "")
    other = row._replace(scale="identity")
    assert "relative effect" not in sentence_of_contrast(other, "Pain", "")


def test_methods_name_the_ranks_where_ratings_were_compared():
    rows = pd.DataFrame({"outcome": ["pain", "rpe"], "scale": "ordinal", "se": [0.1, 0.2]})
    said = ratings_in_words(rows)
    assert said.startswith(" Pain and Perceived exertion entered with the ranks")
    assert ratings_in_words(rows.assign(scale="identity")) == ""


# ---------------------------------------------------------------- a yes or no


def tables_of(outcomes, primary):
    planned = [{"outcome": name, "window": window} for name, window in primary]
    settings = settings_with(study={"conditions": CONDITIONS, "primary_outcomes": planned})
    plan = Plan(settings.compare_conditions, CONDITIONS, primary, 1, settings.plan)
    sessions = outcomes[["participant_id", "session_id", "visit"]].drop_duplicates()
    sessions = sessions.assign(sequence=None, date_shifted=None, session_start=None)
    quality = pd.DataFrame(columns=columns_of("quality"))
    tables = compare(outcomes, sessions, quality, plan)
    return {name: stack(parts, name) for name, parts in tables.items()}


def test_failure_is_never_in_a_difference_of_means_and_the_table_says_where_it_is():
    failed = np.array(list(itertools.product([0, 1], repeat=3)))
    outcomes = pd.concat([ratings(failed, "to_failure"), ratings(random_ratings())])
    tables = tables_of(outcomes, [("to_failure", "set")])
    contrasts = tables["contrasts"][tables["contrasts"]["outcome"] == "to_failure"]
    assert contrasts["estimate"].isna().all()
    assert contrasts["note"].str.contains("compared exactly in failure.tsv").all()
    assert len(contrasts) == 3
    (claim,) = tables["claims"].itertuples()
    assert claim.verdict == "not tested"
    assert "failure.tsv" in claim.note
    assert "to_failure" not in set(tables["models"]["outcome"])
    secondary = tables_of(outcomes, [("pain", "set")])["contrasts"]
    assert set(secondary["outcome"]) == {"pain"}
    assert secondary["estimate"].notna().all()
