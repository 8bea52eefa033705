"""Whatever design a study ends up with, its comparison is complete, and no choice of units, names
or row order changes what it says."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from comparison.conditions import Comparison
from comparison.contrasts import Rules, contrast_table
from comparison.model_table import model_table
from comparison.planning import planning_table
from comparison.sensitivity import (
    baseline_adjusted,
    leave_one_out,
    sensitivity_rows,
    work_matched,
    worst_case,
)
from comparison.single_case_table import single_case_table

CONDITIONS = ("none", "low", "target", "high")
EXERCISES = ("curl", "press", "row")
SETTINGS = {"confidence": 0.95, "fewest_participants": 4, "power": 0.8, "seed": 1}
# a failing design is shown as it is: shrinking it takes minutes
PHASES = (Phase.explicit, Phase.generate)
P_VALUES = ("p", "p_adjusted", "sign_flip_p")


@st.composite
def designs(draw):
    """Rows of an outcome in a design in which anything may be missing, and how to compare them."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    participants = draw(st.integers(1, 7))
    conditions = CONDITIONS[: draw(st.integers(1, 4))]
    exercises = EXERCISES[: draw(st.integers(0, 3))] or (None,)
    visits_of_each = draw(st.integers(1, 3)) if participants == 1 else 1
    same_order = draw(st.booleans())
    spread = draw(st.sampled_from([0.0, 0.3, 2.0]))
    rows = []
    for n in range(participants):
        order = np.repeat(np.arange(len(conditions)), visits_of_each)
        order = order if same_order else rng.permutation(order)
        for visit, c in enumerate(order, start=1):
            session = 40 + 5 * rng.normal() - 2 * c
            for exercise, bout in itertools.product(exercises, range(draw(st.integers(1, 2)))):
                rows.append(
                    {
                        "participant_id": f"sub-{n + 1:02d}",
                        "condition": conditions[c],
                        "exercise": exercise,
                        "bout": bout + 1,
                        "visit": visit,
                        "y": session + spread * rng.normal(),
                    }
                )
    table = pd.DataFrame(rows)
    kind = draw(st.sampled_from(["as measured", "whole numbers", "yes or no", "all the same"]))
    if kind == "whole numbers":
        table["y"] = table["y"].round()
    if kind == "yes or no":
        table["y"] = (table["y"] > 38).astype(float)
    if kind == "all the same":
        table["y"] = 40.0
    missing = draw(st.sampled_from([0.0, 0.1, 0.5]))
    table = table[rng.uniform(size=len(table)) >= missing]
    assume(table["condition"].nunique() > 0)
    return table.reset_index(drop=True)


def comparison_of(table, conditions=CONDITIONS):
    return Comparison.of_rows(
        table, outcome="rpe", window="set", scale="identity", conditions=conditions
    )


HOW = st.fixed_dictionaries(
    {
        "adjusted": st.booleans(),
        "schedule": st.sampled_from(
            [
                *("not_stated", "completely_randomised", "randomised_blocks"),
                "randomised_within_exercises",
            ]
        ),
        "smallest_effect": st.sampled_from([None, 2.0]),
    }
)


