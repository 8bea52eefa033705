"""The ledger of people's decisions: what each row of edits.tsv changed.

A decision that cannot be carried out stops the run before or in the step that it concerns; one that
stands here was carried out. Reasons and names stay in edits.tsv.
"""

import pandas as pd

from heart.beat_edits import ACCEPTED_BY_HAND, BEAT_TOLERANCE_S, EXCLUDED_BY_HAND, REMOVED
from results.tables import read_table, stack
from results.words import counted
from study.event_ids import EVENT_ACTIONS, WHOLE_ACTIONS
from study.rows import rows_of
from study.session_sheet import events_of, meant_by_edit, table_of

OF_EVENTS = (*EVENT_ACTIONS, *WHOLE_ACTIONS)


def ledger(study, beats_of, quality):
    """Decisions of everybody, from the files of beats by participant and the table of quality."""
    edited = sorted({row.participant_id for row in rows_of(study, "edits")})
    judged = read_table(quality) if edited else None
    made = []
    for person in edited:
        # somebody without a recording, or who could not be measured, has none
        beats = read_table(beats_of[person]) if person in beats_of else None
        of_person = judged[judged["participant_id"] == person]
        made.append(decisions_of(study, person, beats, of_person))
    return stack(made, "decisions")


def decisions_of(study, participant, beats, quality):
    """Rows of decisions.tsv of one participant, one for each of edits.tsv in its order.

    `beats` and `quality` are the person's tables of these names, as steps left them.
    """
    noted = events_of(study, participant, with_edits=False)
    decisions = []
    for edit in table_of(study, "edits", participant).itertuples():
        if edit.action in OF_EVENTS:
            on, changed = _of_events(edit, noted)
            noted = _with_move(noted, edit)
        elif beats is None:
            on, changed = None, "nothing: the participant could not be measured, see unmade.tsv"
        elif edit.action == "accept_span":
            on, changed = _accepted_spans(edit, quality)
        elif edit.signal == "muscle_oxygen":
            on, changed = _excluded_saturation(edit, quality)
        else:
            on, changed = _of_beats(edit, beats)
        decisions.append(
            {
                "edit_id": edit.edit_id,
                "participant_id": participant,
                "session_id": edit.session_id,
                "signal": edit.signal,
                "action": edit.action,
                "carried_out_on": on,
                "changed": changed,
            }
        )
    return pd.DataFrame(decisions)


def _of_events(edit, noted):
    meant = noted[meant_by_edit(noted, edit)]
    if edit.action in WHOLE_ACTIONS:
        visits = counted(meant["session_id"].nunique(), "visit")
        label = edit.session_id if edit.action == "exclude_session" else edit.participant_id
        return label, f"{counted(len(meant), 'event')} of {visits} left out"
    event = meant.iloc[0]
    if edit.action == "exclude_event":
        return event["event_id"], f"{event['trial_type']} left out"
    onset_s, end_s = event["onset_s"], event["onset_s"] + event["duration_s"]
    if edit.action == "move_onset":
        return event["event_id"], f"onset from {onset_s:g} to {edit.new_time_s:g} s"
    return event["event_id"], f"end from {end_s:g} to {edit.new_time_s:g} s"


def _with_move(noted, edit):
    """Events as the next decision finds them."""
    meant = meant_by_edit(noted, edit)
    end_s = noted["onset_s"] + noted["duration_s"]
    if edit.action == "move_onset":
        moved_s = edit.new_time_s
        noted = noted.assign(duration_s=noted["duration_s"].mask(meant, end_s - moved_s))
        return noted.assign(onset_s=noted["onset_s"].mask(meant, moved_s))
    if edit.action == "move_offset":
        lasts_s = edit.new_time_s - noted["onset_s"]
        return noted.assign(duration_s=noted["duration_s"].mask(meant, lasts_s))
    return noted


def _of_beats(edit, beats):
    of_session = beats[beats["session_id"] == edit.session_id]
    removed = of_session[of_session["kind"] == REMOVED]
    if edit.action == "exclude_span":
        inside = removed["time_s"].between(edit.time_s, edit.end_s)
        by_span = removed["reason"].str.startswith(EXCLUDED_BY_HAND, na=False)
        n = int((inside & by_span).sum())
        return f"{edit.time_s:g} to {edit.end_s:g} s", f"{counted(n, 'beat')} left out"
    at = f"{edit.time_s:g} s"
    if edit.action == "add_beat":
        stands = _stands(of_session[of_session["kind"] != REMOVED], edit.time_s)
        return at, "1 beat put in" if stands else "a later decision takes it back"
    if edit.action == "move_beat":
        return at, f"1 beat moved to {edit.new_time_s:g} s"
    stands = _stands(removed, edit.time_s)
    return at, "1 beat left out" if stands else "a beat added by hand taken back"


def _stands(beats, time_s):
    return bool((beats["time_s"] - time_s).abs().le(BEAT_TOLERANCE_S).any())


def _accepted_spans(edit, quality):
    spans = quality[(quality["session_id"] == edit.session_id) & (quality["segment"] == "span")]
    inside = (spans["start_s"] >= edit.time_s) & (spans["end_s"] <= edit.end_s)
    by_hand = spans["reason"].str.startswith(ACCEPTED_BY_HAND, na=False)
    n = int((inside & by_hand).sum())
    return f"{edit.time_s:g} to {edit.end_s:g} s", f"{counted(n, 'span')} counts as usable"


def _excluded_saturation(edit, quality):
    of_signal = quality[
        (quality["session_id"] == edit.session_id)
        & (quality["signal"] == "muscle_oxygen")
        & (quality["segment"] == "recording")
    ]
    files = counted(of_signal["file"].nunique(), "recording")
    lasts_s = edit.end_s - edit.time_s
    return f"{edit.time_s:g} to {edit.end_s:g} s", f"{lasts_s:g} s of {files} left out"
