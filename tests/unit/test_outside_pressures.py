"""The primary contrasts without the sets whose pressure does not count."""

import pandas as pd
import pytest

from comparison.outside_pressures import SAYS, rows_without_outside, without_outside
from project import settings_with
from results.columns import columns_of

VISITS = [
    (f"sub-0{n}", f"ses-{v}", c) for n in (1, 2, 3, 4) for v, c in ((1, "none"), (2, "target"))
]


def outcomes():
    """A nadir in two sets of each visit, and an RMSSD in its baseline and its recovery."""
    rows = []
    for n, (person, session, condition) in enumerate(VISITS):
        labels = {"participant_id": person, "session_id": session, "condition": condition}
        labels |= {"visit": int(session[-1]), "status": "ok"}
        depth = 30.0 if condition == "target" else 0.0
        rows += [
            labels
            | {"trial_type": "set", "event_id": f"{person}_{session}_set-0{bout}", "bout": bout}
            | {"exercise": "squat", "window": "set", "outcome": "smo2_nadir_pct"}
            | {"value": 50.0 + 0.3 * n - depth - 10.0 * (bout == 2 and condition == "target")}
            for bout in (1, 2)
        ]
        rows += [
            labels
            | {"trial_type": kind, "event_id": f"{person}_{session}_{kind}-01", "value": 40.0 + n}
            | {"window": window, "outcome": "rmssd_ms"}
            for kind, window in (("baseline", "baseline"), ("recovery", "recovery_steady"))
        ]
    return pd.DataFrame(rows).reindex(columns=columns_of("outcomes"))


def safety(outside):
    sets = [f"{p}_{s}_set-0{bout}" for p, s, _ in VISITS for bout in (1, 2)]
    rows = [
        {
            "participant_id": event[:6],
            "session_id": event[7:12],
            "scope": "set",
            "event_id": event,
            "verdict": "other day" if event in outside else "within",
            "pressure_counts": "no" if event in outside else "yes",
        }
        for event in sets
    ]
    return pd.DataFrame(rows).reindex(columns=columns_of("safety"))


def test_a_set_outside_is_left_out_with_what_follows_it_and_not_with_its_baseline():
    kept = without_outside(outcomes(), safety(["sub-01_ses-2_set-02"]))
    gone = set(outcomes()["event_id"]) - set(kept["event_id"])
    assert gone == {"sub-01_ses-2_set-02", "sub-01_ses-2_recovery-01"}


SETTINGS = settings_with(
    study={
        "conditions": ["none", "target"],
        "primary_outcomes": [{"outcome": "smo2_nadir_pct", "window": "set"}],
    }
)

MAIN = pd.DataFrame(
    [
        {
            "outcome": "smo2_nadir_pct",
            "window": "set",
            "exercise": "all",
            "contrast": "target - none",
            "scale": "identity",
            "estimate": -34.7,
        }
    ]
).reindex(columns=columns_of("contrasts"))


def test_the_contrast_without_sets_outside_is_that_of_the_others():
    second = [f"sub-0{n}_ses-2_set-02" for n in (1, 2, 3, 4)]
    nadirs = outcomes()[outcomes()["outcome"] == "smo2_nadir_pct"]
    (row,) = rows_without_outside(nadirs, safety(second), MAIN, SETTINGS).to_dict("records")
    # by arithmetic: 30 points deeper and 0.3 of the visit in first bouts, without the second ones
    assert row["estimate"] == pytest.approx(-29.7)
    assert row["difference"] == pytest.approx(5.0)
    assert (row["says"], row["concerns"], row["n_values_changed"]) == (SAYS, "yes", 4)
    assert row["differs"].startswith("4 of 16 sets with a cuff left out")


def test_where_no_set_counts_there_is_no_contrast_and_where_all_count_no_row():
    nadirs = outcomes()[outcomes()["outcome"] == "smo2_nadir_pct"]
    assert rows_without_outside(nadirs, safety([]), MAIN, SETTINGS).empty
    every = nadirs["event_id"].tolist()
    (row,) = rows_without_outside(nadirs, safety(every), MAIN, SETTINGS).to_dict("records")
    assert row["note"] == "no contrast under this alternative"
