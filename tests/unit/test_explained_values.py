"""A number of the results leads back to its samples, and comes out of them again."""

import re
from functools import cache

import numpy as np
import pandas as pd
import pytest

from engine.listings import described, names_in, windows_of
from explaining.conventions import CONVENTIONS, other_conventions
from explaining.explain import explained
from explaining.run import FinishedRun
from explaining.value import MEASURED, differences, measured_again, samples
from finished_run import finished_run
from measuring.recipes import SETTINGS, functions_behind, recipe_of, settings_behind
from project import settings_with, write_tiny_study
from results.tables import number
from study.problems import StudyError

PERSON = "sub-01"
AFTER_SET = "recovery_first_60_s"
RUN = settings_with(
    measure_outcomes={"baseline_settle_s": 20.0, "recovery_steady_from_s": 60.0},
    study={"conditions": ["none", "low", "target"]},
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """What the steps of one person leave, as a run lays it out."""
    folder = tmp_path_factory.mktemp("explained")
    study = write_tiny_study(folder / "study", [PERSON])
    return finished_run(study, folder / "results", RUN)


@cache
def chosen(finished):
    """One row of each outcome and window, with a value wherever any row has one."""
    table = finished.table("outcomes")
    order = table.assign(absent=table["value"].isna()).sort_values("absent", kind="stable")
    return order.drop_duplicates(["outcome", "window"])


@cache
def all_measured_again(finished):
    """Each chosen row with its value measured again, its window and its inputs."""
    return [(row, *measured_again(finished, row)) for _, row in chosen(finished).iterrows()]


def test_every_outcome_comes_out_of_its_samples_again_to_the_last_digit(finished):
    outcomes = chosen(finished)
    # the study records intervals and saturation; outcomes of another signal are not asked
    of_signals = {n for n in names_in("outcomes") if not hasattr(described(n), "RECORDED")}
    assert set(outcomes["outcome"]) == of_signals
    assert outcomes["value"].notna().sum() > 60
    for row, again, _, _ in all_measured_again(finished):
        assert not differences("outcomes", row, again, MEASURED), (row["outcome"], row["window"])


def test_the_first_of_the_conventions_is_that_of_the_run(finished):
    told = set()
    for row, _, window, inputs in all_measured_again(finished):
        if pd.isna(row["value"]):
            continue
        for says, _, value in list(other_conventions(row["outcome"], window, inputs))[:1]:
            assert says == "as here"
            assert number(value) == number(row["value"]), (row["outcome"], row["window"])
            told.add(row["outcome"])
    # frequencies below the window's reach and beats too few for DFA leave no value in this study
    assert set(CONVENTIONS) - told <= {
        *("dfa_alpha1", "lf_power_ms2", "lf_hf_ratio", "hf_nu_pct", "total_power_ms2")
    }


@pytest.mark.parametrize(
    ("outcome", "window", "says", "setting"),
    [
        ("smo2_baseline_pct", "set", "last 30 s", {"saturation_baseline_s": 30.0}),
        ("peak_hr_bpm", "set", "fastest 10 s", {"peak_window_s": 10.0}),
        ("hf_power_ms2", "baseline", "welch", {"spectrum_method": "welch"}),
        ("reoxygenation_half_time_s", AFTER_SET, "half-way to the peak", {"half_time_to": "peak"}),
        (
            *("hrr_60_bpm", AFTER_SET, "means over 15 and 15 s"),
            {"end_rate_window_s": 15.0, "recovery_rate_window_s": 15.0},
        ),
    ],
)
def test_another_convention_gives_what_a_run_under_it_would_give(
    finished, outcome, window, says, setting
):
    row = row_of(finished, outcome, window)
    _, *known = measured_again(finished, row)
    given = {name: value for name, _, value in other_conventions(outcome, *known)}
    under_it = FinishedRun(finished.results, finished.study)
    changed = finished.settings.measure_outcomes.model_copy(update=setting)
    under_it.settings = finished.settings.model_copy(update={"measure_outcomes": changed})
    again, _, _ = measured_again(under_it, row)
    assert number(given[says]) == number(again["value"]) != number(row["value"])


def row_of(finished, outcome, window):
    table = chosen(finished)
    return table[(table["outcome"] == outcome) & (table["window"] == window)].iloc[0]


def test_the_recipe_of_the_nadir_gives_the_nadir_to_whoever_follows_its_words(finished):
    """Area under straight lines over whole contractions, centred on a reading, whole in the set."""
    row = row_of(finished, "smo2_nadir_pct", "set")
    _, window, inputs = measured_again(finished, row)
    time_s, smo2_pct = inputs["time_s"], inputs["smo2_pct"]
    contraction_s = 1 / inputs["contractions"].rate_hz.value
    length_s = np.ceil(5.0 / contraction_s) * contraction_s
    means = []
    for middle_s in time_s[(time_s >= window.start_s) & (time_s <= window.end_s)]:
        begin_s, end_s = middle_s - length_s / 2, middle_s + length_s / 2
        if begin_s >= window.start_s and end_s <= window.end_s:
            between = time_s[(time_s > begin_s) & (time_s < end_s)]
            at_s = np.concatenate([[begin_s], between, [end_s]])
            means.append(np.trapezoid(np.interp(at_s, time_s, smo2_pct), at_s) / length_s)
    assert min(means) == pytest.approx(row["value"], rel=1e-5)


def test_the_recipe_of_rmssd_and_sdnn_gives_them_from_the_written_samples(finished):
    """Task Force 1996: n - 1 for SDNN, the number of differences for RMSSD."""
    for window_name in ("baseline", "recovery_steady"):
        row = row_of(finished, "rmssd_ms", window_name)
        _, window, inputs = measured_again(finished, row)
        behind = samples("rmssd_ms", window, inputs)
        nn_ms = behind["value"].to_numpy()
        # every beat of this window is normal, so that nothing is left out
        assert inputs["normal"].all()
        assert np.sqrt(np.mean(np.diff(nn_ms) ** 2)) == pytest.approx(row["value"], rel=1e-5)
        sdnn = row_of(finished, "sdnn_ms", window_name)["value"]
        assert nn_ms.std(ddof=1) == pytest.approx(sdnn, rel=1e-5)


def test_the_whole_chain_is_told_from_the_words_to_the_samples(finished):
    row = row_of(finished, "smo2_drop_pct", "set")
    text, same = explained(finished, [row["event_id"], "smo2_drop_pct"])
    assert same
    for heading in ("Definition", "Window", "Settings", "Recordings", "Made from", "Samples"):
        assert f"\n{heading}\n" in text
    assert "muscle.levels.nadir" in text
    assert "measure_outcomes.nadir_window_s = 5.0" in text
    assert "_saturation.csv" in text
    assert re.search(r"rest: \d+ of smo2_pct", text)
    assert "in % of the resting level" in text


def test_a_value_that_differs_from_its_samples_is_told_with_both(finished, tmp_path):
    row = row_of(finished, "mean_hr_bpm", "set").copy()
    row["value"] += 1
    again, _, _ = measured_again(finished, row)
    ((column, before, now),) = differences("outcomes", row, again, MEASURED)
    assert column == "value"
    assert float(before) == pytest.approx(float(now) + 1, abs=1e-3)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["outcomes.tsv:999999"], "has rows 2 to"),
        (["outcome.tsv:3"], "did you mean 'outcomes'"),
        (["smo2_nadr_pct"], "did you mean 'smo2_nadir_pct'"),
        (["sub-01_ses-1_set-1", "mean_hr_bpm"], "did you mean 'sub-01_ses-1_set-01'"),
        (["sub-01_ses-1_set-01", "mean_hr_bpm"], "name one"),
        (["sub-01_ses-1_set-01", "mean_hr", "set"], "did you mean 'mean_hr_bpm'"),
    ],
)
def test_what_does_not_exist_is_answered_with_what_does(finished, words, says):
    with pytest.raises(StudyError, match=re.escape(says)):
        explained(finished, words)


