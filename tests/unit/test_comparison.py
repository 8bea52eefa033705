"""Which result decides, what small and odd studies give, and the same values under other views."""

import itertools
import warnings
from contextlib import suppress
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from compare_conditions import compare_conditions
from comparison.alternatives import beside_main, changed_values, is_concerned, with_remeasured
from comparison.conditions import Comparison, comparable_rows
from comparison.contrasts import Rules, contrast_table, interpretation
from comparison.design import leaves_a_residual
from comparison.model_table import model_table
from comparison.orders import same_order
from comparison.paired import paired_t
from comparison.planned_claims import judge_claims
from comparison.planning import claim_planning, planning_table, power
from comparison.sensitivity import (
    BASELINE,
    CHANGE,
    EQUAL_WORK,
    HIGHEST,
    LEFT_OUT,
    LOWEST,
    PAIRED,
    SIGN_FLIP,
    at_prevailing_rate,
    baseline_adjusted,
    leave_one_out,
    leave_out_extremes,
    missing_values,
    mixed_model,
    own_differences,
    sensitivity_rows,
    variance_inflation,
    work_matched,
    worst_case,
)
from comparison.single_case_table import single_case_table
from measuring.measured_again import Change
from project import settings_with
from report.sentences import sentence_of_contrast
from results.columns import columns_of
from results.decided import SAME_ORDER
from results.tables import read_table, write_table
from study.plan import planned_claims

CONDITIONS = ("none", "low", "target")
EXERCISES = ("curl", "press", "row")
SETTINGS = {"confidence": 0.95, "fewest_participants": 4, "power": 0.8, "seed": 1}
PRIMARY = [("smo2_nadir_pct", "set"), ("rmssd_ms", "recovery_steady")]
TABLES = (
    "contrasts",
    "claims",
    "joint_tests",
    "crossover",
    "models",
    "missing",
    "sensitivity",
    "single_case",
    "effect_sizes",
    "individual_responses",
    "repeatability",
    "planning",
    "diagnostics",
)


def invented(
    seed=1,
    *,
    participants=8,
    conditions=CONDITIONS,
    exercises=EXERCISES,
    bouts=2,
    effect=-3.0,
    session_sd=1.0,
    residual_sd=1.0,
    same_order=False,
) -> pd.DataFrame:
    """Outcomes of an invented study, as in outcomes.tsv; `session_sd` may be one per condition."""
    rng = np.random.default_rng(seed)
    spread = np.broadcast_to(session_sd, len(conditions))
    orders = list(itertools.permutations(range(len(conditions))))
    rows = []
    for n in range(participants):
        order = orders[0] if same_order else orders[n % len(orders)]
        level = rng.normal(50, 5)
        for c, condition in enumerate(conditions):
            session = level + effect * c + spread[c] * rng.normal()
            visit = order.index(c) + 1
            labels = {
                "participant_id": f"sub-{n + 1:02d}",
                "session_id": f"ses-{visit}",
                "visit": visit,
                "condition": condition,
                "status": "ok",
            }
            baseline = labels | {"event_id": "baseline", "window": "baseline"}
            rows.append(baseline | {"outcome": "rmssd_ms", "value": rng.uniform(20, 60)})
            for e, (exercise, bout) in enumerate(itertools.product(exercises, range(bouts))):
                place = labels | {"event_id": f"set-{e + 1}", "window": "set"}
                place |= {"exercise": exercise, "bout": bout + 1}
                value = session + residual_sd * rng.normal()
                rows += [
                    place | {"outcome": "smo2_nadir_pct", "value": value},
                    place | {"outcome": "reps_done", "value": float(rng.integers(8, 16))},
                    place | {"outcome": "to_failure", "value": float(rng.integers(0, 2))},
                ]
            steady = labels | {"event_id": "recovery", "window": "recovery_steady"}
            rows.append(steady | {"outcome": "rmssd_ms", "value": np.exp(rng.normal(3.3, 0.2))})
    return pd.DataFrame(rows).reindex(columns=columns_of("outcomes"))


def comparison_of(outcomes, outcome="smo2_nadir_pct", window="set", conditions=CONDITIONS):
    scale = "ratio" if outcome == "rmssd_ms" else "identity"
    table = comparable_rows(outcomes, {outcome: scale}, conditions)
    of_outcome = table[(table["outcome"] == outcome) & (table["window"] == window)]
    return Comparison.of_rows(
        of_outcome,
        outcome=outcome,
        window=window,
        scale=scale,
        conditions=conditions,
        same_order=same_order(outcomes, conditions),
    )


def marginal(comparison, smallest_effect=None, claimed=frozenset(), **settings):
    rules = Rules(**SETTINGS | settings)
    contrasts = contrast_table(
        comparison, rules, claimed=frozenset(claimed), smallest_effect=smallest_effect
    )
    return contrasts[contrasts["exercise"] == "all"].set_index("contrast")


class Written(dict):
    """Result tables of a folder by name, each read when it is first asked for."""

    def __init__(self, folder):
        self.folder = folder

    def __missing__(self, name):
        self[name] = read_table(self.folder / f"{name}.tsv")
        return self[name]


def results_of(outcomes, folder, *, conditions=CONDITIONS, primary=PRIMARY, plan=None, **settings):
    """Tables of compare_conditions, as they were written."""
    write_table(outcomes, folder / "outcomes.tsv")
    visits = outcomes[["participant_id", "session_id", "visit"]].dropna().drop_duplicates()
    # a study has a visit, whatever was measured there
    came = [{"participant_id": "sub-99", "session_id": "ses-1", "visit": 1}]
    write_table(pd.DataFrame(columns=columns_of("quality")), folder / "quality.tsv")
    write_table(pd.concat([visits, pd.DataFrame(came)]), folder / "sessions.tsv")
    paths = [folder / f"{name}.tsv" for name in TABLES]
    settings = SETTINGS | {"planned_participants": [6, 12]} | settings
    seed = settings.pop("seed")
    compare_conditions(
        folder / "outcomes.tsv",
        folder / "quality.tsv",
        *paths,
        study=folder.as_posix(),
        conditions=list(conditions),
        primary=list(primary),
        settings=settings_with(compare_conditions=settings).compare_conditions,
        planned=settings_with(plan=plan or {}).plan,
        seed=seed,
        changed=[],
    )
    return Written(folder)


# ---------------------------------------------------------------- the analysis that decides


