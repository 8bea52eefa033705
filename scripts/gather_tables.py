"""Put everybody's outcomes, quality and clocks into one table each, and list what was left out."""

from engine.step import OfAll, OfEach, Output, run
from results.columns import columns_of
from results.decisions import ledger
from results.exclusions import exclusion_table, uncovered_parts, unused_recordings, with_coverage
from results.tables import copy_below, read_table, write, write_below
from results.wide_outcomes import write_wide


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
    write_wide(outcomes_of_each, outcomes_wide)
    clocks = read_table(sync)
    write(unused_recordings(clocks), "unused", unused)
    uncovered = uncovered_parts(clocks)
    judged = (with_coverage(read_table(path), uncovered) for path in quality_of_each)
    write_below(judged, columns_of("quality"), quality)
    copy_below(unmade_of_all, "unmade", unmade)
    beats_of = {path.stem: path for path in beats_of_each}
    write(ledger(study, beats_of, quality), "decisions", decisions)
    unmeasured = read_table(unmade)
    write(
        exclusion_table(study, unmeasured, quality_of_each, outcomes_of_each),
        "exclusions",
        exclusions,
    )


if __name__ == "__main__":
    run(gather_tables)
