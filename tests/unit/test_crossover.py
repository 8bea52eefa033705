"""Orders that were done, what a crossover study reports, and what is estimated."""

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import Comparison
from comparison.contrasts import Rules
from comparison.crossover import (
    BY_SEQUENCE,
    CARRY_OVER,
    FIRST_VISIT,
    ONE_VISIT,
    VISIT,
    Orders,
    crossover_rows,
    days_between,
)
from comparison.orders import letters_of, previous_conditions, same_order, visits_done
from project import settings_with
from report.estimand import estimand
from report.sections.crossover import days_in_words, steps
from report.sentences import sentence_of_contrast
from results.columns import columns_of
from results.decided import SAME_ORDER_OF_SETS, SAME_ORDER_OF_VISITS

CONDITIONS = ["none", "low", "target"]
ORDERS = list(itertools.permutations(CONDITIONS))
RULES = Rules(confidence=0.95, fewest_participants=4, power=0.8, seed=1)


def study(orders, *, step=0.0, carry_over=0.0, noise=0.5, exercises=("curl", "row"), seed=1):
    """Outcomes of people with these orders: a step per visit, and what target leaves behind."""
    rng = np.random.default_rng(seed)
    rows = []
    for n, order in enumerate(orders, start=1):
        level = rng.normal(50, 5)
        for visit, condition in enumerate(order, start=1):
            behind = carry_over if visit > 1 and order[visit - 2] == "target" else 0.0
            for e, exercise in enumerate(exercises):
                rows.append(
                    {
                        "participant_id": f"sub-{n:02d}",
                        "session_id": f"ses-{visit}",
                        "visit": visit,
                        "event_id": f"set-{e}",
                        "event_onset_s": 100.0 * e,
                        "exercise": exercise,
                        "condition": condition,
                        "window": "set",
                        "outcome": "smo2_nadir_pct",
                        "value": level + step * visit + behind + noise * rng.normal(),
                        "status": "ok",
                    }
                )
    return pd.DataFrame(rows)


def in_one_visit(orders_of_exercises):
    """Sets of people who had all conditions in one visit, exercise by exercise in these orders."""
    rows = []
    for n, of_exercises in enumerate(orders_of_exercises, start=1):
        places = [(e, c) for e, order in enumerate(of_exercises) for c in order]
        for place, (exercise, condition) in enumerate(places):
            rows.append(
                {
                    "participant_id": f"sub-{n:02d}",
                    "visit": 1,
                    "event_onset_s": 60.0 * place,
                    "exercise": f"exercise {exercise}",
                    "condition": condition,
                }
            )
    return pd.DataFrame(rows)


def compared(outcomes):
    of_outcome = outcomes.assign(y=outcomes["value"])
    return Comparison.of_rows(
        of_outcome,
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=CONDITIONS,
        same_order=same_order(outcomes, CONDITIONS),
    )


def sessions_of(outcomes, **columns):
    visits = outcomes[["participant_id", "session_id", "visit"]].drop_duplicates()
    return visits.assign(
        **({"sequence": None, "date_shifted": None, "session_start": None} | columns)
    )


def table(outcomes, sessions=None):
    orders = Orders.of(
        outcomes, sessions_of(outcomes) if sessions is None else sessions, CONDITIONS
    )
    parts = pd.DataFrame(crossover_rows(compared(outcomes), orders, RULES))
    return parts.reindex(columns=columns_of("crossover"))


def part(rows, name):
    return rows[rows["part"] == name]


# ---------------------------------------------------------------- orders


def test_one_order_of_visits_is_seen_and_a_single_other_order_is_enough_against_it():
    assert same_order(study([ORDERS[0]] * 5), CONDITIONS) == SAME_ORDER_OF_VISITS
    assert same_order(study([ORDERS[0]] * 5 + [ORDERS[1]]), CONDITIONS) == ""


def test_somebody_who_missed_a_visit_still_had_the_others_in_the_same_order():
    everybody = study([ORDERS[0]] * 5)
    missed = (everybody["participant_id"] == "sub-01") & (everybody["condition"] == "low")
    assert same_order(everybody[~missed], CONDITIONS) == SAME_ORDER_OF_VISITS


