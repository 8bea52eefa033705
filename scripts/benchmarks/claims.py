"""Size and power of claims, simulated with the estimator and the steps that the workflow uses.

    PYTHONPATH=scripts python -m benchmarks.claims [studies] [seed]

A study has three conditions in one visit each and six exercises (four and whole numbers from 0 to
10 where ordinal), with spreads of .7 between people, .25 between sessions and .4 within. `any` is
the chance of any false difference, by Shaffer's steps or as a part of the claim, where there is no
effect; `size` that of the claim "target differs from both" where target equals low and both are far
from none; `power` that of this claim where target lies .4 below both.

    24000 studies a cell, seed 1
    scenario          n     any   size  power
    equal             5   0.038  0.044  0.169
    equal             8   0.044  0.049  0.433
    equal            12   0.048  0.048  0.746
    equal            20   0.051  0.050  0.961
    unequal           5   0.040  0.048  0.132
    unequal           8   0.043  0.053  0.273
    unequal          12   0.047  0.054  0.487
    unequal          20   0.047  0.051  0.771
    visit, balanced   5   0.036  0.042  0.168
    visit, balanced   8   0.042  0.050  0.430
    visit, balanced  12   0.047  0.048  0.742
    visit, balanced  20   0.047  0.050  0.963
    visit, random     5   0.055  0.047  0.101
    visit, random     8   0.044  0.042  0.332
    visit, random    12   0.044  0.048  0.655
    visit, random    20   0.047  0.048  0.945
    missing visits    5   0.022  0.020  0.069
    missing visits    8   0.035  0.041  0.283
    missing visits   12   0.045  0.047  0.584
    missing visits   20   0.047  0.050  0.894
    heavy tails       5   0.033  0.039  0.220
    heavy tails       8   0.038  0.044  0.524
    heavy tails      12   0.042  0.046  0.786
    heavy tails      20   0.043  0.046  0.949
    ordinal           5   0.038  0.043  0.130
    ordinal           8   0.043  0.051  0.351
    ordinal          12   0.050  0.050  0.641
    ordinal          20   0.050  0.050  0.914
    any false claim over three primary outcomes
    claims            n   holm  in order
    all false         5  0.033  0.040
    all false         8  0.048  0.053
    all false        12  0.047  0.049
    all false        20  0.048  0.050
    the first true    5  0.036  0.044
    the first true    8  0.046  0.047
    the first true   12  0.048  0.048
    the first true   20  0.048  0.050
"""

from __future__ import annotations

import itertools
import sys
from dataclasses import dataclass

import numpy as np
from scipy import special

from comparison.claims import in_order, shaffer_steps, stepwise
from comparison.within_person import Estimator, WithinPerson, difference_weights

ALPHA = 0.05
PEOPLE_SD = 0.7
RESIDUAL_SD = 0.4

# where layouts are drawn, so many studies share one
STUDIES_OF_A_LAYOUT = 10

PAIRS = ((1, 0), (2, 0), (2, 1))
FAR = (-1.0, 0.0, 0.0)
PLANNED_FOR = (0.0, 0.0, -0.4)
CERTAIN = (0.0, 0.0, -4.0)


@dataclass(frozen=True)
class Scenario:
    """How values arise: spreads of sessions by condition, a step per visit, orders, gaps, tails."""

    session_sd: tuple[float, float, float] = (0.25, 0.25, 0.25)
    step_per_visit: float = 0.0
    random_order: bool = False
    missing: float = 0.0
    heavy_tails: bool = False
    ordinal: bool = False


SCENARIOS = {
    "equal": Scenario(),
    "unequal": Scenario(session_sd=(0.05, 0.25, 0.50)),
    "visit, balanced": Scenario(step_per_visit=0.3),
    "visit, random": Scenario(step_per_visit=0.3, random_order=True),
    "missing visits": Scenario(missing=0.12),
    "heavy tails": Scenario(heavy_tails=True),
    "ordinal": Scenario(ordinal=True),
}


