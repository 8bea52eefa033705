"""What is kept of a trace is that of this very trace, and of one that nobody can alter."""

import numpy as np

from recordings.time_axis import sampling_step_s, straight_lines_of, unalterable

TIME_S = np.arange(0.0, 10.0, 0.5)


def test_lines_of_an_unalterable_trace_are_made_once():
    time_s, value = unalterable(TIME_S), unalterable(np.sin(TIME_S))
    assert straight_lines_of(time_s, value) is straight_lines_of(time_s, value)
    assert straight_lines_of(time_s, unalterable(np.cos(TIME_S))) is not straight_lines_of(
        time_s, value
    )


def test_a_trace_that_was_altered_since_is_measured_again():
    time_s = TIME_S.copy()
    assert sampling_step_s(time_s) == 0.5
    time_s *= 2
    assert sampling_step_s(time_s) == 1.0


def test_an_unalterable_trace_leaves_that_of_the_caller_alterable():
    time_s = TIME_S.copy()
    assert not unalterable(time_s).flags.writeable
    assert time_s.flags.writeable
