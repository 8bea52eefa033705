"""Cuff pressure, saturation and heart rate of one session on one time axis, those of them that the
study has; sets in grey (a dashed line where the end of a set is unknown), the failure band of
saturation (see Terms) in pale red.
Pressure is dashed where it is only noted on the session sheet, solid where it was recorded; it is
that of this study and no advice."""

import pandas as pd

from figures._courses import (
    NOTED,
    RECORDED,
    heart_rate,
    noted_pressure,
    of_session,
    recorded_pressure,
    saturation,
)
from figures._drawing import (
    FAINT,
    LINE_STYLES,
    SHADE,
    empty_figure,
    is_narrow,
    levels_without_collision,
    mark_failure_band,
    pyplot,
    width_in,
    width_of_text_pt,
)
from results.condition_marks import COLOURS
from results.words import words_of

TITLE = "Course of a session"
ALT = "One session over time, sets shaded."
NEEDS = ("beats", "saturation", "signals", "outcomes")

LABEL_PT = 7

# outcomes that a study with saturation, and one with beats, has
NADIR, HEART_RATE = "smo2_nadir_pct", "mean_hr_bpm"


def draw(results):
    chosen = session_to_draw(results)
    if chosen is None:
        text = "No session has beats, saturation and sets."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    participant, session_id = chosen
    events = of_session(results.events, participant, session_id)
    traces, beats = results.saturation_of(participant), results.beats_of(participant)
    recorded = results.stretches_of(participant, session_id, "cuff_pressure")
    courses = {
        "cuff": pd.concat(
            [
                noted_pressure(events, results.settings.protocol.no_cuff_condition),
                recorded_pressure(recorded, step_s=2.0),
            ],
            ignore_index=True,
        ),
        "saturation": saturation(traces[traces["session_id"] == session_id], step_s=2.0),
        "heart rate": heart_rate(beats[beats["session_id"] == session_id], n_beats=5),
    }
    courses = {
        panel: line.assign(panel=panel, time_min=line["time_s"] / 60)
        for panel, line in courses.items()
        if panel == "cuff" or line["value"].notna().any() or study_has(results.outcomes, panel)
    }
    figure = draw_courses(results, courses, events, f"{participant}, {session_id}")
    numbers = pd.concat(courses.values(), ignore_index=True)
    return figure, numbers[["panel", "series", "time_min", "value"]].assign(
        participant_id=participant, session_id=session_id
    )


def study_has(outcomes, panel):
    """Whether any session of the study has what a panel shows."""
    of_panel = outcomes["outcome"] == {"saturation": NADIR, "heart rate": HEART_RATE}[panel]
    return bool(outcomes.loc[of_panel, "value"].notna().any())


def finding(numbers):
    """Lowest saturation and highest heart rate of the session, and where the pressure is from."""
    said = []
    cuff = numbers[numbers["panel"] == "cuff"]
    if len(cuff) and cuff["value"].max() > 0:
        recorded = cuff["series"].str.startswith(RECORDED).any()
        was = "recorded" if recorded else "noted, not recorded"
        said.append(f"the highest pressure was {cuff['value'].max():.0f} mmHg ({was})")
    for panel, words, extreme in (
        ("saturation", "saturation fell to {:.0f} %", "min"),
        ("heart rate", "heart rate rose to {:.0f} bpm", "max"),
    ):
        of_panel = numbers.loc[numbers["panel"] == panel, "value"].dropna()
        if len(of_panel):
            said.append(words.format(of_panel.agg(extreme)))
    text = ", ".join(said)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def draw_courses(results, courses, events, title):
    """Panels on one time axis, that of the cuff half as high, the names of sets above them."""
    labels = labels_of_sets(events)
    minutes = [line["time_min"] for line in courses.values()]
    limits = min(line.min() for line in minutes), max(line.max() for line in minutes)
    # the panels take about this much of the width beside numbers and names of sensors
    panel_in = width_in(results) - (0.6 if is_narrow(results) else 1.9)
    levels = label_levels(labels, limits, panel_in)
    label_in = 0.13 * (1 + max(levels, default=0))
    parts = 2 * len(courses) - 1
    height_in = (5.2 if is_narrow(results) else 4.4) * parts / 5
    figure, panels = pyplot.subplots(
        len(courses),
        1,
        figsize=(width_in(results), height_in + label_in),
        sharex=True,
        layout="constrained",
        gridspec_kw={"height_ratios": [1, 2, 2][: len(courses)]},
        squeeze=False,
    )
    panels = panels[:, 0]
    of_panel = dict(zip(courses, panels, strict=True))
    units = {"cuff": "Cuff (mmHg)", "saturation": "Saturation (%)"}
    units["heart rate"] = "Heart rate (bpm)"
    for panel, line in courses.items():
        axes = of_panel[panel]
        shade_sets(axes, events)
        styles = zip(COLOURS * 3, LINE_STYLES * 4, strict=False)
        for (series, part), (colour, line_style) in zip(
            line.groupby("series", sort=False), styles, strict=False
        ):
            if panel == "cuff":
                noted = series == NOTED
                colour, line_style = COLOURS[0], (0, (3, 1.5)) if noted else "-"
            look = {"color": colour, "ls": line_style, "lw": 0.8}
            axes.plot(part["time_min"], part["value"], label=series, **look)
        axes.set_ylabel(units[panel])
        if line["value"].isna().all():
            axes.text(0.5, 0.5, "not recorded", ha="center", va="center", transform=axes.transAxes)
            axes.set_yticks([])
        elif panel == "saturation":
            mark_failure_band(axes, results.settings.protocol.failure_band_pct, named=True)
            axes.set_ylim(0, 100)
    panels[0].set_ylim(bottom=0, top=max(panels[0].get_ylim()[1], 10))
    name_lines(of_panel, is_narrow(results))
    panels[-1].set_xlabel("Session time (min)")
    panels[-1].set_xlim(*limits)
    for (start_min, end_min, text), level in zip(labels, levels, strict=True):
        panels[0].annotate(
            text,
            ((start_min + end_min) / 2, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3 + 9.5 * level),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=LABEL_PT,
        )
    panels[0].set_title(title, pad=8 + 9.5 * (1 + max(levels, default=-1)))
    return figure


