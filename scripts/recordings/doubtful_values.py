"""Whether the values of a recording can be those that were measured, as far as they show it."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from recordings.recording import FloatArray, Recording

# how every sentence of `values_caution` begins
VALUES = "flagged: values "

# A resting muscle holds 50 to 80 %, and no cuff keeps it near 0 for a whole visit (common practice,
# no source)
LOWEST_OF_HIGHEST_PCT = 20.0

# Noise never repeats twenty changes in a row (convention); a signal that repeats itself over more
# than this share is one of a simulator
FEWEST_CHANGES = 20

LARGEST_SHARE = 0.3
_KEY = 8  # values that are compared first
_ANCHORS = 40_000  # places that are compared in a recording
_FEWEST_MATCHES = 5  # of places, before all values of a span are compared
_BEATS_EITHER_SIDE = 6


def values_caution(signal: str, recording: Recording) -> str:
    """What makes the values of a recording doubtful, in a sentence; empty where nothing does."""
    if recording.misfit:
        return f"{VALUES}may not be those of the channel: {recording.misfit}"
    if signal == "cuff_pressure":
        return ""
    samples = np.concatenate([piece.value for piece in recording.stretches])
    time_s = np.concatenate([piece.time_s for piece in recording.stretches])
    if signal == "muscle_oxygen" and np.isfinite(samples).any():
        highest = float(np.nanquantile(samples, 0.99))
        if highest < LOWEST_OF_HIGHEST_PCT:
            return f"{VALUES}hardly exceed {highest:.3g} %, see unit and scale"
    if signal == "rr" and (said := _intervals_caution(time_s, samples)):
        return said
    span = repeated_span(samples)
    if span is None:
        return ""
    first, again, length = span
    return (
        f"{VALUES}repeat themselves: those from {time_s[first]:.1f} to "
        f"{time_s[first + length - 1]:.1f} s stand again from {time_s[again]:.1f} s, see whether "
        "the file was joined twice"
    )


def _intervals_caution(time_s: FloatArray, value_ms: FloatArray) -> str:
    """Intervals that no heart makes: all alike, twice or half as long from one beat to the next, or
    two in a row that are much shorter than those around them.

    A recorder that sees every second beat halves the rate at once. Limits: conventions.
    """
    changes = np.flatnonzero(np.diff(value_ms) != 0)
    if len(changes) < len(value_ms) / 2:
        return ""  # steps as coarse as the variability: alike by rounding
    lengths = np.diff(np.concatenate([[-1], changes, [len(value_ms) - 1]]))
    if lengths.max() >= FEWEST_CHANGES:
        last = int(np.cumsum(lengths)[lengths.argmax()]) - 1
        return (
            f"{VALUES}stand still: {lengths.max()} intervals of {value_ms[last]:g} ms up to "
            f"{time_s[last]:.1f} s"
        )
    if len(value_ms) < 2 * _BEATS_EITHER_SIDE:
        return ""
    typical = np.median(sliding_window_view(value_ms, _BEATS_EITHER_SIDE), axis=1)
    wide = np.median(sliding_window_view(value_ms, 2 * _BEATS_EITHER_SIDE), axis=1)
    around = np.pad(wide, (_BEATS_EITHER_SIDE, _BEATS_EITHER_SIDE - 1), mode="edge")
    short = value_ms < 0.45 * np.maximum(around, np.median(value_ms) / 2)
    pairs = np.flatnonzero(short[1:] & short[:-1])
    if pairs.size:
        return (
            f"{VALUES}are twice in a row less than half of those around them at "
            f"{time_s[pairs[0]]:.1f} s, as where beats were put in"
        )
    before, after = typical[:-_BEATS_EITHER_SIDE], typical[_BEATS_EITHER_SIDE:]
    at = np.arange(len(before)) + _BEATS_EITHER_SIDE
    ratio = np.abs(np.log2(after / before))
    at_once = (np.abs(value_ms[at - 1] / before - 1) < 0.15) & (
        np.abs(value_ms[at] / after - 1) < 0.15
    )
    halved = at[(ratio > 0.8) & (ratio < 1.2) & at_once]
    if not halved.size:
        return ""
    return (
        f"{VALUES}are twice or half as long from one beat to the next at "
        f"{time_s[halved[0]]:.1f} s, as where every second beat is lost"
    )


def repeated_span(samples: FloatArray) -> tuple[int, int, int] | None:
    """First and second begin and length of the longest span whose values stand twice.

    `samples`: n samples. Spans count that change at least FEWEST_CHANGES times; None without one.
    Values of eight neighbours are compared where their sum falls on a chosen remainder, so that
    the same places are compared in both copies.
    """
    if len(samples) < 2 * FEWEST_CHANGES:
        return None
    codes = np.ascontiguousarray(samples, np.float64).view(np.int64)
    last = len(codes) - _KEY + 1
    keys = codes[:last].copy()
    for n in range(1, _KEY):
        keys *= 1_000_003
        keys += codes[n : n + last]
    # whole numbers have nothing in their last bits
    keys ^= keys >> 32
    keys *= 0x5851F42D4C957F2D
    keys ^= keys >> 29
    anchors = np.flatnonzero(keys % max(1, last // _ANCHORS) == 0)
    anchors = anchors[np.argsort(keys[anchors], kind="stable")]
    same = np.diff(keys[anchors]) == 0
    lags = (anchors[1:] - anchors[:-1])[same]
    longest = None
    shown, counts = np.unique(lags, return_counts=True)
    shown, counts = shown[counts >= _FEWEST_MATCHES], counts[counts >= _FEWEST_MATCHES]
    repeated = 0
    for lag in shown[np.argsort(-counts, kind="stable")][:20]:
        for first, stop in _equal_runs(codes, int(lag)):
            length = min(stop - first, int(lag))
            if np.count_nonzero(np.diff(codes[first : first + length])) < FEWEST_CHANGES:
                continue
            repeated += stop - first
            if longest is None or length > longest[2]:
                longest = (first, first + int(lag), length)
    return None if repeated > LARGEST_SHARE * len(codes) else longest


def _equal_runs(codes, lag: int):
    """Begin and end of every run of samples that stand again `lag` samples later."""
    equal = np.concatenate([[0], (codes[:-lag] == codes[lag:]).view(np.int8), [0]])
    begins, ends = np.flatnonzero(np.diff(equal)).reshape(-1, 2).T
    long = ends - begins > FEWEST_CHANGES
    return zip(begins[long].tolist(), ends[long].tolist(), strict=True)
