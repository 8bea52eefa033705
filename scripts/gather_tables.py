"""Put everybody's outcomes, quality and clocks into one table each, and list what was left out."""

import pandas as pd

from measure_outcomes import OUTCOME_COLUMNS
from session_sheet import events_of, table_of
from step import Inputs, Output, run
from tabular import read_tables, write_table

EXCLUSION_COLUMNS = [
    *("participant_id", "session_id", "scope", "signal", "start_s", "end_s", "outcome", "window"),
    *("rule", "reason", "n_before", "n_after"),
]
QUALITY_COLUMNS = [
    *("participant_id", "session_id", "signal", "file", "site", "segment", "event_onset_s"),
    *("exercise", "start_s", "end_s", "usable_pct", "beats", "corrected_pct"),
    *("longest_repaired_run", "corrected_pct_without_edits", "rmssd_ms", "rmssd_ms_without_edits"),
    *("timing_step_ms", "dropouts", "verdict", "reason"),
]
EVENT_KEYS = [
    *("participant_id", "session_id", "visit", "event_onset_s", "trial_type", "exercise"),
    *("condition", "bout", "window"),
]


def gather_tables(
    outcomes_of_each: Inputs,
    sync_of_each: Inputs,
    recovery_of_each: Inputs,
    boundaries_of_each: Inputs,
    quality_of_each: Inputs,
    outcomes: Output,
    outcomes_wide: Output,
    sync: Output,
    quality: Output,
    exclusions: Output,
    recovery_series: Output,
    boundaries: Output,
    *,
    study: str,
):
    found = read_tables(outcomes_of_each)[OUTCOME_COLUMNS]
    judged = read_tables(quality_of_each).reindex(columns=QUALITY_COLUMNS)
    write_table(found, outcomes)
    write_table(wide(found), outcomes_wide)
    write_table(read_tables(sync_of_each), sync)
    write_table(read_tables(recovery_of_each), recovery_series)
    write_table(read_tables(boundaries_of_each), boundaries)
    write_table(judged, quality)
    left_out = [
        people_and_visits(study),
        conditions_not_done(study),
        excluded_events(study),
        edits(study),
        spans(judged),
        refused_outcomes(found),
    ]
    filled = [table for table in left_out if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    write_table(stacked.reindex(columns=EXCLUSION_COLUMNS), exclusions)


def wide(found):
    """One row per event and window, a column per outcome; what was refused is missing."""
    names = sorted(found["outcome"].dropna().unique())
    if found.empty:
        return pd.DataFrame(columns=EVENT_KEYS)
    keys = found[EVENT_KEYS].astype(object).where(found[EVENT_KEYS].notna(), "")
    number = keys.apply(tuple, axis=1).factorize()[0]
    table = found.assign(number=number).pivot(index="number", columns="outcome", values="value")
    labels = found[EVENT_KEYS].assign(number=number).drop_duplicates("number").set_index("number")
    return labels.join(table[names]).reset_index(drop=True)


def people_and_visits(study):
    """Participants and visits of the tables that no recording belongs to."""
    people = table_of(study, "participants")
    visits = table_of(study, "sessions")
    recordings = table_of(study, "recordings")
    recorded = set(zip(recordings["participant_id"], recordings["session_id"], strict=True))
    rows = []
    n_people, kept = len(people), len(set(people["participant_id"]) & {p for p, _ in recorded})
    for row in people.itertuples():
        if row.participant_id not in {p for p, _ in recorded}:
            rows.append(
                {
                    "participant_id": row.participant_id,
                    "scope": "participant",
                    "rule": "no recording",
                    "reason": "recordings.tsv names no recording of this participant",
                    "n_before": n_people,
                    "n_after": kept,
                }
            )
    for row in visits.itertuples():
        if (row.participant_id, row.session_id) not in recorded:
            rows.append(
                {
                    "participant_id": row.participant_id,
                    "session_id": row.session_id,
                    "scope": "session",
                    "rule": "no recording",
                    "reason": row.note or "recordings.tsv names no recording of this visit",
                    "n_before": len(visits),
                    "n_after": len(recorded),
                }
            )
    return pd.DataFrame(rows)


def conditions_not_done(study):
    """Conditions of the study in which a participant did no set."""
    sets = events_of(study)
    sets = sets[sets["trial_type"] == "set"]
    notes = table_of(study, "sessions").dropna(subset="note").groupby("participant_id")["note"]
    noted = notes.agg("; ".join).to_dict()
    everybody = sorted(set(sets["participant_id"]))
    rows = []
    for condition in sorted(set(sets["condition"])):
        did = set(sets.loc[sets["condition"] == condition, "participant_id"])
        for participant in sorted(set(everybody) - did):
            note = f"; noted: {noted[participant]}" if participant in noted else ""
            rows.append(
                {
                    "participant_id": participant,
                    "scope": "condition",
                    "rule": "not done",
                    "reason": f"no set in condition {condition}{note}",
                    "n_before": len(everybody),
                    "n_after": len(did),
                }
            )
    return pd.DataFrame(rows)


def excluded_events(study):
    """Events that a person excluded."""
    events = events_of(study)
    dropped = events[events["excluded"].notna()]
    return pd.DataFrame(
        {
            "participant_id": dropped["participant_id"],
            "session_id": dropped["session_id"],
            "scope": "event",
            "start_s": dropped["onset_s"],
            "end_s": dropped["onset_s"] + dropped["duration_s"],
            "rule": "edits.tsv",
            "reason": dropped["excluded"],
            "n_before": len(events),
            "n_after": len(events) - len(dropped),
        }
    )


def edits(study):
    """Beats and spans that a person took out, put in or moved."""
    made = table_of(study, "edits")
    made = made[made["action"].isin(["remove_beat", "add_beat", "move_beat", "exclude_span"])]
    return pd.DataFrame(
        {
            "participant_id": made["participant_id"],
            "session_id": made["session_id"],
            "scope": made["action"],
            "signal": made["signal"],
            "start_s": made["time_s"],
            "end_s": made["end_s"].fillna(made["time_s"]),
            "rule": "edits.tsv",
            "reason": "edit " + made["edit_id"] + " by " + made["editor"] + ": " + made["reason"],
        }
    )


def spans(judged):
    """Spans of a recording that cannot be trusted, from the tables of quality."""
    rejected = judged[(judged["segment"] == "span") & (judged["verdict"] == "rejected")]
    columns = ["participant_id", "session_id", "signal", "start_s", "end_s", "reason"]
    return rejected[columns].assign(scope="span", rule="signal quality")


def refused_outcomes(found):
    """Per outcome, window and reason: how many values were asked for and how many were given."""
    if found.empty:
        return pd.DataFrame()
    asked = found.groupby(["outcome", "window"]).size()
    not_given = found[found["status"].isin(["refused", "missing"])].assign(
        # the measured figures in a reason differ from window to window
        rule=lambda t: (
            t["reason"]
            .str.replace(r" \(here .*?\)", "", regex=True)
            .str.replace(r"\b\d+ (%|s)", r"some \1", regex=True)
        )
    )
    counts = not_given.groupby(["outcome", "window", "status", "rule"]).size()
    return pd.DataFrame(
        [
            {
                "scope": "outcome",
                "outcome": outcome,
                "window": window,
                "rule": status,
                "reason": f"{rule} ({count} values)",
                "n_before": int(asked[outcome, window]),
                "n_after": int(asked[outcome, window] - count),
            }
            for (outcome, window, status, rule), count in counts.items()
        ]
    )


if __name__ == "__main__":
    run(gather_tables)
