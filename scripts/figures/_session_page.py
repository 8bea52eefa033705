"""One page per session: pressure, saturation, heart rate, breathing, verdicts and raw ECG.

Everything stands on one time axis, so that what the muscle, the heart and the cuff did can be read
off one above the other; below it the raw ECG at its worst, median and best, and one set opened to
its single contractions.
"""

import numpy as np
import pandas as pd
from matplotlib.collections import PolyCollection

from figures._drawing import COLOURS, SENSOR_STYLES, WIDTH_IN, mark_failure_band, pyplot
from heart.modulation import heart_rate_modulation, time_frequency_map
from report.words import words_of

FAMILIES = ("heart period", "spectrum", "saturation", "contraction")
VERDICT_COLOURS = {
    "ok": "#2b6a4d",
    "flagged": "#d9a300",
    "refused": "#b5b5b5",
    "missing": "#eeeeee",
}
# colour and mark of the kinds of beats, told apart without colour as well
KIND_LOOKS = {
    "normal": ("#2b6a4d", 7),
    "ectopic": ("#D55E00", "d"),
    "missed": ("#882255", "+"),
    "extra": ("#777777", "1"),
    "misplaced": ("#004488", "|"),
    "added": ("#b8860b", "*"),
    "removed": ("#000000", "x"),
}
FASTEST_SHOWN_HZ = 0.7


class Session:
    """What is known about one session, as the page needs it."""

    def __init__(
        self,
        labels,
        events,
        beats,
        respiration,
        traces,
        ecg,
        pressure,
        noted_pressure,
        outcomes,
        spans,
    ):
        self.labels = labels
        self.events = events
        self.beats = beats
        self.respiration = respiration
        self.traces = traces
        self.ecg = ecg
        self.pressure = pressure
        self.noted_pressure = noted_pressure
        self.outcomes = outcomes
        self.spans = spans

    @property
    def sets(self):
        timed = self.events["onset_s"].notna() & self.events["duration_s"].notna()
        return self.events[(self.events["trial_type"] == "set") & timed]

    @property
    def endless(self):
        """Starts of the sets of which nobody knows the end."""
        of_sets = self.events[self.events["trial_type"] == "set"]
        return of_sets.loc[of_sets["duration_s"].isna(), "onset_s"].dropna()

    @property
    def end_min(self):
        last = [(self.events["onset_s"] + self.events["duration_s"]).max()]
        last += [self.beats["time_s"].max(), self.traces["time_s"].max()]
        return np.nanmax(last) / 60


def draw(session, failure_band_pct):
    """The page and a table of the numbers that it draws."""
    has_haemoglobin = (session.traces["signal"] == "total_haemoglobin").any()
    panels = [
        (draw_pressure, 0.8),
        (lambda axes, s: draw_saturation(axes, s, failure_band_pct), 1.6),
        *([(draw_haemoglobin, 0.7)] if has_haemoglobin else []),
        (draw_heart_rate, 1.4),
        (draw_breathing, 1.2),
        (draw_verdicts, 0.7),
    ]
    figure = pyplot.figure(figsize=(WIDTH_IN, 8.6), layout="constrained")
    heights = [height for _, height in panels]
    upper, lower = figure.add_gridspec(2, 1, height_ratios=[sum(heights), 1.5])
    rows = upper.subgridspec(len(panels), 1, height_ratios=heights).subplots(sharex=True)
    numbers = []
    for axes, (panel, _) in zip(rows, panels, strict=True):
        # the map of modulation fills its panel
        for event in [] if panel is draw_breathing else session.sets.itertuples():
            axes.axvspan(
                event.onset_s / 60, (event.onset_s + event.duration_s) / 60, color="#eeeeee", lw=0
            )
        for onset_s in session.endless:
            axes.axvline(onset_s / 60, color="#888888", lw=0.8, ls="--")
        numbers.append(panel(axes, session))
    rows[-1].set_xlabel("Session time (min)")
    rows[-1].set_xlim(0, session.end_min)
    rows[0].set_title(title_of(session), loc="left", pad=27)
    name_sets(rows[0], session)
    columns = lower.subgridspec(1, 4).subplots()
    has_ecg = len(session.ecg[0]) > 0
    if has_ecg:
        draw_excerpts(columns[:3], session)
    draw_clear_sets(columns[3:] if has_ecg else columns, session)
    table = pd.concat([part for part in numbers if len(part)], ignore_index=True)
    return figure, table.reindex(columns=["panel", "series", "time_s", "value"])


def title_of(session):
    conditions = ", ".join(session.events["condition"].dropna().unique()) or "none noted"
    visit = f", visit {session.labels['visit']}" if session.labels["visit"] is not None else ""
    return (
        f"{session.labels['participant_id']}, {session.labels['session_id']}{visit}, "
        f"condition {conditions}"
    )