def layouts(
    people: int, studies: int, scenario: Scenario, rng: np.random.Generator
) -> list[tuple[WithinPerson, np.ndarray, int]]:
    """Layouts, the visit of each condition (people, conditions), and how many studies share it."""
    orders = list(itertools.permutations(range(3)))
    drawn = scenario.random_order or scenario.missing
    n_layouts = -(-studies // STUDIES_OF_A_LAYOUT) if drawn else 1
    made = []
    for _ in range(n_layouts):
        if scenario.random_order:
            visits = np.array([rng.permutation(3) for _ in range(people)])
        else:
            visits = np.array([orders[n % len(orders)] for n in range(people)])
        filled = rng.random((people, 3)) >= scenario.missing
        layout = WithinPerson(filled[:, :, None], visits[:, :, None].astype(float))
        made.append((layout, visits, studies // n_layouts))
    return made


def session_means(
    studies: int,
    visits: np.ndarray,
    effect: tuple[float, float, float],
    scenario: Scenario,
    rng: np.random.Generator,
) -> np.ndarray:
    """Means over the exercises, (studies, people, conditions)."""
    shape = (studies, *visits.shape)
    person = PEOPLE_SD * rng.normal(size=(studies, len(visits), 1))
    session = (
        rng.standard_t(3, shape) / np.sqrt(3) if scenario.heavy_tails else rng.normal(size=shape)
    )
    level = person + session * scenario.session_sd + scenario.step_per_visit * visits + effect
    if not scenario.ordinal:
        return level + RESIDUAL_SD / np.sqrt(6) * rng.normal(size=shape)
    single = level[..., None] + RESIDUAL_SD * rng.normal(size=(*shape, 4))
    return np.clip(np.round(4 + 2 * single), 0, 10).mean(axis=-1)


def p_values(layout: WithinPerson, means: np.ndarray) -> np.ndarray:
    """p of each difference in each study (differences, studies); 1 where it cannot be estimated."""
    cells = means[:, layout.cells[0], layout.cells[1]]
    return np.array(
        [_p(layout.estimator(difference_weights((3, 1), *pair)), cells) for pair in PAIRS]
    )


def _p(estimator: Estimator | None, cells: np.ndarray) -> np.ndarray:
    if estimator is None or estimator.n_pairs < 4:
        return np.ones(len(cells))
    se = estimator.error(cells)
    estimate = cells @ estimator.weights
    known = se > 1e-12
    t = np.abs(estimate) / np.where(known, se, 1.0)
    return np.where(known, 2 * special.stdtr(estimator.df, -t), 1.0)


def false_and_claimed(p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of each study, whether any difference is shown, and whether target differs from both."""
    claimed = np.maximum(p[1], p[2]) < ALPHA
    return (p.min(axis=0) < ALPHA / shaffer_steps(3)[0]) | claimed, claimed


def rates(
    people: int, scenario: Scenario, *, studies: int, rng: np.random.Generator
) -> dict[str, float]:
    """Chance of any false difference, size and power of the claim, in simulated studies."""
    counts, n = np.zeros(3), 0
    for layout, visits, shared in layouts(people, studies, scenario, rng):
        for at, effect in enumerate(((0.0, 0.0, 0.0), FAR, PLANNED_FOR)):
            means = session_means(shared, visits, effect, scenario, rng)
            shown, claimed = false_and_claimed(p_values(layout, means))
            counts[at] += (shown if at == 0 else claimed).sum()
        n += shared
    return dict(zip(("any", "size", "power"), counts / n, strict=True))


def study_wise(
    people: int,
    scenario: Scenario,
    *,
    outcomes: int,
    first_is_true: bool,
    studies: int,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Chance of any false claim over several primary outcomes, by Holm's steps and in order.

    The claim is false of every outcome, or of every one but the first; outcomes are unrelated.
    """
    p_of_claims = []
    for n in range(outcomes):
        effect = CERTAIN if first_is_true and n == 0 else FAR
        p = [
            p_values(layout, session_means(shared, visits, effect, scenario, rng))
            for layout, visits, shared in layouts(people, studies, scenario, rng)
        ]
        p_of_claims.append(np.maximum(*np.hstack(p)[1:]))
    false, steps = slice(int(first_is_true), None), range(outcomes, 0, -1)
    of_studies = np.transpose(p_of_claims)
    return {
        "holm": float(np.mean([(stepwise(p, steps)[false] < ALPHA).any() for p in of_studies])),
        "in order": float(np.mean([(in_order(p)[false] < ALPHA).any() for p in of_studies])),
    }


def main(studies: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    print(f"{studies} studies a cell, seed {seed}")
    print("scenario          n     any   size  power")
    for name, scenario in SCENARIOS.items():
        for people in (5, 8, 12, 20):
            rates_shown = rates(people, scenario, studies=studies, rng=rng)
            shown = "".join(f"{rate:7.3f}" for rate in rates_shown.values())
            print(f"{name:16s} {people:2d} {shown}", flush=True)
    print("any false claim over three primary outcomes")
    print("claims            n   holm  in order")
    for first_is_true, claims in ((False, "all false"), (True, "the first true")):
        for people in (5, 8, 12, 20):
            errors = study_wise(
                people,
                SCENARIOS["equal"],
                outcomes=3,
                first_is_true=first_is_true,
                studies=studies,
                rng=rng,
            )
            print(f"{claims:16s} {people:2d}  {errors['holm']:.3f}  {errors['in order']:.3f}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(*(numbers + [10_000, 1][len(numbers) :]))
