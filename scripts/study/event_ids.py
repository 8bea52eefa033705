"""The name of every event of the session sheet: as given, else made from its kind and its order.

Tables are joined by participant, session and event_id, never by a time.
"""

from collections import Counter
from itertools import groupby

MOVES = ("move_onset", "move_offset")
EVENT_ACTIONS = (*MOVES, "exclude_event")

# these leave out events as well
WHOLE_ACTIONS = ("exclude_session", "exclude_participant")

# an edit names an event by its onset to within this
SAME_ONSET_S = 0.5


def name_events(events):
    """Give each row of events.tsv without an event_id one such as sub-01_ses-1_set-03.

    Numbers count the rows of one kind in a session by their onset on the sheet; a set whose onset
    is not noted follows the row above it. Edits change no number: they are carried out later.
    """
    for (participant, session), of_session in groupby(sorted(events, key=_visit), key=_visit):
        numbers = Counter()
        for row in _in_order(of_session):
            numbers[row.trial_type] += 1
            number = f"{numbers[row.trial_type]:02d}"
            row.event_id = row.event_id or f"{participant}_{session}_{row.trial_type}-{number}"


def _visit(row):
    return row.participant_id, row.session_id


def _in_order(events):
    reached_s, order = float("-inf"), []
    for row in events:
        reached_s = reached_s if row.onset_s is None else row.onset_s
        order.append((reached_s, len(order), row))
    return [row for *_, row in sorted(order, key=lambda entry: entry[:2])]
