"""What every reader gives back: stretches of samples, and an error that says what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple, NoReturn

import numpy as np
from numpy.typing import NDArray

from recordings import arrival
from recordings.gaps import LOST_SAMPLE_S, LOST_SAMPLE_STEPS
from study.clock_times import Moment

FloatArray = NDArray[np.float64]

_NOTES_PER_KIND = 5
JITTER_S = 0.25
JITTER_SHARE = 0.01
_ROWS_OF_A_PACKET = 500
_LONGEST_LINE = 300


class ReadingError(Exception):
    """A recording that cannot be read honestly, in words a person can act on.

    Attributes: `where` in its file (row, column or time; may be empty), `seen`, `allowed` and
    `todo`, all text. `str()` has at most three lines; who names the file puts it before them.
    """

    def __init__(self, where: str, seen: str, allowed: str, todo: str) -> None:
        super().__init__(where, seen, allowed, todo)
        self.where = where
        self.seen = seen
        self.allowed = allowed
        self.todo = todo

    def __str__(self) -> str:
        return self.of_file("")

    def of_file(self, file: str) -> str:
        """The words of the error, with the name of its file."""
        where = ", ".join(filter(None, [file, self.where]))
        seen = f"{where}: {self.seen}" if where else self.seen
        lines = (seen, f"allowed: {self.allowed}", f"to do: {self.todo}")
        return "\n".join(_one_line(line) for line in lines)


@dataclass(frozen=True, eq=False)
class Stretch:
    """Samples without a gap, on one clock: the file's own, or the session's (`SessionStretch`).

    `start_s` is the time of the first sample. `step_s` is the even step between samples, or None
    where they are not even; with a step, `time_s` is exactly `start_s + step_s * n`. `time_s` and
    `value` are float64 of the same length; `value` is in the canonical unit of its signal and NaN
    where the file has no number. For beat intervals `time_s` is the beat that ends the interval
    and `start_s` the beat that begins the first one.
    """

    start_s: float
    step_s: float | None
    time_s: FloatArray
    value: FloatArray


class StampMoves(NamedTuple):
    """How far the stamps of a file were moved onto the even axis of its samples.

    `moved_pct`: share moved by more than a millisecond, in percent; `largest_ms`: the largest move.
    """

    moved_pct: float
    largest_ms: float


@dataclass(frozen=True, eq=False)
class Recording:
    """One signal of one file: its stretches, canonical unit, text dialect and notes in words.

    `cut_off` says in words that the file holds less than it announces, `misfit` that it holds more,
    so that its samples may stand elsewhere; empty where it does not.
    `zero_at` is the clock time of the file's zero where the file tells it, `zero_is_acquisition`
    that the zero is the start of the acquisition to which the events belong (BIDS). `stamp_moves`
    is None where the file has no stamps of single samples, or where they were overruled.
    """

    stretches: tuple[Stretch, ...]
    unit: str
    dialect: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    cut_off: str = ""
    misfit: str = ""
    zero_at: Moment | None = None
    zero_is_acquisition: bool = False
    stamp_moves: StampMoves | None = None

    @property
    def step_s(self) -> float:
        """Typical step of the longest stretch, in s; 0 where that is a single sample."""
        longest = max(self.stretches, key=lambda stretch: len(stretch.time_s))
        if len(longest.time_s) < 2:
            return 0.0
        return longest.step_s or float(np.median(np.diff(longest.time_s)))


def even_stretch(samples: FloatArray, *, start_s: float, sampling_rate_hz: float) -> Stretch:
    """Place evenly sampled values on the file's clock.

    `samples`: n samples; `start_s`: time of the first one in s; the rate is above 0 Hz.
    """
    step_s = 1.0 / sampling_rate_hz
    return Stretch(start_s, step_s, start_s + step_s * np.arange(len(samples)), samples)


def cut_at_gaps(
    time_s: FloatArray,
    samples: FloatArray,
    *,
    row_numbers: Sequence[int],
    expected_step_s: FloatArray | None = None,
    evenness: float = 0.1,
) -> tuple[tuple[Stretch, ...], tuple[str, ...], StampMoves]:
    """Cut a timed recording where its time jumps; refuse it where time repeats or runs backwards.

    `time_s`, `samples`: n samples; `row_numbers`: of their lines, for messages; `expected_step_s`:
    what each step should be where samples are not evenly spaced, as beat intervals are not. A step
    is a gap over a lost sample (`recordings.gaps`), unless what follows is not late. A stretch is
    even when no time is farther than `evenness` of a step from an even grid, or when its stamps
    scatter about one as stamps of arrival do (`recordings.arrival`): they may then repeat, and a
    few may run back by up to a quarter of a second. Returns the stretches, one note per cut and how
    far stamps were moved. Raises ReadingError naming row and time. Thresholds: convention.
    """
    stamps_s = time_s
    time_s, jitter = without_jitter(time_s, samples, row_numbers)
    steps_s = np.diff(time_s)
    usual_step_s = arrival.usual_step_s(time_s) if expected_step_s is None else None
    expected_s = usual_step_s if expected_step_s is None else expected_step_s
    gaps = np.array([], dtype=int)
    if expected_s is not None:
        longest_s = np.maximum(LOST_SAMPLE_STEPS * expected_s, LOST_SAMPLE_S)
        gaps = np.flatnonzero(steps_s > longest_s)
    if usual_step_s is not None:
        gaps = gaps[arrival.stays_late(time_s, gaps, usual_step_s)]
    edges = [0, *(gaps + 1).tolist(), len(time_s)]
    stretches = []
    for first, stop in pairwise(edges):
        stretch = _timed_stretch(time_s[first:stop], samples[first:stop], usual_step_s, evenness)
        backwards = np.flatnonzero(steps_s[first : stop - 1] <= 0)
        if backwards.size and (
            stretch.step_s is None or _repeats_rows(time_s[first:stop], samples[first:stop])
        ):
            _refuse_backwards(time_s, samples, row_numbers, first + int(backwards[0]))
        stretches.append(stretch)
    notes = [_gap_sentence(time_s, row_numbers, int(gap)) for gap in gaps[:_NOTES_PER_KIND]]
    if gaps.size > _NOTES_PER_KIND:
        notes.append(f"split at {gaps.size - _NOTES_PER_KIND} more jumps in time")
    moved_s = np.abs(np.concatenate([stretch.time_s for stretch in stretches]) - stamps_s)
    moves = StampMoves(
        100 * float(np.mean(moved_s > arrival.ROUNDED_S)), 1000 * float(moved_s.max(initial=0.0))
    )
    return tuple(stretches), (*jitter, *notes), moves


def without_jitter(
    time_s: FloatArray, samples: FloatArray, row_numbers: Sequence[int]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Times with stamps that arrived out of order mended, and a note where there were any.

    Stamps of a packet may run back behind the last one by some ms while the samples are in order:
    the rows concerned are spread evenly between those that are in order with all others. Left as
    they are, for the caller to refuse: steps back of more than JITTER_S, more than JITTER_SHARE of
    the rows, and rows that repeat earlier ones, time and value. Limits: common practice, no source.
    """
    if len(time_s) < 3 or not np.any(np.diff(time_s) < 0):
        return time_s, ()
    reached_s = np.maximum.accumulate(time_s)
    back_s = reached_s - time_s
    due_s = np.minimum.accumulate(time_s[::-1])[::-1]
    in_order = (time_s >= reached_s) & (time_s <= due_s)
    late = np.flatnonzero(back_s > 0)
    if back_s.max() > JITTER_S or (~in_order).mean() > JITTER_SHARE or not in_order.any():
        return time_s, ()
    if _repeat_earlier_rows(time_s, samples, late):
        return time_s, ()
    at = np.arange(len(time_s))
    mended_s = np.where(in_order, time_s, np.interp(at, at[in_order], time_s[in_order]))
    note = (
        f"{len(late)} of {len(time_s)} stamps run back by up to {1000 * back_s.max():.0f} ms, "
        f"first at row {row_numbers[int(late[0])]}: mended as jitter of their arrival"
    )
    return mended_s, (note,)


