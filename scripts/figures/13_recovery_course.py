"""Heart rate, saturation of the muscle that worked, and RMSSD in the first 60 s after sets, counted
from the end of the set or the release of the cuff, whichever is later. Lines are means over
participants, each participant's sets averaged first; bands are 95 % intervals of these means (t
distribution) and so say nothing of differences within participants."""

import numpy as np
import pandas as pd

from figures._drawing import (
    condition_legend,
    empty_figure,
    is_narrow,
    legend_above,
    pyplot,
    style_of,
    width_in,
)
from figures._lines import seaborn
from results.format import interval

TITLE = "Course of recovery"
ALT = "Heart rate, saturation and RMSSD in the first minute after sets, by condition."
NEEDS = ("beats", "saturation", "segments", "outcomes", "quality", "recovery_series")

STEP_S = 5.0
LENGTH_S = 60.0
PANELS = {"heart rate": "Heart rate (bpm)", "saturation": "Saturation (%)", "RMSSD": "RMSSD (ms)"}
SET = ["participant_id", "session_id", "event_id"]
STEP = ["panel", "participant_id", "condition", "after_s", "value"]


def draw(results):
    windows = recoveries(results.outcomes, results.quality, results.conditions)
    series = results.recovery_series
    of_sets = series[(series["trial_type"] == "set") & series["rmssd_ms"].notna()]
    steps = [
        step
        for participant, of_participant in windows.groupby("participant_id", sort=True)
        for step in course_of_person(results, participant, of_participant)
    ]
    rmssd = of_sets.assign(panel="RMSSD", value=of_sets["rmssd_ms"])[STEP]
    parts = [part for part in (pd.DataFrame(steps, columns=STEP), rmssd) if len(part)] or [rmssd]
    courses = means_over_people(pd.concat(parts, ignore_index=True), results.conditions)
    panels = [panel for panel in PANELS if (courses["panel"] == panel).any()]
    if not panels:
        text = "Nothing was recorded after a set whose end is known."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    lines, columns = (len(panels), 1) if is_narrow(results) else (1, len(panels))
    figure, axes_of = pyplot.subplots(
        *(lines, columns),
        figsize=(width_in(results), 2.1 * lines + 0.5),
        layout="constrained",
        squeeze=False,
    )
    for axes, panel in zip(axes_of.flat, panels, strict=True):
        draw_panel(axes, courses[courses["panel"] == panel], results.conditions)
        axes.set_title(PANELS[panel])
        axes.set_xlabel("Time after the set or release (s)")
        axes.set_xlim(0, LENGTH_S)
    drawn = [name for name in results.conditions if (courses["condition"] == name).any()]
    legend_above(figure, condition_legend(results.conditions, drawn))
    return figure, courses


def finding(numbers):
    """First and last mean of each condition."""
    said = []
    for panel, of_panel in numbers.groupby("panel", sort=False):
        ends = [
            f"{condition} {interval(line['mean'].iloc[0], line['mean'].iloc[-1])}"
            for condition, line in of_panel.groupby("condition", sort=False)
        ]
        said.append(f"{PANELS[panel]}, first to last mean: {', '.join(ends)}.")
    return " ".join(said)


def recoveries(outcomes, quality, conditions):
    """A row for each set with a known recovery: who, condition, start_s and end_s of it."""
    of_sets = (outcomes["window"] == "set") & outcomes["condition"].isin(conditions)
    sets = outcomes.loc[of_sets, [*SET, "condition"]].drop_duplicates(SET)
    windows = quality[(quality["segment"] == "recovery_first_60_s") & quality["end_s"].notna()]
    windows = windows[[*SET, "start_s", "end_s"]].drop_duplicates(SET)
    return sets.merge(windows, on=SET)


