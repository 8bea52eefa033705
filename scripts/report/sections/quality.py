"""Clocks and quality of the recordings."""

from report.origins import Origin
from report.page import shown_table
from results.words import counted, words_of

ORDER = 45

TITLE = "Recordings"

NEEDS = ("sync", "quality")


def section(results):
    clocks = clocks_of(results.sync)
    flagged = clocks[~clocks["status"].str.match(CLOCK_IS_FINE)]
    whole = quality_of(results.quality)
    return {
        "stamps": moved_stamps(results.sync),
        "flagged_clocks": shown_table(
            flagged, "Clocks and files to be read with care", Origin.of_each("sync", flagged)
        ),
        "clocks": shown_table(clocks, "Clocks of the recordings", Origin.of_each("sync", clocks)),
        "quality": shown_table(whole, "Whole recordings", Origin.of_each("quality", whole)),
        "blind": blind_reviews(results.reviews, results.edits),
    }


# a shift that a beat interval or a contraction shows (convention)
LARGE_MOVE_MS = 5.0


def moved_stamps(sync):
    """A sentence for each signal whose time stamps were moved so far that its results show it."""
    moved = sync[(sync["largest_move_ms"] >= LARGE_MOVE_MS) & (sync["stamps_moved_pct"] >= 1.0)]
    return [
        f"Time stamps of {counted(len(of_signal), 'recording')} of {words_of(signal)} "
        f"scattered about an even axis and were moved onto it, by up to "
        f"{of_signal['largest_move_ms'].max():.0f} ms (sync.tsv)."
        for signal, of_signal in moved.groupby("signal", sort=False)
    ]


def blind_reviews(reviews, edits):
    """A sentence on each blind review: recordings, decisions, and those made beside it."""
    return [
        f"{review.recordings} heart recordings were judged by one reviewer without condition, "
        f"pressure, order, visit or person, in a random order (seed {review.seed}); "
        f"{counted(review.decisions, 'decision')} stood when the review was frozen on "
        f"{review.frozen_at[:10]} (SHA-256 {review.decisions_sha256[:12]}...). "
        f"{beside_a_review(review, edits)}"
        for review in reviews.itertuples()
    ]


def beside_a_review(review, edits):
    """How many decisions about recordings and sets were made with sight of the conditions."""
    further = edits[~edits["edit_id"].str.startswith(f"{review.review_id}-")]
    before = int((further["edited_at"] < review.frozen_at).sum())
    if further.empty:
        return "No other decision was made."
    return (
        f"With sight of the condition {counted(before, 'decision')} "
        f"{'was' if before == 1 else 'were'} made before and {len(further) - before} after it."
    )


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
