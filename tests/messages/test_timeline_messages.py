"""A session is one timeline: what cannot be is refused, what is odd is told before the run."""

import pytest

from project import message_of, write_tiny_study
from study.loading import Study


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01", "sub-02", "sub-03"))


def alter(study, alterations, table="events", session=("sub-01", "ses-1")):
    """Write other values into the rows of a session: {(kind, number of that kind): {column: x}}."""
    path = study / f"{table}.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    columns = header.split("\t")
    rows = [dict(zip(columns, line.split("\t"), strict=True)) for line in lines]
    of_visit = [r for r in rows if (r["participant_id"], r["session_id"]) == session]
    for (kind, number), values in alterations.items():
        of_kind = [r for r in of_visit if kind in (r.get("trial_type"), "")]
        of_kind[number].update(values)
    columns = list(dict.fromkeys(column for row in rows for column in row))
    cells = [[row.get(column, "n/a") for column in columns] for row in rows]
    written = ["\t".join(line) for line in (columns, *cells)]
    path.write_text("\n".join(written) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    ("alterations", "expected"),
    [
        ({("set", 0): {"duration_s": "0"}}, "a set of 0 s, allowed: at least 1 s"),
        ({("set", 0): {"duration_s": "1e-9"}}, "a set of 1e-09 s, allowed: at least 1 s"),
        ({("recovery", 0): {"duration_s": "0"}}, "a recovery of 0 s"),
        ({("baseline", 0): {"duration_s": "400"}}, "before the baseline of row 2 ends at"),
        ({("set", 0): {"onset_s": "30"}}, "the set begins at 30 s, before the baseline"),
        ({("recovery", 0): {"onset_s": "170"}}, "the recovery begins at 170 s, before the set"),
        ({("recovery", 0): {"duration_s": "1e9"}}, "seconds, 0 to 43200 (12 h)"),
        ({("set", 0): {"onset_s": "1e308"}}, "within three days of its zero"),
        ({("set", 0): {"bout": "1000000000000"}}, "number of the set within its exercise"),
        ({("set", 0): {"rpe": "15"}}, "found 15, allowed: 0 to 10 on CR10"),
    ],
)
def test_what_cannot_be_on_one_timeline_is_refused(study, alterations, expected):
    alter(study, alterations)
    text = message_of(study)
    assert expected in text
    assert "events.tsv, row" in text


@pytest.mark.parametrize(
    ("alterations", "expected"),
    [
        (
            {("baseline", 0): {"onset_s": "-20"}},
            "row 2: an event begins before the zero of the session clock",
        ),
        ({("set", 0): {"duration_s": "4"}}, "duration_s 4, where a set of"),
        ({("recovery", 0): {"duration_s": "3"}}, "mostly has 180 (in minutes?)"),
        ({("set", 1): {"condition": "target"}}, "all sets of another session have one condition"),
    ],
)
def test_what_one_session_does_otherwise_than_all_others_is_told(study, alterations, expected):
    alter(study, alterations)
    assert expected in Study(study).notes()


def test_a_sound_study_has_nothing_odd(study):
    assert "correct it where it is a slip" not in Study(study).notes()


def test_two_visits_that_were_exchanged_are_told_by_the_sequence(study):
    first, second = (
        {("set", n): {"condition": condition} for n in range(2)} for condition in ("low", "none")
    )
    alter(study, first, session=("sub-01", "ses-1"))
    alter(study, second, session=("sub-01", "ses-2"))
    told = Study(study).notes()
    assert (
        "sub-01 ses-1 has sets in low; visit 1 of its sequence ABC is A, which is none in 2 other "
        "visits" in told
    )


def test_two_visits_in_one_condition_are_told(study):
    alter(study, {("set", n): {"condition": "none"} for n in range(2)}, session=("sub-01", "ses-2"))
    assert "sub-01 has none in ses-1 and ses-2; others have each condition once" in (
        Study(study).notes()
    )


def test_a_date_that_no_calendar_has_is_refused(study):
    path = study / "sessions.tsv"
    header, *lines = path.read_text().splitlines()
    path.write_text("\n".join([f"{header}\tdate_shifted", *(f"{r}\t2031-02-30" for r in lines)]))
    assert "column date_shifted: found '2031-02-30', allowed: a shifted date" in message_of(study)
