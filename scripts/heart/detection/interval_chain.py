"""The most likely chain of beats: evidence of each candidate joined by continuity of intervals."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from heart.detection import settings
from heart.detection.arrays import Floats

IMPOSSIBLE = np.float32(-1e9)
# Stretches are solved at once, each with a margin on both sides that is thrown away.
CORE_S, OVERLAP_S = 16.0, 10.0
MOST_PREDECESSORS = 12


def chain_margins(time_s: Floats, evidence: Floats, piece: NDArray[np.int64]) -> Floats:
    """How much the best chain of beats loses without each candidate; 0 for those not in it.

    Candidates (time in s, evidence, number of the gap-free piece; sorted by time) are joined to a
    chain. A chain scores the sum of its evidence, minus for every two adjoining intervals
    min(cap, weight ln^2 of their ratio), minus the restart cost wherever it breaks off. The margin
    of a candidate is the score of the best chain minus that of the best chain that avoids it
    (max-marginals, both directions), so a positive margin means: is in the best chain. Solved in
    overlapping stretches in lock-step. Source: convention of this project.
    """
    margin = np.zeros(time_s.size)
    stretches = _stretches(time_s, piece)
    if not stretches:
        return margin
    n_steps = max(stop - first for first, stop, _, _ in stretches)
    n_stretches = len(stretches)
    times = np.empty((n_steps, n_stretches))
    scores = np.full((n_steps, n_stretches), IMPOSSIBLE, dtype=np.float32)
    for column, (first, stop, _, _) in enumerate(stretches):
        n = stop - first
        times[:n, column] = time_s[first:stop] - time_s[first]
        times[n:, column] = times[n - 1, column] + 1e3 * np.arange(1, n_steps - n + 1)
        scores[:n, column] = evidence[first:stop]
    both_times = np.concatenate((times, -times[::-1]), axis=1)
    both_scores = np.concatenate((scores, scores[::-1]), axis=1)
    within_reach = np.searchsorted(time_s, time_s - settings.LONGEST_INTERVAL_S)
    n_before = min(MOST_PREDECESSORS, int((np.arange(time_s.size) - within_reach).max()))
    chain, prefix = _forward_scores(both_times, both_scores, max(n_before, 1))
    lost = _best_minus_avoiding(
        times,
        scores,
        chain[..., :n_stretches],
        chain[::-1, :, n_stretches:],
        prefix[:, :n_stretches],
        prefix[::-1, n_stretches:],
    )
    for column, (first, _, core_first, core_stop) in enumerate(stretches):
        margin[core_first:core_stop] = lost[core_first - first : core_stop - first, column]
    return np.where(margin > 1e-3, margin, 0.0)


def _stretches(time_s: Floats, piece: NDArray[np.int64]) -> list[tuple[int, int, int, int]]:
    """(first, stop, core first, core stop) of overlapping stretches that never cross a gap."""
    stretches = []
    borders = np.concatenate(([0], np.flatnonzero(np.diff(piece)) + 1, [time_s.size]))
    for low, high in zip(borders[:-1], borders[1:], strict=True):
        own_s = time_s[low:high]
        if own_s.size == 0:
            continue
        n_cores = max(1, int(np.ceil((own_s[-1] - own_s[0]) / CORE_S)))
        edges_s = np.linspace(own_s[0], own_s[-1], n_cores + 1)
        cores = low + np.searchsorted(own_s, edges_s)
        cores[-1] = high
        first = low + np.searchsorted(own_s, edges_s[:-1] - OVERLAP_S)
        stop = low + np.searchsorted(own_s, edges_s[1:] + OVERLAP_S, side="right")
        for row in zip(first, stop, cores[:-1], cores[1:], strict=True):
            if row[3] > row[2]:
                stretches.append(tuple(int(limit) for limit in row))
    return stretches


def _forward_scores(times: Floats, scores: NDArray, n_before: int) -> tuple[NDArray, NDArray]:
    """Best score of a chain up to each candidate, by which of `n_before` candidates came before it.

    Gives (steps, predecessors, stretches) and the running best over steps (steps, stretches), in
    which chains that start at a candidate are counted as well.
    """
    n_steps, n_stretches = times.shape
    log_interval, forbidden = _log_intervals(times, n_before)
    n_far_enough = _count_before(times, settings.SHORTEST_INTERVAL_S)

    chain = np.full((n_before + n_steps, n_before, n_stretches), IMPOSSIBLE, dtype=np.float32)
    past_log = np.zeros_like(chain)
    past_log[n_before:] = log_interval
    # Best chain up to a candidate that may go on with any interval: it pays the cap, or starts.
    any_interval = np.full((n_before + n_steps, n_stretches), IMPOSSIBLE, dtype=np.float32)
    prefix = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    cap = np.float32(settings.CONTINUITY_CAP)
    restart = np.float32(settings.RESTART_COST)
    columns = np.arange(n_stretches)
    change = np.empty_like(chain[:n_before])
    for step in range(n_steps):
        before = slice(step, step + n_before)
        np.subtract(log_interval[step][:, None, :], past_log[before], out=change)
        np.multiply(change, change, out=change)
        np.subtract(chain[before], change, out=change)
        here = np.maximum(change.max(axis=1), any_interval[before], out=chain[n_before + step])
        here += forbidden[step]
        here += scores[step]
        np.maximum(here, IMPOSSIBLE, out=here)
        start = np.maximum(prefix[n_far_enough[step], columns] - restart, 0.0)
        start += scores[step]
        np.maximum(start, IMPOSSIBLE, out=start)
        best = here.max(axis=0)
        np.maximum(best - cap, start, out=any_interval[n_before + step])
        np.maximum(prefix[step], np.maximum(best, start), out=prefix[step + 1])
    return chain[n_before:], prefix[1:]


def _log_intervals(times: Floats, n_before: int) -> tuple[NDArray, NDArray]:
    """Weighted logarithm of the interval to each predecessor, and what forbids it: 0 or IMPOSSIBLE.

    Both (steps, predecessors, stretches), so that one step is a contiguous block.
    """
    n_steps, n_stretches = times.shape
    padded = np.concatenate((np.full((n_before, n_stretches), -1e6), times))
    intervals = np.empty((n_steps, n_before, n_stretches))
    for k in range(n_before):
        np.subtract(times, padded[k : k + n_steps], out=intervals[:, k])
    allowed = (intervals >= settings.SHORTEST_INTERVAL_S) & (
        intervals <= settings.LONGEST_INTERVAL_S
    )
    log_interval = np.log(np.where(allowed, intervals, 1.0)).astype(np.float32)
    log_interval *= np.float32(np.sqrt(settings.CONTINUITY_WEIGHT))
    return log_interval, np.where(allowed, np.float32(0.0), IMPOSSIBLE)


def _count_before(times: Floats, shortest_s: float) -> NDArray[np.int64]:
    """For each candidate how many earlier ones lie at least `shortest_s` before it."""
    count = np.repeat(np.arange(1, times.shape[0] + 1)[:, None], times.shape[1], axis=1)
    for back in range(times.shape[0]):
        near = times[: times.shape[0] - back] > times[back:] - shortest_s
        if not near.any():
            break
        count[back:] -= near
    return count


def _count_until(times: Floats, shortest_s: float) -> NDArray[np.int64]:
    """For each candidate how many lie before it or less than `shortest_s` after it."""
    return times.shape[0] - _count_before(-times[::-1], shortest_s)[::-1]


def _best_minus_avoiding(
    times: Floats,
    scores: NDArray,
    forward: NDArray,
    backward: NDArray,
    best_until: NDArray,
    best_from: NDArray,
) -> NDArray:
    n_steps, n_stretches = times.shape
    n_before = forward.shape[1]
    # Best whole chain through each pair of neighbours (step - n_before + k, step).
    through = np.full((n_steps + n_before, n_before, n_stretches), IMPOSSIBLE, dtype=np.float32)
    for k in range(n_before):
        back = n_before - k
        if back < n_steps:
            through[back:n_steps, k] = (
                forward[back:, k] + backward[:-back, k] - scores[back:] - scores[:-back]
            )
    np.maximum.accumulate(through, axis=1, out=through)
    avoiding = np.zeros((n_steps, n_stretches), dtype=np.float32)
    for ahead in range(1, n_before):
        np.maximum(avoiding, through[ahead : ahead + n_steps, n_before - ahead - 1], out=avoiding)
    # Chains that break off, begin or end at the candidate.
    until = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    until[1:] = best_until
    since = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    since[:-1] = best_from
    np.maximum(avoiding, until[:-1], out=avoiding)
    np.maximum(avoiding, since[1:], out=avoiding)
    step = np.arange(n_steps)[:, None]
    resume, leave = (np.repeat(first, n_stretches, axis=1) for first in (step + 1, step))
    np.maximum(resume[1:], _count_until(times, settings.SHORTEST_INTERVAL_S)[:-1], out=resume[1:])
    np.minimum(leave[:-1], _count_before(times, settings.SHORTEST_INTERVAL_S)[1:], out=leave[:-1])
    columns = np.arange(n_stretches)
    broken = np.maximum(until[:-1] + since[resume, columns], until[leave, columns] + since[1:])
    np.maximum(avoiding, broken - np.float32(settings.RESTART_COST), out=avoiding)
    return best_until[-1] - avoiding