def test_conditions_repeated_over_visits_in_turn_are_no_single_order():
    turns = study([("none", "low", "none", "low")] * 3)
    assert same_order(turns, CONDITIONS) == ""


def test_one_order_of_sets_within_a_visit_is_seen_exercise_by_exercise():
    alike = in_one_visit([[CONDITIONS, CONDITIONS]] * 3)
    assert same_order(alike, CONDITIONS) == SAME_ORDER_OF_SETS
    backwards = in_one_visit([[CONDITIONS, CONDITIONS[::-1]]] * 3)
    assert same_order(backwards, CONDITIONS) == ""
    another = in_one_visit([[CONDITIONS, CONDITIONS]] * 2 + [[CONDITIONS[::-1]] * 2])
    assert same_order(another, CONDITIONS) == ""


@pytest.mark.parametrize(
    ("note", "says"),
    [
        (SAME_ORDER_OF_VISITS, "lower at the visits with target than at those with none"),
        (SAME_ORDER_OF_SETS, "lower in the sets with target than in those with none"),
    ],
)
def test_a_difference_in_one_order_is_told_as_one_of_visits_or_of_sets(note, says):
    row = SimpleNamespace(
        **{"contrast": "target - none", "estimate": -5.0, "ci_low": -8.0, "ci_high": -2.0},
        **{"p": 0.01, "p_adjusted": 0.01, "claim": "yes", "scale": "identity", "reading": None},
        **{"n_pairs": 8, "flagged_pct": 0.0, "withheld_pct": 0.0, "note": note},
    )
    said = sentence_of_contrast(row, "Nadir", "%", same_order=True)
    assert says in said
    assert "not called an effect of pressure" in said


def test_the_condition_before_is_that_of_the_last_visit_done():
    visits = visits_done(study([("low", "target", "none"), ("none", "low")]), CONDITIONS)
    none, low, target = range(3)
    assert previous_conditions(visits).tolist() == [[target, -1, low], [-1, none, -1]]
    assert letters_of(visits).tolist() == ["BCA", "AB"]


# ---------------------------------------------------------------- crossover tables


def test_means_by_sequence_and_visit_are_those_of_the_people_of_a_sequence():
    outcomes = study(ORDERS * 2)
    parts = part(table(outcomes), BY_SEQUENCE)
    assert len(parts) == 18
    row = parts[(parts["sequence"] == "CAB") & (parts["visit"] == 2)].iloc[0]
    of_sequence = outcomes["participant_id"].isin(["sub-05", "sub-11"])
    chosen = outcomes[of_sequence & (outcomes["condition"] == "none")]
    means = chosen.groupby("participant_id")["value"].mean()
    assert row["condition"] == "none"
    assert (row["n_participants"], row["mean"], row["sd"]) == (
        2,
        pytest.approx(means.mean()),
        pytest.approx(means.std()),
    )


def test_the_allotted_sequence_counts_and_the_order_done_stands_where_none_was_allotted():
    outcomes = study(ORDERS)
    allotted = sessions_of(outcomes, sequence="ABC")
    parts = part(table(outcomes, allotted), BY_SEQUENCE)
    assert set(parts["sequence"]) == {"ABC"}
    assert not parts["note"].any()
    done = part(table(outcomes), BY_SEQUENCE)
    assert len(set(done["sequence"])) == 6
    assert done["note"].eq("order as done, where none was allotted").all()


def test_the_first_visit_is_compared_between_people_as_by_welch():
    # scipy.stats.ttest_ind with unequal variances
    from scipy import stats

    outcomes = study(ORDERS * 2)
    row = part(table(outcomes), FIRST_VISIT).set_index("contrast").loc["target - none"]
    first = outcomes[outcomes["visit"] == 1].groupby(["condition", "participant_id"])["value"]
    means = first.mean()
    theirs = stats.ttest_ind(means["target"], means["none"], equal_var=False)
    assert row["p"] == pytest.approx(theirs.pvalue)
    assert row["df"] == pytest.approx(theirs.df)
    assert row["note"].startswith("between people")
    few = part(table(study(ORDERS[:3])), FIRST_VISIT)
    assert few["p"].isna().all()
    assert few["note"].str.contains("too few to compare").all()


