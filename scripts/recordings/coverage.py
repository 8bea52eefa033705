"""Whether a recording holds the events of its session that are measured in it. Conventions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from recordings.limbs import same_limb

Span = tuple[float, float]

# how every sentence of `coverage_caution` begins: a clock may be right and the recording short
CAUTION = "flagged: this recording "

OUTSIDE = f"{CAUTION}lies outside the events of its session "

_MEASURED_IN = {
    "muscle_oxygen": ("baseline", "set"),
    "oxy_haemoglobin": ("baseline", "set"),
    "deoxy_haemoglobin": ("baseline", "set"),
    "total_haemoglobin": ("baseline", "set"),
    "cuff_pressure": ("cuff",),
}

_MEASURED_IN_OTHERS = ("baseline", "set", "rest", "recovery")
_EVENTS_NAMED = 3


def events_measured_in(
    events: pd.DataFrame, signal: str, *, limb: str | None = None, side: str | None = None
) -> pd.DataFrame:
    """Rows of the session sheet, with known times, that need one signal of the session.

    `events`: rows of one session; `limb` and `side`: where a cuff pressure was recorded. Saturation
    is needed at rest and in sets, cuff pressure while its cuff is inflated (on a sheet without cuff
    rows: in sets with a pressure), the heart throughout.
    """
    kinds = _MEASURED_IN.get(signal, _MEASURED_IN_OTHERS)
    timed = events[events["onset_s"].notna() & events["duration_s"].notna()]
    needed = timed[timed["trial_type"].isin(kinds)]
    if signal != "cuff_pressure":
        return needed
    if needed.empty:
        needed = timed[(timed["trial_type"] == "set") & (timed["cuff_pressure_mmhg"] > 0)]
    on_limb = [
        same_limb(row.limb, row.side, limb, side) is not False for row in needed.itertuples()
    ]
    return needed[np.array(on_limb, dtype=bool)]


def uncovered_s(onset_s: float, duration_s: float, spans: Sequence[Span]) -> float:
    """How much of an event lies in none of the spans (start, end), all in s."""
    reached_s, missing_s = onset_s, 0.0
    end_s = onset_s + duration_s
    for start_s, stop_s in sorted(spans):
        missing_s += max(min(start_s, end_s) - reached_s, 0.0)
        reached_s = min(max(reached_s, stop_s), end_s)
    return missing_s + end_s - reached_s


def coverage_caution(
    events: pd.DataFrame, spans: Sequence[Span], span: Span, *, largest_uncovered_s: float
) -> str:
    """What a recording lacks of the events that need it, in a sentence; empty where nothing.

    `events`: onset_s, duration_s and trial_type of the events that need it; `spans`: all
    recordings that are read as one with it; `span`: its first and last time, all in s on the
    session clock. An event counts of which more than `largest_uncovered_s`, or than its half, is
    not recorded.
    """
    if events.empty:
        return ""
    first_s, last_s = events["onset_s"].min(), (events["onset_s"] + events["duration_s"]).max()
    if span[1] <= first_s or span[0] >= last_s:
        return (
            f"{OUTSIDE}(recording from {span[0]:.0f} to {span[1]:.0f} s, events from {first_s:.0f} "
            f"to {last_s:.0f} s)"
        )
    lacking = [
        (missing_s, f"{row.trial_type} at {row.onset_s:.0f} s")
        for row in events.sort_values("onset_s", kind="stable").itertuples()
        if (missing_s := uncovered_s(row.onset_s, row.duration_s, spans))
        > min(largest_uncovered_s, row.duration_s / 2)
    ]
    if not lacking:
        return ""
    named = [name for _, name in lacking[:_EVENTS_NAMED]]
    if len(lacking) > _EVENTS_NAMED:
        named.append(f"{len(lacking) - _EVENTS_NAMED} more")
    missing_s = sum(length_s for length_s, _ in lacking)
    return (
        f"{CAUTION}runs from {span[0]:.0f} to {span[1]:.0f} s and lacks {missing_s:.0f} s of the "
        f"events of its session ({', '.join(named)})"
    )