def name_sets(axes, session):
    """Exercise once, then repetitions, exertion and failure of every set, above the top panel."""
    for exercise, own in session.sets.groupby("exercise", sort=False):
        middle = (own["onset_s"].min() + (own["onset_s"] + own["duration_s"]).max()) / 120
        _above(axes, middle, words_of(exercise), 16, 7)
    for event in session.sets.itertuples():
        parts = []
        if pd.notna(event.reps_done):
            parts.append(f"{event.reps_done:.0f} reps")
        if pd.notna(event.rpe):
            parts.append(f"RPE {event.rpe:g}")
        if event.to_failure is True:
            parts.append("to failure")
        if event.stopped_early is True:
            parts.append("stopped early")
        _above(axes, (event.onset_s + event.duration_s / 2) / 60, "\n".join(parts), 0, 4.5)
    for onset_s in session.endless:
        _above(axes, onset_s / 60, "end\nunknown", 0, 4.5)


def _above(axes, time_min, text, points, size):
    axes.annotate(
        text,
        (time_min, 1.0),
        xytext=(0, points),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=size,
        linespacing=0.9,
    )


def _rows(panel, series, time_s, value):
    return pd.DataFrame({"panel": panel, "series": series, "time_s": time_s, "value": value})


def draw_pressure(axes, session):
    """Cuff pressure as noted and, thin, as recorded; hatched where nobody noted it."""
    time_s, value, unknown = session.noted_pressure
    time_s, value = np.append(time_s, 60 * session.end_min), np.append(value, value[-1])
    for start_s, end_s in unknown:
        axes.axvspan(start_s / 60, end_s / 60, fill=False, hatch="///", ec="#999999", lw=0)
    axes.plot(time_s / 60, value, color="black", lw=1.2, label="noted")
    recorded_s, recorded = session.pressure
    if len(recorded_s):
        axes.plot(recorded_s / 60, recorded, color=COLOURS[1], lw=0.6, label="recorded")
        axes.legend(loc="upper right", fontsize=6)
    axes.set_ylabel("Cuff\n(mmHg)")
    highest = max(np.nanmax(value, initial=0.0), np.nanmax(recorded, initial=0.0))
    axes.set_ylim(-2, max(50.0, 1.1 * highest))
    if np.isnan(value).all() and not len(recorded_s):
        _say(axes, "cuff pressure was not noted")
    return _rows("cuff pressure", "noted", time_s, value)


