"""Decisions of people on single beats, carried out on the beats as detected."""

from __future__ import annotations

import numpy as np
import pandas as pd

ADDED, REMOVED = "added", "removed"

# a decision means the beat that lies this near
BEAT_TOLERANCE_S = 0.060

MOVED_BY_HAND = "moved by hand"

EXCLUDED_BY_HAND = "in a span excluded by hand"

ACCEPTED_BY_HAND = "declared usable by hand"


class BeatEditError(ValueError):
    """A human edit that cannot be carried out on the beats as detected."""


class _BeatList:
    """Beats with their origin while edits are carried out one after the other."""

    def __init__(self, beat_time_s: np.ndarray) -> None:
        self.rows = [
            {"time_s": float(time), "origin": "detector", "reason": "", "detected_row": row}
            for row, time in enumerate(np.asarray(beat_time_s, dtype=float))
        ]

    def nearest(self, time_s: float) -> dict | None:
        """The beat still in use nearest to a time."""
        in_use = [row for row in self.rows if row["origin"] != REMOVED]
        return min(in_use, key=lambda row: abs(row["time_s"] - time_s), default=None)

    def take_out(self, name: str, time_s: float, reason: str) -> None:
        beat = self.nearest(time_s)
        if beat is None or abs(beat["time_s"] - time_s) > BEAT_TOLERANCE_S:
            nearest = f"the nearest is at {beat['time_s']:.3f} s" if beat else "no beat is left"
            raise BeatEditError(
                f"{name}: no beat within {BEAT_TOLERANCE_S * 1000:.0f} ms of {time_s:.3f} s; "
                f"{nearest}"
            )
        if beat["origin"] == ADDED:
            self.rows.remove(beat)
        else:
            beat.update(origin=REMOVED, reason=reason)

    def put_in(self, name: str, time_s: float, reason: str) -> None:
        beat = self.nearest(time_s)
        if beat is not None and abs(beat["time_s"] - time_s) <= BEAT_TOLERANCE_S:
            raise BeatEditError(
                f"{name}: a beat at {beat['time_s']:.3f} s is within "
                f"{BEAT_TOLERANCE_S * 1000:.0f} ms of {time_s:.3f} s already; move that one"
            )
        self.rows.append({"time_s": time_s, "origin": ADDED, "reason": reason, "detected_row": -1})

    def exclude(self, name: str, start_s: float, end_s: float, reason: str) -> None:
        times_s = [beat["time_s"] for beat in self.rows]
        if not times_s or end_s < min(times_s) or start_s > max(times_s):
            held = f"beats from {min(times_s):g} to {max(times_s):g} s" if times_s else "no beat"
            raise BeatEditError(
                f"{name}: nothing was recorded from {start_s:g} to {end_s:g} s, the recording has "
                f"{held}; correct the times or take the row out"
            )
        for beat in self.rows:
            if start_s <= beat["time_s"] <= end_s and beat["origin"] != REMOVED:
                beat.update(origin=REMOVED, reason=reason)


def _edit_time_s(edit: dict, name: str, column: str) -> float:
    cell = pd.Series([edit.get(column)], dtype=object)
    edit_time_s = pd.to_numeric(cell, errors="coerce").iloc[0]
    if not np.isfinite(edit_time_s):
        raise BeatEditError(f"{name}: {column} is missing or not a number")
    return float(edit_time_s)


