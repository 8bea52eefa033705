"""Invented recordings with planted mistakes, on which a new reviewer sees how well they judge."""

import numpy as np
import pandas as pd

from demo.exercise_ecg import beat_times, exercise_ecg
from recordings.store import LABELS, SessionStretch
from sessions.content import Session
from sessions.page import heart_page, template_folder
from study.problems import StudyError
from study.tables import TABLES

TEMPLATES = "workflow/templates"
DURATION_S = 120.0
RATE_HZ = 250.0

# what each page is about, and the signal over noise of its ECG in dB
LESSONS = {
    "practice-1": ("Rest, little noise", 70.0, 24.0),
    "practice-2": ("Steady exercise", 110.0, 12.0),
    "practice-3": ("Hard exercise, noise of movement", 150.0, 6.0),
}

PLANTED = {"missed": 3, "false": 3, "displaced": 2}


class PracticePages:
    """Pages whose truth is known; decisions are compared with it and go nowhere else."""

    start = "practice-1.html"

    def __init__(self, seed):
        self.seed = seed
        self.templates = template_folder(TEMPLATES)

    def page(self, path):
        """HTML of one page, None where there is none of that name."""
        label = path.removesuffix(".html")
        if label not in LESSONS:
            return None
        labels = list(LESSONS)
        title, bpm, snr_db = LESSONS[label]
        seed = [self.seed, labels.index(label)]
        session, truth_s = practice_session(label, bpm, snr_db, seed)
        return heart_page(
            session,
            labels,
            self.templates,
            title=f"{title}; invented, with mistakes planted among the beats",
            hidden=["events", "pressure", "saturation", "modulation", "verdicts"],
            practice={"truth_s": [round(float(t), 4) for t in truth_s]},
        )

    def save(self, decisions):
        raise StudyError("Practice is kept nowhere.")

    def freeze(self, reviewer):
        raise StudyError("Practice is kept nowhere.")


def practice_session(label, bpm, snr_db, seed):
    """A session with an invented ECG, beats with `PLANTED` mistakes, and the true beats in s."""
    generator = np.random.default_rng(seed)
    truth_s = beat_times(DURATION_S, heart_rate_bpm=bpm, generator=generator)
    time_s, ecg_mv = exercise_ecg(truth_s, rate_hz=RATE_HZ, snr_db=snr_db, generator=generator)
    seen_s = with_mistakes(truth_s, generator)
    nn_ms = 1000 * np.diff(seen_s, prepend=np.nan)
    beats = {"time_s": seen_s, "nn_time_s": seen_s, "nn_ms": nn_ms}
    words = {"kind": ["normal"] * len(seen_s), "source": ["detector"] * len(seen_s)}
    labels = dict.fromkeys(LABELS) | {"session_id": "practice", "signal": "ecg", "file": label}
    ecg = SessionStretch(
        **labels | {"channel": "ECG", "unit": "mV"},
        number=0,
        start_s=0.0,
        step_s=1 / RATE_HZ,
        time_s=time_s,
        value=ecg_mv,
    )
    session = Session(
        label,
        "practice",
        None,
        pd.DataFrame(columns=[*TABLES["events"].model_fields, "excluded"]),
        [ecg],
        [],
        beats | words | {"reason": [None] * len(seen_s)},
        {"time_s": np.empty(0), "rate_hz": np.empty(0), "status": []},
        files=[{"signal": "ecg", "sha256": "n/a", "from_s": 0.0, "to_s": DURATION_S}],
    )
    return session, truth_s


def with_mistakes(truth_s, generator):
    """Beats in s with some left out, some put in a T wave's distance behind one, some displaced."""
    count = sum(PLANTED.values())
    # mistakes lie apart, so that each can be judged alone
    chosen = np.linspace(5, len(truth_s) - 6, count).astype(int) + generator.integers(-2, 3, count)
    chosen = generator.permutation(chosen)
    missed, false, displaced = np.split(chosen, np.cumsum(list(PLANTED.values()))[:-1])
    seen_s = truth_s.copy()
    seen_s[displaced] += generator.choice([-1, 1], len(displaced)) * 0.09
    put_in_s = truth_s[false] + 0.45 * (truth_s[false + 1] - truth_s[false])
    return np.sort(np.concatenate([np.delete(seen_s, missed), put_in_s]))
