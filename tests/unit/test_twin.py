"""A synthetic twin has the design of a study and nothing that a single person did or showed."""

import json
from pathlib import Path

import numpy as np
import pytest

from archive.build import settings_that_differ
from archive.group import group_values
from archive.twin import build_twin
from finished_run import finished_run
from project import settings_with, write_tiny_study
from study.loading import load_study
from study.session_sheet import table_of

PEOPLE = tuple(f"sub-0{n}" for n in range(1, 6))
RUN = settings_with(
    measure_outcomes={"baseline_settle_s": 20.0, "recovery_steady_from_s": 60.0},
    study={"title": "Invented tiny study", "conditions": ["none", "low", "target"]},
)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Five people; the third did 77 repetitions in a set, and a note says more of another."""
    folder = write_tiny_study(tmp_path_factory.mktemp("twin") / "study", PEOPLE)
    table = folder / "events.tsv"
    header, *lines = table.read_text(encoding="utf-8").splitlines()
    at = header.split("\t").index("reps_done")
    of_third = next(n for n, r in enumerate(lines) if r.startswith("sub-03") and "\tset\t" in r)
    cells = lines[of_third].split("\t")
    cells[at] = "77"
    lines[of_third] = "\t".join(cells)
    noted = [f"{header}\tnote", f"{lines[0]}\tsister of Mrs Smithers called"]
    table.write_text("\n".join([*noted, *(f"{r}\tn/a" for r in lines[1:])]) + "\n")
    return folder


@pytest.fixture(scope="module")
def twin(study):
    folder = study.with_name("twin")
    stated = settings_that_differ(settings_with(), RUN)
    build_twin(study, folder, settings=RUN, stated=stated)
    return folder


def test_a_twin_has_as_many_people_visits_sets_and_orders(study, twin):
    for name in ("participants", "sessions"):
        assert len(table_of(twin, name)) == len(table_of(study, name))
    orders = [sorted(table_of(s, "sessions")["sequence"]) for s in (study, twin)]
    assert orders[0] == orders[1]
    sets = [table_of(s, "events").query("trial_type == 'set'") for s in (study, twin)]
    counts = [t.value_counts(["condition", "exercise", "bout"]).to_dict() for t in sets]
    assert counts[0] == counts[1]
    visits = table_of(twin, "sessions").merge(sets[1], on=["participant_id", "session_id"])
    letters = dict(zip("ABC", RUN.study.conditions, strict=True))
    done = [letters[s[v - 1]] for s, v in zip(visits["sequence"], visits["visit"], strict=True)]
    assert done == visits["condition"].tolist()


def test_a_twin_says_everywhere_that_it_is_simulated(twin):
    assert json.loads((twin / "dataset_description.json").read_text())["Name"].startswith(
        "Simulated: Invented tiny study"
    )
    for name in ("README.md", "study.yaml"):
        assert "no person was measured" in (twin / name).read_text()
    # the title, which the report and the methods text begin with
    assert load_study({"study": str(twin)}).settings.study.title.startswith("Simulated: ")


def test_nothing_of_a_single_person_enters(twin):
    tables = " ".join(path.read_text() for path in twin.rglob("*.tsv"))
    assert "\t77\n" not in tables and "\t77\t" not in tables
    assert "Smithers" not in tables + (twin / "README.md").read_text()


def test_values_of_the_group_enter_from_five_people_on_and_are_rounded(study, tmp_path):
    five = group_values(study, None)
    # 150, 155 ... 170 mmHg
    assert five.mean("occlusion pressure of the arm, mmHg", None) == 160
    assert five.mean("reps_done at none, curtsy", 15.0) in (12.0, 25.0)
    assert all(float(f"{mean:.2g}") == mean for mean, _ in five.values.values())
    four = group_values(write_tiny_study(tmp_path / "four", PEOPLE[:4]), None)
    assert four.values == {}
    assert four.mean("occlusion pressure of the arm, mmHg", 145.0) == 145.0


def test_a_twin_is_written_with_the_same_bytes_again(study, twin):
    def contents():
        return {p.relative_to(twin): p.read_bytes() for p in Path(twin).rglob("*") if p.is_file()}

    before = contents()
    build_twin(study, twin, settings=RUN, stated=settings_that_differ(settings_with(), RUN))
    assert contents() == before


def test_a_twin_is_measured_like_a_study_and_desaturates_with_pressure(twin, tmp_path):
    outcomes = finished_run(twin, tmp_path / "results", RUN, people=["sub-01"]).table("outcomes")
    nadir = outcomes.query("outcome == 'smo2_nadir_pct' and window == 'set'")
    assert nadir["value"].notna().all()
    means = nadir.groupby("condition")["value"].mean()
    assert means["none"] > means["low"] > means["target"]
    rates = outcomes.query("outcome == 'mean_hr_bpm'").groupby("window")["value"].mean()
    assert rates["set"] > rates["baseline"] + 10
    assert np.isfinite(
        outcomes.query("outcome == 'rmssd_ms' and window == 'baseline'")["value"]
    ).all()
