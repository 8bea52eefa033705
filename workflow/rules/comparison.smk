"""From outcomes to contrasts between conditions and relations between outcomes."""

from engine.code import code_of
from engine.rules import command, of_everybody, parameter, patterns_of

MEASURED_AGAIN = {
    "signals": MEASURED.signals,
    "beats": MEASURED.beats,
    "respiration": MEASURED.respiration,
    "saturation": MEASURED.saturation,
    "segments": MEASURED.segments,
    "beat_quality": MEASURED.beat_quality,
    "sync": MEASURED.sync,
}

STEPS_OF_COMPARING = ("compare_conditions", "relate_outcomes", "try_alternatives")


rule compare_conditions:
    """Contrast conditions within people, relate outcomes of sets, contrast again otherwise."""
    input:
        **of_everybody(MEASURED_AGAIN, STUDY.participants),
        outcomes=rules.gather_tables.output.outcomes,
        quality=rules.gather_tables.output.quality,
        safety=rules.gather_tables.output.safety,
        cuff_checks=rules.gather_tables.output.cuff_checks,
    output:
        contrasts=report(
            "<results>/contrasts.tsv",
            caption="../report/contrasts.rst",
            category="Results",
        ),
        claims="<results>/claims.tsv",
        joint_tests="<results>/joint_tests.tsv",
        crossover="<results>/crossover.tsv",
        models="<results>/models.tsv",
        missing="<results>/missing.tsv",
        sensitivity="<results>/sensitivity.tsv",
        single_case="<results>/single_case.tsv",
        effect_sizes="<results>/effect_sizes.tsv",
        individual_responses="<results>/individual_responses.tsv",
        repeatability="<results>/repeatability.tsv",
        planning_table="<results>/planning.tsv",
        diagnostics="<results>/diagnostics.tsv",
        failure="<results>/failure.tsv",
        dose="<results>/dose.tsv",
        coupling="<results>/coupling.tsv",
        repetitions="<results>/repetitions.tsv",
        repetition_agreement="<results>/repetition_agreement.tsv",
        alternatives="<results>/alternatives.tsv",
    log:
        "<results>/logs/compare_conditions.log",
    resources:
        mem_mb=400,
        # measures everybody again, 2 s a person with visits of half an hour
        runtime=5 + len(STUDY.participants) // 20,
    params:
        **patterns_of(MEASURED_AGAIN),
        study=STUDY.folder.as_posix(),
        protocol=parameter(SETTINGS.protocol),
        about=parameter(SETTINGS.study),
        compare_conditions=parameter(SETTINGS.compare_conditions),
        planned=parameter(SETTINGS.plan),
        conditions=parameter(SETTINGS.study.conditions),
        primary=parameter(SETTINGS.study.primary),
        seed=parameter(SETTINGS.study.seed),
        changed=parameter(STUDY.changed_after_freezing),
        try_alternatives=parameter(SETTINGS),
        default_quality_rules=parameter(STUDY.default_settings.quality_rules),
        rows=STUDY.all_rows("participants", "sessions", "recordings", "events", "edits"),
        code=code_of(*STEPS_OF_COMPARING, "outcomes/*", "windows/*"),
    shell:
        command(*STEPS_OF_COMPARING)
