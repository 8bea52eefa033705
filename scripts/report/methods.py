"""The methods text, written from the settings that ran."""

from comparison.sensitivity import BASELINE, CHANGE, EQUAL_WORK, HIGHEST, LEFT_OUT, LOWEST
from engine.listings import described
from report.sentences import in_unit
from results.words import counted, in_words, words_of

NEEDS = (
    "sync",
    "quality",
    "models",
    "outcomes",
    "sensitivity",
    "planning",
    "coupling",
    "dose",
    "failure",
    "repetition_agreement",
    "boundaries",
)

# analyses of sensitivity.tsv, and how they are said
OTHER_ASSUMPTIONS = (
    ((LEFT_OUT,), "without each participant in turn"),
    (
        (BASELINE, CHANGE),
        "with the resting value as mean of the participant and deviation from it (Neuhaus and "
        "Kalbfleisch 1998) or as the change from it",
    ),
    (
        (EQUAL_WORK,),
        "at equal repetitions, which the condition itself may change (Rosenbaum 1984)",
    ),
    (
        (LOWEST, HIGHEST),
        "with missing values at the worst that anybody had (Horowitz and Manski 2000)",
    ),
)

NAMED = ("snakemake", "numpy", "scipy", "pandas", "statsmodels", "neurokit2", "matplotlib")


def band(limits):
    return f"{limits[0]:g} to {limits[1]:g}"


def recordings_in_words(recordings):
    """How many recordings of each signal there are."""
    counts = recordings["signal"].value_counts().sort_index()
    return ", ".join(f"{count} of {words_of(name)}" for name, count in counts.items())


def occlusion_in_words(occlusion):
    """How many occlusion pressures were found by each method: `5 by palpation, 1 estimated ...`."""
    counts = occlusion["method"].value_counts().sort_index()
    return ", ".join(
        f"{count} {'' if method == 'estimated' else 'by '}{words_of(method)}"
        for method, count in counts.items()
    )


def smallest_effects(sizes):
    """The smallest effects of interest, with their windows where these have sizes of their own.

    `Saturation nadir 5 percentage points, Mean heart rate 3 bpm (set) and 5 bpm (baseline)`.
    """
    found = []
    for name, size in sizes.items():
        module = described(name)
        if isinstance(size, dict):
            of_each = [f"{size_in_words(s, module)} ({words_of(w)})" for w, s in size.items()]
            found.append(f"{module.LABEL} {in_words(of_each)}")
        else:
            found.append(f"{module.LABEL} {size_in_words(size, module)}")
    return ", ".join(found)


def size_in_words(size, outcome):
    """A size in the unit of an outcome, or as a ratio."""
    if outcome.SCALE == "ratio":
        return f"a ratio of {size:g}"
    return in_unit(f"{size:g}", outcome.UNIT)


def changed_rules(settings, default_settings):
    """Rules whose limits the study changed, with the default limit beside the one that ran."""
    default = default_settings.quality_rules
    found = []
    for name, rule in settings.quality_rules.items():
        for limit in ("flagged_below", "flagged_above", "refused_below", "refused_above"):
            before, now = getattr(default.get(name), limit, None), getattr(rule, limit)
            if now != before:
                found.append(f"{words_of(name)}, {words_of(limit)} {before} to {now}")
    return "; ".join(found)


def breathing_in_words(recordings):
    """Where the breathing rate comes from, by what was recorded in each visit."""
    of_visit = recordings.groupby(["participant_id", "session_id"])["signal"].agg(set)
    belt = of_visit.map(lambda signals: "respiration" in signals)
    ecg = of_visit.map(lambda signals: "ecg" in signals) & ~belt
    intervals = of_visit.map(lambda signals: "rr" in signals) & ~belt & ~ecg
    sources = (
        (belt, "from the recording of breathing"),
        (
            ecg,
            "from the R amplitude of the ECG (Moody et al. 1985) or, where that showed none, from "
            "its intervals",
        ),
        (intervals, "from the beat intervals alone"),
    )
    return ", ".join(
        f"{source} in {counted(int(visits.sum()), 'visit')}"
        for visits, source in sources
        if visits.any()
    )


def with_error(outcomes):
    """Labels of the outcomes whose single values carry a standard error, as a list in words."""
    names = outcomes.loc[outcomes["se"].notna(), "outcome"].unique()
    return in_words([described(name).LABEL for name in names]) if len(names) else ""


def other_assumptions(sensitivity):
    """What else was assumed about the same values in this study, each with its source."""
    done = set(sensitivity.loc[sensitivity["estimate"].notna(), "analysis"])
    said = [words for names, words in OTHER_ASSUMPTIONS if done & set(names)]
    return in_words(said) if said else ""


def comparison(models, settings):
    """The model of each primary outcome that has one, and the error term in use."""
    formulas, without = {}, []
    for outcome, window in settings.study.primary:
        label = f"{described(outcome).LABEL} ({words_of(window)})"
        own = models[
            (models["outcome"] == outcome)
            & (models["window"] == window)
            & models["formula"].notna()
        ]
        if len(own):
            formulas.setdefault(own["formula"].iloc[0], []).append(label)
        else:
            without.append(label)
    if not formulas:
        return "No model could be fitted; the values are described only."
    error = (
        "with degrees of freedom after Kenward and Roger (1997)"
        if settings.compare_conditions.error == "pooled"
        else "and each contrast was tested with its own paired error"
    )
    models_of = "; ".join(
        f"{formula} for {in_words(labels)}" for formula, labels in formulas.items()
    )
    last = f" No model could be fitted for {in_words(without)}." if without else ""
    return (
        "Conditions were compared by linear mixed models fitted by restricted maximum "
        f"likelihood, {error}: {models_of}.{last}"
    )
