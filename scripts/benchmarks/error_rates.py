"""How often each way of testing conditions errs when nothing is going on; prints one table.

    python3.11 scripts/launch.py benchmark error_rates [studies]

Complete invented studies of three conditions and six exercises, session SD .25 and residual SD .40,
10,000 for each number of participants unless told otherwise. "this workflow" lets the pooled result
decide, or the paired one by the rule that compare_conditions applies. Every rate should be .05, for
any of three adjusted contrasts at most .05; behind it stands its Monte-Carlo standard error.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from comparison.error_rates import simulated_error_rates

PARTICIPANTS = (5, 8, 12, 20)

SHOWN = {
    "as decided": "this workflow",
    "kenward-roger": "mixed model, Kenward-Roger",
    "contrast-specific": "each contrast's own error",
    "wald z": "mixed model, Wald z",
    "no session effect": "without the session effect",
}

SPREADS = {"equal": 0.25, "unequal (.05, .25, .50)": (0.05, 0.25, 0.50)}

TESTS = ("joint", "single contrast", "any of holm-adjusted")


def rates(studies: int) -> pd.DataFrame:
    """Type-I error with its Monte-Carlo SE by spread, way of testing, test and participants."""
    tables = []
    for spread, session_sd in SPREADS.items():
        for n in PARTICIPANTS:
            found = simulated_error_rates(
                participants=n,
                exercises=6,
                studies=studies,
                session_sd=session_sd,
                residual_sd=0.40,
                rng=np.random.default_rng(n),
            )
            tables.append(found.assign(participants=n, spread=spread))
    return pd.concat(tables, ignore_index=True)


def printed(found: pd.DataFrame) -> str:
    """The table as text: a line for each way of testing, a column for each number of people."""
    text = found.assign(
        shown=[f"{r.rate:.3f} ({r.monte_carlo_se:.4f})" for r in found.itertuples()],
        way=found["method"].map(SHOWN),
    )
    keys = ["spread", "test", "way"]
    wide = text.dropna(subset="way").pivot(index=keys, columns="participants", values="shown")
    order = [(s, t, w) for s in SPREADS for t in TESTS for w in SHOWN.values()]
    return wide.reindex([key for key in order if key in wide.index]).fillna("").to_string()


if __name__ == "__main__":
    begun = time.process_time()
    print(printed(rates(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)))
    print(f"{time.process_time() - begun:.0f} s of processor time")
