"""What no single row of a study can show: references, files, overlaps, tables against settings.

A table that could not be read at all is one problem; nothing is compared with it, because
everything that refers to it would be named as well.
"""

from study.checks import (
    cuffs,
    edits,
    events,
    outcomes,
    people,
    recordings,
    reviews,
    settings,
    timeline,
)

# tables without which a check would only repeat what was told of their rows
NEEDED = {
    edits.check_events_can_be_moved: {"events"},
    edits.check_visits_exist: {"events", "recordings"},
    reviews.check_reviews_are_as_frozen: {"edits"},
    settings.check_working_muscles: {"events", "recordings"},
    settings.check_drawn_sessions: {"events", "recordings"},
    cuffs.check_harms_name_events: {"events"},
}


def check_tables_together(study, problems):
    """Check the tables of a study with each other, its files and its settings.

    Faults are added to `problems`, a study.problems.Problems.
    """
    lacking = {*problems.unread_tables, *problems.refused_rows}
    for check in (
        people.check_rows_stand_once,
        events.check_event_ids,
        edits.check_events_can_be_moved,
        edits.check_visits_exist,
        people.check_labels_are_declared,
        recordings.check_files_and_marks,
        recordings.check_one_session_each,
        events.check_sheet,
        timeline.check_timeline,
        timeline.check_values_against_other_sessions,
        timeline.check_exertion_fits_its_scale,
        timeline.check_conditions_of_visits,
        events.check_every_condition_is_done,
        edits.check_files_are_unchanged,
        reviews.check_reviews_are_as_frozen,
        outcomes.check_names,
        outcomes.check_claims,
        outcomes.check_smallest_effects,
        settings.check_working_muscles,
        settings.check_no_cuff_condition,
        settings.check_drawn_sessions,
        events.check_failures,
        cuffs.check_cuffs_are_described,
        cuffs.check_no_cuff_has_no_pressure,
        cuffs.check_pressures_are_mmhg,
        cuffs.check_harms_name_events,
    ):
        if not lacking & NEEDED.get(check, set()):
            check(study, problems)
