"""All sessions on one page: each as a small picture on shared scales, and where a look pays first.

The pages of one person leave what this page needs beside them, so that it costs no second reading
of recordings.
"""

import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sessions.content import doubtful_spans, traces_of

MOST_POINTS = 120
COURSES = "courses.json"


def courses_of(session):
    """What the overview shows of one session, as JSON can hold it.

    Heart rate (bpm) and saturation of each sensor (%) as means of at most `MOST_POINTS` equal
    pieces of the session, None where nothing is known.
    """
    used = np.isfinite(session.beats["nn_ms"])
    rate = (session.beats["nn_time_s"][used], 60000.0 / session.beats["nn_ms"][used])
    sensors = [(t["time_s"], t["value"]) for t in traces_of(session, "muscle_oxygen")]
    known = [times for times, _ in (rate, *sensors) if len(times)]
    end_s = max((float(times[-1]) for times in known), default=0.0)
    start_s = min((float(times[0]) for times in known), default=0.0)
    edges = np.linspace(start_s, max(end_s, start_s + 1.0), MOST_POINTS + 1)
    sets = [
        [event["onset_s"], session.end_of(event_id)] for event_id, event in session.sets.items()
    ]
    return {
        "session": session.session_id,
        "visit": None if pd.isna(session.visit) else int(session.visit),
        "conditions": session.conditions,
        "limits_s": [float(edges[0]), float(edges[-1])],
        "rate": pieces(*rate, edges),
        "saturation": [pieces(*sensor, edges) for sensor in sensors],
        "sets": sets,
        "spans": doubtful_spans(session),
        "windows": [
            [row["segment"], float(row["start_s"]), float(row["end_s"])]
            for row in session.windows
            if row["start_s"] and row["end_s"]
        ],
    }


def pieces(time_s, readings, edges):
    """Means of the known values between neighbouring edges, None where there is none."""
    inside = np.isfinite(readings) & np.isfinite(time_s)
    at = np.clip(np.searchsorted(edges, time_s[inside], side="right") - 1, 0, len(edges) - 2)
    counts = np.bincount(at, minlength=len(edges) - 1)
    sums = np.bincount(at, weights=readings[inside], minlength=len(edges) - 1)
    return [
        round(float(total / n), 1) if n else None for total, n in zip(sums, counts, strict=True)
    ]


def write_courses(sessions, folder):
    """Leave the courses of a person's sessions beside their pages."""
    text = json.dumps([courses_of(session) for session in sessions], separators=(",", ":"))
    (folder / COURSES).write_text(text, encoding="utf-8")


@dataclass(frozen=True)
class Picture:
    """One session of the overview: labels, lines as points of an SVG, and spans in doubt."""

    participant: str
    session: str
    visit: int | None
    conditions: list
    rate: list
    saturation: list
    sets: list
    to_judge: list
    judged: int


WIDTH, HEIGHT = 240, 100

# shared by all pictures, so that the odd session stands out
RATE_LIMITS_BPM = (40.0, 200.0)


def pictures_of(folders, edits, primary_windows):
    """A picture of every session of everybody, in order of person and session.

    `folders` hold the pages of a person each, `edits` are the rows of edits.tsv, `primary_windows`
    names the windows of the primary outcomes that rest on the heart.
    """
    pictures = []
    for folder in folders:
        for course in json.loads((folder / COURSES).read_text(encoding="utf-8")):
            of_session = edits[
                (edits["participant_id"] == folder.name)
                & (edits["session_id"] == course["session"])
                & edits["action"].isin(["exclude_span", "accept_span"])
            ]
            to_judge = spans_to_judge(course, of_session, primary_windows)
            pictures.append(
                Picture(
                    folder.name,
                    course["session"],
                    course["visit"],
                    course["conditions"],
                    points(course["rate"], *RATE_LIMITS_BPM, 0, 44),
                    [points(sensor, 0.0, 100.0, 48, 52) for sensor in course["saturation"]],
                    bars(course["sets"], *course["limits_s"]),
                    to_judge,
                    len(course["spans"]) - len(to_judge),
                )
            )
    return pictures


def spans_to_judge(course, decided, primary_windows):
    """Spans in doubt that no decision covers: start and end in s, verdict, reason, whether they
    lie in a window of a primary outcome; those first, then the longest."""
    open_spans = []
    for start_s, end_s, verdict, reason in course["spans"]:
        if ((decided["time_s"] <= start_s) & (decided["end_s"] >= end_s)).any():
            continue
        primary = any(
            window in primary_windows and begin_s < end_s and until_s > start_s
            for window, begin_s, until_s in course["windows"]
        )
        open_spans.append((start_s, end_s, verdict, reason, primary))
    return sorted(open_spans, key=lambda span: (not span[4], span[0] - span[1], span[0]))


def points(levels, low, high, top, height):
    """Runs of known values as `x,y x,y ...` of an SVG; what leaves the scale stays at its edge."""
    runs, run = [], []
    for n, level in enumerate([*levels, None]):
        if level is None:
            if len(run) > 1:
                runs.append(" ".join(run))
            run = []
            continue
        share = min(max((level - low) / (high - low), 0.0), 1.0)
        run.append(f"{(n + 0.5) * WIDTH / MOST_POINTS:g},{top + height * (1 - share):.1f}")
    return runs


def bars(sets, start_s, end_s):
    """Left edge and width of each set in an SVG."""
    scale = WIDTH / (end_s - start_s)
    return [
        (round((begin - start_s) * scale, 1), round(max(0.5, (end - begin) * scale), 1))
        for begin, end in sets
        if end is not None
    ]


def in_order_of_worth(pictures):
    """Sessions with spans to judge, those first in which most of a primary outcome hangs on them.

    Counted in seconds of spans in doubt, first within windows of primary outcomes, then elsewhere.
    """

    def worth(picture):
        seconds = {True: 0.0, False: 0.0}
        for start_s, end_s, _, _, primary in picture.to_judge:
            seconds[primary] += end_s - start_s
        return -seconds[True], -seconds[False], picture.participant, picture.session

    return sorted((picture for picture in pictures if picture.to_judge), key=worth)
