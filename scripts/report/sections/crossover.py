"""Sequence, visits and what was done at the visit before, as a crossover study reports them."""

import pandas as pd

from comparison.crossover import (
    BETWEEN_PEOPLE,
    BY_SEQUENCE,
    CARRY_OVER,
    DAYS,
    FIRST_VISIT,
    NO_SECOND_VISIT,
    ONE_VISIT,
    VISIT,
)
from report.origins import Origin
from report.page import shown_table
from report.single_case import is_one_participant
from report.words import label_of
from results.format import estimate_and_interval, p_value, three_digits
from results.words import counted, in_words, words_of

ORDER = 37

TITLE = "Sequence, visits and carry-over"

NEEDS = ("outcomes", "crossover")

WEAK = (
    "These tests have little power and choose nothing: that no step is shown does not show that "
    "there is none."
)


def section(results):
    if is_one_participant(results.outcomes, results.conditions):
        return None
    crossover = results.crossover
    primary = list(results.primary)
    of_outcomes = pd.concat(
        [
            crossover[crossover["outcome"].isna()][:0],
            *(
                crossover[(crossover["outcome"] == o) & (crossover["window"] == w)]
                for o, w in primary
            ),
        ]
    )
    days = days_in_words(crossover[crossover["part"] == DAYS])
    if of_outcomes.empty and not days:
        return None
    stepped = list(steps(of_outcomes))
    first = of_outcomes[of_outcomes["part"] == FIRST_VISIT]
    return {
        "one_visit": bool((of_outcomes["note"] == ONE_VISIT).any()),
        "days": days,
        "by_sequence": [
            shown_table(table, f"{label}: mean (SD), people", [origin] * len(table))
            for label, table, origin in by_sequence(of_outcomes)
        ],
        "letters": letters_in_words(results.conditions),
        "first_visit": shown_table(
            first_visit(first), "The first visit alone", Origin.of_each("crossover", first)
        ),
        "steps": shown_table(
            pd.DataFrame([row for row, _ in stepped]).fillna(""),
            "Steps between visits, and after another condition",
            [origin for _, origin in stepped],
        ),
        "power_pct": 100 * results.settings.compare_conditions.power,
        "weak": WEAK if of_outcomes["F"].notna().any() else "",
    }


def days_in_words(table):
    """How many days lay between visits, or which dates are missing; nothing of single visits."""
    given = table[table["mean"].notna()]
    if given.empty:
        notes = table["note"].dropna().tolist()
        return "" if notes in ([], [NO_SECOND_VISIT]) else f"{notes[0].capitalize()}."
    listed = in_words(
        [
            f"visit {row.visit:.0f}, {_span(row.lowest, row.highest)} "
            f"(mean {row.mean:.1f}, {counted(int(row.n_participants), 'participant')})"
            for row in given.itertuples()
        ]
    )
    return f"Days since the visit before: {listed}."


def _span(low, high):
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def letters_in_words(conditions):
    """What the letters of a sequence stand for."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return in_words([f"{letter} {name}" for letter, name in zip(letters, conditions, strict=False)])


def by_sequence(table):
    """(label, table, origin) of each outcome: a row per sequence, a column per visit."""
    chosen = table[(table["part"] == BY_SEQUENCE) & table["mean"].notna()]
    for (outcome, window), group in chosen.groupby(["outcome", "window"], sort=False):
        cells = group.assign(
            visit=[f"visit {n:.0f}" for n in group["visit"]],
            cell=[
                f"{row.condition}: {_mean_and_sd(row)}, n {row.n_participants:.0f}"
                for row in group.itertuples()
            ],
        )
        joined = cells.groupby(["sequence", "visit"])["cell"].agg("; ".join)
        yield (
            f"{label_of(outcome)}, {words_of(window)}",
            joined.unstack("visit").fillna("").reset_index(),
            Origin("crossover", 0, outcome, window),
        )


def _mean_and_sd(row):
    return f"{row.mean:.3g}" + ("" if pd.isna(row.sd) else f" ({row.sd:.2g})")


def first_visit(chosen):
    """Contrasts of the first visit, which compare people."""
    return pd.DataFrame(
        {
            "outcome": [label_of(name) for name in chosen["outcome"]],
            "contrast": chosen["contrast"],
            "people": [f"{n:.0f}" for n in chosen["n_participants"]],
            "estimate": [_size(row) for row in chosen.itertuples()],
            "p": [p_value(p) for p in chosen["p"]],
            "note": chosen["note"].fillna("").str.removeprefix(f"{BETWEEN_PEOPLE}; "),
        }
    )


def steps(table):
    """Steps between visits and after another condition, with the test of all of an outcome.

    Each as cells and the row that they come from.
    """
    for part, kind in ((VISIT, "visit"), (CARRY_OVER, "after")):
        of_part = table[table["part"] == part]
        for (outcome, window), group in of_part.groupby(["outcome", "window"], sort=False):
            label = f"{label_of(outcome)}, {words_of(window)}"
            together = group[group["contrast"].isna()].iloc[0]
            single = group[group["contrast"].notna()]
            note = "" if pd.isna(together["note"]) else together["note"]
            for row in single.itertuples():
                first, second = row.contrast.split(" - ")
                cells = {
                    "outcome": label,
                    "step": f"{kind} {first} against {kind} {second}",
                    "estimate": _size(row),
                    "would be found": three_digits(row.detectable),
                    "p, all steps": p_value(together["p"]),
                    "note": row.note if isinstance(row.note, str) and row.note else note,
                }
                yield cells, Origin.of("crossover", row)
            if single.empty:
                what = "from visit to visit" if part == VISIT else "after another condition"
                cells = {"outcome": label, "step": what, "estimate": "", "note": note}
                yield cells, Origin("crossover", group.index[0] + 2, outcome, window)


def _size(row):
    sign = "\u00d7 " if row.scale == "ratio" else ""
    size = estimate_and_interval(row.estimate, row.ci_low, row.ci_high)
    return f"{sign}{size}" if size else ""
