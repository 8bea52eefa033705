"""From beats and saturation to outcomes, and to the tables that say what was left out and why."""


rule measure_outcomes:
    """Measure every outcome in every window of one person, or refuse it with the reason."""
    input:
        beats=f"{RESULTS}/beats/{{participant}}.tsv",
        respiration=f"{RESULTS}/participants/{{participant}}/respiration.tsv",
        saturation=f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
        segments=f"{RESULTS}/participants/{{participant}}/segments.tsv",
        beat_quality=f"{RESULTS}/participants/{{participant}}/beat_quality.tsv",
        sync=f"{RESULTS}/participants/{{participant}}/sync.tsv",
    output:
        outcomes=f"{RESULTS}/participants/{{participant}}/outcomes.tsv",
        quality=f"{RESULTS}/participants/{{participant}}/window_quality.tsv",
        recovery=f"{RESULTS}/participants/{{participant}}/recovery.tsv",
    log:
        f"{RESULTS}/logs/measure_outcomes/{{participant}}.log",
    params:
        settings=parameter(SETTINGS.measure_outcomes),
        protocol=parameter(SETTINGS.protocol),
        usual_gates=parameter(STUDY.default_settings.measure_outcomes.gates),
        study=str(STUDY.folder),
        participant="{participant}",
        rows=STUDY.rows("participants", "sessions", "events", "edits"),
        code=code_of("measure_outcomes", "outcomes/*", "windows/*"),
    shell:
        command("measure_outcomes")


rule gather_tables:
    """Put everybody's outcomes, quality, clocks and exclusions into one table each."""
    input:
        outcomes_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/outcomes.tsv", participant=STUDY.participants
        ),
        sync_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/sync.tsv", participant=STUDY.participants
        ),
        recovery_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/recovery.tsv", participant=STUDY.participants
        ),
        boundaries_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/boundaries.tsv",
            participant=STUDY.participants,
        ),
        quality_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/{{part}}_quality.tsv",
            participant=STUDY.participants,
            part=["beat", "oxygenation", "window"],
        ),
    output:
        outcomes=f"{RESULTS}/outcomes.tsv",
        outcomes_wide=f"{RESULTS}/outcomes_wide.tsv",
        sync=f"{RESULTS}/sync.tsv",
        quality=f"{RESULTS}/quality.tsv",
        exclusions=f"{RESULTS}/exclusions.tsv",
        recovery_series=f"{RESULTS}/recovery_series.tsv",
        boundaries=f"{RESULTS}/boundaries.tsv",
    log:
        f"{RESULTS}/logs/gather_tables.log",
    params:
        study=str(STUDY.folder),
        rows=STUDY.all_rows("participants", "sessions", "recordings", "events", "edits"),
        code=code_of("gather_tables"),
    shell:
        command("gather_tables")


rule check_safety:
    """Pressures against measured occlusion pressures, symptoms, and checks that are missing."""
    input:
        checks_of_each=expand(
            f"{RESULTS}/participants/{{participant}}/cuff_checks.tsv",
            participant=STUDY.participants,
        ),
    output:
        safety=f"{RESULTS}/safety.tsv",
        cuff_checks=f"{RESULTS}/cuff_checks.tsv",
    log:
        f"{RESULTS}/logs/check_safety.log",
    params:
        settings=parameter(SETTINGS.check_safety),
        protocol=parameter(SETTINGS.protocol),
        study=str(STUDY.folder),
        rows=STUDY.all_rows("sessions", "occlusion", "events"),
        code=code_of("check_safety"),
    shell:
        command("check_safety")