def test_in_complete_data_of_one_order_a_contrast_is_the_paired_t_test_of_session_means():
    outcomes = invented(3, same_order=True)
    contrasts = marginal(comparison_of(outcomes))
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"]
    means = nadir.pivot_table(index="participant_id", columns="condition", values="value")
    expected = paired_t(means["target"] - means["low"])
    row = contrasts.loc["target - low"]
    for name in ("p", "se", "df", "ci_low", "ci_high"):
        assert row[name] == pytest.approx(getattr(expected, name), rel=1e-9), name
    assert row["estimate"] == pytest.approx(expected.mean)
    assert row["sd_of_differences"] == pytest.approx(expected.sd, rel=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_contrasts_of_an_outcome_add_up_even_where_visits_are_missing(seed):
    outcomes = invented(seed)
    lost = (outcomes["participant_id"] == "sub-02") & (outcomes["condition"] == "low")
    contrasts = contrast_table(comparison_of(outcomes[~lost]), Rules(**SETTINGS))
    for _, of_exercise in contrasts.groupby("exercise"):
        size = of_exercise.set_index("contrast")["estimate"]
        assert size["low - none"] + size["target - low"] == pytest.approx(size["target - none"])


@pytest.mark.parametrize("seed", range(60, 80))
def test_an_interval_leaves_out_zero_exactly_where_a_difference_is_claimed(seed):
    # borderline effects, so that steps and single p-values often fall on either side of .05
    comparison = comparison_of(invented(seed, effect=-0.7, session_sd=0.8))
    for claimed in (frozenset(), {("target", "none"), ("target", "low")}):
        contrasts = marginal(comparison, claimed=claimed)
        parts = np.array([tuple(name.split(" - ")) in claimed for name in contrasts.index])
        p = contrasts["p"].to_numpy(float)
        # a claim that is shown has each of its parts below .05
        if claimed and (p[parts] >= 0.05).any():
            continue
        excludes = (contrasts["ci_low"] > 0) | (contrasts["ci_high"] < 0)
        assert (excludes == (contrasts["claim"] == "yes")).all()
        shown = (contrasts["p_adjusted"].astype(float) < 0.05) | parts
        assert (shown == (contrasts["claim"] == "yes")).all()


def test_three_differences_are_adjusted_by_shaffers_steps():
    # Shaffer 1986, J Am Stat Assoc 81:826: after one is shown, at most one can still be zero
    contrasts = marginal(comparison_of(invented(64, effect=-0.7, session_sd=0.8)))
    p = contrasts["p"].to_numpy(float)
    expected = np.minimum(np.maximum(p, 3 * p.min()), 1.0)
    assert contrasts["p_adjusted"].to_list() == pytest.approx(list(expected))


def test_nobody_without_both_sides_gives_an_interval():
    """Two people who share only a third condition say nothing certain about the first two."""
    outcomes = invented(4)
    person = outcomes["participant_id"].str[-1].astype(int)
    gone = ((person % 2 == 0) & (outcomes["condition"] == "none")) | (
        (person % 2 == 1) & (outcomes["condition"] == "target")
    )
    row = marginal(comparison_of(outcomes[~gone])).loc["target - none"]
    assert row["n_pairs"] == 0
    assert pd.isna(row["ci_low"])
    assert pd.isna(row["estimate"])
    assert row["claim"] == "described"
    assert "nobody has values in both" in row["note"]


def test_a_claim_holds_only_where_each_of_its_differences_does(tmp_path):
    """An intersection-union claim takes its largest p-value (Berger 1982)."""
    tables = results_of(invented(2, effect=-3.0), tmp_path)
    contrasts = tables["contrasts"].query("exercise == 'all'").set_index(["outcome", "contrast"])
    for claim in tables["claims"].itertuples():
        parts = contrasts.loc[claim.outcome].loc[["target - none", "target - low"]]
        assert claim.p == pytest.approx(parts["p"].max())
        assert (claim.verdict == "shown") == (claim.p_adjusted < 0.05)
        assert claim.plan == "nothing was frozen"
    p = tables["claims"]["p"].to_numpy()
    # Holm 1979: the smaller of two p-values counts twice
    expected = np.maximum(p, min(2 * p.min(), 1.0))
    assert tables["claims"]["p_adjusted"].to_list() == pytest.approx(list(expected), rel=1e-5)


def test_claims_in_order_stop_at_the_first_that_is_not_shown(tmp_path):
    outcomes = invented(2, effect=-3.0)
    keys = [("rmssd_ms", "recovery_steady"), ("smo2_nadir_pct", "set")]
    plan = {"across_claims": "in_order"}
    stopped = results_of(outcomes, tmp_path, primary=keys, plan=plan)["claims"]
    assert stopped["verdict"].to_list() == ["not shown", "not tested"]
    free = results_of(outcomes, tmp_path, primary=keys[::-1], plan=plan)["claims"]
    assert free["verdict"].to_list() == ["shown", "not shown"]


def test_a_baseline_that_the_plan_names_is_in_the_analysis_that_decides(tmp_path):
    outcomes = invented(22)
    plan = {"baseline_adjusted": ["rmssd_ms"]}
    tables = results_of(outcomes, tmp_path, plan=plan)
    contrasts = tables["contrasts"].query("outcome == 'rmssd_ms' and window == 'recovery_steady'")
    assert contrasts["method"].str.contains("own baseline").all()
    nadir = tables["contrasts"].query("outcome == 'smo2_nadir_pct'")
    assert not nadir["method"].str.contains("own baseline").any()
    of_rmssd = outcomes.query("outcome == 'rmssd_ms'")
    plain = results_of(of_rmssd, tmp_path, primary=PRIMARY[1:])["sensitivity"]
    planned = plain[plain["analysis"] == BASELINE]["estimate"].to_list()
    assert contrasts["estimate"].to_list() == pytest.approx(planned, rel=1e-5)


def test_other_analyses_stand_beside_the_one_that_decides():
    outcomes = invented(5)
    comparison = comparison_of(outcomes)
    analyses = [
        *mixed_model(comparison),
        *own_differences(comparison, seed=1),
    ]
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"]
    means = nadir.pivot_table(index="participant_id", columns="condition", values="value")
    expected = paired_t(means["target"] - means["none"])
    of_contrast = {r["analysis"]: r for r in analyses if r["contrast"] == "target - none"}
    assert of_contrast[PAIRED]["p"] == pytest.approx(expected.p)
    assert of_contrast[SIGN_FLIP]["p"] == 2 / 2**8
    model = marginal_of_model(comparison)[("target", "none")]
    assert of_contrast["mixed model, Kenward-Roger"]["se"] == model["se"]


def test_ratios_come_back_as_ratios_of_geometric_means():
    outcomes = invented(6, same_order=True)
    own = outcomes[outcomes["window"] == "recovery_steady"]
    logs = np.log(own.set_index("participant_id")["value"].astype(float))
    expected = np.exp(
        logs[(own["condition"] == "low").to_numpy()].mean()
        - logs[(own["condition"] == "none").to_numpy()].mean()
    )
    row = marginal(comparison_of(outcomes, "rmssd_ms", "recovery_steady")).loc["low - none"]
    assert row["estimate"] == pytest.approx(expected)
    assert 0 < row["ci_low"] < row["estimate"] < row["ci_high"]


def test_exercises_weigh_equally_however_many_bouts_one_has():
    outcomes = invented(7, bouts=1, same_order=True)
    nadir = outcomes["outcome"] == "smo2_nadir_pct"
    more = outcomes[nadir & (outcomes["exercise"] == "curl")].assign(bout=2)
    once, twice = (
        marginal(comparison_of(table)) for table in (outcomes, pd.concat([outcomes, more]))
    )
    pd.testing.assert_series_equal(once["estimate"], twice["estimate"])


def test_the_mean_of_a_condition_weighs_its_exercises_equally():
    comparison = comparison_of(invented(7, bouts=1, same_order=True))
    means = model_table(comparison).set_index("term")["estimate"]
    for condition in CONDITIONS:
        cells = comparison.cells[comparison.cells["condition"] == condition]
        assert means[f"mean of {condition}"] == pytest.approx(cells["y"].mean())
        within = [means[f"mean of {condition} in {exercise}"] for exercise in EXERCISES]
        assert means[f"mean of {condition}"] == pytest.approx(np.mean(within))


def test_the_order_of_the_rows_changes_nothing():
    outcomes = invented(8)
    shuffled = outcomes.sample(frac=1, random_state=1)
    one, other = (marginal(comparison_of(t)) for t in (outcomes, shuffled))
    columns = ["estimate", "se", "df", "p", "p_adjusted", "sign_flip_p"]
    pd.testing.assert_frame_equal(one[columns], other[columns], rtol=1e-6)


def test_a_study_in_one_order_is_told_as_visits_and_not_as_an_effect_of_pressure():
    contrasts = marginal(comparison_of(invented(9, effect=-8.0, same_order=True)))
    assert contrasts["note"].str.contains(SAME_ORDER).all()
    row = next(contrasts.reset_index().iloc[1:].itertuples())
    text = sentence_of_contrast(row, "Saturation nadir", "%", same_order=True)
    assert "at the visits with target" in text
    assert "not called an effect of pressure" in text
    varied = marginal(comparison_of(invented(9)))
    assert not varied["note"].str.contains("same order").any()
    assert "+ visit" in comparison_of(invented(9)).formula
    assert "visit" not in comparison_of(invented(9, same_order=True)).formula


def test_the_session_effect_is_in_every_model_of_exercises():
    for seed in range(3):
        comparison = comparison_of(invented(seed, session_sd=0.0))
        assert "(1 | participant:condition)" in comparison.formula


def test_outcomes_measured_in_the_same_cells_share_one_design_and_give_the_same_numbers():
    outcomes = invented(10)
    alone = contrast_table(comparison_of(outcomes), Rules(**SETTINGS))
    designs = {}
    for outcome in ("reps_done", "smo2_nadir_pct"):
        known = outcomes[outcomes["outcome"] == outcome].assign(
            y=lambda t: t["value"].astype(float)
        )
        shared = Comparison.of_rows(
            known,
            outcome=outcome,
            window="set",
            scale="identity",
            conditions=CONDITIONS,
            designs=designs,
        )
        shared = contrast_table(shared, Rules(**SETTINGS))
    # estimators by exercise and pair, and the one layout of cells
    layouts = [one for one in designs.values() if type(one).__name__ == "WithinPerson"]
    assert len(layouts) == 1
    pd.testing.assert_frame_equal(alone, shared, rtol=1e-5)


def test_differences_that_are_all_the_same_have_neither_interval_nor_p():
    # thirds: 7/3 - 4/3 and 10/3 - 7/3 differ in the last bit
    base = {f"sub-{n:02d}": n / 3 for n in range(1, 9)}
    means = [
        {"participant_id": p, "condition": c, "exercise": None, "visit": 1, "y": value + shift}
        for p, value in base.items()
        for c, shift in (("none", 0.0), ("low", 1.0))
    ]
    comparison = Comparison.of_rows(
        pd.DataFrame(means),
        outcome="reps_done",
        window="set",
        scale="identity",
        conditions=("none", "low"),
    )
    row = contrast_table(comparison, Rules(**SETTINGS)).iloc[0]
    assert row["estimate"] == pytest.approx(1)
    assert row["sd_of_differences"] == 0
    assert pd.isna(row["ci_low"])
    assert pd.isna(row["p"])
    assert "nothing shows their error" in row["note"]
    # every sign the same: as far out as eight participants can be
    assert row["sign_flip_p"] == 2 / 2**8


# ---------------------------------------------------------------- null-friendly


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-1.0, 1.5, "equivalent"),
        (0.5, 1.5, "equivalent"),
        (0.5, 2.5, "different"),
        (-0.5, 2.5, "inconclusive"),
    ],
)
def test_an_interval_is_read_against_the_smallest_effect_of_interest(low, high, expected):
    row = {"ci_low": low, "ci_high": high, "p": 0.01, "claim": "yes"}
    assert interpretation(row, "identity", 2.0) == expected
    # on ratio scales 0.8 and 1.25 are the same size
    assert (
        interpretation(row, "ratio", np.exp(2.0))
        == interpretation(row, "ratio", np.exp(-2.0))
        == expected
    )


