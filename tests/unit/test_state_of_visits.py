"""The state in which people came to their visits, told where it was noted and nowhere else."""

import pandas as pd

from report.state_of_visits import expectations_in_words, states_table, with_condition
from study.tables import TABLES

CONDITIONS = ["none", "target"]


def visits(*rows):
    labels = {"participant_id": "sub-01", "session_id": "ses-1", "condition": "none"}
    columns = [*TABLES["sessions"].model_fields, "condition"]
    return pd.DataFrame([labels | row for row in rows]).reindex(columns=columns)


def test_what_was_noted_of_visits_is_told_by_condition():
    table = states_table(
        visits(
            {"sleep_h": 6.0},
            {"sleep_h": 8.0},
            {"sleep_h": 5.0, "condition": "target"},
            {"condition": "target"},
        ),
        CONDITIONS,
    )
    assert table["sleep (h)"].tolist() == ["7 (6 to 8)", "5"]
    assert table["visits"].tolist() == [2, 2]
    assert "room (degrees Celsius)" not in table


def test_a_study_that_notes_nothing_of_its_visits_has_no_such_table():
    assert states_table(visits({}), CONDITIONS) is None
    assert states_table(visits({"sleep_h": 7.0, "condition": None}), CONDITIONS) is None


def test_expectations_are_counted_and_free_words_stay_in_the_study():
    asked = visits(
        {"expectation": "none"}, {"expectation": "target"}, {"expectation": "the tight one"}, {}
    )
    said = expectations_in_words(asked, CONDITIONS)
    assert "in 3 visits; in 1 it was the one that was done (50 % by guessing)" in said
    assert said.endswith("1 of the answers name no condition.")
    assert "tight" not in said
    assert expectations_in_words(visits({}), CONDITIONS) == ""


def test_a_visit_of_several_conditions_has_none_of_its_own():
    events = pd.DataFrame(
        {
            "participant_id": "sub-01",
            "session_id": ["ses-1", "ses-2", "ses-2"],
            "trial_type": "set",
            "condition": ["none", "none", "target"],
        }
    )
    sessions = visits({}, {"session_id": "ses-2"}).drop(columns="condition")
    assert with_condition(sessions, events)["condition"].tolist() == ["none", None]