def test_a_first_visit_of_few_people_has_an_interval_and_no_p():
    # two people with each condition first
    parts = part(table(study(ORDERS)), FIRST_VISIT)
    assert parts["ci_low"].notna().all()
    assert parts["p"].isna().all()
    assert parts["note"].str.contains("no p-value with fewer than 4 on a side").all()
    assert part(table(study(ORDERS * 2)), FIRST_VISIT)["p"].notna().all()


def test_a_step_from_visit_to_visit_is_estimated_and_found():
    parts = part(table(study(ORDERS * 2, step=3.0)), VISIT)
    single = parts.set_index("contrast")["estimate"]
    assert single["2 - 1"] == pytest.approx(3.0, abs=0.6)
    assert single["3 - 1"] == pytest.approx(6.0, abs=0.6)
    assert parts["p"].iloc[-1] < 0.001
    assert part(table(study(ORDERS * 2)), VISIT)["p"].iloc[-1] > 0.05


def test_what_a_condition_leaves_behind_is_told_apart_from_the_visit():
    parts = part(table(study(ORDERS * 2, step=2.0, carry_over=-4.0)), CARRY_OVER)
    single = parts.set_index("contrast")["estimate"]
    assert single["target - none"] == pytest.approx(-4.0, abs=0.8)
    assert single["low - none"] == pytest.approx(0.0, abs=0.8)
    assert parts["p"].iloc[-1] < 0.001
    without = part(table(study(ORDERS * 2, step=2.0)), CARRY_OVER)
    assert without["p"].iloc[-1] > 0.05


def test_in_one_order_neither_step_nor_carry_over_can_be_told_from_the_condition():
    parts = table(study([ORDERS[0]] * 6))
    assert part(parts, VISIT)["note"].tolist() == ["the visit is not in the analysis"]
    assert part(parts, CARRY_OVER)["note"].str.startswith("cannot be told from the condition").all()


def test_conditions_in_one_visit_have_no_sequence_of_visits():
    outcomes = in_one_visit([[CONDITIONS]] * 4).assign(session_id="ses-1", window="set")
    orders = Orders.of(outcomes, sessions_of(outcomes), CONDITIONS)
    outcomes = outcomes.assign(value=np.arange(12.0), outcome="smo2_nadir_pct", status="ok")
    (row,) = crossover_rows(compared(outcomes), orders, RULES)
    assert row["note"] == ONE_VISIT


def test_days_between_visits_are_counted_or_said_to_be_unknown():
    outcomes = study(ORDERS[:2])
    dates = ["2001-01-01", "2001-01-08", "2001-01-18", "2001-03-01", "2001-03-06", None]
    days = pd.DataFrame(days_between(sessions_of(outcomes, date_shifted=dates)))
    assert days["mean"].tolist() == [6.0, 10.0]
    assert days["n_participants"].tolist() == [2, 1]
    assert days_in_words(days) == (
        "Days since the visit before: visit 2, 5 to 7 (mean 6.0, 2 participants) and visit 3, 10 "
        "(mean 10.0, 1 participant)."
    )


DAYS_GIVEN = ["visit", "n_participants", "mean", "lowest", "highest"]


@pytest.mark.parametrize(
    ("visits", "dates", "said"),
    [
        ([1, 2, 3] * 2, [None] * 6, "No dates of visits are given."),
        ([1, 1], ["2001-01-01", "2001-02-01"], ""),
        ([1, 2, 3] * 2, ["2001-01-01", None] * 3, "Nobody has the dates of two visits in a row."),
        (
            [1, 2, 1, 2],
            ["2001-01-01", "2001-01-04"] * 2,
            "Days since the visit before: visit 2, 3 (mean",
        ),
    ],
)
def test_of_days_between_visits_only_what_was_given_is_said(visits, dates, said):
    people = np.cumsum(np.array(visits) == 1)
    sessions = pd.DataFrame({"participant_id": people, "visit": visits, "date_shifted": dates})
    for column in ("date_shifted", "session_start"):
        other = {"date_shifted": "session_start", "session_start": "date_shifted"}[column]
        dated = sessions.rename(columns={"date_shifted": column}).assign(**{other: None})
        days = pd.DataFrame(days_between(dated), columns=["part", "note", *DAYS_GIVEN])
        text = days_in_words(days)
        assert text.startswith(said)
        assert bool(text) == bool(said)