def _repeat_earlier_rows(time_s: FloatArray, samples: FloatArray, late: NDArray[np.int64]) -> bool:
    """Whether most rows behind the clock hold the time and the value of a row before them."""
    repeats = 0
    for at in late:
        near = slice(max(0, at - _ROWS_OF_A_PACKET), at)
        repeats += bool(np.any((time_s[near] == time_s[at]) & (samples[near] == samples[at])))
    return repeats > len(late) / 2


def _repeats_rows(time_s: FloatArray, samples: FloatArray) -> bool:
    """Whether most samples at the time of the one before have its value as well: rows twice."""
    same = np.diff(time_s) == 0
    return bool(same.any() and np.mean(np.diff(samples)[same] == 0) > 0.5)


def _timed_stretch(
    time_s: FloatArray, samples: FloatArray, usual_step_s: float | None, evenness: float
) -> Stretch:
    start_s = float(time_s[0])
    if len(time_s) > 1:
        step_s = (float(time_s[-1]) - start_s) / (len(time_s) - 1)
        grid_s = start_s + step_s * np.arange(len(time_s))
        if step_s > 0 and np.max(np.abs(time_s - grid_s)) <= evenness * step_s:
            return Stretch(start_s, step_s, grid_s, samples)
    line = None
    if usual_step_s is not None and len(time_s) >= 4:
        line = arrival.arrival_line(time_s, usual_step_s)
    if line is None:
        return Stretch(start_s, None, time_s, samples)
    return even_stretch(samples, start_s=line[0], sampling_rate_hz=line[1])


def _gap_sentence(time_s: FloatArray, row_numbers: Sequence[int], gap: int) -> str:
    jump_s = time_s[gap + 1] - time_s[gap]
    # Summer time writes a jump of one hour into wall-clock stamps although no time passed.
    clock_change = " (about one hour: was the clock set to summer time?)"
    return (
        f"split at {time_s[gap]:g} s: the time jumps by {jump_s:.6g} s "
        f"at row {row_numbers[gap + 1]}{clock_change if abs(jump_s - 3600) < 5 else ''}"
    )


def _refuse_backwards(
    time_s: FloatArray, samples: FloatArray, row_numbers: Sequence[int], at: int
) -> NoReturn:
    later_s, earlier_s = time_s[at + 1], time_s[at]
    if later_s == earlier_s:
        same = "with the same value" if samples[at + 1] == samples[at] else "with another value"
        fault = f"time {later_s:g} s is there twice, {same}"
    else:
        earlier = int(np.searchsorted(time_s[: at + 1], later_s))
        repeated = time_s[earlier] == later_s
        fault = f"time runs backwards from {earlier_s:g} s to {later_s:g} s" + (
            f" and repeats row {row_numbers[earlier]}" if repeated else ""
        )
    raise ReadingError(
        f"row {row_numbers[at + 1]}",
        fault,
        "a time column that only rises",
        "take repeated rows out of a copy of the file; stamps coarser than the sampling step: "
        "leave time_column blank and fill in sampling_rate_hz",
    )


def _one_line(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= _LONGEST_LINE else flat[: _LONGEST_LINE - 4] + " ..."
