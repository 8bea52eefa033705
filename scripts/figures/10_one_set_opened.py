"""Cuff pressure (dashed as noted, solid as recorded), saturation under the sensor of the working
muscle with a tick for each contraction that its ripple shows, and heart rate. Grey is the set, the
dotted line the release of the cuff. The nadir is the lowest centred mean and so lies above the
lowest single reading. Pressures are those of this study and no advice: whoever applies a cuff
follows local rules and licensed practice."""

import numpy as np
import pandas as pd

from figures._courses import (
    NOTED,
    between,
    heart_rate,
    noted_pressure,
    of_session,
    recorded_pressure,
)
from figures._drawing import (
    FAINT,
    SHADE,
    empty_figure,
    is_narrow,
    mark_failure_band,
    pyplot,
    width_in,
    wrapped,
)
from muscle.contractions import low_points
from muscle.levels import nadir
from muscle.readings import Readings
from results.condition_marks import COLOURS
from results.words import words_of
from windows._after_set import release_of_cuff

TITLE = "One set opened"
ALT = (
    "Cuff pressure, saturation of the working muscle with its contractions, and heart rate through "
    "one set and what follows it."
)
NEEDS = ("beats", "saturation", "signals", "segments", "outcomes")
SLIDE = True

NADIR = "smo2_nadir_pct"
BEFORE_S = 40.0
AFTER_S = 90.0
PANELS = ("cuff", "saturation", "heart rate")
LABELS = ("Cuff (mmHg)", "Saturation (%)", "Heart rate (bpm)")


