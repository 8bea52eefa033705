"""What the page of one session draws and says: lines, spans, marks, tables and sentences.

Everything stands on the session clock in seconds. What was not recorded or not noted leaves a
sentence in its panel instead of a line.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from cuff.cautions import SHORT_CAUTION
from cuff.noted_pressures import noted_course
from heart.variability import NotEnough
from muscle.contractions import low_points
from results.words import words_of
from sessions.packing import quantum_of

FAMILIES = ("heart rate", "heart period", "spectrum", "breathing", "saturation", "contraction")
VERDICTS = ("ok", "flagged", "refused", "missing")
BEAT_KINDS = ("normal", "ectopic", "missed", "extra", "misplaced", "added", "removed")

# intervals further apart than this do not follow each other
LONGEST_STEP_S = 3.0

# that of the table of beats, so that the page's intervals are those of the workflow
BEAT_QUANTUM_S = 1e-6

FASTEST_SHOWN_HZ = 0.7

# ten-thousandths of a second; finer than any recorder of beats
TIME_QUANTUM_S = 1e-4

# log10 of the density per Hz at which the map is white, and black
MAP_LIMITS = (-5.0, -1.5)


@dataclass(frozen=True)
class Session:
    """What is known about one session.

    `stretches` are its recordings as stored, `traces` its cleaned saturation and haemoglobin (a
    dictionary of arrays for each sensor), `beats` and `respiration` dictionaries of columns,
    `events` its rows of the session sheet, `files` signal, SHA-256 and span in s of each recorded
    file, the others rows of result tables as text.
    """

    participant_id: str
    session_id: str
    visit: int | None
    events: pd.DataFrame
    stretches: list
    traces: list
    beats: dict
    respiration: dict
    segments: list = field(default_factory=list)
    outcomes: list = field(default_factory=list)
    windows: list = field(default_factory=list)
    spans: list = field(default_factory=list)
    files: list = field(default_factory=list)

    def measured(self, outcome):
        """Rows of one outcome that have a value."""
        return [r for r in self.outcomes if r["outcome"] == outcome and r["value"] is not None]

    @property
    def conditions(self):
        """Conditions of its events, in their order."""
        return list(self.events["condition"].dropna().unique())

    @cached_property
    def sets(self):
        """Sets of the sheet whose start is known, by their event_id."""
        sets = self.events[(self.events["trial_type"] == "set") & self.events["onset_s"].notna()]
        return {event["event_id"]: event for event in sets.to_dict("records")}

    def end_of(self, event_id):
        """End of a set in s, its start where nobody knows the end; None without the set."""
        event = self.sets.get(event_id)
        if event is None:
            return None
        return event["onset_s"] + (0.0 if pd.isna(event["duration_s"]) else event["duration_s"])


# what follows the name of a sensor of haemoglobin
HAEMOGLOBIN_KINDS = {
    "total_haemoglobin": "",
    "oxy_haemoglobin": ", oxygenated",
    "deoxy_haemoglobin": ", deoxygenated",
}


def content_of(session, arrays, *, failure_band_pct, no_cuff_condition, outcome_headers):
    """Everything on one page as a dictionary that JSON can hold; arrays go to `arrays`.

    `outcome_headers` gives LABEL, UNIT and FAMILY of each outcome. No value is changed but for
    its rounding to the quantum that `arrays` notes with it.
    """
    pressure = pressure_of(session, arrays, no_cuff_condition)
    saturation = [line_of(trace, arrays) for trace in traces_of(session, "muscle_oxygen")]
    haemoglobin = [
        line_of(trace | {"name": trace["name"] + kind}, arrays)
        for signal, kind in HAEMOGLOBIN_KINDS.items()
        for trace in traces_of(session, signal)
    ]
    ecg = [recorded_line(stretch, arrays) for stretch in ecg_of(session)]
    rate = heart_rate_of(session)
    shown = {
        "participant": session.participant_id,
        "session": session.session_id,
        "pressure": pressure,
        "saturation": saturation,
        "haemoglobin": haemoglobin,
        "band_pct": list(failure_band_pct),
        "nadirs": nadirs_of(session),
        "ripples": ripples_of(session),
        "heart_rate": rate,
        "beats": beats_of(session, arrays),
        "breathing": breathing_of(session, arrays),
        "repetitions": repetitions_of(session),
        "map": modulation_map(session, arrays),
        "ecg": ecg,
        "events": events_of_page(session),
        "shares": shares_of(session, outcome_headers),
        "spans": doubtful_spans(session),
        "excerpts": excerpts_of(session) if ecg else [],
        "outcomes": outcome_table(session, outcome_headers),
        "review": what_can_be_decided(session),
    }
    return shown | {"limits_s": limits_of(session), "says": sentences_of(session, shown)}


def limits_of(session):
    """First and last moment of anything known about the session, in s; 0 always belongs to it."""
    ends = session.events["onset_s"] + session.events["duration_s"].fillna(0)
    times = [session.events["onset_s"].to_numpy(), ends.to_numpy(), session.beats["time_s"]]
    times += [t["time_s"] for t in session.traces] + [s.time_s[[0, -1]] for s in _filled(session)]
    known = np.concatenate([[0.0], *(np.asarray(t, dtype=float) for t in times)])
    known = known[np.isfinite(known)]
    return [round(float(known.min()), 3), round(float(max(known.max(), known.min() + 1)), 3)]


def _filled(session):
    return [stretch for stretch in session.stretches if len(stretch.time_s)]


def traces_of(session, signal):
    """Sensors of one signal in the order of the recording."""
    return [trace for trace in session.traces if trace["signal"] == signal]


def line_of(trace, arrays):
    """One sensor at its own rate, without a line across spans in which nothing was recorded."""
    time_s, readings = with_breaks(trace["time_s"], trace["value"])
    return {
        "name": trace["name"],
        "time": packed_time(time_s, arrays),
        "value": arrays.add(readings, 0.01),
        "lowest": lowest_of(readings),
        "refused": refused_readings(trace),
    }


def lowest_of(readings):
    """The lowest known value, for those who cannot see the line; None without one."""
    return round(float(np.nanmin(readings)), 2) if np.isfinite(readings).any() else None


def refused_readings(trace):
    """Spans of readings that cleaning took out: start and end in s, with the reason."""
    reasons = np.asarray(trace["reason"], dtype=object)
    if not len(reasons):
        return []
    begins = np.append(0, np.flatnonzero(reasons[1:] != reasons[:-1]) + 1)
    ends = np.append(begins[1:], len(reasons)) - 1
    time_s = trace["time_s"]
    return [
        [round(float(time_s[b]), 3), round(float(time_s[e]), 3), reasons[b]]
        for b, e in zip(begins, ends, strict=True)
        if reasons[b]
    ]


def with_breaks(time_s, readings):
    """Times and values with a missing one wherever more than three steps passed without any."""
    time_s, readings = np.asarray(time_s, dtype=float), np.asarray(readings, dtype=float)
    if len(time_s) < 3:
        return time_s, readings
    steps = np.diff(time_s)
    gaps = np.flatnonzero(steps > 3 * np.median(steps)) + 1
    return np.insert(time_s, gaps, time_s[gaps - 1]), np.insert(readings, gaps, np.nan)


def packed_time(time_s, arrays):
    """Times as start and step where they are even to a hundredth of a step, else one by one."""
    if len(time_s) > 1:
        step_s = (time_s[-1] - time_s[0]) / (len(time_s) - 1)
        even = time_s[0] + step_s * np.arange(len(time_s))
        if np.abs(time_s - even).max() < 0.01 * step_s:
            return {"start_s": float(time_s[0]), "step_s": float(step_s), "n": len(time_s)}
    return arrays.add(time_s, TIME_QUANTUM_S)


def recorded_line(stretch, arrays):
    """One unbroken stretch of a recording as it was recorded."""
    return {
        "name": stretch.channel or stretch.signal,
        "unit": stretch.unit,
        "time": packed_time(stretch.time_s, arrays),
        # a panel is lower than a thousand pixels
        "value": arrays.add(stretch.value, quantum_of(stretch.value, shares=1000)),
    }


def ecg_of(session):
    """Stretches of the lead in which the beats were found: the first one."""
    ecg = [s for s in _filled(session) if s.signal == "ecg"]
    return [s for s in ecg if s.channel == ecg[0].channel]


def pressure_of(session, arrays, no_cuff_condition):
    """Cuff pressure as noted on the sheet and as recorded, and spans in which nobody noted it."""
    time_s, noted_mmhg, unknown = noted_course(session.events, no_cuff_condition)
    cuffs = [s for s in _filled(session) if s.signal == "cuff_pressure"]
    recorded = [recorded_line(cuff, arrays) | {"name": cuff.site or "recorded"} for cuff in cuffs]
    return {
        "noted_time_s": np.round(time_s, 3).tolist(),
        "noted_mmhg": [None if np.isnan(v) else v for v in noted_mmhg.tolist()],
        "unknown": [[round(limit, 3) for limit in span] for span in unknown],
        "recorded": recorded,
        "highest": float(np.nanmax([50.0, *noted_mmhg, *(s.value.max() for s in cuffs)])),
    }


def heart_rate_of(session):
    """Lowest and highest rate of the repaired series, whose course the page makes of its beats."""
    nn_ms = session.beats["nn_ms"][np.isfinite(session.beats["nn_ms"])]
    if not nn_ms.size:
        return None
    return {"range": [round(60000.0 / float(length), 1) for length in (nn_ms.max(), nn_ms.min())]}


def beats_of(session, arrays):
    """Every beat with its kind; what made those that are not normal so, in words.

    `moved` holds the places in the repaired series that are not where a beat was seen, `unused`
    the beats that are not in the series, `starts` those before which it is broken.
    """
    time_s, place_s = session.beats["time_s"], session.beats["nn_time_s"]
    used = np.isfinite(place_s)
    moved = np.flatnonzero(used & (np.abs(place_s - time_s) > BEAT_QUANTUM_S / 2))
    starts = np.flatnonzero(used & ~np.isfinite(session.beats["nn_ms"]))
    kinds = session.beats["kind"]
    odd = [n for n, kind in enumerate(kinds) if kind != "normal"]
    reasons = [session.beats["reason"][n] or session.beats["source"][n] for n in odd]
    return {
        "kinds": BEAT_KINDS,
        "time": arrays.add(time_s, BEAT_QUANTUM_S),
        "moved": [[int(n), round(float(place_s[n]), 6)] for n in moved],
        "unused": np.flatnonzero(~used).tolist(),
        "starts": starts.tolist(),
        "kind": arrays.add_bytes([BEAT_KINDS.index(kind) for kind in kinds]),
        "odd": odd,
        "reasons": reasons,
    }


def breathing_of(session, arrays):
    """Breathing rate where it is known, and the reason where it is not."""
    time_s, rate = session.respiration["time_s"], session.respiration["rate_hz"]
    if not len(time_s):
        return None
    known = np.where(np.array(session.respiration["status"]) == "known", rate, np.nan)
    if not np.isfinite(known).any():
        return None
    return {
        "name": "breathing",
        "time": packed_time(time_s, arrays),
        "value": arrays.add(known, 1e-4),
    }


def repetitions_of(session):
    """Rate of the repetitions of each set in which it could be measured: start, end, Hz."""
    return [
        [float(row["event_onset_s"]), end_s, float(row["value"])]
        for row in session.measured("contraction_rate_hz")
        if (end_s := session.end_of(row["event_id"])) is not None
    ]


def nadirs_of(session):
    """Nadir of each set, at the end of its set: time in s and saturation in %."""
    return [
        [end_s, float(row["value"])]
        for row in session.measured("smo2_nadir_pct")
        if (end_s := session.end_of(row["event_id"])) is not None
    ]


def ripples_of(session):
    """Low points of the ripple of each set whose contractions were counted.

    For each sensor's index among those of saturation: times in s. A contraction empties the volume
    under the sensor, so each cycle of the ripple at the measured rate has one low point, where its
    phase is half a cycle (the regression of `local_ripple`).
    """
    sensors = traces_of(session, "muscle_oxygen")
    rates = {
        row["event_id"]: float(row["value"]) for row in session.measured("contraction_rate_hz")
    }
    ripples = []
    for segment in session.segments:
        rate_hz, end_s = (rates.get(segment["event_id"]), session.end_of(segment["event_id"]))
        for n, sensor in enumerate(sensors):
            below = (sensor["file"], sensor["channel"]) == (segment["file"], segment["channel"])
            if rate_hz and end_s and below:
                start_s = float(segment["event_onset_s"])
                ripples.append(
                    [n, low_points(sensor["time_s"], sensor["value"], start_s, end_s, rate_hz)]
                )
    return ripples


def modulation_map(session, arrays):
    """Maps of heart-rate modulation, one for each unbroken run of beats, 0 white to 63 black.

    Time by time from the highest frequency down, each shade as its difference, modulo 64, from the
    one above.
    """
    # scipy is needed for the map alone
    from heart.modulation import heart_rate_modulation, time_frequency_map

    times_s = session.beats["nn_time_s"]
    maps = []
    for run in unbroken(np.sort(times_s[np.isfinite(times_s)])):
        if len(run) < 60:
            continue
        try:
            course = heart_rate_modulation(run)
            spectrum = time_frequency_map(course.time_s, course.modulation, step_s=4.0)
        except NotEnough:
            continue
        # a window of 20 s tells no frequencies apart that are nearer than these
        shown = np.flatnonzero(spectrum.frequency_hz <= FASTEST_SHOWN_HZ)[::3]
        low, high = MAP_LIMITS
        shade = np.log10(np.maximum(spectrum.density_per_hz[:, shown], 1e-8)) - low
        shade = np.clip(np.round(shade / (high - low) * 63), 0, 63).astype(int)
        maps.append(
            {
                "limits_s": [float(spectrum.time_s[0]), float(spectrum.time_s[-1])],
                "top_hz": float(spectrum.frequency_hz[shown[-1]]),
                "columns": len(spectrum.time_s),
                "rows": len(shown),
                "shade": arrays.add_bytes(np.diff(shade[:, ::-1], prepend=0).ravel() & 63),
            }
        )
    return maps


def unbroken(times_s):
    """Times in s split where more than `LONGEST_STEP_S` passes without one."""
    return np.split(times_s, np.flatnonzero(np.diff(times_s) > LONGEST_STEP_S) + 1)


def events_of_page(session):
    """Events in order of time, each named in words; free text of the sheet stays in the study."""
    counted = {row["event_id"]: row["value"] for row in session.measured("contraction_count")}
    return [
        {
            "kind": event["trial_type"],
            "start_s": None if pd.isna(event["onset_s"]) else event["onset_s"],
            "end_s": end if pd.notna(end := event["onset_s"] + event["duration_s"]) else None,
            "name": event_name(event),
            "condition": event["condition"] or "",
            "facts": facts_of(event, counted.get(event["event_id"])),
        }
        for event in session.events.to_dict("records")
    ]


def event_name(event):
    """`knee extension, bout 2` for a set, the kind of event for others."""
    if event["trial_type"] != "set":
        return words_of(event["trial_type"])
    bout = "" if pd.isna(event["bout"]) else f", bout {event['bout']:g}"
    return f"{words_of(event['exercise'])}{bout}" if event["exercise"] else f"set{bout}"


def facts_of(event, counted):
    """What is known about one event beside its times, a few words each."""
    facts = []
    is_set = event["trial_type"] == "set"
    if is_set and pd.isna(event["onset_s"]):
        facts.append("start unknown")
    if is_set and pd.isna(event["duration_s"]):
        facts.append("end unknown")
    if event["trial_type"] == "cuff":
        pressure = event["cuff_pressure_mmhg"]
        facts.append("pressure not noted" if pd.isna(pressure) else f"{pressure:g} mmHg noted")
    if pd.notna(event["reps_done"]):
        facts.append(f"{event['reps_done']:.0f} repetitions noted")
    if counted is not None:
        facts.append(f"{float(counted):.0f} contractions counted")
    if pd.notna(event["rpe"]):
        facts.append(f"RPE {event['rpe']:g}")
    if event["to_failure"] is True:
        facts.append("to failure")
    if pd.notna(event["stop_reason"]) and event["stop_reason"] != "planned end":
        facts.append(f"ended: {event['stop_reason']}")
    if event["stopped_early"] is True:
        facts.append("stopped early")
    for name in ("supplied", "untimed"):
        if event.get(name):
            facts.append(str(event[name]))
    if event["excluded"]:
        facts.append(f"excluded: {event['excluded']}")
    return facts


def shares_of(session, outcome_headers):
    """How many outcomes of each family and window were given, flagged, refused or missing."""
    limits = {}
    for row in session.windows:
        limits.setdefault((row["event_id"], row["segment"]), (row["start_s"], row["end_s"]))
    counts = {}
    for row in session.outcomes:
        family = outcome_headers[row["outcome"]]["FAMILY"]
        span = limits.get((row["event_id"], row["window"]), (None, None))
        if family in FAMILIES and None not in span:
            key = (FAMILIES.index(family), *map(float, span), words_of(row["window"]))
            counts.setdefault(key, [0] * len(VERDICTS))[VERDICTS.index(row["status"])] += 1
    return [[*key, count] for key, count in counts.items()]


def doubtful_spans(session):
    """Spans of the heart recording that were not accepted as they are: start, end, verdict, why."""
    return [
        [float(row["start_s"]), float(row["end_s"]), row["verdict"], row["reason"] or ""]
        for row in session.spans
        if row["verdict"] != "accepted"
    ]


def excerpts_of(session):
    """The worst, the median and the best span of the ECG among those with beats: name, start, end.

    Among all spans where none has a beat. Whole spans, because the part that makes a span bad may
    be short.
    """
    spans = [
        (float(r["usable_pct"]), float(r["start_s"]), float(r["end_s"])) for r in session.spans
    ]
    beats_s = np.sort(session.beats["time_s"])
    with_beats = [s for s in spans if np.diff(np.searchsorted(beats_s, s[1:]))[0] > 0]
    ordered = sorted(with_beats or spans)
    if not ordered:
        return []
    chosen = (ordered[0], ordered[len(ordered) // 2], ordered[-1])
    return [
        [name, *span[1:]] for name, span in zip(("worst", "median", "best"), chosen, strict=True)
    ]


def what_can_be_decided(session):
    """Files, sets and windows that a person's decisions at the page are about."""
    sets = session.sets.items()
    return {
        "files": session.files,
        "events": [
            {
                "event_id": event_id,
                "name": event_name(event),
                "start_s": event["onset_s"],
                "end_s": None if pd.isna(event["duration_s"]) else session.end_of(event_id),
            }
            for event_id, event in sets
        ],
        "windows": heart_windows(session),
    }