@pytest.mark.parametrize(
    ("p", "claim", "expected"),
    [(0.01, "yes", "different"), (0.02, "no", "not shown"), (0.01, "not tested", "not shown")]
    + [(None, "described", "not tested")],
)
def test_an_interval_without_zero_is_no_difference_unless_it_is_claimed(p, claim, expected):
    row = {"ci_low": 0.5, "ci_high": 2.5, "p": p, "claim": claim}
    assert interpretation(row, "identity", 2.0) == expected


def test_only_primary_outcomes_are_read_against_a_smallest_effect(tmp_path):
    """A secondary outcome carries no claim, whatever its unadjusted interval shows."""
    outcomes = invented(11, effect=20.0).query("outcome == 'smo2_nadir_pct'")
    sizes = {"smo2_nadir_pct": 1.0}
    key = ("smo2_nadir_pct", "set")
    read = results_of(outcomes, tmp_path, primary=[key], smallest_effect=sizes)["contrasts"]
    plain = results_of(outcomes, tmp_path, primary=[], smallest_effect=sizes)["contrasts"]
    of_nadir = [t[(t["outcome"] == key[0]) & (t["window"] == key[1])] for t in (read, plain)]
    assert "different" in set(of_nadir[0]["reading"])
    assert set(of_nadir[1]["reading"]) == {"secondary, no claim"}
    assert (of_nadir[1]["p"] < 0.05).any()
    assert set(of_nadir[1]["smallest_effect"]) == {1.0}


def test_a_smallest_effect_may_differ_from_window_to_window(tmp_path):
    """5 bpm in a set and 5 bpm at rest are not the same size."""
    in_set = invented(9).query("outcome == 'smo2_nadir_pct'").assign(unit="bpm")
    in_set = in_set.assign(outcome="mean_hr_bpm")
    both = pd.concat([in_set, in_set.assign(window="recovery_steady")], ignore_index=True)
    tables = results_of(
        pd.concat([both, in_set.assign(window="baseline")], ignore_index=True),
        tmp_path,
        primary=[("mean_hr_bpm", w) for w in ("set", "recovery_steady", "baseline")],
        smallest_effect={"mean_hr_bpm": {"set": 5.0, "recovery_steady": 2.0}},
    )
    for table in ("contrasts", "planning"):
        of_window = tables[table].groupby("window")["smallest_effect"]
        assert of_window.unique().map(list).drop("baseline").to_dict() == {
            "set": [5.0],
            "recovery_steady": [2.0],
        }
        assert of_window.count()["baseline"] == 0
    power = tables["planning"].groupby("window")["power_at_smallest_effect"].max()
    assert power["set"] > power["recovery_steady"]
    assert pd.isna(power["baseline"])


def test_an_inconclusive_interval_is_called_so_in_words():
    contrasts = marginal(
        comparison_of(invented(11, effect=0.0, session_sd=3.0)), smallest_effect=0.5
    ).reset_index()
    row = next(contrasts[contrasts["reading"] == "inconclusive"].itertuples())
    assert "Inconclusive" in sentence_of_contrast(row, "Saturation nadir", "%")


# ---------------------------------------------------------------- small and odd studies


def odd_studies():
    nadir = {"smo2_nadir_pct"}
    whole = invented(12)
    is_nadir = whole["outcome"].isin(nadir)
    refused = {"value": np.nan, "status": "refused", "reason": "38 % is usable, 80 % needed"}

    def where(rows, **values):
        return whole.assign(**{k: whole[k].mask(rows, v) for k, v in values.items()})

    visit_missed = (whole["participant_id"] == "sub-02") & (whole["condition"] == "low")
    return {
        "nobody": whole[:0],
        **{f"{n} participants": invented(13, participants=n) for n in (1, 2, 3, 6)},
        "one condition": invented(14, conditions=("none",)),
        "two conditions": invented(14, conditions=("none", "low")),
        "four conditions": invented(14, conditions=(*CONDITIONS, "high"), participants=9),
        "no exercises": invented(15, exercises=()),
        "one exercise": invented(15, exercises=("curl",)),
        "one exercise, one bout": invented(15, exercises=("curl",), bouts=1),
        "two exercises, one bout, two people": invented(16, participants=2, bouts=1),
        "three people, two exercises": invented(
            19, participants=3, exercises=("curl", "row"), bouts=1
        ),
        "no variance at all": whole.assign(value=whole["value"].where(~is_nadir, 40.0)),
        "no variance within people": invented(17, session_sd=0, residual_sd=0, effect=0.0),
        "an effect without variance": invented(17, session_sd=0, residual_sd=0),
        "all refused": where(is_nadir, **refused),
        "refused in one condition": where(is_nadir & (whole["condition"] == "low"), **refused),
        "refused in one cell of the design": where(
            is_nadir & (whole["condition"] == "low") & (whole["exercise"] == "row"), **refused
        ),
        "given by one participant": where(
            is_nadir & (whole["participant_id"] > "sub-01"), **refused
        ),
        "a visit missed": whole[~visit_missed],
        "each participant in one condition": whole[
            whole["condition"]
            == whole["participant_id"].map(lambda p: CONDITIONS[int(p[-1]) % len(CONDITIONS)])
        ],
        "the same order": invented(18, same_order=True),
        "visits unknown": whole.assign(visit=np.nan),
        "ratios of zero": where(whole["outcome"] == "rmssd_ms", value=0.0),
    }


