"""Contrasts within people against other libraries, an independent computation, and their error."""

import numpy as np
import pytest
from scipy import special, stats

from comparison.claims import in_order, level_of_interval, shaffer, shaffer_steps, stepwise
from comparison.within_person import WithinPerson, difference_weights

PAIRS = ((1, 0), (2, 0), (2, 1))
BALANCED = np.array([(0, 1, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0), (0, 2, 1), (1, 0, 2)])


def study(people, exercises=1, *, missing=0.0, orders=None, seed=0):
    """Random cells (people, 3, exercises), their visits, and the layout of both."""
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(people, 3, exercises)) + rng.normal(size=(people, 1, 1))
    y[rng.random(y.shape) < missing] = np.nan
    orders = BALANCED[np.arange(people) % 6] if orders is None else np.asarray(orders)
    visits = np.repeat(orders[:, :, None].astype(float), exercises, axis=2)
    return y, visits, WithinPerson(~np.isnan(y), visits)


def contrast(layout, y, condition, reference, exercise=None):
    wanted = difference_weights(y.shape[1:], condition, reference, exercise)
    return layout.estimator(wanted).of(y[layout.cells])


@pytest.mark.parametrize(("condition", "reference"), PAIRS)
def test_with_complete_data_and_one_order_a_contrast_is_the_paired_t_test(condition, reference):
    # scipy.stats.ttest_rel on the means of each person
    y, _, layout = study(9, 4, orders=[(0, 1, 2)] * 9)
    ours = contrast(layout, y, condition, reference)
    means = y.mean(axis=2)
    theirs = stats.ttest_rel(means[:, condition], means[:, reference])
    assert not layout.visit_in_model
    assert (ours.t, ours.df, ours.p) == pytest.approx((theirs.statistic, 8, theirs.pvalue))
    low, high = theirs.confidence_interval(0.95)
    assert ours.interval() == pytest.approx((low, high))
    assert ours.n_pairs == 9


def test_within_one_exercise_a_contrast_is_the_paired_t_test_of_that_exercise():
    y, _, layout = study(7, 3, orders=[(0, 1, 2)] * 7)
    theirs = stats.ttest_rel(y[:, 2, 1], y[:, 0, 1])
    assert contrast(layout, y, 2, 0, exercise=1).p == pytest.approx(theirs.pvalue)


def dummies(y, visits):
    """Full dummy design of an independent computation: people by exercises, cells, visits."""
    person, condition, exercise = np.nonzero(~np.isnan(y))
    columns = [(person * y.shape[2] + exercise)[:, None] == np.arange(y.shape[0] * y.shape[2])]
    columns += [
        ((condition == c) & (exercise == e))[:, None] for c in (1, 2) for e in range(y.shape[2])
    ]
    columns += [visits[person, condition, exercise][:, None] == [1.0, 2.0]]
    return np.hstack(columns).astype(float), y[~np.isnan(y)], person


def test_estimate_error_and_df_are_those_of_a_plain_dummy_regression_with_missing_cells():
    from statsmodels.regression.linear_model import OLS

    # statsmodels OLS for the estimate; CR2 and its df from the formulas of Pustejovsky and Tipton
    # 2018 (eq. 4, 11), written here a second time over the full design
    y, visits, layout = study(8, 3, missing=0.12, seed=4)
    design, values, person = dummies(y, visits)
    fitted = OLS(values, design).fit()
    n_fixed = y.shape[0] * y.shape[2]
    wanted = np.zeros(design.shape[1])
    wanted[n_fixed + 3 : n_fixed + 6] = 1 / 3
    assert contrast(layout, y, 2, 0).estimate == pytest.approx(wanted @ fitted.params)

    maker = np.eye(len(values)) - design @ np.linalg.pinv(design)
    direction = design @ (np.linalg.pinv(design.T @ design) @ wanted)
    rows = []
    for one in np.unique(person):
        cells = np.flatnonzero(person == one)
        size, vectors = np.linalg.eigh(maker[np.ix_(cells, cells)])
        root = np.where(size > 1e-8, 1 / np.sqrt(np.maximum(size, 1e-300)), 0.0)
        part = np.zeros(len(values))
        part[cells] = vectors @ (root * (vectors.T @ direction[cells]))
        rows.append(maker @ part)
    rows = np.array(rows)
    products = rows @ rows.T
    ours = contrast(layout, y, 2, 0)
    assert ours.se == pytest.approx(np.sqrt(np.sum((rows @ values) ** 2)))
    assert ours.df == pytest.approx(np.trace(products) ** 2 / np.sum(products**2))


def test_contrasts_of_an_outcome_add_up_although_cells_are_missing():
    y, _, layout = study(9, 4, missing=0.2, seed=1)
    low, target, between = (contrast(layout, y, *pair).estimate for pair in PAIRS)
    assert target == pytest.approx(low + between)


