"""Tables of an archive: those of the study without what tells who somebody is, and the results."""

import csv
from types import SimpleNamespace

import pandas as pd

from results.columns import TABLES as RESULT_TABLES
from study.event_ids import name_events
from study.plan import is_no_later
from study.privacy import INSTEAD, free_text_columns
from study.session_sheet import table_of
from study.tables import TABLES

# copied with their labels changed; recordings and edits are made anew, reviews name persons
COPIED = ("participants", "sessions", "occlusion", "titration", "events", "harms")

# over 89 years people are one class: 45 CFR 164.514(b)(2)(i)(C), from memory
OLDEST_YEARS = 90

AGE_BAND_YEARS = 5

# widths of bands of measures that tell a person apart: ours, no source
SIZE_BAND = {"body_mass_kg": 5.0, "stature_cm": 5.0}

# what an archive says of these columns
BANDS = {
    "age_years": f"middle of a band of {AGE_BAND_YEARS} years; {OLDEST_YEARS}: that or older",
    "body_mass_kg": f"to the nearest {SIZE_BAND['body_mass_kg']:g} kg",
    "stature_cm": f"to the nearest {SIZE_BAND['stature_cm']:g} cm",
    "date_shifted": "moved by a number of days of each person, the same for all visits: arbitrary",
    "session_start": "moved like date_shifted, with the clock time to the hour begun: arbitrary",
}

# names of files, people and machines; what a run was made from
_LEFT_OUT_RESULTS = {"inputs", "settings_changed", "manifest", "software", "unmade"}

_LEFT_OUT_COLUMNS = {"file", "channel"}


def study_tables(study, labels, conditions):
    """Tables of a study as an archive holds them, by name, those without rows left out."""
    tables = {name: _copied(study, name, labels) for name in COPIED}
    people, sessions, events = (tables[n] for n in ("participants", "sessions", "events"))
    people["age_years"] = people["age_years"].map(age_band)
    for column, width in SIZE_BAND.items():
        people[column] = (pd.to_numeric(people[column]) / width).round() * width
    sessions["expectation"] = sessions["expectation"].where(
        # else it is free text
        sessions["expectation"].isin(conditions)
    )
    tables["events"] = events[events["trial_type"] != "note"].drop(
        columns=["event_id", "onset_time"]
    )
    filled = {name: table.dropna(axis=1, how="all") for name, table in tables.items()}
    return {name: table for name, table in filled.items() if len(table)}


def age_band(years):
    """Middle year of the band of an age; everybody over 89 is in one."""
    if pd.isna(years):
        return None
    return min(int(years // AGE_BAND_YEARS * AGE_BAND_YEARS + AGE_BAND_YEARS // 2), OLDEST_YEARS)


def archived_edits(study, labels, made_of, sha256_of_file, file_of_sha256, frozen_at=None):
    """Decisions of people, each bound to the file of the archive that it concerns.

    made_of : see RecordingsWriter
    sha256_of_file : gives the checksum of a file of the archive
    file_of_sha256 : what results call the file of the study with a checksum
    frozen_at : when the plan was frozen; a decision no later bears this time, any other none
    """
    edits = _copied(study, "edits", labels)
    edits["edited_at"] = [
        frozen_at if is_no_later(edited_at, frozen_at) else "not told"
        for edited_at in edits["edited_at"]
    ]
    records = []
    for edit in edits.to_dict("records"):
        if edit["file_sha256"] is None:
            records.append(edit)
            continue
        former = file_of_sha256.get(edit["file_sha256"].lower())
        visit = edit["participant_id"], edit["session_id"]
        # without its ECG a session keeps the intervals
        signals = ("ecg", "rr") if edit["signal"] == "ecg" else (edit["signal"],)
        made = next(filter(None, (made_of.get((*visit, s, former)) for s in signals)), {})
        signal = next((s for s in signals if (*visit, s, former) in made_of), None)
        at_s = [edit[c] for c in ("time_s", "new_time_s", "end_s") if pd.notna(edit[c])]
        for file, (start_s, end_s) in made.items():
            # of several pieces those that the decision meets
            if len(made) == 1 or not at_s or (start_s <= max(at_s) and min(at_s) <= end_s):
                records.append(edit | {"signal": signal, "file_sha256": sha256_of_file(file)})
    table = pd.DataFrame(records, columns=edits.columns)
    return table.assign(edit_id=range(1, len(table) + 1))


def _copied(study, name, labels):
    """A table with new labels, dates and events, without free text and columns of the study's own,
    in an order that tells nothing of the former labels."""
    model = TABLES[name]
    table = table_of(study, name)[list(model.model_fields)].astype(object)
    table = table.where(table.notna(), None)
    for column in free_text_columns(model):
        table[column] = table[column].where(table[column].isna(), INSTEAD.get(column))
    events = event_ids(study, labels) if "event_id" in table and name != "events" else {}
    records = []
    for row in table.to_dict("records"):
        person, session = row["participant_id"], row.get("session_id")
        row["participant_id"] = labels.people[person]
        if session is not None:
            row["session_id"] = labels.sessions.get((person, session), session)
        if row.get("event_id") is not None:
            row["event_id"] = events.get((person, session, row["event_id"]))
        for column in ("date_shifted", "session_start"):
            if column in row:
                row[column] = labels.shifted(row[column], person)
        records.append(row)
    of_visit = [c for c in ("participant_id", "session_id") if c in table]
    made = pd.DataFrame(records, columns=table.columns, dtype=object)
    return made.sort_values(of_visit, kind="stable", ignore_index=True)


def event_ids(study, labels):
    """What an archive calls each event, by participant, session and event_id in the study."""
    events = table_of(study, "events")
    records = [SimpleNamespace(**row) for row in events.to_dict("records")]
    given = [row.event_id for row in records]
    for row in records:
        row.event_id = None
        row.onset_s = None if pd.isna(row.onset_s) else row.onset_s
    name_events(records)
    return {
        (row.participant_id, row.session_id, former): labels.relabelled(row.event_id)
        for row, former in zip(records, given, strict=True)
    }


def result_tables(results, labels, events):
    """(name, columns, rows as text) of every result table that goes into an archive."""
    for name, declared in RESULT_TABLES.items():
        path = results / f"{name}.tsv"
        if name in _LEFT_OUT_RESULTS or declared.file or not path.exists():
            continue
        with path.open(encoding="utf-8", newline="") as lines:
            header, *records = csv.reader(lines, delimiter="\t", quoting=csv.QUOTE_NONE)
        kept = [c for c in header if c not in _LEFT_OUT_COLUMNS]
        made = [
            [row[c] for c in kept]
            for row in (
                _relabelled(dict(zip(header, r, strict=True)), labels, events) for r in records
            )
        ]
        yield name, kept, _in_new_order(kept, made)


def _relabelled(row, labels, events):
    person, session = row.get("participant_id"), row.get("session_id")
    event = events.get((person, session, row.get("event_id")))
    row = {c: labels.relabelled(cell, person) if "-" in cell else cell for c, cell in row.items()}
    return row | {"event_id": event} if event else row


def _in_new_order(columns, records):
    """Rows in the order of the new labels, within what stands in the columns before them."""
    label = next((c for c in ("participant_id", "left_out") if c in columns), None)
    if label is None:
        return records
    at = columns.index(label)
    first = {}
    for row in records:
        first.setdefault(tuple(row[:at]), len(first))
    return sorted(records, key=lambda row: (first[tuple(row[:at])], row[at]))