def draw_saturation(axes, session, failure_band_pct):
    """Every sensor, the failure band, and the nadir of each set as a mark."""
    mark_failure_band(axes, failure_band_pct)
    found = []
    traces = session.traces[session.traces["signal"] == "muscle_oxygen"]
    for n, (site, trace) in enumerate(traces.groupby(traces["site"].fillna("muscle"), sort=False)):
        binned = trace.groupby(trace["time_s"] // 2 * 2 + 1)["value"].mean()
        style = SENSOR_STYLES[n % len(SENSOR_STYLES)]
        axes.plot(binned.index / 60, binned, color=COLOURS[n % len(COLOURS)], ls=style, label=site)
        found.append(_rows("saturation", site, binned.index, binned.to_numpy()))
    nadirs = session.outcomes[
        (session.outcomes["outcome"] == "smo2_nadir_pct") & session.outcomes["value"].notna()
    ]
    lengths = session.sets.set_index("onset_s")["duration_s"]
    for row in nadirs.itertuples():
        end_s = row.event_onset_s + lengths.get(row.event_onset_s, 0.0)
        label = "nadir, at the end of its set" if row.Index == nadirs.index[0] else None
        axes.plot(end_s / 60, row.value, marker=7, color="black", ms=4, ls="", label=label)
    axes.set_ylabel("Saturation\n(%)")
    axes.set_ylim(0, 100)
    if found:
        axes.legend(loc="lower right", fontsize=6, ncols=5)
    found.append(_rows("saturation", "nadir", nadirs["event_onset_s"], nadirs["value"]))
    return pd.concat(found, ignore_index=True)


def draw_haemoglobin(axes, session):
    traces = session.traces[session.traces["signal"] == "total_haemoglobin"]
    found = []
    for n, (site, trace) in enumerate(traces.groupby(traces["site"].fillna("muscle"), sort=False)):
        binned = trace.groupby(trace["time_s"] // 2 * 2 + 1)["value"].mean()
        style = SENSOR_STYLES[n % len(SENSOR_STYLES)]
        axes.plot(binned.index / 60, binned, color=COLOURS[n % len(COLOURS)], ls=style, lw=0.8)
        found.append(_rows("total haemoglobin", site, binned.index, binned.to_numpy()))
    axes.set_ylabel("Total\nhaemoglobin")
    return pd.concat(found, ignore_index=True)


def draw_heart_rate(axes, session):
    """Rate of every interval of the repaired series; beats that were not normal as marks below."""
    used = session.beats[session.beats["nn_ms"].notna()]
    if used.empty:
        _say(axes, "no heart recording")
        return _rows("heart rate", "rate", [], [])
    rate = 60000 / used["nn_ms"]
    time_s = used["nn_time_s"]
    gap = time_s.diff() > 3
    axes.plot(time_s / 60, rate.mask(gap), color="black", lw=0.5)
    lowest = rate.min()
    for kind, own in session.beats[session.beats["kind"] != "normal"].groupby("kind"):
        axes.plot(
            own["time_s"] / 60,
            np.full(len(own), lowest - 4),
            ms=4,
            ls="",
            label=kind,
            **look_of_kind(kind),
        )
    if (session.beats["kind"] != "normal").any():
        # room for the names above the highest rate
        axes.set_ylim(top=rate.max() + 0.2 * (rate.max() - lowest))
        axes.legend(loc="upper right", fontsize=6, ncols=5)
    axes.set_ylabel("Heart rate\n(bpm)")
    return _rows("heart rate", "rate", time_s, rate)


def look_of_kind(kind):
    """Colour and mark of a kind of beats."""
    colour, mark = KIND_LOOKS[kind]
    return {"color": colour, "marker": mark}


def draw_breathing(axes, session):
    """Time-frequency map of heart-rate modulation with breathing rate and cadence on it."""
    used = session.beats[session.beats["nn_time_s"].notna()].sort_values("nn_time_s")
    for part in _unbroken(used["nn_time_s"].to_numpy()):
        if len(part) < 60:
            continue
        modulation = heart_rate_modulation(part)
        spectrum = time_frequency_map(modulation.time_s, modulation.modulation, step_s=4.0)
        shown = spectrum.frequency_hz <= FASTEST_SHOWN_HZ
        density = np.log10(np.maximum(spectrum.density_per_hz[:, shown].T, 1e-8))
        axes.imshow(
            density,
            origin="lower",
            aspect="auto",
            cmap="Greys",
            vmin=-5,
            vmax=-1.5,
            extent=(spectrum.time_s[0] / 60, spectrum.time_s[-1] / 60, 0, FASTEST_SHOWN_HZ),
        )
    known = session.respiration["rate_hz"].where(session.respiration["status"] == "known")
    axes.plot(
        session.respiration["time_s"] / 60, known, color=COLOURS[2], lw=1.0, label="breathing"
    )
    cadence = session.outcomes[
        (session.outcomes["outcome"] == "contraction_rate_hz") & session.outcomes["value"].notna()
    ]
    lengths = session.sets.set_index("onset_s")["duration_s"]
    for n, row in enumerate(cadence.itertuples()):
        span = np.array([0.0, lengths.get(row.event_onset_s, 0.0)]) + row.event_onset_s
        label = "repetitions" if n == 0 else None
        axes.plot(span / 60, [row.value] * 2, color=COLOURS[1], lw=1.6, label=label)
    axes.set_ylim(0, FASTEST_SHOWN_HZ)
    axes.set_ylabel("Modulation\n(Hz)")
    if known.notna().any() or len(cadence):
        axes.legend(loc="upper right", fontsize=6, ncols=2)
    return _rows("modulation", "breathing rate", session.respiration["time_s"], known)


def _unbroken(times_s):
    return np.split(times_s, np.flatnonzero(np.diff(times_s) > 3) + 1) if len(times_s) else []


def draw_verdicts(axes, session):
    """For every window and family of outcomes: the shares given, flagged and withheld."""
    boxes, colours, found = [], [], []
    asked = session.outcomes.groupby(["family", "start_s", "end_s"])["status"]
    shares = asked.value_counts(normalize=True).unstack(fill_value=0.0)
    for (family, start_s, end_s), share in shares.iterrows():
        if family not in FAMILIES:
            continue
        top = FAMILIES.index(family) - 0.4
        for status, colour in VERDICT_COLOURS.items():
            height = 0.8 * share.get(status, 0.0)
            if height > 0:
                left, right = start_s / 60, end_s / 60
                boxes.append(
                    [(left, top), (right, top), (right, top + height), (left, top + height)]
                )
                colours.append(colour)
                found.append((f"{family}, {status}", start_s, share[status]))
                top += height
    axes.add_collection(PolyCollection(boxes, facecolors=colours, linewidths=0))
    axes.set_yticks(range(len(FAMILIES)), FAMILIES, fontsize=6)
    axes.set_ylim(len(FAMILIES) - 0.5, -0.5)
    handles = [pyplot.Rectangle((0, 0), 1, 1, color=c) for c in VERDICT_COLOURS.values()]
    axes.legend(
        handles,
        VERDICT_COLOURS,
        loc="lower right",
        bbox_to_anchor=(1.0, 0.98),
        fontsize=5,
        ncols=4,
        borderpad=0,
    )
    series, time_s, value = zip(*found, strict=True) if found else ([], [], [])
    return _rows("verdicts, share of outcomes", series, time_s, value)


def draw_excerpts(columns, session):
    """Raw ECG at the worst, median and best quality, every beat marked by its kind."""
    time_s, value = session.ecg
    chosen = excerpts(session.spans, session.beats["time_s"])
    for axes, (name, span) in zip(columns, chosen.items(), strict=True):
        axes.set_title(name, loc="left", fontsize=7)
        if not len(time_s) or span is None:
            _say(axes, "no waveform was recorded")
            continue
        inside = (time_s >= span[0]) & (time_s <= span[1])
        axes.plot(time_s[inside], value[inside], color="black", lw=0.4)
        own = session.beats[session.beats["time_s"].between(*span)]
        top = value[inside].max() if inside.any() else 0.0
        for kind, beats in own.groupby("kind"):
            axes.plot(
                beats["time_s"],
                [top] * len(beats),
                ls="",
                ms=4,
                **look_of_kind(kind),
            )
        axes.tick_params(labelsize=6)
        axes.locator_params(axis="x", nbins=4, integer=True)
        axes.set_xlabel("Session time (s)", fontsize=6)
    columns[0].set_ylabel("ECG (mV)", fontsize=7)


def excerpts(spans, beat_time_s):
    """Limits of the worst, the median and the best span among those with beats.

    Without any beat among all spans; None without spans. Whole spans, because the part that makes
    a span bad may be short.
    """
    names = ("ECG, worst span", "ECG, median span", "ECG, best span")
    if spans.empty:
        return dict.fromkeys(names)
    beats_s = np.sort(beat_time_s)
    before, until = (np.searchsorted(beats_s, spans[n]) for n in ("start_s", "end_s"))
    with_beats = spans[until > before] if (until > before).any() else spans
    ordered = with_beats.sort_values(["usable_pct", "start_s"], ignore_index=True)
    places = (0, len(ordered) // 2, len(ordered) - 1)
    chosen = (tuple(ordered.loc[place, ["start_s", "end_s"]].astype(float)) for place in places)
    return dict(zip(names, chosen, strict=True))


def draw_clear_sets(columns, session):
    """The sets with the clearest counts, of as many exercises as there is room for, opened to
    single contractions."""
    counts = session.outcomes[
        (session.outcomes["outcome"] == "contraction_count") & session.outcomes["value"].notna()
    ]
    order = counts.assign(rank=counts["status"].map({"ok": 0, "flagged": 1}))
    clearest = order.sort_values(["rank", "event_onset_s"]).drop_duplicates("exercise")
    chosen = clearest.head(len(columns)).sort_values("event_onset_s")
    for axes in columns[len(chosen) :]:
        axes.axis("off")
    if chosen.empty:
        columns[0].set_title("no contractions were counted", loc="left", fontsize=7)
    for axes, row in zip(columns, chosen.to_dict("records"), strict=False):
        draw_one_set(axes, session, row)
    if len(chosen):
        columns[0].set_ylabel("Saturation (%)", fontsize=7)


def draw_one_set(axes, session, counted):
    """One set by the sensor whose saturation fell most, and the contractions counted in it."""
    event = session.sets[(session.sets["onset_s"] - counted["event_onset_s"]).abs() < 1e-3].iloc[0]
    end_s = event["onset_s"] + event["duration_s"]
    traces = session.traces[
        (session.traces["signal"] == "muscle_oxygen")
        & session.traces["time_s"].between(event["onset_s"] - 5, end_s + 5)
    ]
    falls = traces.groupby(["file", "channel"], dropna=False)["value"].agg(np.ptp)
    own = traces.set_index(["file", "channel"]).loc[[falls.idxmax()]]
    axes.axvspan(event["onset_s"], end_s, color="#eeeeee", lw=0)
    axes.plot(own["time_s"], own["value"], color="black", lw=0.7)
    noted = "" if pd.isna(event["reps_done"]) else f", {event['reps_done']:.0f} noted"
    axes.set_title(
        f"{words_of(event['exercise'])}\n{counted['value']:.0f} counted{noted}",
        loc="left",
        fontsize=7,
    )
    axes.tick_params(labelsize=6)
    axes.set_xlabel("Session time (s)", fontsize=6)


def _say(axes, sentence):
    axes.text(0.5, 0.5, sentence, transform=axes.transAxes, ha="center", va="center", fontsize=7)
    axes.set_yticks([])