ODD = odd_studies()
COMPARED = sorted(set(ODD) - {"nobody", "one condition"})


def conditions_of(name):
    return {"four conditions": (*CONDITIONS, "high"), "two conditions": ("none", "low")}.get(
        name, CONDITIONS
    )


@pytest.fixture(scope="module")
def results_of_odd(tmp_path_factory):
    """Results of an odd study by its name, compared once for all tests that read them."""

    @cache
    def results(name):
        folder = tmp_path_factory.mktemp("odd")
        how = {"conditions": conditions_of(name), "smallest_effect": {"rpe": 1.0}}
        return results_of(ODD[name], folder, **how)

    return results


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("name", ODD)
def test_an_odd_study_gives_a_complete_result(name, results_of_odd):
    conditions = conditions_of(name)
    tables = results_of_odd(name)
    contrasts = tables["contrasts"]
    for outcome, window in PRIMARY:
        own = contrasts[(contrasts["outcome"] == outcome) & (contrasts["window"] == window)]
        if name not in COMPARED or (name == "no exercises" and outcome == "smo2_nadir_pct"):
            continue
        pairs = {f"{b} - {a}" for a, b in itertools.combinations(conditions, 2)}
        assert set(own.loc[own["exercise"] == "all", "contrast"]) == pairs
        # what is absent has a reason
        assert own.loc[own["estimate"].isna() | own["p"].isna(), "note"].notna().all()
    for column in ("p", "p_adjusted", "sign_flip_p"):
        assert contrasts[column].dropna().between(0, 1).all(), column
    known = contrasts.dropna(subset=["ci_low", "estimate"])
    assert (known["ci_low"] <= known["estimate"]).all()
    assert (known["estimate"] <= known["ci_high"]).all()
    assert set(contrasts["claim"]) <= {"yes", "no", "not tested", "described"}
    assert (contrasts.loc[contrasts["n_pairs"] < 4, "claim"] != "yes").all()
    assert contrasts.loc[contrasts["n_pairs"] < 2, "ci_low"].isna().all()
    assert set(tables["claims"]["verdict"]) <= {"shown", "not shown", "not tested", "described"}
    unsure = tables["claims"]["verdict"].isin(["not tested", "described"])
    assert tables["claims"].loc[unsure, "note"].notna().all()
    models = tables["models"]
    assert models.loc[models["estimate"].isna() & models["F"].isna(), "note"].notna().all()
    assert tables["sensitivity"].loc[tables["sensitivity"]["estimate"].isna(), "note"].notna().all()
    plans = tables["planning"]
    assert plans.loc[plans["detectable"].isna(), "note"].notna().all()


def test_one_participant_is_described_by_single_cases_and_never_tested(results_of_odd):
    results = results_of_odd("1 participants")
    own = results["contrasts"].query("outcome == 'smo2_nadir_pct'")
    for column in ("p", "p_adjusted", "sign_flip_p", "ci_low"):
        assert own[column].isna().all(), column
    assert own["estimate"].notna().all()
    cases = results["single_case"].query("outcome == 'smo2_nadir_pct'")
    both = cases.merge(own, on=["exercise", "contrast"])
    assert len(both) == len(own)
    assert both["difference"].to_list() == pytest.approx(both["estimate"].to_list(), rel=1e-5)
    assert cases["nap"].dropna().between(0, 1).all()
    assert cases["note"].str.contains("condition cannot be told from day").all()


@pytest.mark.parametrize(("people", "told"), [(4, True), (5, False)])
def test_up_to_four_people_are_told_person_by_person_and_more_are_not(people, told, tmp_path):
    outcomes = invented(13, participants=people).query("outcome == 'smo2_nadir_pct'")
    cases = results_of(outcomes, tmp_path, primary=[])["single_case"]
    assert cases["participant_id"].nunique() == people * told


def one_person(order, *, exercises=EXERCISES, effect=-3.0, seed=7):
    """Outcomes of one participant whose visits had the conditions in the order given."""
    rng = np.random.default_rng(seed)
    bouts = [
        {
            "participant_id": "sub-01",
            "condition": condition,
            "exercise": exercise,
            "visit": visit,
            "y": 50 + effect * CONDITIONS.index(condition) + rng.normal(),
        }
        for visit, condition in enumerate(order, start=1)
        for exercise in exercises
    ]
    return Comparison.of_rows(
        pd.DataFrame(bouts),
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=CONDITIONS,
    )


def cases_of(comparison, schedule="not_stated"):
    return single_case_table(comparison, schedule=schedule, conditions=len(CONDITIONS), seed=1)


ANY_ORDER = ("none", "low", "low", "target", "none", "target", "low", "none", "target") * 2
BLOCKS = ("none", "low", "target", "low", "target", "none", "target", "none", "low") * 2


@pytest.mark.parametrize(
    ("order", "schedule", "minimum"),
    [
        # 2 / C(2s, s) for s visits of either condition, 2 / 2^b for b blocks (Edgington and
        # Onghena 2007, Randomization Tests, chapters 4 to 6)
        (ANY_ORDER[:9], "completely_randomised", 2 / 20),
        (ANY_ORDER, "completely_randomised", 2 / 924),
        (BLOCKS[:9], "randomised_blocks", 2 / 8),
        (BLOCKS, "randomised_blocks", 2 / 64),
    ],
)
def test_repeated_visits_of_one_participant_are_tested_as_they_were_allotted(
    order, schedule, minimum
):
    comparison = one_person(order, effect=-20.0)
    cases = cases_of(comparison, schedule)
    assert cases["randomisation_minimum"].to_list() == pytest.approx([minimum] * len(cases))
    # with so large an effect no other schedule separates the conditions as far
    assert cases["randomisation_p"].to_list() == pytest.approx([minimum] * len(cases))


@pytest.mark.parametrize(
    ("order", "schedule", "says"),
    [
        (CONDITIONS, "completely_randomised", "condition cannot be told from day"),
        (ANY_ORDER, "not_stated", "how they were allotted is not stated"),
        (ANY_ORDER, "randomised_blocks", "no blocks with every condition once"),
    ],
)
def test_one_participant_without_a_schedule_that_allows_a_test_gets_none(order, schedule, says):
    cases = cases_of(one_person(order), schedule)
    assert cases["randomisation_p"].isna().all()
    assert cases["note"].str.contains(says).all()
    assert cases["difference"].notna().all()