def apply_beat_edits(beat_time_s: np.ndarray, edits: pd.DataFrame) -> pd.DataFrame:
    """Carry out logged human decisions on detected beats, in the order in which they were made.

    `edits` has columns action (`remove_beat`, `add_beat`, `move_beat`, `exclude_span`), time_s,
    new_time_s, end_s and, where present, edit_id and reason; rows with other actions are left
    alone. A beat is meant when it is the nearest one and lies within BEAT_TOLERANCE_S. Returns a
    table sorted by time_s with columns time_s, origin (`detector`, `added`, `removed`), reason and
    detected_row (position in `beat_time_s`, -1 for a beat added by hand): what `repair_intervals`
    takes. A moved beat is removed at one place and added at the other. What two people decided
    alike is carried out once (`agrees_with_another`). Raises BeatEditError, with
    the edit named, when there is no such beat, when a beat would be added on top of another, or
    when a time is missing.
    """
    beats = _BeatList(beat_time_s)
    edits = edits[~agrees_with_another(edits)]
    for number, edit in enumerate(edits.to_dict("records"), start=1):
        action = str(edit["action"])
        name = f"edit {edit.get('edit_id', number)} ({action})"
        note = edit.get("reason")
        note = f": {note}" if isinstance(note, str) and note.strip() not in ("", "n/a") else ""
        if action == "remove_beat":
            beats.take_out(name, _edit_time_s(edit, name, "time_s"), f"removed by hand{note}")
        elif action == "add_beat":
            beats.put_in(name, _edit_time_s(edit, name, "time_s"), f"added by hand{note}")
        elif action == "move_beat":
            old_s = _edit_time_s(edit, name, "time_s")
            new_s = _edit_time_s(edit, name, "new_time_s")
            beats.take_out(name, old_s, f"{MOVED_BY_HAND} to {new_s:.3f} s{note}")
            beats.put_in(name, new_s, f"{MOVED_BY_HAND} from {old_s:.3f} s{note}")
        elif action == "exclude_span":
            start_s = _edit_time_s(edit, name, "time_s")
            end_s = _edit_time_s(edit, name, "end_s")
            if end_s <= start_s:
                raise BeatEditError(f"{name}: end_s {end_s:g} is not after time_s {start_s:g}")
            beats.exclude(name, start_s, end_s, f"{EXCLUDED_BY_HAND}{note}")
    table = pd.DataFrame(beats.rows, columns=["time_s", "origin", "reason", "detected_row"])
    return table.sort_values("time_s", kind="stable", ignore_index=True)


def agrees_with_another(edits: pd.DataFrame) -> np.ndarray:
    """For each edit, whether another editor had decided the same to within BEAT_TOLERANCE_S before.

    `edits` as `apply_beat_edits` takes them, with a column editor; without one nothing agrees.
    """
    times = ["time_s", "new_time_s", "end_s"]
    agrees = np.zeros(len(edits), dtype=bool)
    if "editor" not in edits:
        return agrees
    at_s = edits.reindex(columns=times).apply(pd.to_numeric, errors="coerce").to_numpy(float)
    action, editor = edits["action"].to_numpy(), edits["editor"].to_numpy()
    for n in range(1, len(edits)):
        with np.errstate(invalid="ignore"):
            near = np.abs(at_s[:n] - at_s[n]) <= BEAT_TOLERANCE_S
        near |= np.isnan(at_s[:n]) & np.isnan(at_s[n])
        agrees[n] = (near.all(axis=1) & (action[:n] == action[n]) & (editor[:n] != editor[n])).any()
    return agrees


def accept_spans(spans: pd.DataFrame, edits: pd.DataFrame) -> pd.DataFrame:
    """The spans of a recording with those accepted that a person declared usable.

    `spans` has columns start_s, end_s, verdict (`accepted`, `doubtful`, `rejected`) and reason,
    `edits` those of `apply_beat_edits`. A span is accepted where one `accept_span` covers it whole;
    what was said against it stays in its reason. Raises BeatEditError, with the edit named, where
    an edit covers no span in doubt.
    """
    spans = spans.copy()
    edits = edits[~agrees_with_another(edits)]
    for number, edit in enumerate(edits.to_dict("records"), start=1):
        if edit["action"] != "accept_span":
            continue
        name = f"edit {edit.get('edit_id', number)} (accept_span)"
        start_s, end_s = _edit_time_s(edit, name, "time_s"), _edit_time_s(edit, name, "end_s")
        if spans.empty:
            raise BeatEditError(f"{name}: beat intervals without a waveform have no spans in doubt")
        in_doubt = spans["verdict"] != "accepted"
        covered = in_doubt & (spans["start_s"] >= start_s) & (spans["end_s"] <= end_s)
        if not covered.any():
            beside = spans[in_doubt & (spans["start_s"] < end_s) & (spans["end_s"] > start_s)]
            limits = [f"{span.start_s:g} to {span.end_s:g} s" for span in beside.itertuples()]
            partly = f"; it covers {', '.join(limits)} in part" if limits else ""
            raise BeatEditError(
                f"{name}: no span in doubt lies whole between {start_s:g} and {end_s:g} s{partly}"
            )
        against = spans.loc[covered, "verdict"] + ": " + spans.loc[covered, "reason"].fillna("")
        spans.loc[covered, "reason"] = ACCEPTED_BY_HAND + ", was " + against
        spans.loc[covered, "verdict"] = "accepted"
    return spans


def excluded_spans_s(edits: pd.DataFrame) -> list[tuple[float, float]]:
    """Spans (start, end) in s that `exclude_span` edits take out: `breaks_s` of the repair."""
    spans = edits[edits["action"] == "exclude_span"]
    return list(zip(spans["time_s"].astype(float), spans["end_s"].astype(float), strict=True))
