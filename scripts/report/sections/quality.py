"""Clocks and quality of the recordings."""

from report.page import shown_table

ORDER = 45

TITLE = "Recordings"

NEEDS = ("sync", "quality")


def section(results):
    clocks = clocks_of(results.sync)
    flagged = clocks[~clocks["status"].str.match(CLOCK_IS_FINE)]
    return {
        "flagged_clocks": shown_table(flagged, "Clocks and files to be read with care"),
        "clocks": shown_table(clocks, "Clocks of the recordings"),
        "quality": shown_table(quality_of(results.quality), "Whole recordings"),
    }


# every part of the status of a clock says so, and the file is whole
CLOCK_IS_FINE = r"^(?!.*(flagged|unchecked|cut off))"


def clocks_of(sync):
    """Offset, drift and verdict of every clock; an unknown drift is left empty."""
    columns = [
        *("participant_id", "session_id", "signal", "offset_s", "drift_ppm"),
        "n_marks",
        "status",
    ]
    notable = sync[columns].drop_duplicates()
    return notable.assign(
        offset_s=[f"{v:.3f}" for v in notable["offset_s"]],
        drift_ppm=[
            "" if "drift unknown" in status else f"{drift:.1f}"
            for drift, status in zip(notable["drift_ppm"], notable["status"], strict=True)
        ],
        n_marks=notable["n_marks"].astype(int),
    )


def quality_of(quality):
    columns = [
        *("participant_id", "session_id", "signal", "site", "usable_pct", "beats"),
        *("corrected_pct", "longest_repaired_run", "corrected_pct_without_edits", "reason"),
    ]
    return quality.loc[quality["segment"] == "recording", columns]
