"""How many people a planned claim needs, by simulated studies that the workflow's analysis decides.

    python3.11 scripts/launch.py sample-size --results results/my_study --drop-out 10
    python3.11 scripts/launch.py sample-size --sd 3.5 --sd-from 12 --effect 5
    python3.11 scripts/launch.py sample-size

The claim is that one condition differs from all others. The spread of differences comes from the
results of a study (--results), from standard deviations of differences that you know (--sd), or,
without either, from the invented demo study, which shows the tool and plans nothing. Orders are
balanced unless --orders names others.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from comparison.claim_power import (
    Design,
    Variation,
    all_orders,
    detectable,
    needed_effects,
    people_by_order,
    power_for,
)
from comparison.contrasts import as_ratio
from comparison.planning import on_scale
from engine.command_line import parser_of
from results.decided import ALPHA
from results.tables import number, read_table, write_table

DRAWS = 10_000

LETTERS = "ABCDEFGHIJ"

PEOPLE = (6, 8, 10, 12, 15, 18, 20, 24, 30, 36, 42, 48)

# spread of the built-in deviations of the demo, nadir in percentage points, and its smallest effect
DEMO = {"sd": 2.5 * np.sqrt(2), "effect": 5.0}

INVENTED = (
    "These spreads are invented: they are those of the demo study and say nothing of your people. "
    "Give --results or --sd."
)


def read_words(words: list[str] | None) -> argparse.Namespace:
    """The options of the command line."""
    parser = parser_of("sample-size", __doc__)
    add = parser.add_argument
    add("--results", type=Path, help="results of a study, to take the spread from")
    add("--outcome", help="primary outcome of these results; the first without it")
    add("--window", help="its window")
    add("--sd", type=_numbers, help="SD of people's differences between two conditions")
    add("--sd-from", type=int, help="number of people whom the SD comes from; known without it")
    add("--ratio", action="store_true", help="SD of natural logarithms, effects as ratios")
    add("--conditions", type=int, default=3, help="number of conditions, with --sd; 3 without it")
    add("--effect", type=float, help="true difference from all others to be shown")
    add("--people", type=_whole_numbers, default=PEOPLE, help="numbers of people, as 8,10,12")
    add("--power", type=float, default=0.8, help="power wanted; 0.8 without it")
    add("--alpha", type=float, default=ALPHA, help="error of the claim; 0.05 without it")
    add("--claims", type=int, default=1, help="claims over which Holm's steps keep the error")
    add("--drop-out", type=float, default=0.0, help="people who leave before their end, in percent")
    add("--orders", type=lambda text: text.split(","), help="orders planned, as ABC,BCA,CAB")
    add("--same-order", action="store_true", help="everybody has the same order")
    add("--into", type=Path, help="file for the table, tab-separated")
    add("--seed", type=int, default=1, help="seed of the simulation")
    options = parser.parse_args(words)
    for is_wrong, what in _faults(options):
        if is_wrong:
            sys.exit(f"sample-size: {what}")
    return options


def _numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(",")]


def _whole_numbers(text: str) -> list[int]:
    return [int(part) for part in text.split(",")]


def _faults(options) -> list[tuple[object, str]]:
    """Whether each thing that can be wrong is, and what is allowed."""
    pairs = options.conditions * (options.conditions - 1) // 2
    return [
        (options.results and options.sd, "give either --results or --sd, not both"),
        (options.conditions < 2 or options.conditions > 10, "--conditions is 2 to 10"),
        (min(options.people) < 2, "--people are 2 or more"),
        (not 0 < options.alpha < options.power < 1, "--alpha lies below --power, both within 0..1"),
        (not 0 <= options.drop_out < 100, "--drop-out is a percentage below 100"),
        (options.claims < 1, "--claims is 1 or more"),
        (options.sd_from is not None and options.sd_from < 3, "--sd-from is 3 people or more"),
        (
            options.sd is not None and (len(options.sd) not in (1, pairs) or min(options.sd) <= 0),
            f"--sd is one number above 0, or {pairs} (B-A, C-A, C-B ...) for "
            f"{options.conditions} conditions",
        ),
        (options.orders and options.same_order, "give either --orders or --same-order"),
        (options.results and not options.results.is_dir(), f"there is no folder {options.results}"),
    ]


def orders_of(texts: list[str], conditions: int) -> tuple[tuple[int, ...], ...]:
    """Orders such as ABC as places of conditions. Raises ValueError for any other letter."""
    letters = LETTERS[:conditions]
    for text in texts:
        if sorted(text) != list(letters):
            raise ValueError(f"the order {text!r} does not hold each of {letters} once")
    return tuple(tuple(letters.index(letter) for letter in text) for text in texts)


def spread_of_results(
    contrasts: pd.DataFrame, outcome: str | None, window: str | None
) -> tuple[Variation, pd.Series, int]:
    """The spread of a primary outcome, a row of its contrasts, and its number of conditions.

    `contrasts` has the columns of contrasts.tsv. Raises ValueError where nothing can be planned
    from it.
    """
    primary = contrasts[(contrasts["exercise"] == "all") & (contrasts["primary"] == "yes")]
    for name, wanted in (("outcome", outcome), ("window", window)):
        if wanted is not None:
            known = ", ".join(primary[name].unique())
            primary = primary[primary[name] == wanted]
            if primary.empty:
                raise ValueError(f"no primary {name} {wanted}; there are: {known or 'none'}")
    if primary.empty:
        raise ValueError("these results hold no contrast of a primary outcome")
    first = primary.iloc[0]
    primary = primary[
        (primary["outcome"] == first["outcome"]) & (primary["window"] == first["window"])
    ]
    if primary["se"].isna().any():
        raise ValueError(f"{first['outcome']}: no error of {primary['contrast'].iloc[0]}")
    names = list(
        dict.fromkeys(name for text in primary["contrast"] for name in text.split(" - ")[::-1])
    )
    sd = np.zeros((len(names), len(names)))
    for row in primary.itertuples():
        b, a = (names.index(name) for name in row.contrast.split(" - "))
        sd[a, b] = sd[b, a] = row.se * np.sqrt(row.n_pairs)
    return Variation(sd, float(primary["n_pairs"].min()) - 1), first, len(names)


def planned_sizes(
    options: argparse.Namespace, variation: Variation, design: Design, *, ratio: bool, effect
) -> pd.DataFrame:
    """A row for each number of people: detectable difference, power, and power with uncertainty."""
    wanted = None if effect is None else on_scale(effect, "ratio" if ratio else "identity")
    level = options.alpha / options.claims
    sizes = []
    for people in sorted(set(options.people)):
        simulate = {
            "condition": design.conditions - 1,
            "alphas": [level],
            "draws": DRAWS,
            "seed": options.seed,
        }
        (needed,) = needed_effects(people, design, variation, **simulate)
        size = detectable(needed, options.power)
        row = {
            "people": people,
            "orders": people_by_order(people, design.orders),
            "detectable": as_ratio(size) if ratio else size,
        }
        if wanted is not None:
            row["power"] = power_for(needed, wanted)
            if variation.df is not None:
                (needed,) = needed_effects(people, design, variation, assured=True, **simulate)
                row["assurance"] = power_for(needed, wanted)
        sizes.append(row)
    return pd.DataFrame(sizes)


def sizes_in_words(
    table: pd.DataFrame, options: argparse.Namespace, effect, *, ratio: bool
) -> list[str]:
    """How many people are enough, by power and by assurance, and what the numbers rest on."""
    said = []
    if effect is not None:
        size = f"a ratio of {effect:g} to" if ratio else f"a difference of {effect:g} from"
    names = {"power": "the spread taken as known", "assurance": "its uncertainty counted"}
    for name, how in names.items():
        if name not in table:
            continue
        enough = table[table[name] >= options.power]
        said.append(
            f"{enough['people'].iloc[0]} people show {size} all others in "
            f"{100 * enough[name].iloc[0]:.0f} % of studies, {how}."
            if len(enough)
            else f"None of these numbers reaches {100 * options.power:g} %, {how}."
        )
    if options.drop_out:
        said.append(
            f"People are those who begin; {options.drop_out:g} % of them leave after a visit drawn "
            "at random."
        )
    return said


def main(words: list[str] | None = None) -> None:
    """Read the command line, simulate, print the table and write it where asked."""
    options = read_words(words)
    ratio, effect, n, source = options.ratio, options.effect, options.conditions, []
    if options.results:
        try:
            contrasts = read_table(options.results / "contrasts.tsv")
            variation, row, n = spread_of_results(contrasts, options.outcome, options.window)
        except (FileNotFoundError, ValueError) as problem:
            sys.exit(f"{options.results}: {problem}")
        ratio = row["scale"] == "ratio"
        effect = effect if effect is not None else row["smallest_effect"]
        effect = None if pd.isna(effect) else effect
        source = [f"Spread of {row['outcome']} ({row['window']}), {variation.df + 1:.0f} pairs."]
    else:
        sd = options.sd or [DEMO["sd"]]
        if not options.sd:
            source, effect = [INVENTED], effect if effect is not None else DEMO["effect"]
        df = None if options.sd_from is None else options.sd_from - 1.0
        variation = spread_of_numbers(sd, n, df)
    orders = () if options.same_order else all_orders(n)
    if options.orders:
        try:
            orders = orders_of(options.orders, n)
        except ValueError as problem:
            sys.exit(f"sample-size: {problem}")
    design = Design(n, orders, options.drop_out / 100)
    table = planned_sizes(options, variation, design, ratio=ratio, effect=effect)
    if options.into:
        write_table(table, options.into)
    shown = table.map(lambda cell: number(cell) if isinstance(cell, float) else cell)
    print(shown.to_string(index=False))
    for sentence in [*source, *sizes_in_words(table, options, effect, ratio=ratio)]:
        print(sentence)


def spread_of_numbers(sd: list[float], conditions: int, df: float | None) -> Variation:
    """A spread from one standard deviation for all differences, or one for each of them."""
    if len(sd) == 1:
        return Variation.equal(sd[0], conditions, df)
    table = np.zeros((conditions, conditions))
    pairs = [(a, b) for b in range(conditions) for a in range(b)]
    for (a, b), size in zip(pairs, sd, strict=True):
        table[a, b] = table[b, a] = size
    return Variation(table, df)


if __name__ == "__main__":
    main()
