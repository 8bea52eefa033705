"""A run says what it has done, for whom, how many of how many, and how long it will take."""

from engine.progress import Progress, in_minutes


def told(total, *events):
    lines, now = [], [0.0]
    progress = Progress(total, lines.append, clock=lambda: now[0])
    progress.begin()
    for at_s, event, facts in events:
        now[0] = at_s
        progress.take_notice(event, facts)
    return lines


def job(n, rule, **wildcards):
    return (
        0,
        "JOB_INFO",
        {"jobid": n, "rule_name": rule, "wildcards": wildcards, "log": ["a.log"]},
    )


def finished(n, at_s):
    return (at_s, "JOB_FINISHED", {"job_id": n})


def test_a_finished_job_is_told_with_its_step_and_person_and_how_many_are_done():
    lines = told(
        12,
        job(1, "measure_participant", participant="sub-02"),
        job(2, "gather_tables"),
        finished(1, 4),
        finished(2, 5),
    )
    assert lines == [
        "12 steps to do.",
        " 1 of 12  measure_participant sub-02",
        " 2 of 12  gather_tables",
    ]


def test_time_left_is_told_by_the_pace_so_far_and_not_before_there_is_one():
    lines = told(
        12, *(job(n, "draw") for n in range(4)), *(finished(n, 20 * n + 20) for n in range(4))
    )
    assert "left" not in lines[2]
    assert lines[3].endswith("60 s gone, about 3 min left at this pace")
    assert lines[4].endswith("80 s gone, about 3 min left at this pace")
    assert "left" not in told(3, *(finished(n, 100.0) for n in range(3)))[-1]


def test_a_failed_job_is_told_with_the_log_that_says_why():
    lines = told(
        2, job(1, "measure_participant", participant="sub-02"), (1, "JOB_ERROR", {"jobid": 1})
    )
    assert lines[-1] == "failed: measure_participant sub-02, see a.log"


def test_times_are_in_the_unit_that_people_would_say():
    assert [in_minutes(s) for s in (40, 180, 4800)] == ["40 s", "3 min", "80 min"]
    assert in_minutes(6000) == "1 h 40 min"
