"""From everybody's outcomes to tables of all: what was left out and why, and pressures."""

from engine.code import code_of
from engine.rules import command, of_everybody, parameter, patterns_of

GATHERED = {
    "outcomes_of_each": MEASURED.outcomes,
    "sync_of_each": MEASURED.sync,
    "recovery_of_each": MEASURED.recovery,
    "boundaries_of_each": MEASURED.boundaries,
    "beats_of_each": MEASURED.beats,
    "quality_of_each": [
        MEASURED.beat_quality,
        MEASURED.oxygenation_quality,
        MEASURED.window_quality,
    ],
    "unmade_of_all": MEASURED.unmade,
    "checks_of_each": MEASURED.cuff_checks,
}


rule gather_tables:
    """Put everybody's outcomes, quality and clocks into one table each; judge the pressures."""
    input:
        **of_everybody(GATHERED, STUDY.participants),
    output:
        outcomes=report(
            "<results>/outcomes.tsv",
            caption="../report/outcomes.rst",
            category="Results",
        ),
        outcomes_wide="<results>/outcomes_wide.tsv",
        sync="<results>/sync.tsv",
        unused="<results>/unused.tsv",
        quality="<results>/quality.tsv",
        exclusions="<results>/exclusions.tsv",
        unmade="<results>/unmade.tsv",
        decisions="<results>/decisions.tsv",
        recovery_series="<results>/recovery_series.tsv",
        boundaries="<results>/boundaries.tsv",
        safety=report(
            "<results>/safety.tsv",
            caption="../report/safety.rst",
            category="Safety",
        ),
        cuff_checks="<results>/cuff_checks.tsv",
        titration="<results>/titration.tsv",
        harms="<results>/harms.tsv",
    log:
        "<results>/logs/gather_tables.log",
    resources:
        mem_mb=300,
        runtime=5,
    params:
        **patterns_of(GATHERED),
        study=STUDY.folder.as_posix(),
        check_safety=parameter(SETTINGS.check_safety),
        protocol=parameter(SETTINGS.protocol),
        conditions=parameter(SETTINGS.study.conditions),
        harms_kept=parameter(STUDY.keeps("harms")),
        rows=STUDY.all_rows(
            *("participants", "sessions", "recordings", "occlusion", "titration"),
            *("events", "edits", "harms"),
        ),
        code=code_of("gather_tables", "check_safety"),
    shell:
        command("gather_tables", "check_safety")