def draw(results, size_in=None):
    chosen = sets_to_open(results)
    if not chosen:
        text = "No set has a nadir of saturation, so that there is none to open."
        return empty_figure(text, size_in[0] if size_in else width_in(results)), pd.DataFrame()
    opened = [open_set(results, *name) for name in chosen]
    narrow = is_narrow(results) and not size_in
    per_row = 1 if narrow else len(opened)
    height_in = 4.4 * (len(opened) if narrow else 1)
    figure = pyplot.figure(figsize=size_in or (width_in(results), height_in), layout="constrained")
    blocks = np.atleast_1d(figure.subfigures(len(opened) // per_row, per_row))
    for block, opened_set in zip(blocks.flat, opened, strict=True):
        width = (size_in[0] if size_in else width_in(results)) / per_row
        draw_set(block, opened_set, results.settings.protocol.failure_band_pct, width)
    return figure, pd.concat([opened_set["numbers"] for opened_set in opened], ignore_index=True)


def finding(numbers):
    """How low saturation fell and what happened at the end of each set."""
    said = []
    for (participant, session_id, event_id), of_set in numbers.groupby(
        ["participant_id", "session_id", "event_id"], sort=False
    ):
        marks = of_set[of_set["panel"] == "mark"].set_index("series")["value"]
        lowest = marks.get("nadir", np.nan)
        fell = f"saturation fell to {lowest:.0f} %" if pd.notna(lowest) else "no nadir is known"
        count = int((of_set["panel"] == "contraction").sum())
        rippled = f", {count} contractions are marked" if count else ""
        failed = "; the set was to failure" if "failure" in marks.index else ""
        said.append(f"{participant}, {session_id}, {event_id}: {fell}{rippled}{failed}.")
    return " ".join(said)


def sets_to_open(results):
    """(participant, session, event_id): those of the settings, else the lowest of the last
    condition that has one."""
    if results.settings.draw_figures.closeups:
        return [tuple(name) for name in results.settings.draw_figures.closeups]
    known = results.outcomes[
        (results.outcomes["outcome"] == NADIR)
        & (results.outcomes["window"] == "set")
        & results.outcomes["value"].notna()
        & results.outcomes["event_onset_s"].notna()
    ]
    for condition in reversed(results.conditions):
        of_condition = known[known["condition"] == condition]
        if len(of_condition):
            lowest = of_condition.sort_values(
                ["value", "participant_id", "session_id", "event_id"]
            ).iloc[0]
            return [(lowest["participant_id"], lowest["session_id"], lowest["event_id"])]
    return []


def open_set(results, participant, session_id, event_id):
    """Everything that the picture of one set needs, and its numbers; times from its start in s."""
    events = of_session(results.events, participant, session_id)
    event = next(row for row in events.itertuples() if row.event_id == event_id)
    end_s = event.onset_s + event.duration_s
    released_s = release_of_cuff(event, events)
    limits = limits_around(event, events, released_s)
    of_set = of_session(results.outcomes, participant, session_id)
    of_set = of_set[(of_set["event_id"] == event_id) & (of_set["window"] == "set")]
    of_set = of_set.dropna(subset="value").set_index("outcome")["value"]
    trace = working_sensor(results, participant, session_id, event_id)
    beats = results.beats_of(participant)
    recorded = results.stretches_of(participant, session_id, "cuff_pressure")
    no_cuff = results.settings.protocol.no_cuff_condition
    courses = {
        "cuff": pd.concat(
            [
                steps_between(noted_pressure(events, no_cuff), *limits),
                between(recorded_pressure(recorded, step_s=0.5), *limits),
            ]
        ),
        "saturation": between(trace.assign(series=trace["site"].fillna("muscle")), *limits),
        "heart rate": between(
            heart_rate(beats[beats["session_id"] == session_id], n_beats=3), *limits
        ),
    }
    marks = {"set ends": end_s}
    if released_s > end_s:
        marks["cuff released"] = released_s
    drawn = [
        line.assign(panel=panel)[["panel", "series", "time_s", "value"]]
        for panel, line in courses.items()
    ]
    points = [("mark", name, at_s, np.nan) for name, at_s in marks.items()]
    if NADIR in of_set:
        at_s = time_of_nadir(trace, event.onset_s, end_s, of_set, results.settings)
        points.append(("mark", "nadir", at_s, of_set[NADIR]))
    if of_set.get("to_failure") == 1:
        points.append(("mark", "failure", end_s, np.nan))
    points += [
        ("contraction", "low point", at_s, np.nan)
        for at_s in contractions_of(trace, event.onset_s, end_s, of_set)
    ]
    drawn.append(pd.DataFrame(points, columns=["panel", "series", "time_s", "value"]))
    numbers = pd.concat([part for part in drawn if len(part)], ignore_index=True)
    numbers["time_s"] -= event.onset_s
    labels = {"participant_id": participant, "session_id": session_id, "event_id": event_id}
    return {
        "numbers": numbers.assign(**labels),
        "limits": [at_s - event.onset_s for at_s in limits],
        "duration_s": event.duration_s,
        "title": title_of_set(event, labels, of_set),
    }


def limits_around(event, events, released_s):
    """From shortly before the set, or before its cuff, to the next set or a while after release."""
    onset_s = events.loc[events["trial_type"].isin(["set", "cuff"]), "onset_s"].to_numpy(float)
    before = onset_s[(onset_s <= event.onset_s) & (onset_s > event.onset_s - BEFORE_S)]
    after = onset_s[onset_s > released_s].min(initial=np.inf)
    return before.min(initial=event.onset_s) - 10.0, min(released_s + AFTER_S, after - 0.5)


def steps_between(line, start_s, end_s):
    """A course of steps cut at two moments, with its values there."""
    inside = line["time_s"].between(start_s, end_s)
    before, after = line[line["time_s"] < start_s].tail(1), line[inside].tail(1)
    parts = [before.assign(time_s=start_s), line[inside], after.assign(time_s=end_s)]
    return pd.concat([part for part in parts if len(part)])


def working_sensor(results, participant, session_id, event_id):
    """Readings of the sensor over the muscle that worked; none where no sensor lay there."""
    segments = results.segments_of(participant)
    of_set = segments[(segments["session_id"] == session_id) & (segments["event_id"] == event_id)]
    of_set = of_set.dropna(subset=["file"])
    traces = results.saturation_of(participant)
    traces = traces[(traces["session_id"] == session_id) & (traces["signal"] == "muscle_oxygen")]
    if of_set.empty:
        return traces.iloc[:0]
    segment = of_set.iloc[0]
    same = traces["file"] == segment["file"]
    if pd.notna(segment["channel"]):
        same &= traces["channel"] == segment["channel"]
    return traces[same]


def time_of_nadir(trace, start_s, end_s, of_set, settings):
    """When the centred mean is lowest, in s; NaN where this cannot be said."""
    measuring = settings.measure_outcomes
    readings = Readings(
        trace["time_s"],
        trace["value"],
        measuring.smallest_usable_pct / 100,
        ripple_hz=of_set.get("contraction_rate_hz"),
    )
    return nadir(readings, start_s, end_s, window_s=measuring.nadir_window_s).at_s


def contractions_of(trace, start_s, end_s, of_set):
    """Low points of the ripple, in s, where contractions were counted."""
    rate_hz = of_set.get("contraction_rate_hz")
    if rate_hz is None or trace.empty:
        return []
    known = trace[trace["value"].notna()]
    return low_points(
        known["time_s"].to_numpy(), known["value"].to_numpy(), start_s, end_s, float(rate_hz)
    )


def title_of_set(event, labels, of_set):
    """Who, which set, its condition and repetitions."""
    reps = of_set.get("reps_done")
    done = "" if reps is None else f", {reps:.0f} repetitions"
    bout = "" if pd.isna(event.bout) else f" {event.bout:.0f}"
    return (
        f"{labels['participant_id']}, {labels['session_id']}: {words_of(event.exercise)}{bout}, "
        f"{event.condition}{done}"
    )


def draw_set(block, opened_set, band_pct, width):
    """Three panels on the time from the start of one set."""
    numbers = opened_set["numbers"]
    marks = numbers[numbers["panel"] == "mark"].set_index("series")
    axes = block.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": [1, 2.2, 1.6]})
    for panel_axes, panel, label in zip(axes, PANELS, LABELS, strict=True):
        line = numbers[numbers["panel"] == panel]
        panel_axes.axvspan(0, opened_set["duration_s"], color=SHADE, lw=0, zorder=0.5)
        for series, part in line.groupby("series", sort=False):
            dashes = (0, (3, 1.5)) if series == NOTED else "-"
            look = {"color": COLOURS[0], "ls": dashes, "label": series}
            panel_axes.plot(part["time_s"], part["value"], **look)
        if line["value"].isna().all():
            middle = {"ha": "center", "va": "center", "transform": panel_axes.transAxes}
            panel_axes.text(0.5, 0.5, "not recorded", **middle)
            panel_axes.set_yticks([])
        if "cuff released" in marks.index:
            released_s = marks.loc["cuff released", "time_s"]
            panel_axes.axvline(released_s, color=FAINT, ls=":")
        panel_axes.set_ylabel(label)
    axes[0].set_ylim(bottom=0)
    axes[0].legend(loc="center right")
    if numbers["panel"].eq("saturation").any():
        mark_saturation(axes[1], numbers, marks, band_pct)
    say_the_end(axes[0], marks)
    axes[-1].set_xlabel("Time from the start of the set (s)")
    axes[-1].set_xlim(*opened_set["limits"])
    axes[0].set_title(
        wrapped(opened_set["title"], width - 0.6), pad=1.7 * pyplot.rcParams["font.size"]
    )


def mark_saturation(axes, numbers, marks, band_pct):
    """The band, the nadir and the contractions in the panel of saturation."""
    mark_failure_band(axes, band_pct, named=True)
    axes.set_ylim(0, max(80.0, axes.get_ylim()[1]))
    ticks_s = numbers.loc[numbers["panel"] == "contraction", "time_s"]
    top = axes.get_ylim()[1]
    axes.vlines(ticks_s, 0.93 * top, 0.98 * top, COLOURS[2], lw=0.8)
    if len(ticks_s):
        label_place = {"xytext": (4, 0), "textcoords": "offset points", "va": "center"}
        text = f"{len(ticks_s)} contractions"
        small = {"fontsize": "small", "color": COLOURS[2]}
        axes.annotate(text, (ticks_s.max(), 0.955 * top), **label_place, **small)
    if "nadir" in marks.index and pd.notna(marks.loc["nadir", "time_s"]):
        at_s, lowest = marks.loc["nadir", ["time_s", "value"]]
        axes.plot(at_s, lowest, "v", color=COLOURS[1], ms=pyplot.rcParams["font.size"] * 0.7)
        # above the lowest point, where the course is open
        axes.annotate(
            f"nadir {lowest:.1f} %",
            (at_s, lowest),
            xytext=(at_s, lowest + 0.3 * top),
            ha="center",
            fontsize="small",
            arrowprops={"arrowstyle": "-", "lw": 0.6, "shrinkB": 5},
        )


def say_the_end(axes, marks):
    """Failure or the end of the set, and the release of the cuff, above the panels."""
    end = "failure" if "failure" in marks.index else "set ends"
    release = marks["time_s"].get("cuff released")
    above = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points"}
    right = {"ha": "right", "xytext": (-1, 2)} if pd.notna(release) else {"xytext": (0, 2)}
    axes.annotate(end, (marks.loc["set ends", "time_s"], 1.0), fontsize="small", **above | right)
    if pd.notna(release):
        axes.annotate(*("cuff released", (release, 1.0)), xytext=(1, 2), fontsize="small", **above)
