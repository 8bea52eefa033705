"""From outcomes to the contrasts between conditions."""


rule compare_conditions:
    """Fit the mixed model of each outcome and contrast the conditions, with their paired results."""
    input:
        outcomes=f"{RESULTS}/outcomes.tsv",
    output:
        contrasts=f"{RESULTS}/contrasts.tsv",
        models=f"{RESULTS}/models.tsv",
    log:
        f"{RESULTS}/logs/compare_conditions.log",
    params:
        **settings_of(SETTINGS["compare_conditions"]),
        conditions=settings_of(SETTINGS["study"])["conditions"],
        primary_outcomes=settings_of(SETTINGS["study"])["primary_outcomes"],
        seed=settings_of(SETTINGS["study"])["seed"],
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