def course_of_person(results, participant, windows):
    """Heart rate and saturation of every set of one person, a tuple of `STEP` for each `STEP_S`."""
    beats = results.beats_of(participant)
    beats = beats[beats["nn_ms"].notna() & beats["nn_time_s"].notna()]
    traces = results.saturation_of(participant)
    traces = traces[(traces["signal"] == "muscle_oxygen") & traces["value"].notna()]
    sensor_of = sensors_over_muscles(results.segments_of(participant))
    steps = []
    for session_id, of_session in windows.groupby("session_id", sort=False):
        of_beats = beats[beats["session_id"] == session_id]
        of_muscle = traces[traces["session_id"] == session_id]
        sensors = {
            sensor: (trace["time_s"].to_numpy(), trace["value"].to_numpy())
            for sensor, trace in of_muscle.groupby(["file", "channel"], dropna=False, sort=False)
        }
        for window in of_session.itertuples():
            # rates are averaged as intervals, as everywhere
            intervals = mean_steps(
                of_beats["nn_time_s"].to_numpy(), of_beats["nn_ms"].to_numpy(), window
            )
            of_set = (window.participant_id, window.condition)
            steps += [("heart rate", *of_set, at, 60000 / m) for at, m in intervals.items()]
            sensor = sensor_of.get((session_id, window.event_id))
            if sensor in sensors:
                levels = mean_steps(*sensors[sensor], window)
                steps += [("saturation", *of_set, at, level) for at, level in levels.items()]
    return steps


def sensors_over_muscles(segments):
    """File and channel of the sensor over the muscle that worked, by session and event."""
    sets = zip(segments["session_id"], segments["event_id"], strict=True)
    return dict(zip(sets, zip(segments["file"], segments["channel"], strict=True), strict=True))


def mean_steps(time_s, readings, window):
    """Mean value by the middle of each whole step of a window, in s after its start."""
    inside = (time_s >= window.start_s) & (time_s < min(window.end_s, window.start_s + LENGTH_S))
    step = ((time_s[inside] - window.start_s) // STEP_S).astype(int)
    whole = int((min(window.end_s, window.start_s + LENGTH_S) - window.start_s) // STEP_S)
    sums = np.bincount(step, readings[inside], minlength=whole)[:whole]
    counts = np.bincount(step, minlength=whole)[:whole]
    return {(n + 0.5) * STEP_S: sums[n] / counts[n] for n in np.flatnonzero(counts)}


def means_over_people(courses, conditions):
    """Mean over participants with its 95 % interval at each time after sets, by condition."""
    from scipy.special import stdtrit

    keys = ["panel", "condition", "after_s"]
    people = courses.groupby([*keys, "participant_id"])["value"].mean().reset_index()
    means = people.groupby(keys)["value"].agg(["mean", "std", "count"]).reset_index()
    freedom = (means["count"] - 1).clip(lower=1)
    half = stdtrit(freedom, 0.975) * means["std"] / np.sqrt(means["count"])
    means = means.assign(ci_low=means["mean"] - half, ci_high=means["mean"] + half)
    order = means["panel"].map(list(PANELS).index) * len(conditions)
    order += means["condition"].map(list(conditions).index)
    means = means.iloc[np.argsort(order.to_numpy(), kind="stable")].reset_index(drop=True)
    return means.rename(columns={"count": "n_participants"}).drop(columns="std")


def draw_panel(axes, courses, conditions):
    """A line with its band for each condition."""
    size = 0.4 * pyplot.rcParams["font.size"]
    for condition, of_condition in courses.groupby("condition", sort=False):
        style = style_of(condition, conditions)
        axes.fill_between(
            *(of_condition["after_s"], of_condition["ci_low"], of_condition["ci_high"]),
            color=style["color"],
            alpha=0.12,
            lw=0,
        )
        seaborn.lineplot(
            *(of_condition,),
            **{"x": "after_s", "y": "mean", "errorbar": None, "ms": size, "mew": 0, "ax": axes},
            **style,
        )
    axes.set(xlabel="", ylabel="")
