"""From outcomes to the contrasts between conditions."""


rule compare_conditions:
    """Fit the mixed model of each outcome and contrast the conditions, with their paired results."""
    input:
        outcomes=f"{RESULTS}/outcomes.tsv",
    output:
        contrasts=f"{RESULTS}/contrasts.tsv",
        models=f"{RESULTS}/models.tsv",
        missing=f"{RESULTS}/missing.tsv",
        sensitivity=f"{RESULTS}/sensitivity.tsv",
        planning_table=f"{RESULTS}/planning.tsv",
        diagnostics=f"{RESULTS}/diagnostics.tsv",
    log:
        f"{RESULTS}/logs/compare_conditions.log",
    params:
        settings=parameter(SETTINGS.compare_conditions),
        conditions=parameter(SETTINGS.study.conditions),
        primary=parameter(SETTINGS.study.primary),
        seed=parameter(SETTINGS.study.seed),
        code=code_of("compare_conditions", "outcomes/*"),
    shell:
        command("compare_conditions")


rule relate_outcomes:
    """Relate saturation to the heart across sets, and contractions counted to those noted."""
    input:
        outcomes=f"{RESULTS}/outcomes.tsv",
    output:
        coupling=f"{RESULTS}/coupling.tsv",
        repetitions=f"{RESULTS}/repetitions.tsv",
        repetition_agreement=f"{RESULTS}/repetition_agreement.tsv",
    log:
        f"{RESULTS}/logs/relate_outcomes.log",
    params:
        code=code_of("relate_outcomes"),
    shell:
        command("relate_outcomes")


rule try_alternatives:
    """Measure and compare the primary outcomes again under one alternative of the settings."""
    input:
        signals=expand(f"{RESULTS}/signals/{{participant}}.parquet", participant=STUDY.participants),
        beats=expand(f"{RESULTS}/beats/{{participant}}.tsv", participant=STUDY.participants),
        respiration=expand(
            f"{RESULTS}/participants/{{participant}}/respiration.tsv",
            participant=STUDY.participants,
        ),
        saturation=expand(
            f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
            participant=STUDY.participants,
        ),
        segments=expand(
            f"{RESULTS}/participants/{{participant}}/segments.tsv", participant=STUDY.participants
        ),
        beat_quality=expand(
            f"{RESULTS}/participants/{{participant}}/beat_quality.tsv",
            participant=STUDY.participants,
        ),
        sync=expand(
            f"{RESULTS}/participants/{{participant}}/sync.tsv", participant=STUDY.participants
        ),
        outcomes=f"{RESULTS}/outcomes.tsv",
        contrasts=f"{RESULTS}/contrasts.tsv",
    output:
        results=f"{RESULTS}/alternatives/{{alternative}}.tsv",
    log:
        f"{RESULTS}/logs/try_alternatives/{{alternative}}.log",
    params:
        study=str(STUDY.folder),
        alternative="{alternative}",
        settings=parameter(SETTINGS),
        usual_gates=parameter(STUDY.default_settings.measure_outcomes.gates),
        rows=STUDY.all_rows("participants", "sessions", "events", "edits"),
        code=code_of("try_alternatives", "outcomes/*", "windows/*"),
    shell:
        command("try_alternatives")


rule gather_alternatives:
    """Put the contrasts under every alternative into one table, the main analysis first."""
    input:
        contrasts=f"{RESULTS}/contrasts.tsv",
        alternatives_of_each=expand(
            f"{RESULTS}/alternatives/{{alternative}}.tsv", alternative=STUDY.alternatives
        ),
    output:
        alternatives=f"{RESULTS}/alternatives.tsv",
    log:
        f"{RESULTS}/logs/gather_alternatives.log",
    params:
        primary=parameter(SETTINGS.study.primary),
        code=code_of("gather_alternatives"),
    shell:
        command("gather_alternatives")
