"""Pressures that the session sheet puts on the wrong limb."""

import pandas as pd
import pytest

from check_safety import check_safety
from cuff.safety import misplaced
from project import settings_with, write_tiny_study
from results.tables import read_table

SET = {
    "onset_s": 100.0,
    "duration_s": 60.0,
    "exercise": "calf raise",
    "limb": "leg",
    "side": "right",
    "cuff_pressure_mmhg": 90.0,
}


def cuff(limb, side, *, onset_s=90.0, pressure_mmhg=90.0):
    return {
        "onset_s": onset_s,
        "duration_s": 80.0,
        "limb": limb,
        "side": side,
        "cuff_pressure_mmhg": pressure_mmhg,
    }


@pytest.mark.parametrize(
    ("noted", "found"),
    [
        ([cuff("leg", "left")], ["calf raise, cuff on the left leg"]),
        ([cuff("arm", "right")], ["calf raise, cuff on the right arm"]),
        ([cuff("leg", "right")], []),
        ([cuff("leg", "left"), cuff("leg", "right")], []),
        ([cuff("leg", "left", pressure_mmhg=0.0)], []),
        ([cuff("leg", "left", onset_s=200.0)], []),
    ],
)
def test_a_cuff_on_another_limb_than_the_one_that_works_is_named(noted, found):
    assert list(misplaced(pd.DataFrame([SET]), pd.DataFrame(noted))) == found


def test_an_unknown_pressure_on_another_limb_counts_as_inflated():
    noted = pd.DataFrame([cuff("arm", "right", pressure_mmhg=float("nan"))])
    assert list(misplaced(pd.DataFrame([SET]), noted)) == ["calf raise, cuff on the right arm"]


def test_sets_of_the_condition_without_cuff_lack_no_pressure(tmp_path):
    study = write_tiny_study(tmp_path / "tiny", participants=("sub-01",))
    path = study / "events.tsv"
    header, *rows = [line.split("\t") for line in path.read_text().splitlines()]
    at = header.index("cuff_pressure_mmhg")
    rows = [[*row[:at], "n/a", *row[at + 1 :]] for row in rows]
    path.write_text("\n".join("\t".join(row) for row in [header, *rows]) + "\n")
    check_safety(
        [],
        tmp_path / "safety.tsv",
        tmp_path / "cuff_checks.tsv",
        study=str(study),
        settings=settings_with().check_safety,
        protocol=settings_with().protocol,
    )
    lacking = read_table(tmp_path / "safety.tsv").set_index("condition")["missing_checks"]
    assert not lacking["none"].str.contains("cuff_pressure_mmhg").any()
    assert lacking["low"].str.contains("cuff_pressure_mmhg in 1 sets").all()