def test_a_folder_that_holds_no_run_is_refused(tmp_path):
    with pytest.raises(StudyError, match="name the folder of a finished run"):
        FinishedRun(tmp_path)


@pytest.mark.parametrize("outcome", names_in("outcomes"))
def test_a_recipe_names_every_length_and_band_that_its_outcome_reads(outcome):
    """A number that a study may change is printed where the definition is, or judges only."""
    recipe = described(outcome).RECIPE
    said = set(re.findall(r"\{(\w+)", recipe))
    assert said <= SETTINGS
    assert recipe.endswith(".")
    assert len(recipe) > 30
    reads = set(settings_behind(outcome, windows_of(outcome)[0]))
    assert said <= reads
    recipe_of(outcome, settings_with())


def test_the_functions_of_an_outcome_are_those_that_it_calls():
    assert functions_behind("smo2_drop_pct")[0] == "muscle.levels.drop"
    assert "muscle.levels.nadir" in functions_behind("smo2_drop_pct")
    assert functions_behind("reps_done") == []


def test_samples_of_a_fall_of_rate_hold_the_end_of_the_set(finished):
    row = row_of(finished, "hrr_60_bpm", "recovery_first_60_s")
    _, window, inputs = measured_again(finished, row)
    behind = samples("hrr_60_bpm", window, inputs)
    assert set(behind["span"]) == {"window", "end of the set"}
    assert isinstance(behind, pd.DataFrame)