def heart_windows(session):
    """Name, start and end in s of each window whose mean heart rate is asked for."""
    limits = {(row["event_id"], row["segment"]): row for row in session.windows}
    asked = [row for row in session.outcomes if row["outcome"] == "mean_hr_bpm"]
    return [
        [f"{event_of(row)}: {words_of(row['window'])}", float(of["start_s"]), float(of["end_s"])]
        for row in asked
        if (of := limits.get((row["event_id"], row["window"]))) and of["start_s"] and of["end_s"]
    ]


def outcome_table(session, outcome_headers):
    """Outcomes as printed in their table; words that come back stand once in `words`."""
    words = {}

    def nth(word):
        return words.setdefault(word or "", len(words))

    printed = [
        [
            nth(event_of(row)),
            nth(words_of(row["window"])),
            nth(outcome_headers[row["outcome"]]["LABEL"]),
            row["value"] or "",
            "" if row["ci_low"] is None else f"{row['ci_low']} to {row['ci_high']}",
            nth(row["unit"]),
            VERDICTS.index(row["status"]),
            nth(row["reason"]),
        ]
        for row in session.outcomes
    ]
    return {"words": list(words), "statuses": VERDICTS, "rows": printed}


def event_of(row):
    """The event of a row of outcomes in words."""
    name = words_of(row["exercise"] or row["trial_type"])
    bout = f", bout {row['bout']}" if row["bout"] else ""
    return f"{name}{bout}, from {row['event_onset_s']} s" if row["event_onset_s"] else name


