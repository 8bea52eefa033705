"""Times of sets that the session sheet lacks, taken from what the recording shows of them.

Only sets that the sheet names are given times, only from a set that the recording shows whole, and
only where no other reading is possible; whatever is not certain is left open with the reason.
Convention of this project.
"""

import numpy as np
import pandas as pd


def supply_times(
    sets: pd.DataFrame,
    proposals: pd.DataFrame,
    *,
    smallest_confidence: float,
    tolerance_s: float,
) -> pd.DataFrame:
    """Starts and ends that the sheet lacks, from the proposals of one sensor.

    `sets` holds all sets of a session in the order of the sheet: onset_s and duration_s (NaN where
    not noted) and `wanted`, true where this sensor lies on the working muscle. `proposals` is the
    table of `propose_boundaries`. A set without an end takes the end of the one set in the
    recording that begins within `tolerance_s` of its start. Sets without a start take the sets of
    the recording that overlap no noted one, in order, when there are exactly as many. Every limit
    taken must lie within 1 s with a chance of `smallest_confidence`, in the order of the sheet, and
    agree with a noted duration within twice `tolerance_s`. Gives, on the index of `sets`, onset_s,
    duration_s, supplied (empty, `start`, `end` or `start and end`), se_s (the larger error of what
    was supplied) and reason (why a time is still missing).
    """
    times = sets[["onset_s", "duration_s"]].astype(float).assign(supplied="", se_s=np.nan)
    times["reason"] = ""
    shown = _shown_whole(proposals)
    noted = times[times["duration_s"].notna() & times["onset_s"].notna()]
    for event in noted.itertuples():
        shown = shown[(shown["end_s"] <= event.onset_s) | (shown["start_s"] >= _end_s(event))]
    endless = times.index[sets["wanted"] & times["onset_s"].notna() & times["duration_s"].isna()]
    for number in endless:
        onset_s = times.at[number, "onset_s"]
        near = shown[(shown["start_s"] - onset_s).abs() <= tolerance_s]
        if len(near) != 1:
            times.at[number, "reason"] = (
                f"the recording shows no whole set that begins within {tolerance_s:g} s of it"
            )
            continue
        times = _filled_in(times, number, onset_s, near.iloc[0], "end", smallest_confidence)
        shown = shown.drop(near.index)
    startless = times.index[sets["wanted"] & times["onset_s"].isna()]
    return _with_starts(times, startless, shown, smallest_confidence, tolerance_s)


def _with_starts(
    times: pd.DataFrame,
    startless: pd.Index,
    shown: pd.DataFrame,
    smallest_confidence: float,
    tolerance_s: float,
) -> pd.DataFrame:
    """Sets without a start take those that the recording shows, where it shows as many."""
    if len(shown) != len(startless):
        times.loc[startless, "reason"] = (
            f"the recording shows {len(shown)} whole sets that the sheet has no time for, "
            f"the sheet names {len(startless)}"
        )
        return times
    for number, (_, seen) in zip(startless, shown.iterrows(), strict=True):
        noted_s, seen_s = times.at[number, "duration_s"], seen["end_s"] - seen["start_s"]
        if abs(seen_s - noted_s) > 2 * tolerance_s:
            times.at[number, "reason"] = (
                f"the set that the recording shows lasts {seen_s:.0f} s, "
                f"the sheet says {noted_s:.0f} s"
            )
            continue
        lacking = "start" if np.isfinite(noted_s) else "start and end"
        times = _filled_in(times, number, seen["start_s"], seen, lacking, smallest_confidence)
    return times


def _filled_in(
    times: pd.DataFrame,
    number: object,
    onset_s: float,
    shown: pd.Series,
    lacking: str,
    smallest_confidence: float,
) -> pd.DataFrame:
    """The table with the lacking limits of a set, or with the reason why they are not supplied."""
    limits = [limit for limit in ("start", "end") if limit in lacking]
    chance = min(shown[f"{limit}_confidence"] for limit in limits)
    at = times.index.get_loc(number)
    duration_s = times.at[number, "duration_s"]
    end_s = shown["end_s"] if "end" in lacking else onset_s + duration_s
    before, after = times.iloc[:at], times.iloc[at + 1 :]
    reason = ""
    if chance < smallest_confidence:
        reason = (
            f"its {lacking} would lie within 1 s with a chance of {chance:.2f} only, "
            f"{smallest_confidence:g} needed"
        )
    elif (before["onset_s"] + before["duration_s"]).max() > onset_s or (
        after["onset_s"].min() < end_s
    ):
        reason = "what the recording shows does not come in the order of the sheet"
    here = times.index == number
    if reason:
        return times.assign(reason=times["reason"].mask(here, reason))
    return times.assign(
        onset_s=times["onset_s"].mask(here, onset_s),
        duration_s=times["duration_s"].mask(here, end_s - onset_s),
        supplied=times["supplied"].mask(here, lacking),
        se_s=times["se_s"].mask(here, max(shown[f"{limit}_se_s"] for limit in limits)),
    )


def _shown_whole(proposals: pd.DataFrame) -> pd.DataFrame:
    """Sets of which the recording shows a start and, next to it, an end."""
    limits = proposals[proposals["boundary"].isin(["set_start", "set_end"])]
    limits = limits.sort_values("time_s", ignore_index=True)
    shown = []
    for start, end in zip(limits.itertuples(), limits.iloc[1:].itertuples(), strict=False):
        if (start.boundary, end.boundary) == ("set_start", "set_end"):
            shown.append(
                {
                    "start_s": start.time_s,
                    "start_se_s": start.se_s,
                    "start_confidence": start.confidence,
                    "end_s": end.time_s,
                    "end_se_s": end.se_s,
                    "end_confidence": end.confidence,
                }
            )
    columns = ["start_s", "start_se_s", "start_confidence", "end_s", "end_se_s", "end_confidence"]
    return pd.DataFrame(shown, columns=columns, dtype=float)


def _end_s(row) -> float:
    return row.onset_s + row.duration_s
