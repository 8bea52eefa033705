"""Recordings of the heart judged without knowing condition, pressure, order, visit or person.

Recordings come in a random order by a seed, under numbers. A page holds the heart alone: what the
muscle shows tells the pressure, and so do events, outcomes and names of files. Heart rate itself
cannot be hidden from somebody who judges beats; that is said at the page. Decisions are kept aside
until they are frozen with their checksum; only then do they become rows of edits.tsv.
"""

import hashlib
import random
from dataclasses import replace
from datetime import UTC, datetime

from heart.beat_edits import ACCEPTED_BY_HAND, ADDED, REMOVED
from measuring.person import files_of
from recordings.store import read_stretches
from report.policy import inlined
from sessions.content import Session
from sessions.page import heart_page, template_folder
from sessions.reading import recorded_files, sessions_of
from sessions.review import Pages, decisions_in
from study.edit_log import EDIT_COLUMNS, append_edits, append_review
from study.problems import StudyError
from study.rows import rows_of
from study.session_sheet import events_of, table_of

TEMPLATES = "workflow/templates"
HIDDEN_PANELS = ("events", "pressure", "saturation", "haemoglobin", "verdicts")


class BlindPages(Pages):
    """Pages under numbers, and decisions that wait until they are frozen."""

    start = "index.html"

    def __init__(self, study, results, seed):
        super().__init__(study, results)
        self.seed = seed
        self.templates = template_folder(TEMPLATES)
        self.visits = in_random_order(self.study, seed)
        self.waiting = self.study / f"blind_decisions_seed-{seed}.tsv"
        decisions = [path.name for path in self.study.glob("blind_decisions_*.tsv")]
        unfinished = [n for n in decisions if n != self.waiting.name and "frozen" not in n]
        if unfinished:
            raise StudyError(
                f"{unfinished[0]} holds decisions of another blind review: freeze them first, with "
                "--blind and the seed in its name."
            )

    def page(self, path):
        """HTML of the start page, or of one recording."""
        if path == self.start:
            return self._start_page()
        visit = self.visits.get(path.removesuffix(".html"))
        return None if visit is None else self._page_of(path.removesuffix(".html"), *visit)

    def save(self, decisions):
        """Keep decisions aside. StudyError where one names no recording of this review."""
        for row in decisions:
            if row.get("participant_id") not in self.visits:
                raise StudyError(f"{row.get('participant_id')} is no recording of this review.")
        lines = [] if self.waiting.exists() else ["\t".join(EDIT_COLUMNS)]
        lines += ["\t".join(row.get(name) or "n/a" for name in EDIT_COLUMNS) for row in decisions]
        with self.waiting.open("a", encoding="utf-8") as file:
            file.write("".join(f"{line}\n" for line in lines))
        return "Kept aside until the review is frozen."

    def effects(self, decisions):
        """Nothing: what a decision does to an outcome would tell the outcome."""
        return []

    def freeze(self, reviewer):
        """End the blind review: its decisions get a checksum and become rows of edits.tsv.

        Returns what to say. StudyError without a reviewer, or where a decision cannot stand.
        """
        if not reviewer.strip():
            raise StudyError("The initials of the reviewer are missing.")
        content = self.waiting.read_bytes() if self.waiting.exists() else b""
        decisions = [self._named(row) for row in decisions_in(content.decode("utf-8"))]
        if decisions:
            append_edits(self.study, decisions)
        append_review(
            self.study,
            {
                "review_id": f"blind-{self.seed}",
                "reviewer": reviewer.strip(),
                "seed": str(self.seed),
                "recordings": str(len(self.visits)),
                "decisions": str(len(decisions)),
                "frozen_at": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S"),
                "decisions_sha256": hashlib.sha256(content).hexdigest(),
            },
        )
        if self.waiting.exists():
            self.waiting.rename(self.waiting.with_name(f"{self.waiting.stem}_frozen.tsv"))
        return (
            f"Frozen: {len(decisions)} decisions about {len(self.visits)} recordings. They stand "
            "in edits.tsv, the review in reviews.tsv; the next run carries them out."
        )

    def _named(self, row):
        """A decision under its true names, with the checksum of the file that it is about."""
        participant, session_id = self.visits[row["participant_id"]]
        recorded = recorded_files(self.study, table_of(self.study, "recordings", participant), [])
        files = [f for f in recorded[session_id] if f["signal"] == row["signal"]]
        return row | {
            "edit_id": f"blind-{self.seed}-{row['edit_id']}",
            "participant_id": participant,
            "session_id": session_id,
            "file_sha256": files[0]["sha256"],
        }

    def _start_page(self):
        waiting = self.waiting.read_text(encoding="utf-8") if self.waiting.exists() else ""
        judged = [row["participant_id"] for row in decisions_in(waiting)]
        return self.templates.get_template("blind.html.jinja").render(
            **inlined(self.templates, style=["session.css"], script=["blind.js"]),
            recordings=[(label, judged.count(label)) for label in self.visits],
            seed=self.seed,
        )

    def _page_of(self, label, participant, session_id):
        of_person = self.results / "participants" / participant
        files = files_of(self.results, participant) | {
            name.partition(".")[0]: of_person / name
            for name in ("outcomes.tsv.gz", "window_quality.tsv")
        }
        stretches = read_stretches(self.results / "signals" / f"{participant}.parquet", ["ecg"])
        sessions = sessions_of(
            participant, {}, events_of(self.study, participant), stretches, files, {}
        )
        (session,) = [s for s in sessions if s.session_id == session_id]
        return heart_page(
            blinded(session, label),
            list(self.visits),
            self.templates,
            title="Blind review",
            hidden=HIDDEN_PANELS,
        )


def in_random_order(study, seed):
    """Participant and session of every heart recording by a number, in an order by the seed."""
    visits = sorted(
        {
            (row.participant_id, row.session_id)
            for row in rows_of(study, "recordings")
            if row.signal in ("ecg", "rr")
        }
    )
    random.Random(seed).shuffle(visits)
    width = len(str(len(visits)))
    return {f"recording-{n:0{width}d}": visit for n, visit in enumerate(visits, start=1)}


def blinded(session, label):
    """A session with nothing but the heart in it, under a number: no reason that a person wrote."""
    by_hand = [kind in (ADDED, REMOVED) for kind in session.beats["kind"]]
    reasons = [
        None if hand else reason
        for hand, reason in zip(by_hand, session.beats["reason"], strict=True)
    ]
    spans = [row for row in session.spans if not (row["reason"] or "").startswith(ACCEPTED_BY_HAND)]
    ecg = [stretch for stretch in session.stretches if stretch.signal == "ecg"]
    return Session(
        label,
        "blind",
        None,
        session.events[:0],
        [replace(stretch, channel="ECG") for stretch in ecg if stretch.channel == ecg[0].channel],
        [],
        session.beats | {"reason": reasons},
        session.respiration,
        spans=spans,
        files=[{"signal": "ecg" if ecg else "rr", "sha256": "n/a", "from_s": None, "to_s": None}],
    )