def cells_of(told):
    """The table of steps; every row of it leads to its row of crossover.tsv."""
    cells, origins = zip(*told, strict=True)
    assert all(origin.table == "crossover" and origin.row >= 2 for origin in origins)
    return pd.DataFrame(cells).fillna("")


def test_steps_are_shown_with_what_they_would_have_shown():
    shown = cells_of(steps(table(study(ORDERS * 2, step=3.0))))
    assert shown["step"].iloc[:2].tolist() == ["visit 2 against visit 1", "visit 3 against visit 1"]
    assert shown["step"].iloc[-1] == "after target against after none"
    assert shown["would be found"].astype(float).gt(0).all()
    assert shown["p, all steps"].iloc[0] == "< .001"
    untold = cells_of(steps(table(study([ORDERS[0]] * 6))))
    assert untold["note"].iloc[0] == "the visit is not in the analysis"
    assert not untold["estimate"].any()


# ---------------------------------------------------------------- what is estimated


def estimated(outcomes, *, events=None, plan=None, n_pairs=8):
    """The block of a study with these outcomes and one contrast, as a dictionary."""
    events = pd.DataFrame(
        events or [{"stopped_early": False, "to_failure": False}],
        columns=["stopped_early", "to_failure"],
    ).assign(trial_type="set", condition="target")
    contrast = {
        **{"outcome": "smo2_nadir_pct", "window": "set", "exercise": "all", "scale": "identity"},
        **{"estimate": -1.0, "n_pairs": n_pairs, "method": "within person, CR2, visit"},
    }
    results = SimpleNamespace(
        contrasts=pd.DataFrame([contrast]),
        outcomes=outcomes,
        conditions=CONDITIONS,
        primary=[("smo2_nadir_pct", "set")],
        events=events,
        settings=settings_with(plan=plan or {}),
    )
    return dict(estimand(results))


def test_the_estimand_says_people_exercises_weights_visits_and_size():
    said = estimated(study(ORDERS))
    assert "none, low and target" in said["Effect of"]
    assert "The 6 participants who did sets" in said["In"]
    assert said["Over"].startswith("Curl and row, each with the same weight")
    assert said["Size"] == "The difference of means, in the unit of the outcome."
    assert "for everybody alike is taken out" in said["Visits"]
    assert "differences at rest are a part of the effect" in said["Resting values"]
    one = estimated(study(ORDERS, exercises=("curl",)), plan={"baseline_adjusted": ["rmssd_ms"]})
    assert one["Over"] == "One exercise, curl; its bouts are averaged first."
    assert one["Resting values"] == "The resting value of the visit is held equal for RMSSD."


def test_stopped_sets_are_counted_only_where_there_are_any():
    key = "Sets stopped early or taken to failure"
    assert estimated(study(ORDERS))[key] == "The only set was not noted as one."
    stopped = [{"stopped_early": True, "to_failure": False}, {"to_failure": True}]
    said = estimated(study(ORDERS), events=stopped)[key]
    assert said == "They count as they were done: 1 stopped early and 1 to failure, of 2 sets."


def test_people_without_a_condition_are_said_to_count_where_they_can():
    key = "Missing visits and values"
    assert "Everybody did every condition" in estimated(study(ORDERS))[key]
    said = estimated(study([*ORDERS, ("none", "low")]))[key]
    assert "1 participant did not do every condition and counts" in said


def test_one_participant_is_not_told_as_people():
    assert estimated(study(ORDERS[:1]))["In"] == "One participant, and nobody else."