def test_a_person_with_a_missing_visit_counts_where_they_can():
    y, visits, _ = study(8, 2, seed=2)
    y[3, 1] = np.nan
    with_them = WithinPerson(~np.isnan(y), visits)
    others = np.arange(8) != 3
    without = WithinPerson(~np.isnan(y[others]), visits[others])
    assert contrast(with_them, y, 2, 0).n_pairs == 8
    assert contrast(with_them, y, 1, 0).n_pairs == 7
    assert contrast(with_them, y, 2, 0).estimate != pytest.approx(
        contrast(without, y[others], 2, 0).estimate
    )


def test_a_step_from_visit_to_visit_changes_no_contrast_where_the_order_varied():
    y, visits, layout = study(12, 2, seed=3)
    assert layout.visit_in_model
    for pair in PAIRS:
        plain, stepped = contrast(layout, y, *pair), contrast(layout, y + 5 * visits, *pair)
        assert (stepped.estimate, stepped.se) == pytest.approx((plain.estimate, plain.se))


def test_without_a_pair_nothing_is_estimated():
    y = np.full((4, 2, 1), np.nan)
    y[:2, 0], y[2:, 1] = 1.0, 2.0
    layout = WithinPerson(~np.isnan(y), np.zeros_like(y))
    assert layout.estimator(difference_weights((2, 1), 1, 0)) is None


def false_claims(layouts, spreads, studies, rng):
    """Share of studies without any effect in which a difference is shown after Shaffer's steps."""
    shown = 0
    for layout in layouts:
        people = layout.filled.shape[0]
        y = rng.normal(size=(studies, people, 1)) * 0.7
        y = y + rng.normal(size=(studies, people, 3)) * np.asarray(spreads)
        values = y[:, layout.cells[0], layout.cells[1]]
        p = []
        for pair in PAIRS:
            of = layout.estimator(difference_weights((3, 1), *pair))
            t = (values @ of.weights) / of.error(values)
            p.append(2 * special.stdtr(of.df, -np.abs(t)))
        shown += int((np.min(p, axis=0) < 0.05 / 3).sum())
    return shown / (studies * len(layouts))


@pytest.mark.parametrize("spreads", [(0.3, 0.3, 0.3), (0.16, 0.3, 0.53)])
@pytest.mark.parametrize("people", [5, 8, 12])
def test_a_study_without_any_effect_claims_one_in_no_more_than_one_of_twenty(people, spreads):
    # 12,000 studies a case: three standard errors of a share of .05 are .006
    orders = np.repeat(BALANCED[np.arange(people) % 6][:, :, None].astype(float), 1, axis=2)
    layout = WithinPerson(np.ones((people, 3, 1), dtype=bool), orders)
    rng = np.random.default_rng(people)
    assert false_claims([layout], spreads, 12_000, rng) < 0.056


def test_unlucky_orders_of_five_people_never_make_an_error_too_small():
    # among random orders some leave a difference to the visits of one person
    rng = np.random.default_rng(5)
    layouts = [
        WithinPerson(
            np.ones((5, 3, 1), dtype=bool),
            np.array([rng.permutation(3) for _ in range(5)])[:, :, None].astype(float),
        )
        for _ in range(60)
    ]
    assert false_claims(layouts, (0.3, 0.3, 0.3), 400, rng) < 0.056


@pytest.mark.parametrize(
    ("conditions", "steps"),
    # Shaffer 1986, J Am Stat Assoc 81:826: all pairs of three to five means (from memory)
    [(3, [3, 1, 1]), (4, [6, 3, 3, 3, 2, 1]), (5, [10, 6, 6, 6, 6, 4, 4, 3, 2, 1])],
)
def test_steps_count_how_many_differences_can_still_be_zero(conditions, steps):
    assert shaffer_steps(conditions) == steps


def test_adjusted_p_values_of_three_differences():
    # arithmetic: .01 x 3; .04 x 1, not below the one before; .2 x 1
    assert shaffer([0.2, 0.01, 0.02], 3) == pytest.approx([0.2, 0.03, 0.03])


def test_an_interval_excludes_zero_exactly_where_its_difference_is_shown():
    rng = np.random.default_rng(6)
    for p in rng.beta(0.3, 1.0, size=(400, 3)):
        shown = stepwise(p, shaffer_steps(3)) < 0.05
        excludes_zero = p < level_of_interval(p, shaffer_steps(3), 0.05)
        assert (shown == excludes_zero).all()


def test_in_a_declared_order_nothing_is_shown_after_a_claim_that_failed():
    assert in_order([0.01, 0.2, 0.001]) == pytest.approx([0.01, 0.2, 0.2])
