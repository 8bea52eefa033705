"""What decisions about beats would change, measured by the workflow's own functions.

A page alone forms intervals of the beats that it was given. The workflow judges beats near a
decision anew, which no page can; where a page is served, it asks here and shows the same digits as
the next run.
"""

from types import SimpleNamespace

import pandas as pd

from engine.listings import outcome_modules
from measuring.cutting import asked_in
from measuring.measured_again import Change, Recorded
from measuring.measured_outcome import measure_outcome
from measuring.person import files_of
from results.words import words_of
from sessions.content import event_of
from study.loading import load_study
from study.problems import Problems
from study.rows import rows_of_cells

SHOWN = ("mean_hr_bpm", "rmssd_ms")


def effects_of(study, results, decisions):
    """Windows of one session in which decisions change mean heart rate (bpm) or RMSSD (ms).

    `decisions` are rows of edits.tsv as text, of one session; those about events are left aside.
    Returns name of the window, heart rate before and after, RMSSD before and after, as text.
    StudyError where a decision cannot be carried out.
    """
    if not decisions:
        return []
    participant, session = decisions[0]["participant_id"], decisions[0]["session_id"]
    settings = load_study({"study": str(study)}).settings
    signals = results / "signals" / f"{participant}.parquet"
    recorded = Recorded(study, participant, signals, **files_of(results, participant))
    before = heart_of(recorded.unchanged, session, settings)
    stand = [table for table in (recorded.edits, as_edits(decisions)) if len(table)]
    recorded.edits = pd.concat(stand, ignore_index=True)
    again = Change(settings, settings, remade=("find_beats",))
    after = heart_of(recorded.under(again), session, settings)
    return [
        [name, *(text for pair in zip(was, after[name], strict=True) for text in pair)]
        for name, was in before.items()
        if was != after[name]
    ]


def as_edits(decisions):
    """Decisions as the workflow reads them from edits.tsv. StudyError where one cannot stand."""
    columns = list(decisions[0])
    problems = Problems()
    cells = [columns, *([row[name] for name in columns] for row in decisions)]
    edits = rows_of_cells(SimpleNamespace(stem="edits", name="edits.tsv"), cells, problems)
    problems.stop()
    return pd.DataFrame([row.model_dump() for row in edits])


def heart_of(person, session, settings):
    """Mean heart rate and RMSSD of each window of a session that asks for them, as text."""
    person.events = person.events[person.events["session_id"] == session]
    modules = {name: outcome_modules()[name] for name in SHOWN}
    shown = {}
    for window, inputs in person.windows(settings.measure_outcomes, settings.protocol):
        if not all(asked_in(window, module) for module in modules.values()):
            continue
        rules = settings.quality_rules
        measured = [
            measure_outcome(name, m, window, inputs, rules, rules) for name, m in modules.items()
        ]
        event = person.labels(inputs["event"])
        event["event_onset_s"] = f"{event['event_onset_s']:g}"
        name = f"{event_of(event)}: {words_of(window.name)}"
        shown[name] = ["none" if pd.isna(v["value"]) else f"{v['value']:.2f}" for v in measured]
    return shown
