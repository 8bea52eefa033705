"""Put everybody's outcomes, quality and clocks into one table each, and list what was left out."""

from engine.step import OfAll, OfEach, Output, run
from results.columns import columns_of
from results.decisions import ledger
from results.exclusions import (
    WithheldValues,
    conditions_not_done,
    edits,
    excluded_events,
    people_and_visits,
    people_not_measured,
    rejected_spans,
    uncovered_parts,
    unused_recordings,
    with_coverage,
)
from results.tables import copy_below, read_table, stack, write, write_below
from results.wide import EVENT_AND_WINDOW, wide


def gather_tables(
    outcomes_of_each: OfEach,
    sync_of_each: OfEach,
    recovery_of_each: OfEach,
    boundaries_of_each: OfEach,
    quality_of_each: OfEach,
    unmade_of_all: OfAll,
    beats_of_each: OfEach,
    outcomes: Output,
    outcomes_wide: Output,
    sync: Output,
    unused: Output,
    quality: Output,
    exclusions: Output,
    unmade: Output,
    decisions: Output,
    recovery_series: Output,
    boundaries: Output,
    *,
    study: str,
):
    copy_below(outcomes_of_each, "outcomes", outcomes)
    copy_below(sync_of_each, "sync", sync)
    copy_below(recovery_of_each, "recovery_series", recovery_series)
    copy_below(boundaries_of_each, "boundaries", boundaries)
    # one person at a time, so that memory does not grow with people
    withheld, names = WithheldValues(), set()
    for path in outcomes_of_each:
        of_person = read_table(path)
        withheld.add(of_person)
        names |= set(of_person["outcome"].dropna())
    everybody = (wide(read_table(path)) for path in outcomes_of_each)
    write_below(everybody, [*EVENT_AND_WINDOW, *sorted(names)], outcomes_wide)
    clocks = read_table(sync)
    write(unused_recordings(clocks), "unused", unused)
    uncovered = uncovered_parts(clocks)
    judged = (with_coverage(read_table(path), uncovered) for path in quality_of_each)
    write_below(judged, columns_of("quality"), quality)
    copy_below(unmade_of_all, "unmade", unmade)
    beats_of = {path.stem: path for path in beats_of_each}
    write(ledger(study, beats_of, quality), "decisions", decisions)
    left_out = [
        people_and_visits(study),
        conditions_not_done(study),
        people_not_measured(read_table(unmade)),
        excluded_events(study),
        edits(study),
        *(rejected_spans(read_table(path)) for path in quality_of_each),
        withheld.table(),
    ]
    write(stack(left_out, "exclusions"), "exclusions", exclusions)


if __name__ == "__main__":
    run(gather_tables)
