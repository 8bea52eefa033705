"""Starts and ends as noted in the session's log beside those that recordings propose.

Nothing is moved: a disagreement is a finding for a person to settle.
"""

import numpy as np
import pandas as pd

PROPOSAL_COLUMNS = ["time_s", "boundary", "se_s", "confidence", "source"]


def compare_boundaries(
    log: pd.DataFrame, proposals: pd.DataFrame, *, tolerance_s: float, farthest_s: float
) -> list[dict]:
    """Boundaries of the log beside those proposed by the recordings, and by how much they differ.

    Both tables hold time_s and boundary; nearest pairs of the same boundary are matched first, each
    row once, none farther apart than `farthest_s`. Gives rows in order of time: boundary, log_s,
    proposed_s, difference_s (proposed less log), se_s, confidence, source, status and reason: `ok`
    within `tolerance_s` or three standard errors, `flagged` beyond, `missing` for a row without a
    partner.
    """
    noted = log[["boundary", "time_s"]].to_dict("records")
    offered = proposals.to_dict("records")
    compared = []
    for boundary in dict.fromkeys(each["boundary"] for each in [*noted, *offered]):
        logged_s = [each["time_s"] for each in noted if each["boundary"] == boundary]
        offers = [each for each in offered if each["boundary"] == boundary]
        pairs = _nearest_pairs(logged_s, [offer["time_s"] for offer in offers], farthest_s)
        compared += [
            _compared(logged_s[at], offers[partner], tolerance_s) for at, partner in pairs.items()
        ]
        unplaced = f"could not be placed within {farthest_s:g} s of the note"
        compared += [
            {"boundary": boundary, "log_s": time_s, "reason": unplaced}
            for at, time_s in enumerate(logged_s)
            if at not in pairs
        ]
        unlogged = f"nothing in the log within {farthest_s:g} s"
        compared += [
            _offered(offer) | {"reason": unlogged}
            for at, offer in enumerate(offers)
            if at not in pairs.values()
        ]
    return sorted((_BLANK | row for row in compared), key=_moment_s)


# of a row that has no partner
_BLANK = {
    "boundary": "",
    "log_s": np.nan,
    "proposed_s": np.nan,
    "difference_s": np.nan,
    "se_s": np.nan,
    "confidence": np.nan,
    "source": None,
    "status": "missing",
    "reason": "",
}


def _moment_s(row: dict) -> float:
    return row["proposed_s"] if np.isnan(row["log_s"]) else row["log_s"]


def within_a_second(se_s: float) -> float:
    """Chance that a normal error of SD `se_s` seconds is smaller than 1 s."""
    from math import erf, sqrt

    return erf(1 / (se_s * sqrt(2))) if se_s > 0 else 1.0


def _nearest_pairs(
    logged_s: list[float], proposed_s: list[float], farthest_s: float
) -> dict[int, int]:
    """Number in the log and number of its partner, nearest first, each once."""
    apart_s = np.abs(np.subtract.outer(logged_s, proposed_s))
    pairs: dict[int, int] = {}
    for flat in np.argsort(apart_s, axis=None, kind="stable"):
        at, partner = (int(number) for number in np.unravel_index(flat, apart_s.shape))
        if not apart_s[at, partner] <= farthest_s:
            break
        if at not in pairs and partner not in pairs.values():
            pairs[at] = partner
    return pairs


def _offered(offer: dict) -> dict:
    kept = {name: offer[name] for name in ("boundary", "se_s", "confidence", "source")}
    return kept | {"proposed_s": float(offer["time_s"])}


def _compared(log_s: float, offer: dict, tolerance_s: float) -> dict:
    difference_s = float(offer["time_s"] - log_s)
    agrees = abs(difference_s) <= max(tolerance_s, 3 * offer["se_s"])
    sense = "later" if difference_s > 0 else "earlier"
    return _offered(offer) | {
        "log_s": float(log_s),
        "difference_s": difference_s,
        "status": "ok" if agrees else "flagged",
        "reason": "" if agrees else f"{abs(difference_s):.1f} s {sense} than in the log",
    }
