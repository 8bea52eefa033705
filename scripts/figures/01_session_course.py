"""The course of one session: cuff pressure, saturation and heart rate on one time axis, sets in
grey (a dashed line where the end of a set is unknown), the failure band (see Terms) in pale red."""

import numpy as np
import pandas as pd

from cuff.log import noted_course
from figures._drawing import (
    COLOURS,
    SENSOR_STYLES,
    WIDTH_IN,
    empty_figure,
    mark_failure_band,
    pyplot,
)
from results.words import words_of

TITLE = "Course of a session"
ALT = (
    "Cuff pressure, muscle oxygen saturation and heart rate of one session over time, sets shaded "
    "and the failure band marked."
)
NEEDS = ("beats", "saturation", "outcomes")


def draw(results):
    chosen = session_to_draw(results)
    if chosen is None:
        return empty_figure("No session has beats, saturation and sets."), pd.DataFrame()
    participant, session_id = chosen
    events = results.events[
        (results.events["participant_id"] == participant)
        & (results.events["session_id"] == session_id)
    ]
    courses = [
        cuff_course(events, results.settings.protocol.no_cuff_condition),
        saturation_course(results.saturation_of(participant), session_id),
        heart_rate_course(results.beats_of(participant), session_id),
    ]
    figure, rows = pyplot.subplots(
        3,
        1,
        figsize=(WIDTH_IN, 4.6),
        sharex=True,
        layout="constrained",
        gridspec_kw={"height_ratios": [1, 2, 2]},
    )
    for axes, course, label in zip(
        rows, courses, ("Cuff (mmHg)", "Saturation (%)", "Heart rate (bpm)"), strict=True
    ):
        shade_sets(axes, events)
        for n, (series, part) in enumerate(course.groupby("series", sort=False)):
            axes.plot(
                part["time_min"],
                part["value"],
                label=series,
                color=COLOURS[n % len(COLOURS)],
                ls=SENSOR_STYLES[n % len(SENSOR_STYLES)],
                lw=0.8,
            )
        axes.set_ylabel(label)
    mark_failure_band(rows[1], results.settings.protocol.failure_band_pct)
    rows[1].legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), title="Sensor on")
    rows[1].set_ylim(0, 100)
    rows[-1].set_xlabel("Session time (min)")
    name_sets(rows[0], events)
    condition = ", ".join(events["condition"].dropna().unique())
    rows[0].set_title(f"{participant}, {session_id}, condition {condition}", loc="left", pad=24)
    labels = [
        course.assign(panel=p)
        for course, p in zip(courses, ("cuff", "saturation", "heart rate"), strict=True)
    ]
    return figure, pd.concat(labels, ignore_index=True)[["panel", "series", "time_min", "value"]]


def session_to_draw(results):
    """The session that the settings name, else the last condition's first one with everything."""
    if results.settings.draw_figures.course_of:
        return tuple(results.settings.draw_figures.course_of)
    given = results.outcomes[
        results.outcomes["value"].notna() & results.outcomes["condition"].notna()
    ]
    with_sets = given[given["outcome"].isin(["smo2_nadir_pct", "mean_hr_bpm"])]
    if with_sets.empty:
        return None
    rank = with_sets["condition"].map({c: n for n, c in enumerate(results.conditions)})
    ordered = with_sets.assign(rank=-rank).sort_values(["rank", "participant_id", "session_id"])
    return ordered.iloc[0]["participant_id"], ordered.iloc[0]["session_id"]


def cuff_course(events, no_cuff_condition):
    """Pressure of the cuff over time as the session sheet has it; a gap where it is unknown."""
    time_s, value, _ = noted_course(events, no_cuff_condition)
    end_s = (events["onset_s"] + events["duration_s"]).max()
    time_s, value = np.append(time_s, end_s), np.append(value, value[-1])
    return pd.DataFrame({"series": "cuff", "time_min": time_s / 60, "value": value})


def saturation_course(traces, session_id):
    """Mean saturation of every sensor in every two seconds; a gap stays a gap."""
    own = traces[(traces["session_id"] == session_id) & (traces["signal"] == "muscle_oxygen")]
    parts = []
    for site, trace in own.groupby(own["site"].fillna("muscle"), sort=False):
        binned = trace.groupby((trace["time_s"] // 2) * 2 + 1)["value"].mean()
        parts.append(
            pd.DataFrame(
                {"series": site, "time_min": binned.index / 60, "value": binned.to_numpy()}
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else _nothing()


def heart_rate_course(beats, session_id):
    """Heart rate of the repaired series, mean of every five beats."""
    own = beats[(beats["session_id"] == session_id) & beats["nn_ms"].notna()]
    if own.empty:
        return _nothing()
    groups = np.arange(len(own)) // 5
    means = own.groupby(groups)[["nn_time_s", "nn_ms"]].mean()
    return pd.DataFrame(
        {
            "series": "heart rate",
            "time_min": means["nn_time_s"] / 60,
            "value": 60000 / means["nn_ms"],
        }
    )


def _nothing():
    return pd.DataFrame({"series": [], "time_min": [], "value": []})


def shade_sets(axes, events):
    """Sets in grey; one of unknown end is a dashed line where it began."""
    begun = events[events["onset_s"].notna() & events["duration_s"].isna()]
    for onset_s in begun.loc[begun["trial_type"] == "set", "onset_s"]:
        axes.axvline(onset_s / 60, color="#888888", lw=0.8, ls="--")
    timed = events[events["onset_s"].notna() & events["duration_s"].notna()]
    for event in timed[timed["trial_type"] == "set"].itertuples():
        axes.axvspan(
            event.onset_s / 60, (event.onset_s + event.duration_s) / 60, color="#dddddd", lw=0
        )


def name_sets(axes, events):
    """Name each exercise once, above its sets, in two lines where neighbours would meet."""
    sets = events[(events["trial_type"] == "set") & events["onset_s"].notna()]
    for n, (exercise, own) in enumerate(sets.groupby("exercise", sort=False)):
        middle = (own["onset_s"].min() + (own["onset_s"] + own["duration_s"]).max()) / 2
        axes.annotate(
            words_of(exercise),
            (middle / 60, 1.0 + 0.2 * (n % 2)),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
        )