def test_conditions_drawn_anew_in_every_exercise_are_tested_within_one_visit():
    # 2 / 2^b for b exercises as blocks (Edgington and Onghena 2007, chapter 6)
    exercises = ("curl", "press", "row", "squat", "dip", "raise")
    whole = one_person(CONDITIONS, exercises=exercises, effect=-20.0)
    comparison = replace(whole, single_rows=whole.single_rows.assign(visit=1))
    drawn = cases_of(comparison, "randomised_within_exercises").query("exercise == 'all'")
    assert drawn["randomisation_p"].to_list() == pytest.approx([2 / 64] * 3)
    assert not drawn["note"].str.contains("cannot be told").any()
    unstated = cases_of(comparison).query("exercise == 'all'")
    assert unstated["randomisation_p"].isna().all()
    assert unstated["note"].str.contains("all conditions in one visit").all()


def test_visits_of_one_condition_are_averaged_within_each_of_several_participants():
    outcomes = invented(42)
    again = outcomes[outcomes["condition"] == "low"].assign(visit=4, session_id="ses-4")
    again["value"] = again["value"] + 1
    once, twice = (comparison_of(table) for table in (outcomes, pd.concat([outcomes, again])))
    shift = marginal(twice)["estimate"] - marginal(once)["estimate"]
    assert shift.to_dict() == pytest.approx(
        {"low - none": 0.5, "target - none": 0.0, "target - low": -0.5}
    )
    assert marginal(twice)["note"].str.contains("were averaged within the participant").all()


def test_overlap_of_one_participant_is_counted_within_exercises():
    # curl: 8 and 9 against 1 and 2, all above; row: 4 and 1 against 3 and 2, half above
    values = {
        ("none", "curl"): (1, 2),
        ("low", "curl"): (8, 9),
        ("none", "row"): (3, 2),
        ("low", "row"): (4, 1),
    }
    bouts = [
        {"participant_id": "sub-01", "condition": c, "exercise": e, "visit": 1, "y": float(v)}
        for (c, e), both in values.items()
        for v in both
    ]
    comparison = Comparison.of_rows(
        pd.DataFrame(bouts),
        outcome="rpe",
        window="set",
        scale="identity",
        conditions=("none", "low"),
    )
    cases = cases_of(comparison).set_index("exercise")
    assert cases["nap"].to_dict() == {"all": 0.75, "curl": 1.0, "row": 0.5}
    assert cases["n_comparisons"].to_dict() == {"all": 8, "curl": 4, "row": 4}


@pytest.mark.parametrize(
    ("n", "says"),
    [
        (5, "no sign-flip test can reach .05 (smallest p 0.062)"),
        (6, "no sign-flip test can pass a correction over 3 contrasts"),
        (7, None),
    ],
)
def test_what_few_participants_cannot_show_is_said(n, says):
    # smallest two-sided p of n sign flips: 2 / 2^n; times three at most .05 from seven on
    contrasts = marginal(comparison_of(invented(13, participants=n)))
    assert set(contrasts["sign_flip_minimum"]) == {2 / 2**n}
    notes = contrasts["note"].fillna("")
    assert (
        notes.str.contains(says, regex=False).all() if says else "sign-flip" not in "".join(notes)
    )


def test_three_participants_get_intervals_and_no_p():
    contrasts = marginal(comparison_of(invented(13, participants=3)))
    assert contrasts["ci_low"].notna().all()
    assert contrasts[["p", "p_adjusted", "sign_flip_p"]].isna().all(axis=None)
    assert contrasts["method"].str.contains("description only").all()


def test_only_what_varies_beyond_sessions_exercises_and_cells_is_a_residual():
    rng = np.random.default_rng(6)
    session, habit = rng.normal(size=(8, 3, 1)), rng.normal(size=(8, 1, 4))
    additive = 50 + session + habit + rng.normal(size=(3, 4))
    assert not leaves_a_residual(additive)
    assert leaves_a_residual(additive + 1e-3 * rng.normal(size=additive.shape))
    # one value that does not add up shows in a design with gaps too
    gaps = np.where(rng.uniform(size=additive.shape) < 0.15, np.nan, additive)
    assert not leaves_a_residual(gaps)
    gaps[0, 0, 0] = 70.0
    assert leaves_a_residual(gaps)
    # every participant did one exercise in each condition, another one each time
    single = np.where(np.eye(3, dtype=bool), rng.normal(size=(5, 3, 3)), np.nan)
    assert not leaves_a_residual(single)


def test_sets_that_never_vary_within_a_session_have_no_model_but_a_contrast_within_people():
    # thirds, so that sums differ by rounding alone
    whole = invented(44, participants=5, session_sd=2.0, residual_sd=0.0, bouts=3)
    whole["value"] = whole["value"].astype(float) / 3
    comparison = comparison_of(whole)
    assert marginal(comparison)["p"].notna().all()
    (nothing,) = mixed_model(comparison)
    assert "nothing in these cells shows" in nothing["note"]


def test_two_participants_are_too_few_for_an_effect_of_the_visit():
    comparison = comparison_of(invented(13, participants=2))
    assert "visit" not in comparison.formula
    contrasts = marginal(comparison)
    assert contrasts["df"].to_list() == pytest.approx([1.0] * 3)
    assert contrasts["note"].str.contains("visit not in the model").all()


def test_a_cell_that_nobody_filled_leaves_the_exercise_out_and_says_so():
    contrasts = marginal(comparison_of(ODD["refused in one cell of the design"]))
    assert "without row: too few people have both" in contrasts.loc["low - none", "note"]
    assert contrasts.loc["low - none", "p"] < 1
    assert "without" not in contrasts.loc["target - none", "note"]


def test_no_value_in_a_condition_is_said_with_its_reason(results_of_odd):
    contrasts = results_of_odd("refused in one condition")["contrasts"]
    own = contrasts[(contrasts["outcome"] == "smo2_nadir_pct") & (contrasts["exercise"] == "all")]
    absent = own[own["estimate"].isna()].set_index("contrast")
    assert set(absent.index) == {"low - none", "target - low"}
    assert absent["note"].unique().tolist() == ["no value in low (38 % is usable, 80 % needed)"]


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_missing_every_contrast_is_sound(seed):
    rng = np.random.default_rng(seed)
    outcomes = invented(
        seed,
        participants=int(rng.integers(1, 10)),
        exercises=EXERCISES[: rng.integers(1, 4)],
        bouts=int(rng.integers(1, 3)),
        residual_sd=float(rng.choice([0.0, 1.0])),
    )
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"]
    kept = nadir[rng.uniform(size=len(nadir)) >= rng.uniform(0, 0.8)]
    if kept["condition"].nunique() < 2:
        pytest.fail("an invented study should keep two conditions; choose another seed")
    comparison = comparison_of(kept)
    contrasts = contrast_table(comparison, Rules(**SETTINGS))
    adjusted = contrasts["p_adjusted"].astype(float)
    assert (adjusted.dropna() >= contrasts["p"].astype(float)[adjusted.notna()] - 1e-12).all()
    assert contrasts.loc[contrasts["estimate"].isna(), "n_pairs"].eq(0).all()


# ---------------------------------------------------------------- other assumptions


def test_leaving_one_out_is_the_study_without_that_participant():
    outcomes = invented(20)
    comparison = comparison_of(outcomes)
    influence = leave_one_out(comparison)
    assert len(influence) == 8 * 3
    alone = marginal(comparison_of(outcomes[outcomes["participant_id"] != "sub-03"]))
    for row in influence:
        if row["left_out"] == "sub-03":
            assert row["estimate"] == pytest.approx(alone.loc[row["contrast"], "estimate"])
            assert row["p"] == pytest.approx(alone.loc[row["contrast"], "p"], rel=1e-5)


