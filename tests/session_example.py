"""An invented session for tests of session pages; whatever is not named is ordinary."""

from functools import cache

import numpy as np
import pandas as pd

from project import PROJECT
from recordings.store import LABELS, SessionStretch
from sessions.content import Session, content_of
from sessions.packing import PackedArrays
from sessions.page import page_of, template_folder

HEADERS = {
    "mean_hr_bpm": {"LABEL": "Mean heart rate", "UNIT": "bpm", "FAMILY": "heart period"},
    "smo2_nadir_pct": {"LABEL": "Saturation nadir", "UNIT": "%", "FAMILY": "saturation"},
    "contraction_count": {"LABEL": "Contractions", "UNIT": "", "FAMILY": "contraction"},
    "contraction_rate_hz": {"LABEL": "Contraction rate", "UNIT": "Hz", "FAMILY": "contraction"},
}

SHEET = (
    *("trial_type", "onset_s", "duration_s", "exercise", "condition", "bout", "limb", "side"),
    *("cuff_pressure_mmhg", "reps_done", "rpe", "to_failure", "stopped_early", "stop_reason"),
    "excluded",
    *("supplied", "untimed", "event_id"),
)


def sheet(*events):
    """Rows of a session sheet; what an event does not name was not noted."""
    rows = [{"event_id": f"event-{n}"} | event for n, event in enumerate(events)]
    table = pd.DataFrame(rows, columns=SHEET)
    numbers = ["onset_s", "duration_s", "bout", "cuff_pressure_mmhg", "reps_done", "rpe"]
    return (
        table.astype(dict.fromkeys(numbers, float))
        .astype({name: object for name in SHEET if name not in numbers})
        .where(lambda t: t.notna() | t.columns.isin(numbers), None)
    )


BASELINE = {"trial_type": "baseline", "onset_s": 0.0, "duration_s": 60.0}

SQUAT = {
    "trial_type": "set",
    "onset_s": 100.0,
    "duration_s": 40.0,
    "exercise": "squat",
    "condition": "target",
    "bout": 1,
    "cuff_pressure_mmhg": 90.0,
    "reps_done": 12,
}


def outcome(name, value, status="ok", reason=None, event_id="event-1", window="set"):
    """A row of outcomes.tsv as text."""
    return {
        "event_id": event_id,
        "event_onset_s": "100",
        "trial_type": "set",
        "exercise": "squat",
        "bout": "1",
        "window": window,
        "outcome": name,
        "value": value,
        "unit": HEADERS[name]["UNIT"],
        "status": status,
        "reason": reason,
        "ci_low": None,
        "ci_high": None,
    }


WINDOW = {"event_id": "event-1", "segment": "set", "start_s": "100", "end_s": "140"}

OUTCOMES = [
    outcome("mean_hr_bpm", "101.5", "flagged", "heart rate is not steady here"),
    outcome("smo2_nadir_pct", "21.25"),
    outcome("contraction_count", "12"),
    outcome("contraction_rate_hz", "0.3"),
]


def sensor(name="vastus lateralis", rate_hz=10.0, signal="muscle_oxygen", end_s=200.0):
    """A cleaned sensor with a ripple of 0.3 Hz from 100 to 140 s, lowest at whole cycles."""
    time_s = np.arange(0, end_s, 1 / rate_hz)
    during = (time_s >= 100) & (time_s < 140)
    value = 60 - during * (20 + 3 * np.cos(2 * np.pi * 0.3 * (time_s - 100)))
    labels = {"signal": signal, "file": "raw/a.csv", "channel": None, "site": name, "name": name}
    return labels | {"time_s": time_s, "value": value, "reason": [""] * len(time_s)}


def beats(n=250, kinds=None):
    """Beats 0.8 s apart; `kinds` names those that are not normal."""
    kinds = kinds or {}
    time_s = 0.8 * np.arange(n)
    return {
        "time_s": time_s,
        "nn_time_s": time_s,
        "nn_ms": 800.0 + 40 * np.sin(2 * np.pi * 0.25 * time_s),
        "kind": [kinds.get(i, "normal") for i in range(n)],
        "source": ["detector"] * n,
        "reason": ["21 ms early" if i in kinds else None for i in range(n)],
    }


def ecg(rate_hz=250.0, end_s=200.0, channel="ECG II"):
    """A stretch of ECG: a peak of 1 mV every 0.8 s in noise of 0.02 mV."""
    time_s = np.arange(0, end_s, 1 / rate_hz)
    away_s = (time_s + 0.4) % 0.8 - 0.4
    noise = 0.02 * np.random.default_rng(5).standard_normal(len(time_s))
    value = np.exp(-((away_s / 0.012) ** 2)) + noise
    labels = ("ses-1", "ecg", "raw/a.edf", channel, None, None, None, "mV")
    return SessionStretch(
        **dict(zip(LABELS, labels, strict=True)),
        number=0,
        start_s=0.0,
        step_s=1 / rate_hz,
        time_s=time_s,
        value=value,
    )


NO_BEATS = {name: np.empty(0) for name in ("time_s", "nn_time_s", "nn_ms")} | {
    name: [] for name in ("kind", "source", "reason")
}

NO_BREATHING = {"time_s": np.empty(0), "rate_hz": np.empty(0), "status": []}


def session(**changed):
    """A session with a baseline and one set, a sensor, beats, breathing and ECG."""
    seconds = np.arange(0.0, 200.0)
    known = {
        "participant_id": "sub-01",
        "session_id": "ses-1",
        "visit": 1,
        "events": sheet(BASELINE, SQUAT),
        "stretches": [ecg()],
        "traces": [sensor()],
        "beats": beats(),
        "respiration": {
            "time_s": seconds,
            "rate_hz": np.full(200, 0.25),
            "status": ["known"] * 200,
        },
        "segments": [
            {"event_id": "event-1", "event_onset_s": "100", "file": "raw/a.csv", "channel": None}
        ],
        "outcomes": OUTCOMES,
        "windows": [WINDOW],
    }
    return Session(**known | changed)


def packed(of_session):
    """Content of a page and its packed arrays."""
    arrays = PackedArrays()
    content = content_of(
        of_session,
        arrays,
        failure_band_pct=[0.0, 15.0],
        no_cuff_condition="none",
        outcome_headers=HEADERS,
    )
    return content, arrays


def page(of_session, title="Invented study", previous=None, following=None):
    """HTML of the page of a session."""
    content, arrays = packed(of_session)
    return page_of(
        content,
        arrays,
        template_folder(PROJECT / "workflow" / "templates"),
        title=title,
        visit=of_session.visit,
        conditions=list(of_session.events["condition"].dropna().unique()),
        previous=previous,
        following=following,
    )


@cache
def ordinary_page():
    """HTML of the page of an ordinary session, which many tests open or serve."""
    return page(session())
