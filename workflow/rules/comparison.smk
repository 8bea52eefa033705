"""From outcomes to the contrasts between conditions."""

from engine.code import code_of
from engine.rules import command, of_everybody, parameter, patterns_of


rule compare_conditions:
    """Contrast the conditions within people and judge the planned claims."""
    input:
        outcomes=rules.gather_tables.output.outcomes,
        quality=rules.gather_tables.output.quality,
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
    log:
        "<results>/logs/compare_conditions.log",
    resources:
        mem_mb=300,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        rows=STUDY.all_rows("sessions", "edits"),
        settings=parameter(SETTINGS.compare_conditions),
        planned=parameter(SETTINGS.plan),
        conditions=parameter(SETTINGS.study.conditions),
        primary=parameter(SETTINGS.study.primary),
        seed=parameter(SETTINGS.study.seed),
        changed=parameter(STUDY.changed_after_freezing),
        code=code_of("compare_conditions", "outcomes/*"),
    shell:
        command("compare_conditions")


rule relate_outcomes:
    """Relate saturation to failure, pressure and heart, and contractions counted to those noted."""
    input:
        outcomes=rules.gather_tables.output.outcomes,
        safety=rules.check_safety.output.safety,
        cuff_checks=rules.check_safety.output.cuff_checks,
    output:
        failure="<results>/failure.tsv",
        dose="<results>/dose.tsv",
        coupling="<results>/coupling.tsv",
        repetitions="<results>/repetitions.tsv",
        repetition_agreement="<results>/repetition_agreement.tsv",
    log:
        "<results>/logs/relate_outcomes.log",
    resources:
        mem_mb=300,
        runtime=5,
    params:
        study=STUDY.folder.as_posix(),
        rows=STUDY.all_rows("events", "edits"),
        protocol=parameter(SETTINGS.protocol),
        about=parameter(SETTINGS.study),
        code=code_of("relate_outcomes"),
    shell:
        command("relate_outcomes")


MEASURED_AGAIN = {
    "signals": MEASURED.signals,
    "beats": MEASURED.beats,
    "respiration": MEASURED.respiration,
    "saturation": MEASURED.saturation,
    "segments": MEASURED.segments,
    "beat_quality": MEASURED.beat_quality,
    "sync": MEASURED.sync,
}


rule try_alternatives:
    """Measure and compare the primary outcomes again under each alternative of the settings."""
    input:
        **of_everybody(MEASURED_AGAIN, STUDY.participants),
        outcomes=rules.gather_tables.output.outcomes,
        contrasts=rules.compare_conditions.output.contrasts,
        safety=rules.check_safety.output.safety,
    output:
        alternatives="<results>/alternatives.tsv",
    log:
        "<results>/logs/try_alternatives.log",
    resources:
        mem_mb=400,
        # measures everybody again, 2 s a person with visits of half an hour
        runtime=5 + len(STUDY.participants) // 20,
    params:
        **patterns_of(MEASURED_AGAIN),
        study=STUDY.folder.as_posix(),
        settings=parameter(SETTINGS),
        default_quality_rules=parameter(STUDY.default_settings.quality_rules),
        rows=STUDY.all_rows("participants", "sessions", "recordings", "events", "edits"),
        code=code_of("try_alternatives", "outcomes/*", "windows/*"),
    shell:
        command("try_alternatives")