def name_lines(of_panel, narrow):
    """Legends of pressures and sensors: below the panels where these are narrow, else beside."""
    titles = {"cuff": "Pressure", "saturation": "Sensor on"}
    named = {
        panel: axes.get_legend_handles_labels()
        for panel, axes in of_panel.items()
        if panel in titles
    }
    if narrow:
        handles, names = (sum(parts, []) for parts in zip(*named.values(), strict=True))
        below = {"loc": "upper left", "bbox_to_anchor": (0.0, -0.32), "ncols": 2}
        list(of_panel.values())[-1].legend(handles, names, **below)
        return
    beside = {"loc": "upper left", "bbox_to_anchor": (1.0, 1.0)}
    for panel, (handles, names) in named.items():
        if handles:
            of_panel[panel].legend(handles, names, title=titles[panel], **beside)


def session_to_draw(results):
    """The session that the settings name, else the last condition's first one with everything."""
    if results.settings.draw_figures.course_of:
        return tuple(results.settings.draw_figures.course_of)
    of_both = results.outcomes[results.outcomes["outcome"].isin([NADIR, HEART_RATE])]
    with_sets = of_both[of_both["value"].notna() & of_both["condition"].notna()]
    if with_sets.empty:
        return None
    rank = with_sets["condition"].map({name: n for n, name in enumerate(results.conditions)})
    ordered = with_sets.assign(rank=-rank).sort_values(["rank", "participant_id", "session_id"])
    return ordered.iloc[0]["participant_id"], ordered.iloc[0]["session_id"]


def shade_sets(axes, events):
    """Sets in grey; one of unknown end is a dashed line where it began."""
    begun = events[events["onset_s"].notna() & events["duration_s"].isna()]
    for onset_s in begun.loc[begun["trial_type"] == "set", "onset_s"]:
        axes.axvline(onset_s / 60, color=FAINT, lw=0.8, ls="--")
    timed = events[events["onset_s"].notna() & events["duration_s"].notna()]
    for event in timed[timed["trial_type"] == "set"].itertuples():
        axes.axvspan(
            event.onset_s / 60,
            (event.onset_s + event.duration_s) / 60,
            color=SHADE,
            lw=0,
            zorder=0.5,
        )


def labels_of_sets(events):
    """(start, end, words) of each run of sets of one exercise and condition, in minutes.

    The condition is said where a session has several.
    """
    sets = events[(events["trial_type"] == "set") & events["onset_s"].notna()]
    sets = sets.sort_values("onset_s")
    several = sets["condition"].nunique() > 1
    labels, before = [], None
    for event in sets.itertuples():
        end_s = event.onset_s + (0 if pd.isna(event.duration_s) else event.duration_s)
        words = words_of(event.exercise)
        if several:
            words = f"{words}, {event.condition}"
        if words == before:
            labels[-1] = (labels[-1][0], end_s / 60, words)
        else:
            labels.append((event.onset_s / 60, end_s / 60, words))
        before = words
    return labels


def label_levels(labels, limits_min, panel_in):
    """The line above the panels in which each label stands, so that none meets another."""
    per_min = panel_in * 72 / max(limits_min[1] - limits_min[0], 1e-9)
    widths = [width_of_text_pt(text, LABEL_PT) for *_, text in labels]
    middles = [(start + end) / 2 * per_min for start, end, _ in labels]
    spans = [(m - w / 2, m + w / 2) for m, w in zip(middles, widths, strict=True)]
    return levels_without_collision(spans, gap=6)
