"""Put the contrasts under every alternative into one table, the main analysis first."""

from comparison.alternatives import MAIN
from comparison.outcome_tables import rows_of
from engine.step import Input, Inputs, Output, run
from results.columns import columns_of
from results.decided import as_decided
from results.tables import read_table, read_tables, stack, write


def gather_alternatives(
    contrasts: Input,
    alternatives_of_each: Inputs,
    alternatives: Output,
    *,
    primary: list[tuple[str, str]],
):
    main = rows_of(as_decided(read_table(contrasts)), primary)
    main = main[main["exercise"] == "all"]
    main = main.assign(alternative=MAIN, says=MAIN, main_estimate=main["estimate"])
    tables = [main[main.columns.intersection(columns_of("alternatives"), sort=False)]]
    if alternatives_of_each:
        tables.append(read_tables(alternatives_of_each))
    write(stack(tables, "alternatives"), "alternatives", alternatives)


if __name__ == "__main__":
    run(gather_alternatives)
