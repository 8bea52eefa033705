"""Starts and ends of sets and cuffs: as noted against as recorded."""

import pandas as pd

from muscle.boundaries import compare_boundaries
from muscle.segments import TRACE_COLUMNS, on_sensor
from recordings.store import joined
from results.tables import stack


def in_order_of_sheet(sets):
    """Sets in the order of the rows of the session sheet."""
    return sets.sort_values("row_number", kind="stable").reset_index(drop=True)


def compared_sets(sets, labels, proposals, settings):
    """Starts and ends of the sets whose working muscle one sensor sits on: log and recording.

    A limit that was supplied stands with the log empty, one that neither has with the reason.
    """
    own = sets[on_sensor(sets, labels)]
    ends_s = own["onset_s"] + own["duration_s"]
    start_noted = own["onset_s"].notna() & ~own["supplied"].str.contains("start")
    end_noted = ends_s.notna() & ~own["supplied"].str.contains("end")
    noted = pd.concat(
        [
            pd.DataFrame({"time_s": own["onset_s"][start_noted], "boundary": "set_start"}),
            pd.DataFrame({"time_s": ends_s[end_noted], "boundary": "set_end"}),
        ],
        ignore_index=True,
    ).sort_values("time_s", ignore_index=True)
    table = compare_boundaries(
        noted,
        proposals,
        tolerance_s=settings.boundary_tolerance_s,
        farthest_s=settings.farthest_boundary_s,
    )
    for boundary, word, time_s in (
        ("set_start", "start", own["onset_s"]),
        ("set_end", "end", ends_s),
    ):
        supplied = time_s[own["supplied"].str.contains(word)]
        taken = (table["boundary"] == boundary) & table["log_s"].isna()
        taken &= table["proposed_s"].isin(supplied)
        table["status"] = table["status"].mask(taken, "flagged")
        table["reason"] = table["reason"].mask(taken, f"supplied: the sheet has no {word} of it")
    still = own[own["untimed"] != ""]
    lacking = pd.DataFrame(
        [
            {
                "boundary": "set_end" if pd.notna(row.onset_s) else "set_start",
                "status": "missing",
                "reason": f"{place_of(row)} has no time on the sheet and got none: {row.untimed}",
            }
            for row in still.itertuples()
        ]
    )
    return stack([table, lacking], "boundaries").assign(
        **{name: labels[name] for name in ("session_id", "file", "site")}
    )


def place_of(row):
    """Exercise and bout of a set or a cuff in words."""
    exercise = row.exercise if isinstance(row.exercise, str) else row.trial_type
    return exercise if pd.isna(row.bout) else f"{exercise} bout {row.bout:.0f}"


def pressure_recordings(stretches, recordings):
    """Every recording of a cuff's pressure, with the limb and side that recordings.tsv names."""
    for labels, of_recording in by_recording(stretches):
        if labels["signal"] != "cuff_pressure":
            continue
        row = recordings[
            (recordings["session_id"] == labels["session_id"])
            & (recordings["file"] == labels["file"])
            & (recordings["channel"].fillna("") == (labels["channel"] or ""))
            & (recordings["signal"] == "cuff_pressure")
        ].iloc[0]
        yield labels | {"limb": row["limb"], "side": row["side"], "trace": joined(of_recording)}


def by_recording(stretches):
    """Stretches of each recording together, with the labels that they share."""
    recordings = {}
    for stretch in stretches:
        labels = tuple(getattr(stretch, name) for name in TRACE_COLUMNS)
        recordings.setdefault(labels, []).append(stretch)
    for labels, of_recording in recordings.items():
        yield dict(zip(TRACE_COLUMNS, labels, strict=True)), of_recording