def test_the_participant_who_moves_a_contrast_most_is_named():
    outcomes = invented(21, effect=0.0)
    odd_one = (
        (outcomes["participant_id"] == "sub-05")
        & (outcomes["condition"] == "target")
        & (outcomes["outcome"] == "smo2_nadir_pct")
    )
    outcomes["value"] = outcomes["value"].where(~odd_one, outcomes["value"] + 20)
    comparison = comparison_of(outcomes)
    main = marginal(comparison).reset_index()
    influence = sensitivity_rows(comparison, leave_one_out(comparison), main, Rules(**SETTINGS))
    extremes = leave_out_extremes(influence)["target - none"]
    assert extremes["leave_out_most"] == "sub-05"
    estimate = main.set_index("contrast").loc["target - none", "estimate"]
    assert extremes["leave_out_low"] < estimate - 2
    assert extremes["leave_out_low"] <= estimate <= extremes["leave_out_high"]


def test_a_baseline_that_explains_everything_leaves_only_the_effect():
    outcomes = invented(22)
    rng = np.random.default_rng(0)
    baseline = outcomes["window"] == "baseline"
    before = outcomes[baseline].set_index(["participant_id", "condition"])["value"]
    keys = pd.MultiIndex.from_frame(outcomes[["participant_id", "condition"]])
    effect = outcomes["condition"].map({"none": 1.0, "low": 1.1, "target": 1.5})
    after = before.reindex(keys).to_numpy() * effect * np.exp(rng.normal(0, 0.01, len(keys)))
    steady = outcomes["window"] == "recovery_steady"
    outcomes["value"] = outcomes["value"].where(~steady, after)
    table = comparable_rows(outcomes, {"rmssd_ms": "ratio"}, CONDITIONS)
    own = table[(table["outcome"] == "rmssd_ms") & (table["window"] == "baseline")]
    comparison = comparison_of(outcomes, "rmssd_ms", "recovery_steady")
    main = marginal(comparison).reset_index()
    analyses = sensitivity_rows(
        comparison, baseline_adjusted(comparison, own), main, Rules(**SETTINGS)
    )
    for row in analyses:
        true = {"low - none": 1.1, "target - none": 1.5, "target - low": 1.5 / 1.1}
        assert row["estimate"] == pytest.approx(true[row["contrast"]], rel=0.03)
    assert {row["analysis"] for row in analyses} == {BASELINE, CHANGE}
    nothing = baseline_adjusted(comparison_of(outcomes), own[:0])
    assert [row["note"] for row in nothing] == ["not measured at baseline"] * 2


def test_the_resting_value_of_each_muscle_is_the_baseline_of_its_own_exercise():
    outcomes = invented(43, session_sd=0.0, residual_sd=0.01)
    rng = np.random.default_rng(5)
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"].copy()
    cells = nadir.groupby(["participant_id", "condition", "exercise"], sort=False)
    rest = 60 + rng.normal(0, 4, cells.ngroups)[cells.ngroup()]
    nadir["value"] = nadir["value"].astype(float) + 0.5 * rest
    comparison = comparison_of(nadir)
    at_rest = nadir.assign(y=rest)
    covariate, change = baseline_adjusted(comparison, at_rest)[::3]
    assert (covariate["analysis"], change["analysis"]) == (BASELINE, CHANGE)
    # true difference low - none -3, whatever the resting values were
    assert covariate["estimate"] == pytest.approx(-3, abs=0.05)
    assert covariate["se"] < 0.1 * change["se"]


def test_a_difference_that_is_all_work_is_gone_at_equal_work():
    outcomes = invented(23, effect=0.0, session_sd=0.0, residual_sd=0.05)
    rng = np.random.default_rng(3)
    reps = outcomes["outcome"] == "reps_done"
    fewer = outcomes["condition"].map({"none": 15, "low": 14, "target": 11}).astype(float)
    outcomes["value"] = outcomes["value"].where(~reps, fewer + rng.integers(-6, 7, len(outcomes)))
    key = ["participant_id", "condition", "event_id"]
    done = outcomes[reps].set_index(key)["value"]
    nadir = outcomes["outcome"] == "smo2_nadir_pct"
    own = pd.MultiIndex.from_frame(outcomes.loc[nadir, key])
    outcomes.loc[nadir, "value"] += 1.5 * done.reindex(own).to_numpy()
    comparison = comparison_of(outcomes)
    repetitions = outcomes[reps].assign(y=outcomes.loc[reps, "value"].astype(float))
    matched = work_matched(comparison, repetitions)
    main = marginal(comparison)
    assert main.loc["target - none", "estimate"] < -4
    for row in matched:
        assert row["analysis"] == EQUAL_WORK
        assert row["estimate"] == pytest.approx(0, abs=0.2)


@pytest.mark.parametrize("beyond_rate", [0.0, -0.3])
def test_variability_at_one_heart_rate_keeps_what_the_rate_does_not_explain(beyond_rate):
    """RMSSD goes with the square of the mean interval; `beyond_rate` is what a cuff adds."""
    rng = np.random.default_rng(31)
    people, interval = 14, {"none": 850.0, "low": 830.0, "target": 780.0}
    at_one_rate = []
    for person, visit in itertools.product(range(people), range(3)):
        condition = CONDITIONS[(person + visit) % 3]
        nn_ms = interval[condition] * np.exp(0.07 * rng.normal())
        added = beyond_rate if condition == "target" else 0.0
        y = 3.5 + 2.0 * np.log(nn_ms / 850.0) + added + 0.02 * rng.normal()
        labels = {"participant_id": f"sub-{person:02d}", "condition": condition, "exercise": None}
        at_one_rate.append(labels | {"visit": visit + 1, "y": y, "nn_ms": nn_ms})
    table = pd.DataFrame(at_one_rate)
    comparison = Comparison.of_rows(
        table, outcome="rmssd_ms", window="recovery_steady", scale="ratio", conditions=CONDITIONS
    )
    seen, _ = comparison.within_person(("target", "none"), "all")
    assert seen.estimate == pytest.approx(2 * np.log(780 / 850) + beyond_rate, abs=0.1)
    at_one_rate = at_prevailing_rate(comparison, table.assign(y=table["nn_ms"]))
    at_rate = next(row for row in at_one_rate if row["contrast"] == "target - none")
    assert at_rate["estimate"] == pytest.approx(beyond_rate, abs=0.04)


def test_outcomes_that_do_not_grow_with_intervals_have_no_row_at_one_heart_rate():
    comparison = comparison_of(invented(7, participants=5))
    assert at_prevailing_rate(comparison, comparison.single_rows) == []


def equal_work(spread, *, drop=6.0, seed=3):
    """Rows at equal work where target takes repetitions away, more or less alike for everybody."""
    outcomes = invented(seed, participants=9, bouts=1)
    rng = np.random.default_rng(seed)
    lost = drop * (outcomes["condition"] == "target") + spread * rng.normal(size=len(outcomes))
    work = outcomes["outcome"] == "reps_done"
    outcomes.loc[work, "value"] = 15.0 - lost[work]
    repetitions = comparable_rows(outcomes, {"reps_done": "identity"}, CONDITIONS)
    repetitions = repetitions[repetitions["outcome"] == "reps_done"]
    matched = work_matched(comparison_of(outcomes), repetitions)
    return {row["contrast"]: row for row in matched}


def test_at_equal_work_nothing_is_given_where_repetitions_tell_nothing_but_the_condition():
    close = equal_work(0.5)["target - none"]
    assert close["estimate"] is None
    assert close["p"] is None
    assert close["note"].startswith("withheld: repetitions go so closely with the condition")
    # low took nothing away: its contrast does not depend on the repetitions
    assert equal_work(0.5)["low - none"]["estimate"] is not None
    apart = equal_work(6.0)["target - none"]
    assert apart["estimate"] is not None
    assert "withheld" not in apart["note"]


