"""From the files of the recorders to signals, beats and saturation on the clock of each session."""


rule read_recordings:
    """Read one person's recordings, convert units, put them on the session clock."""
    input:
        raw=STUDY.raw_files,
    output:
        signals=f"{RESULTS}/signals/{{participant}}.parquet",
        sync=f"{RESULTS}/participants/{{participant}}/sync.tsv",
    log:
        f"{RESULTS}/logs/read_recordings/{{participant}}.log",
    params:
        settings=parameter(SETTINGS.read_recordings),
        study=str(STUDY.folder),
        participant="{participant}",
        rows=STUDY.rows("recordings", "sessions", "events"),
        code=code_of("read_recordings"),
    shell:
        command("read_recordings")


rule find_beats:
    """Find, classify and repair one person's beats; follow breathing; judge the ECG span by span."""
    input:
        signals=f"{RESULTS}/signals/{{participant}}.parquet",
    output:
        beats=f"{RESULTS}/beats/{{participant}}.tsv",
        respiration=f"{RESULTS}/participants/{{participant}}/respiration.tsv",
        quality=f"{RESULTS}/participants/{{participant}}/beat_quality.tsv",
    log:
        f"{RESULTS}/logs/find_beats/{{participant}}.log",
    params:
        settings=parameter(SETTINGS.find_beats),
        study=str(STUDY.folder),
        participant="{participant}",
        rows=STUDY.rows("edits"),
        code=code_of("find_beats"),
    shell:
        command("find_beats")


rule segment_oxygenation:
    """Clean one person's saturation and follow it through every set, rest and recovery."""
    input:
        signals=f"{RESULTS}/signals/{{participant}}.parquet",
    output:
        saturation=f"{RESULTS}/signals/{{participant}}_oxygenation.parquet",
        segments=f"{RESULTS}/participants/{{participant}}/segments.tsv",
        boundaries=f"{RESULTS}/participants/{{participant}}/boundaries.tsv",
        cuff_checks=f"{RESULTS}/participants/{{participant}}/cuff_checks.tsv",
        quality=f"{RESULTS}/participants/{{participant}}/oxygenation_quality.tsv",
    log:
        f"{RESULTS}/logs/segment_oxygenation/{{participant}}.log",
    params:
        settings=parameter(SETTINGS.segment_oxygenation),
        protocol=parameter(SETTINGS.protocol),
        study=str(STUDY.folder),
        participant="{participant}",
        rows=STUDY.rows("recordings", "events", "edits"),
        code=code_of("segment_oxygenation"),
    shell:
        command("segment_oxygenation")