def sentences_of(session, shown):
    """What a panel says where it has nothing, or not all, to draw."""
    says = {}
    pressure = shown["pressure"]
    noted = [v for v in pressure["noted_mmhg"] if v is not None]
    if not noted and not pressure["recorded"]:
        says["pressure"] = "Cuff pressure was neither noted nor recorded."
    elif any(noted) or pressure["recorded"] or pressure["unknown"]:
        hatched = "Hatched: a cuff or set of which nobody noted the pressure. "
        says["pressure"] = (hatched if pressure["unknown"] else "") + SHORT_CAUTION
    if not any(line["lowest"] is not None for line in shown["saturation"]):
        says["saturation"] = "No saturation was recorded."
    elif not shown["ripples"]:
        says["saturation"] = "No contractions were counted."
    if not len(session.beats["time_s"]):
        says["heart_rate"] = "No beats were recorded."
    elif shown["heart_rate"] is None:
        says["heart_rate"] = "No interval between normal beats could be kept."
    if not len(session.beats["time_s"]):
        says["modulation"] = says["heart_rate"]
    elif not shown["map"]:
        says["modulation"] = "No run of 60 beats without a gap: no map of heart-rate modulation."
    elif shown["breathing"] is None:
        says["modulation"] = "The breathing rate is not known."
    if not shown["outcomes"]["rows"]:
        says["verdicts"] = "No outcome was asked for: the session sheet has no window for one."
    if not shown["ecg"]:
        says["ecg"] = "No ECG waveform was recorded."
    return says
