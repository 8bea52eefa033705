"""Put the contrasts under every alternative into one table, the main analysis first."""

import pandas as pd

from comparison.alternatives import ALTERNATIVE_COLUMNS, MAIN
from comparison.outcome_tables import rows_of
from engine.step import Input, Inputs, Output, run
from report.sentences import as_decided
from results.tables import read_table, read_tables, write_table


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
    tables = [main.reindex(columns=ALTERNATIVE_COLUMNS)]
    if alternatives_of_each:
        tables.append(read_tables(alternatives_of_each))
    filled = [table.dropna(axis=1, how="all") for table in tables if len(table)]
    together = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    write_table(together.reindex(columns=ALTERNATIVE_COLUMNS), alternatives)


if __name__ == "__main__":
    run(gather_alternatives)
