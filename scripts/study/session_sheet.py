"""The session sheet of one person as tables, with the decisions of edits.tsv carried out."""

import pandas as pd

from study.event_ids import EVENT_ACTIONS, SAME_ONSET_S, WHOLE_ACTIONS
from study.rows import rows_of


def table_of(study_folder, name, participant=None):
    """Rows of a study table as a DataFrame; columns are the declared ones and any extra ones."""
    from study.tables import TABLES

    of_table = rows_of(study_folder, name, participant)
    extra = [column for row in of_table for column in (row.model_extra or {})]
    columns = dict.fromkeys([*TABLES[name].model_fields, *extra])
    records = [row.model_dump() for row in of_table]
    table = pd.DataFrame(records, columns=list(columns)).assign(
        row_number=[row.row_number for row in of_table]
    )
    if name == "recordings":
        table["file_inside"] = [row.file_inside for row in of_table]
    return table


def events_of(study_folder, participant=None, *, with_edits=True):
    """Events with edits carried out, sorted; `excluded` says why an event does not count.

    The condition of a baseline or a recovery is that of the session's sets when they share one.
    """
    events = table_of(study_folder, "events", participant)
    events["excluded"] = None
    events["edited"] = ""
    edits = table_of(study_folder, "edits", participant)
    edits = edits if with_edits else edits[:0]
    for edit in edits[edits["action"].isin([*EVENT_ACTIONS, *WHOLE_ACTIONS])].itertuples():
        events = _with_edit(events, edit)
    events = events.sort_values(["participant_id", "session_id", "onset_s"], kind="stable")
    return _with_session_condition(events.reset_index(drop=True))


def noted_cadence_hz(event):
    """Repetitions over time on the session sheet: those done, or planned where the set ran to its
    end; 0 where neither is noted."""
    planned = event.reps_planned if event.stopped_early != "yes" else float("nan")
    repetitions = planned if pd.isna(event.reps_done) else event.reps_done
    noted = pd.notna(repetitions) and event.duration_s > 0
    return repetitions / event.duration_s if noted else 0.0


def exercise_and_bout(event):
    """A set or a cuff in words: `squat bout 2`; without an exercise what it is."""
    exercise = event.exercise if isinstance(event.exercise, str) else event.trial_type
    return exercise if pd.isna(event.bout) else f"{exercise} bout {event.bout:.0f}"


def with_supplied_times(events, segments):
    """Events of one person with the times that segment_oxygenation supplied.

    `supplied` says what of a set's times comes from the recording, `untimed` why it has none.
    """
    of_event = segments.set_index(["session_id", "event_id"]).to_dict("index")
    with_times = []
    for event in events.to_dict("records"):
        segment = of_event.get((event["session_id"], event["event_id"]), {})
        supplied, untimed = segment.get("supplied"), segment.get("untimed")
        event |= {"supplied": "", "untimed": "" if pd.isna(untimed) else untimed}
        if pd.notna(supplied):
            event |= {
                "onset_s": segment["event_onset_s"],
                "duration_s": segment["duration_s"],
                "supplied": f"{supplied} of the set supplied by the recording, standard error "
                f"{segment['supplied_se_s']:.1f} s",
            }
        with_times.append(event)
    timed = pd.DataFrame(with_times, columns=[*events.columns, "supplied", "untimed"])
    keys = ["participant_id", "session_id", "onset_s"]
    return timed.sort_values(keys, kind="stable", ignore_index=True)


def meant_by_edit(events, edit):
    """Which events a row of edits.tsv is about: a flag for each."""
    of_person = events["participant_id"] == edit.participant_id
    if edit.action == "exclude_participant":
        return of_person
    of_session = of_person & (events["session_id"] == edit.session_id)
    if edit.action == "exclude_session":
        return of_session
    if pd.isna(edit.event_id):
        return of_session & ((events["onset_s"] - edit.event_onset_s).abs() < SAME_ONSET_S)
    return of_session & (events["event_id"] == edit.event_id)


def _with_edit(events, edit):
    meant = meant_by_edit(events, edit)
    events = events.copy()
    events.loc[meant, "edited"] = events.loc[meant, "edited"] + f"{edit.edit_id} "
    if edit.action.startswith("exclude_"):
        scope = {"exclude_session": "visit", "exclude_participant": "participant"}
        whole = f"{scope[edit.action]} excluded, " if edit.action in scope else ""
        reason = f"{whole}edit {edit.edit_id} by {edit.editor}: {edit.reason}"
        return events.assign(excluded=events["excluded"].mask(meant, reason))
    end_s = events["onset_s"] + events["duration_s"]
    if edit.action == "move_onset":
        return events.assign(
            onset_s=events["onset_s"].mask(meant, edit.new_time_s),
            duration_s=events["duration_s"].mask(meant, end_s - edit.new_time_s),
        )
    return events.assign(
        duration_s=events["duration_s"].mask(meant, edit.new_time_s - events["onset_s"])
    )


def _with_session_condition(events):
    sets = events[events["trial_type"] == "set"]
    by_session = sets.groupby(["participant_id", "session_id"])["condition"]
    shared = by_session.first()[by_session.nunique() == 1].to_dict()
    keys = zip(events["participant_id"], events["session_id"], strict=True)
    of_session = pd.Series([shared.get(key) for key in keys], index=events.index, dtype=object)
    takes = events["trial_type"].isin(["baseline", "rest", "recovery"]) & events["condition"].isna()
    return events.assign(condition=events["condition"].mask(takes, of_session))