def test_the_inflation_of_a_variance_is_that_of_an_intercept_beside_a_covariate():
    # differences d = a + b w: var a is (1 / n + mean(w)^2 / S_ww) times the residual variance
    two = ("none", "target")
    outcomes = invented(4, participants=9, conditions=two, exercises=("row",), same_order=True)
    plain = comparison_of(outcomes, conditions=two)
    work = np.random.default_rng(4).normal(size=plain.y.shape) + np.array([0.0, 3.0])[None, :, None]
    matched = replace(plain, covariates=(work,))
    w = work[:, 1, 0] - work[:, 0, 0]
    expected = 1 + 9 * w.mean() ** 2 / np.sum((w - w.mean()) ** 2)
    assert variance_inflation(plain, matched, ("target", "none")) == pytest.approx(expected)


def test_worst_case_bounds_are_those_counted_by_hand():
    # sub-03 did not do target: bounds take the lowest (40) and the highest (60) value of all
    y = {"sub-01": (50, 40), "sub-02": (60, 44), "sub-03": (52, None)}
    means = [
        {"participant_id": p, "condition": c, "exercise": None, "visit": 1, "y": float(v)}
        for p, values in y.items()
        for c, v in zip(("none", "target"), values, strict=True)
        if v is not None
    ]
    comparison = Comparison.of_rows(
        pd.DataFrame(means),
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=("none", "target"),
    )
    low, high = worst_case(comparison)
    assert (low["analysis"], high["analysis"]) == (LOWEST, HIGHEST)
    assert low["estimate"] == pytest.approx((-10 - 16 - 12) / 3)
    assert high["estimate"] == pytest.approx((-10 - 16 + 8) / 3)
    assert "cells filled in: 1" in low["note"]
    complete = worst_case(comparison.without("sub-03"))
    assert {row["note"] for row in complete} == {"no cell is missing"}


def test_without_any_value_of_an_exercise_in_a_condition_there_are_no_bounds():
    outcomes = invented(7, participants=5, exercises=("curl", "press"))
    gone = (outcomes["exercise"] == "press") & (outcomes["condition"] == "target")
    bounds = worst_case(comparison_of(outcomes[~gone]))
    assert all(row["note"].startswith("nobody has a value") for row in bounds)


def test_a_contrast_with_fewer_pairs_than_are_tested_is_described():
    outcomes = invented(3, participants=4)
    lost = (outcomes["participant_id"] == "sub-01") & (outcomes["condition"] == "target")
    contrasts = marginal(comparison_of(outcomes[~lost]), fewest_participants=4)
    assert contrasts.loc["low - none", "p"] > 0
    assert contrasts.loc[["target - none", "target - low"], "p"].isna().all()
    assert set(contrasts["claim"].loc[["target - none", "target - low"]]) == {"described"}


def test_missing_values_are_counted_by_condition_reason_and_failure():
    outcomes = invented(24, participants=2, exercises=("curl",), bouts=2)
    event = outcomes[["participant_id", "condition", "bout"]].apply(tuple, axis=1)
    lost = event.isin([("sub-01", "target", 1), ("sub-01", "target", 2), ("sub-02", "target", 1)])
    nadir, failure = (outcomes["outcome"] == name for name in ("smo2_nadir_pct", "to_failure"))
    outcomes.loc[failure, "value"] = 0.0
    outcomes.loc[failure & (outcomes["participant_id"] == "sub-01"), "value"] = 1.0
    refused = {"value": np.nan, "status": "refused", "reason": "too short (here 4.1)"}
    gone = {
        name: outcomes[name].astype(object).mask(nadir & lost, v) for name, v in refused.items()
    }
    outcomes = outcomes.assign(**gone)
    not_done = (outcomes["participant_id"] == "sub-02") & (outcomes["condition"] == "low")
    missing = missing_values(outcomes[~not_done], CONDITIONS, PRIMARY)
    missing = missing[missing["outcome"] == "smo2_nadir_pct"].set_index("condition")
    row = missing.loc["target"]
    assert (row["reason"], row["n_values"], row["n_cells"]) == ("too short", 3, 1)
    assert (row["n_participants"], row["n_in_sets_to_failure"]) == (2, 2)
    assert (missing.loc["low", "status"], missing.loc["low", "n_cells"]) == ("not done", 1)
    assert missing["primary"].all()
    assert "none" not in missing.index


# ---------------------------------------------------------------- second library, planning


OPTIMISERS = ("powell", "lbfgs", "bfgs")


def indicators(cells, name):
    """Which cells of each participant lie in each level of a factor, person by person."""
    levels = [
        person[name].astype(str).to_numpy() for _, person in cells.groupby("participant", sort=True)
    ]
    matrices = [(own[:, None] == np.unique(own)).astype(float) for own in levels]
    return [list(np.unique(own)) for own in levels], matrices


@pytest.mark.parametrize(
    ("outcome", "window", "missing"),
    [
        ("smo2_nadir_pct", "set", 0.0),
        ("smo2_nadir_pct", "set", 0.1),
        ("rmssd_ms", "recovery_steady", 0.0),
    ],
)
def test_another_library_finds_the_same_fit_and_no_better_one(outcome, window, missing):
    # statsmodels, whose optimisers are each unsafe somewhere, so that the best of three is taken
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    outcomes = invented(30)
    kept = np.random.default_rng(30).uniform(size=len(outcomes)) >= missing
    comparison = comparison_of(outcomes[kept], outcome, window)
    cells, fit = comparison.cells, comparison.fit
    parts = None
    if comparison.by_exercise:
        names, matrices = zip(
            *(indicators(cells, name) for name in ("condition", "exercise")), strict=True
        )
        parts = VCSpec(["condition", "exercise"], list(names), list(matrices))
    model = MixedLM(
        cells["y"].to_numpy(),
        fit.design.X[:, fit.design.kept],
        cells["participant"].to_numpy(),
        exog_re=np.ones((len(cells), 1)),
        exog_vc=parts,
    )
    ends = []
    for name in OPTIMISERS:
        # one that runs into a singular matrix has found nothing
        with warnings.catch_warnings(), suppress(np.linalg.LinAlgError):
            warnings.simplefilter("ignore")
            ends.append(model.fit(reml=True, method=[name]))
    best = max(ends, key=lambda end: end.llf)
    # a positive difference: the other optimisers stopped short
    assert -1e-6 <= fit.log_likelihood - best.llf < 0.01
    for pair, ours in marginal_of_model(comparison).items():
        theirs = comparison.weights(pair, "all")[fit.design.kept] @ best.fe_params
        assert ours["estimate"] == pytest.approx(theirs, abs=0.01 * ours["se"])


def marginal_of_model(comparison):
    pooled = comparison.pooled()
    return {pair: test for (pair, exercise), test in pooled.items() if exercise == "all"}


def test_a_difference_planned_for_is_found_with_the_power_wanted():
    comparison = comparison_of(invented(31))
    wanted = {"power_wanted": 0.8, "alpha": 0.05, "smallest_effect": 2.0}
    table = planning_table(comparison, participants=[6, 20], fewest_participants=4, **wanted)
    assert set(table["n_participants"]) == {6, 8, 20}
    for row in table.itertuples():
        assert power(row.detectable / row.se, row.df, alpha=0.05) == pytest.approx(0.8)
        adjusted = power(row.detectable_adjusted / row.se, row.df, alpha=0.05 / 3)
        assert adjusted == pytest.approx(0.8)
        assert 0 < row.power_at_smallest_effect_adjusted <= row.power_at_smallest_effect <= 1
    own = table[table["this_study"]].iloc[0]
    fitted = marginal(comparison).loc[own["contrast"]]
    assert own["df"] == pytest.approx(fitted["df"])
    assert own["se"] == pytest.approx(fitted["se"])
    # with four times the people half the error, and a degree of freedom for each of them
    more = planning_table(comparison, participants=[32], fewest_participants=4, **wanted)
    here = table[table["this_study"]].iloc[-1]
    assert more["se"].iloc[-1] == pytest.approx(here["se"] / 2)
    assert more["df"].iloc[-1] == pytest.approx(here["df"] + 32 - here["n_participants"])
    # variances of fewer people than a test needs are no ground to plan on
    too_few = planning_table(comparison, participants=[6, 20], fewest_participants=9, **wanted)
    assert too_few["detectable"].isna().all()
    assert set(too_few["note"]) == {"fewer than 9 pairs to plan from"}


