"""What `launch.py sample-size` takes, prints and writes."""

import pandas as pd
import pytest

from comparison.sample_size import DEMO, INVENTED, main, spread_of_numbers, spread_of_results
from results.columns import columns_of
from results.tables import read_table, write


@pytest.fixture
def results(tmp_path):
    labels = {"window": "set", "exercise": "all", "primary": "yes", "n_pairs": 9.0}
    rows = [
        labels
        | {"outcome": outcome, "scale": scale, "smallest_effect": smallest}
        | {"contrast": contrast, "se": se}
        for outcome, scale, smallest in (
            ("smo2_nadir_pct", "identity", 5.0),
            ("rmssd_ms", "ratio", 1.3),
        )
        for contrast, se in (("low - none", 0.5), ("target - none", 1.0), ("target - low", 0.9))
    ]
    rows[-3:] = [row | {"se": row["se"] / 10} for row in rows[-3:]]
    write(pd.DataFrame(rows), "contrasts", tmp_path / "contrasts.tsv")
    return tmp_path


def test_the_spread_of_a_study_is_that_of_its_own_contrasts(results):
    contrasts = read_table(results / "contrasts.tsv")
    variation, row, conditions = spread_of_results(contrasts, "smo2_nadir_pct", None)
    assert (conditions, row["scale"], variation.df) == (3, "identity", 8)
    # se of 9 pairs times root 9
    assert variation.sd[0, 1:] == pytest.approx([1.5, 3.0])
    assert variation.sd[1, 2] == pytest.approx(2.7)


def test_a_table_is_printed_with_how_many_people_are_enough_and_written(results, tmp_path, capsys):
    words = ["--results", str(results), "--people", "4,8,20", "--into", str(tmp_path / "n.tsv")]
    main(words)
    printed = capsys.readouterr().out
    table = read_table(tmp_path / "n.tsv")
    assert table["people"].to_list() == [4, 8, 20]
    assert table["detectable"].is_monotonic_decreasing
    assert (table["assurance"] <= table["power"] + 0.01).all()
    enough = table.loc[table["power"] >= 0.8, "people"].iloc[0]
    assert f"{enough} people show a difference of 5 from all others" in printed
    assert "9 pairs" in printed
    assert INVENTED not in printed
    main(words)
    assert capsys.readouterr().out == printed


def test_effects_of_ratios_are_ratios(results, capsys):
    main(["--results", str(results), "--outcome", "rmssd_ms", "--people", "8,40"])
    printed = capsys.readouterr().out
    assert "a ratio of 1.3 to all others" in printed


def test_without_a_study_the_numbers_are_called_invented(capsys):
    main(["--people", "6,12"])
    printed = capsys.readouterr().out
    assert INVENTED in printed
    assert f"a difference of {DEMO['effect']:g}" in printed


def test_known_spreads_have_no_assurance_and_no_effect_no_power(capsys):
    main(["--sd", "2.0", "--people", "8"])
    assert "power" not in capsys.readouterr().out
    main(["--sd", "2.0", "--people", "8", "--effect", "2"])
    assert "assurance" not in capsys.readouterr().out
    main(["--sd", "2.0", "--people", "8", "--effect", "2", "--sd-from", "10", "--drop-out", "20"])
    printed = capsys.readouterr().out
    assert "assurance" in printed
    assert "20 % of them leave" in printed


def test_three_spreads_are_those_of_three_differences():
    variation = spread_of_numbers([1.0, 2.0, 3.0], 3, None)
    assert (variation.sd[0, 1], variation.sd[0, 2], variation.sd[1, 2]) == (1.0, 2.0, 3.0)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--sd 0", "--sd is one number above 0"),
        ("--sd 1,2", "or 3 (B-A, C-A, C-B ...) for 3 conditions"),
        ("--power 0.01", "--alpha lies below --power"),
        ("--drop-out 100", "--drop-out is a percentage below 100"),
        ("--people 1,8", "--people are 2 or more"),
        ("--orders ABD", "the order 'ABD' does not hold each of ABC once"),
        ("--results no_such_folder", "there is no folder no_such_folder"),
    ],
)
def test_what_cannot_be_planned_is_said_in_one_line(words, says):
    with pytest.raises(SystemExit, match="sample-size") as ended:
        main(words.split())
    assert says in str(ended.value)
    assert "\n" not in str(ended.value)


def test_results_that_cannot_be_planned_from_say_why(results):
    for words, says in (
        (["--outcome", "rpe"], "no primary outcome rpe; there are: smo2_nadir_pct, rmssd_ms"),
        (["--window", "baseline"], "no primary window baseline; there are: set"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(["--results", str(results), *words])
        assert says in str(ended.value)
    empty = pd.DataFrame(columns=columns_of("contrasts"))
    write(empty, "contrasts", results / "contrasts.tsv")
    with pytest.raises(SystemExit) as ended:
        main(["--results", str(results)])
    assert "hold no contrast of a primary outcome" in str(ended.value)
