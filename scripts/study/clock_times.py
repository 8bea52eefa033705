"""Clock times as people and recorders write them, and the seconds between two of them.

A date may be absent: a clock time alone is taken within half a day of the moment that it is
compared with, so that a session may pass midnight.
"""

import re
from datetime import UTC, date, datetime, time, timedelta

Moment = datetime | time

DAY_S = 86400.0
_ONE_DIGIT_HOUR = re.compile(r"(^|[T ])(\d):")


class ClockTimeError(ValueError):
    """A clock time that cannot be read, or not be compared with another; says why."""


def moment_of(text: str) -> Moment:
    """A clock time, with its date and its zone where they are written.

    `text` is ISO 8601: `2031-05-24T09:30:00+02:00`, `2031-05-24 09:30`, `09:30:05.250`. Raises
    ClockTimeError.
    """
    plain = _ONE_DIGIT_HOUR.sub(r"\g<1>0\2:", text.strip())
    for kind in (time, datetime):
        # a date alone would be read as its midnight
        if ":" in plain:
            try:
                return kind.fromisoformat(plain)
            except ValueError:
                continue
    raise ClockTimeError(f"{text!r} is no clock time such as 2031-05-24T09:30:00 or 09:30:00")


def seconds_after(start: Moment, moment: Moment) -> float:
    """Seconds from one moment to another, negative where it comes before.

    Without a date on either side the nearest such clock time is meant, at most 12 h away. A zone on
    one side only: the other is local time of the same place. Raises ClockTimeError where one side
    is in universal time (zone 0) and the other names no zone, which may be hours apart.
    """
    zones = [_zone(start), _zone(moment)]
    if zones.count(None) == 1:
        if timedelta(0) in zones:
            raise ClockTimeError(
                "one is in universal time and the other names no zone: write session_start with "
                "its zone, as 2031-05-24T09:30:00+02:00"
            )
        start, moment = start.replace(tzinfo=None), moment.replace(tzinfo=None)
    if isinstance(start, datetime) and isinstance(moment, datetime):
        return (moment - start).total_seconds()
    apart_s = _second_of_day(moment) - _second_of_day(start)
    return (apart_s + DAY_S / 2) % DAY_S - DAY_S / 2


def _zone(moment: Moment) -> timedelta | None:
    return moment.utcoffset()


def _second_of_day(moment: Moment) -> float:
    """Seconds since midnight, in universal time where a zone is known."""
    if isinstance(moment, time):
        moment = datetime.combine(date(2000, 1, 2), moment)
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC)
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    return (moment - midnight).total_seconds()


def place_by_clock_time(events, sessions, problems):
    """Give every row of events.tsv with an `onset_time` its onset_s on the session clock.

    `events`, `sessions`: rows of the tables; faults go to `problems`. Where both are written, they
    must agree to the second.
    """
    starts = {(row.participant_id, row.session_id): row.session_start for row in sessions}
    without_start = {}
    for row in events:
        if row.onset_time is None:
            continue
        visit = (row.participant_id, row.session_id)
        if starts.get(visit) is None:
            without_start.setdefault(visit, row)
            continue
        cell = f"row {row.row_number}, column onset_time"
        try:
            onset_s = seconds_after(moment_of(starts[visit]), moment_of(row.onset_time))
        except ClockTimeError as error:
            problems.add("events.tsv", cell, str(error))
            continue
        if row.onset_s is not None and abs(row.onset_s - onset_s) > 1:
            problems.add(
                "events.tsv",
                cell,
                f"{row.onset_time} is {onset_s:g} s on the session clock, but onset_s says "
                f"{row.onset_s:g}; correct one of the two, or leave onset_s empty",
            )
        elif row.onset_s is None:
            row.onset_s = onset_s
    for (participant, session), row in without_start.items():
        problems.add(
            "events.tsv",
            f"row {row.row_number}, column onset_time",
            f"{participant} {session} has no session_start in sessions.tsv; write there the clock "
            "time of zero on the session clock, as 2031-05-24T09:30:00",
        )
