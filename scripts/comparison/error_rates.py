"""How often each way of testing conditions is wrong when nothing is going on.

In complete balanced data (every participant does every exercise once under every condition) the
restricted likelihood of the model with participant and participant:condition effects has its
maximum in closed form (Searle, Casella and McCulloch 1992, Variance Components, section 4.7), so
thousands of studies are tested at once, exactly as `comparison.mixed_model.fit` tests one.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import special

ALPHA = 0.05

STUDIES_AT_ONCE = 2_000

# as in config/config.yaml
SD_RATIO = 2.0


def balanced_tests(
    y: np.ndarray, *, largest_sd_ratio: float = SD_RATIO
) -> dict[str, dict[str, np.ndarray]]:
    """p-values of condition for many complete studies at once.

    `y` has the shape (studies, participants, conditions, exercises). For each method the result
    holds `joint`, one p per study, and `contrasts`, one per study and pair of conditions (later
    minus earlier, in order). Methods: "kenward-roger", "satterthwaite" and "wald z" of
    y ~ condition * exercise with participant and participant:condition effects; "no session
    effect", the same without participant:condition, on all its df; "contrast-specific", paired t
    tests on session means (no joint test); "as decided", contrasts of "kenward-roger", or of
    "contrast-specific" where the SDs of the differences are more than `largest_sd_ratio` apart or
    the two disagree about p < .05, before or after adjustment, as in `comparison.conditions`.
    Participants are taken to differ, that is their own variance is not at zero. Raises ValueError
    for fewer than two of anything.
    """
    y = np.asarray(y, dtype=float)
    if y.ndim != 4 or min(y.shape[1:]) < 2:
        raise ValueError("y needs the shape (studies, participants, conditions, exercises)")
    _, n, c, e = y.shape
    sessions = y.mean(axis=3)
    conditions = sessions.mean(axis=1)
    centre = conditions.mean(axis=1)
    spread = sessions - sessions.mean(axis=2, keepdims=True) - conditions[:, None]
    spread += centre[:, None, None]
    within = y - sessions[..., None] - y.mean(axis=1, keepdims=True)
    within += conditions[:, None, :, None]
    between_ss = e * (spread**2).sum(axis=(1, 2))
    within_ss = (within**2).sum(axis=(1, 2, 3))
    between_df, within_df = (n - 1) * (c - 1), c * (n - 1) * (e - 1)
    all_df = between_df + within_df
    pooled = (between_ss + within_ss) / all_df
    singular = between_ss / between_df < within_ss / within_df
    error = np.where(singular, pooled, between_ss / between_df)

    condition_ms = e * n * ((conditions - centre[:, None]) ** 2).sum(axis=1) / (c - 1)
    pairs = list(itertools.combinations(range(c), 2))
    difference = np.stack([conditions[:, b] - conditions[:, a] for a, b in pairs], axis=1)
    se_per_error = np.sqrt(2 / (e * n))
    t = np.abs(difference) / (se_per_error * np.sqrt(error)[:, None])
    t_pooled = np.abs(difference) / (se_per_error * np.sqrt(pooled)[:, None])
    own = np.stack([sessions[:, :, b] - sessions[:, :, a] for a, b in pairs], axis=2)
    t_own = np.abs(own.mean(axis=1)) / (own.std(axis=1, ddof=1) / np.sqrt(n))
    pooled_p, own_p = 2 * special.stdtr(between_df, -t), 2 * special.stdtr(n - 1, -t_own)
    sds = own.std(axis=1, ddof=1)
    unequal = sds.max(axis=1) > largest_sd_ratio * sds.min(axis=1)
    paired_decides = unequal[:, None] | ((pooled_p < ALPHA) != (own_p < ALPHA))
    adjusted = _holm(np.where(paired_decides, own_p, pooled_p))
    paired_decides |= ((adjusted < ALPHA) != (_holm(own_p) < ALPHA)).any(axis=1, keepdims=True)
    jumping_df = np.where(singular, all_df, between_df)
    F, F_pooled = condition_ms / error, condition_ms / pooled
    return {
        "kenward-roger": {
            "joint": special.fdtrc(c - 1, between_df, F),
            "contrasts": pooled_p,
        },
        "satterthwaite": {
            "joint": special.fdtrc(c - 1, jumping_df, F),
            "contrasts": 2 * special.stdtr(jumping_df[:, None], -t),
        },
        "wald z": {
            "joint": special.chdtrc(c - 1, (c - 1) * F),
            "contrasts": 2 * special.ndtr(-t),
        },
        "no session effect": {
            "joint": special.fdtrc(c - 1, all_df, F_pooled),
            "contrasts": 2 * special.stdtr(all_df, -t_pooled),
        },
        "contrast-specific": {"contrasts": own_p},
        "as decided": {"contrasts": np.where(paired_decides, own_p, pooled_p)},
    }


def simulated_error_rates(
    *,
    participants: int,
    exercises: int,
    studies: int,
    session_sd: float | Sequence[float],
    residual_sd: float,
    rng: np.random.Generator,
    condition_effects: Sequence[float] = (0.0, 0.0, 0.0),
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Rejection rates over invented studies: type I error without, power with condition effects.

    `session_sd` is one standard deviation of the participant:condition effects or one per
    condition, `residual_sd` that of single cells, in one unit with `condition_effects`. Columns:
    method, test (`joint`, `single contrast` for the last condition against the first, `any of
    holm-adjusted`), rate, monte_carlo_se, studies. Convention.
    """
    effects = np.asarray(condition_effects, dtype=float)
    spread = np.broadcast_to(np.asarray(session_sd, dtype=float), effects.shape)
    # pairs run (0, 1), (0, 2) ... : the last condition against the first
    extreme = len(effects) - 2
    rejections: dict[tuple[str, str], int] = {}
    for start in range(0, studies, STUDIES_AT_ONCE):
        size = (min(STUDIES_AT_ONCE, studies - start), participants, len(effects))
        session = effects + spread * rng.standard_normal(size)
        y = session[..., None] + residual_sd * rng.standard_normal((*size, exercises))
        for method, p in balanced_tests(y).items():
            rejected = {
                "single contrast": p["contrasts"][:, extreme] <= alpha,
                "any of holm-adjusted": _smallest_holm(p["contrasts"]) <= alpha,
            }
            if "joint" in p:
                rejected["joint"] = p["joint"] <= alpha
            for test, which in rejected.items():
                key = (method, test)
                rejections[key] = rejections.get(key, 0) + int(which.sum())
    rows = []
    for (method, test), count in rejections.items():
        rate = count / studies
        se = np.sqrt(rate * (1 - rate) / studies)
        rows.append((method, test, rate, float(se), studies))
    return pd.DataFrame(rows, columns=["method", "test", "rate", "monte_carlo_se", "studies"])


def _holm(p: np.ndarray) -> np.ndarray:
    """Holm-adjusted p-values, row by row (Holm 1979, Scand J Stat 6:65)."""
    order = np.argsort(p, axis=1)
    steps = np.take_along_axis(p, order, axis=1) * np.arange(p.shape[1], 0, -1)
    found = np.empty_like(p)
    stepped = np.minimum(np.maximum.accumulate(steps, axis=1), 1.0)
    np.put_along_axis(found, order, stepped, axis=1)
    return found


def _smallest_holm(p: np.ndarray) -> np.ndarray:
    """Smallest Holm-adjusted p of each row: the smallest p times their number."""
    return np.minimum(p.min(axis=1) * p.shape[1], 1.0)
