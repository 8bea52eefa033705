"""Labels and dates of an archive: new ones for every person, with a key that stays in the study.

Labels are dealt at random, and the days of a person are shifted by a number of their own, so that
days between visits keep. Shifted days lie before 1925, as BIDS asks, where nobody takes them for
real ones. The key is made once; with it, an archive comes out with the same bytes again.
"""

import random
import re
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from results.tables import read_table, write_table

KEY = "archive_key.tsv"
_EARLIEST = date(1920, 1, 1)
_DAYS_TO_CHOOSE_FROM = 1000
_LABEL = re.compile(r"(?<![A-Za-z0-9])(?:sub|ses)-[A-Za-z0-9]+")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_HOUR = re.compile(r"(\d{2}):\d{2}(?::\d{2}(?:\.\d+)?)?")


@dataclass(frozen=True)
class Labels:
    """What people and sessions are called in an archive, and how far the days of each are moved.

    people : label in the archive by label in the study
    days : whole days by label in the study
    sessions : label in the archive by participant and session in the study
    made_on : day on which the key was made, ISO
    """

    people: dict
    days: dict
    sessions: dict
    made_on: str

    def relabelled(self, text, participant=None):
        """A text with the labels of the archive; `participant` is whose sessions it tells of,
        where no label before them does."""
        whose = participant

        def new(match):
            nonlocal whose
            label = match[0]
            if label in self.people:
                whose = label
                return self.people[label]
            return self.sessions.get((whose, label), label)

        return _LABEL.sub(new, text)

    def shifted(self, moment, participant):
        """A date with or without a clock time, as it stands in the archive: the date moved, the
        clock time to the hour begun, without zone."""
        if not isinstance(moment, str):
            return None
        day, hour = _DATE.match(moment), _HOUR.search(moment)
        hour = f"{hour[1]}:00:00" if hour else ""
        if not day:
            return hour or None
        moved = date.fromisoformat(day[0]) + timedelta(days=self.days[participant])
        return f"{moved.isoformat()}T{hour}" if hour else moved.isoformat()


def labels_of(study, sessions, people, *, today, seed=None):
    """Labels of an archive of the study, from its key; new people are added to the key.

    sessions : sessions.tsv, with visit, date_shifted and session_start
    people : labels of all people in the study
    today : day that a new key bears, ISO
    seed : of new labels and days; None takes them from the system's source of chance
    """
    path = Path(study) / KEY
    known = read_table(path).to_dict("records") if path.exists() else []
    entries = [*known, *_new_entries(known, sessions, people, today, seed)]
    if len(entries) > len(known):
        import pandas as pd

        write_table(pd.DataFrame(entries), path)
        path.chmod(0o600)
    return Labels(
        people={row["participant_id"]: row["archived_as"] for row in entries},
        days={row["participant_id"]: int(row["days_moved"]) for row in entries},
        sessions={
            (row.participant_id, row.session_id): f"ses-{row.visit}"
            for row in sessions.itertuples()
        },
        made_on=str(entries[0]["made_on"]),
    )


def dealt(people, chance, *, after=0):
    """New labels by label, in the order of the former ones: numbers above `after`, shuffled."""
    numbers = list(range(after + 1, after + 1 + len(people)))
    width = max(2, len(str(after + len(people))))
    chance.shuffle(numbers)
    return {p: f"sub-{n:0{width}d}" for p, n in zip(sorted(people), numbers, strict=True)}


def _new_entries(known, sessions, people, today, seed):
    chance = random.SystemRandom() if seed is None else random.Random(seed)  # noqa: S311
    given = {row["participant_id"] for row in known}
    for person, label in dealt({*people} - given, chance, after=len(known)).items():
        of_person = sessions[sessions["participant_id"] == person]
        moments = [*of_person["date_shifted"].dropna(), *of_person["session_start"].dropna()]
        days = sorted(day[0] for day in map(_DATE.match, moments) if day)
        drawn = _EARLIEST + timedelta(days=chance.randrange(_DAYS_TO_CHOOSE_FROM))
        begun = date.fromisoformat(days[0]) if days else drawn
        yield {
            "participant_id": person,
            "archived_as": label,
            "days_moved": (drawn - begun).days,
            "made_on": known[0]["made_on"] if known else today,
        }
