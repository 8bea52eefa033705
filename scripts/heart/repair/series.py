"""The repaired series read back: which intervals are normal, and how much of it was corrected."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heart.beat_edits import EXCLUDED_BY_HAND, MOVED_BY_HAND, REMOVED
from heart.repair.labels import NORMAL
from heart.variability import directly_following

# beats whose ends agree to this time follow each other; the microsecond of the beat table
SAME_BEAT_S = 2e-3


def with_beginnings(beats: pd.DataFrame) -> pd.DataFrame:
    """The beats in order of session and time, with `begins_normal`: whether the interval that ends
    at a beat begins at a normal one.

    `beats` is the table of `repair_intervals` with a session_id. Beats are left out that are
    neither in the repaired series nor changed.
    """
    used = beats[beats["nn_time_s"].notna() | (beats["kind"] != NORMAL)]
    used = used.sort_values(["session_id", "time_s"], kind="stable")
    in_series = used[used["nn_time_s"].notna()]
    before = in_series.groupby("session_id")["kind"].shift()
    return used.assign(begins_normal=(before == NORMAL).reindex(used.index, fill_value=False))


def with_differences(beats: pd.DataFrame) -> pd.DataFrame:
    """The intervals of one session with `difference_ms` from the interval before.

    `beats` as `with_beginnings` gives it. NaN where two intervals do not follow each other or one
    of them does not lie between two normal beats (`variability.directly_following`).
    """
    intervals = beats[beats["nn_ms"].notna()]
    follows = directly_following(
        intervals["nn_time_s"],
        intervals["nn_ms"],
        intervals["begins_normal"] & (intervals["kind"] == NORMAL),
        tolerance_s=SAME_BEAT_S,
    )
    return intervals.assign(difference_ms=intervals["nn_ms"].diff().where(follows))


def _corrections(table: pd.DataFrame, start_s: float, end_s: float) -> tuple[np.ndarray, int]:
    """Which beats between two times count as corrected, and how many beats there are used.

    A move by hand counts once, at its new place; an excluded span does not count.
    """
    time_s = table["time_s"].to_numpy()
    inside = np.flatnonzero((time_s >= start_s) & (time_s < end_s))
    kind = table["kind"].to_numpy()[inside]
    corrected = kind != NORMAL
    for removed_at in np.flatnonzero(kind == REMOVED):
        reason = str(table["reason"].iat[inside[removed_at]])
        corrected[removed_at] = not reason.startswith((MOVED_BY_HAND, EXCLUDED_BY_HAND))
    return corrected, int(np.isfinite(table["nn_time_s"].to_numpy(dtype=float)[inside]).sum())


def corrected_pct(table: pd.DataFrame, start_s: float, end_s: float) -> float:
    """Beats that differ between the list as seen and the list as used, in % of the list as used.

    `table` is the beat table of `repair_intervals`; beats with start_s <= time_s < end_s count.
    A beat moved, put in, dropped, added or removed counts once; beats in a span excluded by hand
    are lost, not corrected. Raises ValueError when the span holds no beat that is used.
    Source: convention.
    """
    corrected, used = _corrections(table, start_s, end_s)
    if used == 0:
        raise ValueError(f"no beat is used between {start_s:g} and {end_s:g} s")
    return 100.0 * int(corrected.sum()) / used


def longest_repaired_run(table: pd.DataFrame, start_s: float, end_s: float) -> int:
    """Most corrected beats in a row between start_s and end_s (s); 0 where none is corrected.

    Corrected as in `corrected_pct`; a beat dropped or put in belongs to it.
    Source: convention.
    """
    corrected, _ = _corrections(table, start_s, end_s)
    sound = np.flatnonzero(np.concatenate([[True], ~corrected, [True]]))
    return int(np.diff(sound).max()) - 1
