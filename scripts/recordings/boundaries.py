"""Starts and ends as noted in the session's log beside those that recordings propose.

Nothing is moved: a disagreement is a finding for a person to settle.
"""

import numpy as np
import pandas as pd

PROPOSAL_COLUMNS = ["time_s", "boundary", "se_s", "confidence", "source"]


def compare_boundaries(
    log: pd.DataFrame, proposals: pd.DataFrame, *, tolerance_s: float, farthest_s: float
) -> pd.DataFrame:
    """Boundaries of the log beside those proposed by the recordings, and by how much they differ.

    Both tables hold time_s and boundary; nearest pairs of the same boundary are matched first, each
    row once, none farther apart than `farthest_s`. Gives boundary, log_s, proposed_s, difference_s
    (proposed less log), se_s, confidence, source, status and reason: `ok` within `tolerance_s` or
    three standard errors, `flagged` beyond, `missing` for a row without a partner.
    """
    rows = []
    for boundary in dict.fromkeys([*log["boundary"], *proposals["boundary"]]):
        logged = log.loc[log["boundary"] == boundary, "time_s"].to_numpy(float)
        offered = proposals[proposals["boundary"] == boundary].reset_index(drop=True)
        proposed = offered["time_s"].to_numpy(float)
        pairs = _nearest_pairs(logged, proposed, farthest_s)
        for here, there in pairs:
            rows.append(_compared(boundary, logged[here], offered.loc[there], tolerance_s))
        for here in set(range(len(logged))) - {here for here, _ in pairs}:
            reason = f"could not be placed within {farthest_s:g} s of the note"
            rows.append(_unmatched(boundary, reason) | {"log_s": logged[here]})
        for there in set(range(len(proposed))) - {there for _, there in pairs}:
            found = offered.loc[there, ["se_s", "confidence", "source"]].to_dict()
            reason = f"nothing in the log within {farthest_s:g} s"
            rows.append(_unmatched(boundary, reason) | {"proposed_s": proposed[there]} | found)
    columns = ["boundary", "log_s", "proposed_s", "difference_s", "se_s", "confidence", "source"]
    table = pd.DataFrame(rows, columns=[*columns, "status", "reason"])
    order = table["log_s"].fillna(table["proposed_s"])
    return table.iloc[np.argsort(order.to_numpy(float), kind="stable")].reset_index(drop=True)


def within_a_second(se_s: float) -> float:
    """Chance that a normal error of SD `se_s` seconds is smaller than 1 s."""
    from math import erf, sqrt

    return erf(1 / (se_s * sqrt(2))) if se_s > 0 else 1.0


def _nearest_pairs(
    logged: np.ndarray, proposed: np.ndarray, farthest_s: float
) -> list[tuple[int, int]]:
    """Nearest first, each once."""
    apart = np.abs(logged[:, None] - proposed)
    pairs = []
    for flat in np.argsort(apart, axis=None, kind="stable"):
        here, there = (int(place) for place in np.unravel_index(flat, apart.shape))
        taken = any(here == one or there == other for one, other in pairs)
        if apart[here, there] <= farthest_s and not taken:
            pairs.append((here, there))
    return pairs


def _compared(boundary: str, log_s: float, offer: pd.Series, tolerance_s: float) -> dict:
    difference_s = float(offer["time_s"] - log_s)
    agrees = abs(difference_s) <= max(tolerance_s, 3 * offer["se_s"])
    sense = "later" if difference_s > 0 else "earlier"
    return {
        "boundary": boundary,
        "log_s": float(log_s),
        "proposed_s": float(offer["time_s"]),
        "difference_s": difference_s,
        "se_s": offer["se_s"],
        "confidence": offer["confidence"],
        "source": offer["source"],
        "status": "ok" if agrees else "flagged",
        "reason": "" if agrees else f"{abs(difference_s):.1f} s {sense} than in the log",
    }


def _unmatched(boundary: str, reason: str) -> dict:
    return {"boundary": boundary, "status": "missing", "reason": reason}