def test_a_planned_claim_needs_no_less_than_its_hardest_contrast_and_more_among_several_claims():
    comparison = comparison_of(invented(31))
    wanted = {"power_wanted": 0.8, "alpha": 0.05, "smallest_effect": 2.0}
    wanted |= {"participants": [12], "fewest_participants": 4}
    claims = judge_claims(
        {("smo2_nadir_pct", "set"): comparison},
        planned_claims(settings_with().plan, [("smo2_nadir_pct", "set")], CONDITIONS),
        CONDITIONS,
        **{"across": "holm", "alpha": 0.05, "fewest_pairs": 4},
    )
    of_claim = claim_planning(comparison, claims[0], steps=3, seed=1, **wanted)
    whole = of_claim[of_claim["n_participants"] == 12].iloc[0]
    contrasts = planning_table(comparison, **wanted).query("n_participants == 12")
    parts = contrasts[contrasts["contrast"].str.startswith("target - ")]
    # the easier contrast hardly counts here; a thousand studies place the size within 3 %
    assert whole["detectable"] > 0.95 * parts["detectable"].max()
    assert whole["detectable_adjusted"] > whole["detectable"]
    assert whole["power_at_smallest_effect"] < parts["power_at_smallest_effect"].min() + 0.03
    # with seven degrees of freedom of the spread, planning on it as if known is too hopeful
    assert 0 < whole["assurance"] < 1
    assert "2 in each of 6 orders" in whole["note"]
    few = claim_planning(
        comparison, claims[0], steps=3, seed=1, **wanted | {"fewest_participants": 9}
    )
    assert few["note"].item() == "fewer than 9 pairs to plan from"


def test_power_stays_a_number_far_out():
    assert power(60.0, 39.0, alpha=0.05) == 1.0


# ---------------------------------------------------------------- alternatives


RULES = {
    "share": {
        "outcomes": ["rmssd_ms"],
        "windows": ["set"],
        "measured": "corrected_pct",
        "says": "too much is repaired",
        "source": "convention",
    }
}


@pytest.mark.parametrize(
    ("outcome", "change", "expected"),
    [
        ("smo2_nadir_pct", {"nadir_window_s": 3.0}, True),
        ("smo2_nadir_pct", {"high_frequency_hz": [0.15, 0.5]}, False),
        ("hf_power_ms2", {"high_frequency_hz": [0.15, 0.5]}, True),
        ("mean_hr_bpm", {"nadir_window_s": 3.0}, False),
        ("mean_hr_bpm", {"baseline_settle_s": 30.0}, False),
        ("smo2_nadir_pct", {}, False),
    ],
)
def test_only_outcomes_that_ask_for_a_setting_are_measured_again(outcome, change, expected):
    before, after = (
        settings_with(quality_rules=RULES, measure_outcomes=changes) for changes in ({}, change)
    )
    assert Change(before, after).reaches(outcome, "set") == expected


def test_a_setting_that_cuts_a_window_reaches_every_outcome_in_it_and_no_other():
    before, after = (settings_with(measure_outcomes=c) for c in ({}, {"baseline_settle_s": 30.0}))
    assert Change(before, after).reaches("mean_hr_bpm", "baseline")
    assert not Change(before, after).reaches("mean_hr_bpm", "set")


@pytest.mark.parametrize(("outcome", "expected"), [("rmssd_ms", True), ("mean_hr_bpm", False)])
def test_a_changed_quality_rule_reaches_the_outcomes_that_it_judges(outcome, expected):
    stricter = {"share": RULES["share"] | {"refused_above": 5.0}}
    before, after = (settings_with(quality_rules=rules) for rules in (RULES, stricter))
    assert Change(before, after).reaches(outcome, "set") == expected


@pytest.mark.parametrize(
    ("section", "change", "outcome", "expected"),
    [
        ("find_beats", {"clear_correlation": 0.7}, "mean_hr_bpm", True),
        ("find_beats", {"clear_correlation": 0.7}, "smo2_nadir_pct", False),
        ("segment_oxygenation", {"stuck_s": 5.0}, "smo2_nadir_pct", True),
        ("segment_oxygenation", {"stuck_s": 5.0}, "mean_hr_bpm", False),
        ("compare_conditions", {"confidence": 0.9}, "mean_hr_bpm", True),
        ("protocol", {"slowest_cadence_hz": 0.2}, "smo2_nadir_pct", True),
        ("protocol", {"slowest_cadence_hz": 0.2}, "mean_hr_bpm", False),
        ("protocol", {"failure_band_pct": [0.0, 20.0]}, "time_in_failure_band_s", True),
        ("protocol", {"failure_band_pct": [0.0, 20.0]}, "smo2_nadir_pct", False),
    ],
)
def test_an_alternative_concerns_what_is_made_from_what_it_changes(
    section, change, outcome, expected
):
    settings, changed = settings_with(), settings_with(**{section: change})
    same = invented(40, participants=2)
    assert is_concerned(outcome, "set", Change(settings, changed), same, same) == expected


def test_an_alternative_concerns_an_outcome_whose_verdict_it_changes_though_no_value():
    settings = settings_with()
    before = invented(40, participants=2)
    nadir = before["outcome"] == "smo2_nadir_pct"
    after = before.assign(status=before["status"].mask(nadir, "flagged"))
    key = ("smo2_nadir_pct", "set")
    same_settings = Change(settings, settings)
    assert is_concerned(*key, same_settings, before, after)
    assert not is_concerned(*key, same_settings, before, before)


def test_values_measured_again_replace_those_of_their_participant_and_outcome_only():
    outcomes = invented(40, participants=2)
    nadir = outcomes["outcome"] == "smo2_nadir_pct"
    again = outcomes[nadir & (outcomes["participant_id"] == "sub-02")]
    again = again.assign(value=again["value"] + 1)
    table = with_remeasured(outcomes, again)
    assert len(table) == len(outcomes)
    counts = changed_values(outcomes, table)
    assert counts.loc[("smo2_nadir_pct", "set"), "n_values_changed"] == len(again)
    assert counts.loc[("reps_done", "set"), "n_values_changed"] == 0


def test_the_difference_of_an_alternative_is_taken_from_the_main_analysis():
    columns = {"outcome": "rpe", "window": "set", "exercise": "all", "contrast": "low - none"}
    main = pd.DataFrame([columns | {"scale": "identity", "estimate": -2.0}])
    numbers = dict.fromkeys(("ci_low", "ci_high", "p", "p_adjusted", "n_participants"), 1.0)
    now = pd.DataFrame([columns | numbers | {"estimate": -1.5, "claim": "yes", "note": "all well"}])
    row = beside_main(now, main, pd.DataFrame(), [("rpe", "set")]).iloc[0]
    assert row["difference"] == 0.5
    gone = beside_main(now[:0], main, pd.DataFrame(), [("rpe", "set")]).iloc[0]
    assert gone["note"] == "no contrast under this alternative"


def test_left_out_rows_are_named_as_the_figure_asks_for_them():
    influence = leave_one_out(comparison_of(invented(41)))
    assert {row["analysis"] for row in influence} == {LEFT_OUT}