@pytest.mark.filterwarnings("error::RuntimeWarning")
@settings(max_examples=80, deadline=None, derandomize=True, phases=PHASES)
@given(designs(), HOW)
def test_every_design_gives_a_complete_comparison(table, how):
    comparison = comparison_of(table)
    smallest_effect = how.pop("smallest_effect")
    adjusted = how.pop("adjusted")
    contrasts = contrast_table(
        comparison, Rules(**SETTINGS), adjusted=adjusted, smallest_effect=smallest_effect
    )
    model = model_table(comparison)
    # without a model there is a line that says why, and no variance
    variances = model[model["term"].str.startswith("variance")]
    assert variances.empty or variances["estimate"].ge(0).all()
    if contrasts.empty:
        assert len(comparison.conditions) == 1
        return
    # p-values are p-values, and whatever has none says why
    for name in set(P_VALUES) & set(contrasts):
        assert contrasts[name].dropna().astype(float).between(0, 1).all(), name
    assert contrasts.loc[contrasts["p"].isna(), "note"].str.len().gt(0).all()
    assert contrasts.loc[contrasts["n_pairs"] > 0, "estimate"].notna().all()
    bounded = contrasts[contrasts["ci_low"].notna()].astype({"ci_low": float, "estimate": float})
    assert (bounded["ci_low"] <= bounded["estimate"] + 1e-9).all()
    if comparison.n_participants < 4:
        assert contrasts[["p", "p_adjusted", "sign_flip_p"]].isna().all(axis=None)
    cases = single_case_table(comparison, **how, conditions=len(CONDITIONS), seed=1)
    assert cases["difference"].notna().eq(cases["n_condition"] > 0).all()
    for name in ("nap", "randomisation_p"):
        assert cases[name].dropna().astype(float).between(0, 1).all(), name
    untold = cases["nap"].isna() | (cases["n_condition"] == 0)
    assert cases.loc[untold, "note"].str.len().gt(0).all()
    # the same values under other assumptions: rows with an estimate or a reason
    repeated = table.assign(y=10 + table.groupby("participant_id").cumcount() % 5)
    influence = [
        *leave_one_out(comparison),
        *baseline_adjusted(comparison, repeated.assign(exercise=None)),
        *work_matched(comparison, repeated),
        *worst_case(comparison),
    ]
    marginal = contrasts[contrasts["exercise"] == "all"]
    for row in sensitivity_rows(comparison, influence, marginal, Rules(**SETTINGS)):
        assert row["note"] or row["estimate"] is not None
    plans = planning_table(
        comparison,
        participants=[6, 12],
        fewest_participants=2,
        power_wanted=0.8,
        alpha=0.05,
        smallest_effect=None,
    )
    assert (plans["detectable"].dropna() > 0).all()
    assert plans.loc[plans["detectable"].isna(), "note"].str.len().gt(0).all()


@settings(max_examples=25, deadline=None, derandomize=True, phases=PHASES)
@given(designs(), st.integers(0, 99), st.sampled_from([(1000.0, 0.0), (1.0, -250.0), (0.01, 7.0)]))
def test_units_origin_names_and_row_order_change_no_finding(table, seed, unit):
    scale, origin = unit
    # a value shared by many is rounding beside the origin: whole differences are compared
    assume(table["y"].nunique() > 5)
    people = sorted(set(table["participant_id"]))
    # the order of names is kept, because it is the order of the participants
    names = {name: f"person {n:03d}" for n, name in enumerate(people)}
    renamed = {c: f"c{n}" for n, c in enumerate(CONDITIONS)}
    other = table.assign(
        y=scale * table["y"] + origin,
        participant_id=table["participant_id"].map(names),
        condition=table["condition"].map(renamed),
    ).sample(frac=1, random_state=seed)
    one = contrast_table(comparison_of(table), Rules(**SETTINGS))
    two = contrast_table(comparison_of(other, tuple(renamed.values())), Rules(**SETTINGS))
    if one.empty:
        assert two.empty
        return
    back = {new: old for old, new in renamed.items()}
    two["contrast"] = [
        " - ".join(back[part] for part in text.split(" - ")) for text in two["contrast"]
    ]
    keys = ["exercise", "contrast"]
    one, two = (t.set_index(keys).sort_index() for t in (one, two))
    assert one.index.equals(two.index)
    for name in ("estimate", "se", "ci_low", "ci_high"):
        first, second = one[name].astype(float), two[name].astype(float)
        moved = second / scale
        size = 1e-5 * table["y"].abs().max()
        np.testing.assert_allclose(first, moved, rtol=1e-4, atol=size, equal_nan=True)
    for name in ("df", "p", "sign_flip_p"):
        first, second = one[name].astype(float), two[name].astype(float)
        np.testing.assert_allclose(first, second, rtol=1e-3, atol=1e-6, equal_nan=True)
    assert one["claim"].to_list() == two["claim"].to_list()
