"""Below four pairs nothing is claimed, by whatever route, and intervals need people with both."""

import itertools

import numpy as np
import pandas as pd
import pytest

from comparison.outcome_tables import Plan, compare
from project import settings_with
from results.columns import columns_of
from results.tables import stack

CONDITIONS = ["none", "low", "target"]
PRIMARY = [("smo2_nadir_pct", "set"), ("rpe", "set")]
P_VALUES = ("p", "p_adjusted", "sign_flip_p")


def outcomes_of(people, *, both):
    """Large effects on people with one order after another; after the first `both`, one condition.

    Some people then have only one condition, which gives values and no pairs.
    """
    rng = np.random.default_rng(people)
    orders = list(itertools.permutations(range(3)))
    rows = []
    for n in range(people):
        for c, condition in enumerate(CONDITIONS):
            if n >= both and c != n % 3:
                continue
            labels = {"participant_id": f"sub-{n:02d}", "condition": condition, "window": "set"}
            visit = orders[n % 6].index(c) + 1
            labels |= {"visit": visit, "session_id": f"ses-{visit}", "status": "ok"}
            for e, exercise in enumerate(("curl", "row")):
                place = labels | {"exercise": exercise, "event_id": f"set-{e}"}
                place["event_onset_s"] = 100.0 * e
                nadir = 50 - 15 * c + 0.3 * rng.normal()
                rows.append(place | {"outcome": "smo2_nadir_pct", "value": nadir})
                rows.append(place | {"outcome": "rpe", "value": 2.0 + 3 * c + rng.integers(0, 2)})
    return pd.DataFrame(rows).reindex(columns=columns_of("outcomes"))


def tables_of(outcomes):
    settings = settings_with(
        study={
            "conditions": CONDITIONS,
            "primary_outcomes": [{"outcome": o, "window": w} for o, w in PRIMARY],
        },
        compare_conditions={"smallest_effect": {"smo2_nadir_pct": 100.0}},
    )
    plan = Plan(settings.compare_conditions, CONDITIONS, PRIMARY, 1, settings.plan)
    sessions = outcomes[["participant_id", "session_id", "visit"]].drop_duplicates()
    sessions = sessions.assign(sequence=None, date_shifted=None, session_start=None)
    parts = compare(outcomes, sessions, pd.DataFrame(columns=columns_of("quality")), plan)
    return {name: stack(tables, name) for name, tables in parts.items()}


@pytest.mark.parametrize(("people", "both"), [(3, 3), (9, 3), (2, 2), (6, 0)])
def test_with_fewer_than_four_pairs_no_table_holds_a_test_or_a_claim(people, both):
    tables = tables_of(outcomes_of(people, both=both))
    for name in ("contrasts", "claims", "joint_tests", "crossover", "sensitivity"):
        for column in (column for column in P_VALUES if column in tables[name]):
            assert tables[name][column].isna().all(), (name, column)
    assert set(tables["contrasts"]["claim"]) <= {"described", "not tested"}
    assert set(tables["claims"]["verdict"]) <= {"described", "not tested"}
    # not even that a difference is too small to matter
    assert set(tables["contrasts"]["reading"].dropna()) <= {"not tested", "secondary, no claim"}
    assert tables["planning"]["detectable"].isna().all()


def test_with_four_pairs_the_same_effects_are_tested_and_claimed():
    tables = tables_of(outcomes_of(6, both=6))
    assert (tables["claims"]["verdict"] == "shown").all()
    main = tables["contrasts"][tables["contrasts"]["exercise"] == "all"]
    assert main["p"].notna().all()
    assert (main["claim"] == "yes").all()
    assert tables["joint_tests"]["p"].notna().all()


def test_people_with_one_condition_each_give_no_interval_of_any_contrast():
    tables = tables_of(outcomes_of(6, both=0))
    for name in ("contrasts", "sensitivity"):
        assert tables[name]["ci_low"].isna().all(), name
    model = tables["sensitivity"]
    model = model[model["analysis"].str.startswith("mixed model") & model["contrast"].notna()]
    nadir = model[model["outcome"] == "smo2_nadir_pct"]
    assert nadir["note"].str.contains("would compare people with others").all()


def test_values_that_were_filled_in_make_no_pairs():
    sensitivity = tables_of(outcomes_of(9, both=3))["sensitivity"]
    bounds = sensitivity[sensitivity["analysis"].str.startswith("missing cells at the worst")]
    assert (bounds["n_pairs"] == 3).all()
    assert bounds["estimate"].notna().all()
    assert bounds["p"].isna().all()
