"""A study that is damaged in one place is refused with the place, or read as if it were whole."""

from benchmarks.damaged_studies import cases, run_cases
from project import write_tiny_study


def test_no_damage_is_accepted_in_silence_and_none_ends_in_a_traceback(tmp_path):
    study = write_tiny_study(tmp_path / "tiny", participants=("sub-01",))
    counts, faults = run_cases(study, n=300)
    assert faults == []
    assert counts.total() == 300
    assert {*counts} == {"refused", "identical"}


def test_the_benchmark_holds_thousands_of_cases_of_both_kinds(tmp_path):
    study = write_tiny_study(tmp_path / "tiny", participants=("sub-01",))
    expected = [case.expected for case in cases(study)]
    assert len(expected) >= 2000
    assert expected.count("identical") >= 60
