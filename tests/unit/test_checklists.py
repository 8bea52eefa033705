"""Checklists of reporting guidelines are answered from the study, and open where it is silent."""

import pandas as pd

from report.checklists import (
    OPEN,
    Checklist,
    as_markdown,
    clock_times,
    gaps_between,
    harms_said,
    known,
    ranges_of,
    repetitions,
)


def test_what_the_study_does_not_hold_is_left_open_for_the_authors():
    items = (("load", "20 kg", "session sheet"), ("equipment", "", "somewhere"))
    page = as_markdown([Checklist("Exercise", "Slade et al. 2016", items)], {})
    assert "1 of 2 items answered, 1 open" in page
    assert "| load | 20 kg | session sheet |" in page
    assert f"| equipment | {OPEN} |  |" in page


def test_a_cell_cannot_break_its_table():
    items = (("load", "20 | 30\nkg", "sheet"),)
    page = as_markdown([Checklist("Exercise", "Slade et al. 2016", items)], {})
    assert "| load | 20 / 30 kg | sheet |" in page


def test_nothing_is_known_of_a_column_that_is_absent_or_blank():
    table = pd.DataFrame({"load_kg": [None, None], "rpe": [None, 5.0]})
    assert [known(table, name) for name in ("load_kg", "rpe", "pain")] == [False, True, False]
    assert ranges_of(table, "load_kg", "kg") == ""


def test_days_between_visits_are_counted_within_people():
    visits = pd.DataFrame(
        {
            "participant_id": ["a", "a", "b", "b"],
            "date_shifted": ["1921-03-01", "1921-03-08", "1921-05-01", "1921-05-04"],
        }
    )
    assert gaps_between(visits) == "3 to 7 days"
    assert gaps_between(visits.drop(columns="date_shifted")) == ""


def test_times_of_day_are_those_of_the_session_starts():
    visits = pd.DataFrame({"session_start": ["2026-11-24T18:03:36", "2026-11-26T09:15:00"]})
    assert clock_times(visits) == "09:15 to 18:03"
    assert clock_times(pd.DataFrame({"session_id": ["ses-1"]})) == ""


def test_repetitions_say_how_many_sets_reached_the_plan():
    sets = pd.DataFrame({"reps_done": [15, 12, 10], "reps_planned": [15, 15, None]})
    assert repetitions(sets) == "10 to 15 repetitions a set; 1 of 2 sets reached the number planned"


def test_no_harms_table_is_no_answer():
    assert harms_said({"harms": ["No harms table was kept: ..."]}) == ""
    assert harms_said({"harms": ["No harm was noted: none in ..."]}).startswith("No harm")
