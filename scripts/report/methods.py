"""The methods text, written from the settings that ran."""

import re
from importlib.metadata import version

from comparison.conditions import METHOD, MODEL
from comparison.correlation_by_level import BETWEEN_PEOPLE, BETWEEN_SESSIONS, WITHIN_SESSION
from comparison.sensitivity import (
    BASELINE,
    CHANGE,
    EQUAL_WORK,
    HIGHEST,
    LEFT_OUT,
    LOWEST,
    PAIRED,
    PREVAILING_RATE,
    SIGN_FLIP,
    WITHOUT_BASELINE,
)
from cuff.cautions import CAUTION
from cuff.verdicts import COUNTING
from engine.listings import described
from recordings.clock import ACQUISITION, JOINED, MARKS, NOTHING, STAMPS, STATED
from report.heart import delays_after_sets, delays_in_words
from report.references import CITATION
from report.safety import blood_pressure_in_words, harms_in_words
from report.sentences import in_unit
from report.words import source_of
from results.provenance import own_version
from results.words import counted, in_words, words_of

NEEDS = (
    "safety",
    "titration",
    "harms",
    "sync",
    "quality",
    "contrasts",
    "claims",
    "outcomes",
    "sensitivity",
    "planning",
    "coupling",
    "dose",
    "failure",
    "repetition_agreement",
    "boundaries",
    "exclusions",
)

# what the contrasts of an outcome took into account, by the end of their method
TAKEN = {
    "": "without the visit",
    ", visit": "with the visit in the model",
    ", own baseline": "with the session's own baseline as covariate",
    ", visit, own baseline": "with the visit and the session's own baseline in the model",
}

# analyses of sensitivity.tsv, and how they are said
OTHER_ASSUMPTIONS = (
    ((MODEL,), "by linear mixed models (Kenward and Roger 1997)"),
    ((PAIRED, SIGN_FLIP), "by each participant's own differences, with t and sign-flip tests"),
    ((LEFT_OUT,), "without each participant in turn"),
    (
        (BASELINE, WITHOUT_BASELINE, CHANGE),
        "with the session's resting value as covariate (Neuhaus and Kalbfleisch 1998), without it, "
        "or as the change from it",
    ),
    (
        (EQUAL_WORK,),
        "at equal repetitions, which the condition itself may change (Rosenbaum 1984)",
    ),
    (
        (PREVAILING_RATE,),
        "at one heart rate, which the condition itself may change (de Geus et al. 2019)",
    ),
    (
        (LOWEST, HIGHEST),
        "with missing values at the worst that anybody had (Horowitz and Manski 2000)",
    ),
)

LEVELS_IN_WORDS = {
    WITHIN_SESSION: "sets about the mean of their session",
    BETWEEN_SESSIONS: "session means about the mean of their person",
    BETWEEN_PEOPLE: "people about each other",
}

# how an offset came about, as a sentence goes on
PLACED = {
    MARKS: "put on the clock of the session from shared sync marks by least squares (offset and "
    "drift)",
    STATED: "taken at the offset that the study states, without a sync mark that could check it",
    STAMPS: "placed by the time stamps of their files and the clock time at which the session "
    "began",
    ACQUISITION: "taken to begin with the session, from which their files count",
    NOTHING: "taken to begin with the session although nothing says when they began, which is "
    "flagged in every value after them",
}

# outcomes that rest on a method, by the word under which the template says it
MEASURED_BY = {
    "spectrum": {"lf_power_ms2", "hf_power_ms2", "total_power_ms2"},
    "modulation": {"hf_modulation"},
    "ratio": {"lf_hf_ratio"},
    "resting saturation": {"smo2_baseline_pct"},
    "nadir": {"smo2_nadir_pct"},
    "slope": {"desaturation_slope_pct_per_s"},
    "half-time": {"reoxygenation_half_time_s"},
}

# software that every run uses, and how a sentence names its paper
NAMED = {
    "snakemake": "Mölder et al. 2021",
    "numpy": "Harris et al. 2020",
    "scipy": "Virtanen et al. 2020",
    "pandas": "McKinney 2010",
    "matplotlib": "Hunter 2007",
    "seaborn": "Waskom 2021",
}


def what_is_said(results):
    """Everything that the template of the methods text asks for, by name."""
    settings, quality, recordings = results.settings, results.quality, results.recordings
    declared = results.sync
    clocks = declared[declared["used"] == "yes"]
    rules = rules_that_judged(settings.quality_rules, results.outcomes)
    corrected = quality.loc[quality["segment"] == "recording", "corrected_pct"].dropna()
    return {
        "title": settings.study.title,
        "conditions": in_words(list(settings.study.conditions)),
        "n_participants": counted(recordings["participant_id"].nunique(), "participant"),
        "n_sessions": counted(
            len(recordings[["participant_id", "session_id"]].drop_duplicates()), "visit"
        ),
        "recordings": recordings_in_words(recordings),
        "occlusion": occlusion_in_words(results.occlusion),
        "under_cuffs": bool(
            (results.safety["scope"].eq("set") & results.safety["verdict"].notna()).any()
        ),
        "check_safety": settings.check_safety,
        "share_source": source_of(
            "check_safety", "highest_share_pct", settings, results.default_settings
        ),
        "counting": in_words(list(COUNTING), "or"),
        "titrated": len(results.titration),
        "blood_pressure": blood_pressure_in_words(results.events, settings.check_safety),
        "harms": harms_in_words(results.harms)[:1],
        "caution": CAUTION,
        "clocks": clocks_in_words(clocks),
        "declared_over_header": declared_over_header(recordings),
        "joined": int(clocks["status"].str.contains(JOINED).sum()),
        "unused": int((declared["used"] == "no").sum()),
        "n_clocks": len(clocks),
        "without_marks": bool((clocks["n_marks"] == 0).all()),
        "unknown_drift": int((clocks["n_marks"] < 2).sum()),
        "flagged_clocks": int(clocks["status"].str.contains("flagged").sum()),
        "detector": settings.find_beats.detector,
        "has_ecg": bool((recordings["signal"] == "ecg").any()),
        "has_rr": bool((recordings["signal"] == "rr").any()),
        "has_heart": bool(recordings["signal"].isin(["ecg", "rr"]).any()),
        "has_saturation": bool((recordings["signal"] == "muscle_oxygen").any()),
        "measured": measured(results.outcomes),
        "events": set(results.events["trial_type"]),
        "corrected": f"{corrected.median():.2g}" if len(corrected) else "0",
        "m": settings.measure_outcomes,
        "protocol": settings.protocol,
        "band_source": source_of(
            "protocol", "failure_band_pct", settings, results.default_settings
        ),
        "breathing": breathing_in_words(recordings),
        "counted_contractions": bool(results.outcomes["outcome"].eq("contraction_count").any()),
        "errors": with_error(results.outcomes),
        "rated": bool(
            (results.outcomes["outcome"].eq("rpe") & results.outcomes["value"].notna()).any()
        ),
        "rpe_scale": settings.study.rpe_scale,
        "delays": delays_in_words(delays_after_sets(results.events, quality), settings),
        "other_assumptions": other_assumptions(results.sensitivity),
        "power_pct": 100 * settings.compare_conditions.power,
        "planned": bool(results.planning["detectable"].notna().any()),
        "related": related_in_words(results.coupling),
        "dosed": bool(results.dose["value"].notna().any()),
        "failed": bool((results.failure["n_failed"] > 0).any()),
        "agreed": bool(len(results.repetition_agreement)),
        "placed": bool(results.boundaries["proposed_s"].notna().any()),
        "segmenting": settings.segment_oxygenation,
        "n_rules": len(rules),
        "changed_rules": changed_rules(settings, results.default_settings),
        "compared": bool(results.contrasts["se"].notna().any()),
        "comparison": comparison(results.contrasts, settings),
        "claims": claims_in_words(
            results.claims, settings.plan, settings.compare_conditions.confidence
        ),
        "fewest": settings.compare_conditions.fewest_participants,
        "level_pct": 100 * settings.compare_conditions.confidence,
        "smallest_effects": smallest_effects(settings.compare_conditions.smallest_effect),
        "version": own_version(),
        "software": software_in_words(settings.find_beats.detector),
        "rule_sources": rule_sources(rules),
        "seed": settings.study.seed,
    }


def related_in_words(coupling):
    """By which levels saturation and the heart were related, and where their errors come from."""
    given = coupling[coupling["r"].notna()]
    levels = [said for level, said in LEVELS_IN_WORDS.items() if (given["level"] == level).any()]
    if not levels:
        return ""
    said = (
        "Saturation and heart outcomes were related level by level: "
        f"{', '.join(levels)} (Snijders and Bosker 2012)"
    )
    with_error = given[given["ci_low"].notna()]
    if with_error.empty:
        return f"{said}, without an interval."
    between = with_error["level"] == BETWEEN_PEOPLE
    if not between.all():
        said += ", each with an error from leaving one person out at a time"
    if between.any():
        said += "; between people the interval is that of Fisher (1921)"
    return f"{said}."


def clocks_in_words(clocks):
    """How recordings were put on the clock of their sessions, a sentence for each way."""
    sentences = []
    for placed_by, said in PLACED.items():
        n = int((clocks["placed_by"] == placed_by).sum())
        if n:
            each = "Recorder clocks were" if n == len(clocks) else f"{counted(n, 'recording')} "
            each += "" if n == len(clocks) else ("was" if n == 1 else "were")
            sentences.append(f"{each} {said}.")
    return " ".join(sentences)


def declared_over_header(recordings):
    """A sentence for each reason for which the study overruled what files say of themselves."""
    overruled = recordings[recordings["declared_over_header"].notna()]
    for (signal, named, unit, reason), files in overruled.groupby(
        ["signal", "declared_over_header", "unit", "declared_reason"], sort=False
    ):
        names = in_words([name.strip() for name in named.split(";") if name.strip()])
        stated = f"{names} ({unit})" if "unit" in named else names
        yield (
            f"In {counted(len(files), 'file')} of {words_of(signal)} the study declared {stated} "
            f"over the header of the file: {reason}."
        )


def measured(outcomes):
    """Which methods gave a value, by the words of the template."""
    given = set(outcomes.loc[outcomes["value"].notna(), "outcome"])
    return {name for name, of_it in MEASURED_BY.items() if given & of_it}


def software_in_words(detector):
    """Software with versions and papers; a library of detectors only where it found the beats."""
    named = dict(NAMED)
    if detector == "sleepecg":
        named["sleepecg"] = ""
    elif detector != "own":
        named["neurokit2"] = "Makowski et al. 2021"
    said = [
        f"{name} {version(name)} ({paper})" if paper else f"{name} {version(name)}"
        for name, paper in named.items()
    ]
    return ", ".join(said)


def rules_that_judged(rules, outcomes):
    """The quality rules that hold for an outcome which was asked in a window."""
    judged = outcomes[outcomes["status"] != "missing"]
    asked = judged[["outcome", "window"]].drop_duplicates().itertuples(index=False)
    pairs = [(name, described(name).FAMILY, window) for name, window in asked]
    return [rule for rule in rules.values() if any(rule.holds_for(*pair) for pair in pairs)]


def rule_sources(rules):
    """The literature that the limits of quality rules follow."""
    sources = [part for rule in rules for part in rule.source.split("; ")]
    named = [match[0] for source in sources for match in CITATION.finditer(source)]
    return in_words(list(dict.fromkeys(named))) if named else ""


def band(limits):
    return f"{limits[0]:g} to {limits[1]:g}"


def recordings_in_words(recordings):
    """How many recordings of each signal there are, in a sentence."""
    counts = recordings["signal"].value_counts().sort_index()
    (first, n), *further = counts.items()
    parts = [f"{counted(n, 'recording')} of {words_of(first)}"]
    parts += [f"{count} of {words_of(name)}" for name, count in further]
    return f"There {'was' if n == 1 else 'were'} {in_words(parts)}"


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
    named = []
    for name, size in sizes.items():
        module = described(name)
        if isinstance(size, dict):
            of_each = [f"{size_in_words(s, module)} ({words_of(w)})" for w, s in size.items()]
            named.append(f"{module.LABEL} {in_words(of_each)}")
        else:
            named.append(f"{module.LABEL} {size_in_words(size, module)}")
    return ", ".join(named)


def size_in_words(size, outcome):
    """A size in the unit of an outcome, or as a ratio."""
    if outcome.SCALE == "ratio":
        return f"a ratio of {size:g}"
    if outcome.SCALE == "ordinal":
        return f"a relative effect of {size:g}"
    return in_unit(f"{size:g}", outcome.UNIT)


def changed_rules(settings, default_settings):
    """Rules whose limits the study changed, with the default limit beside the one that ran."""
    default = default_settings.quality_rules
    changes = []
    for name, rule in settings.quality_rules.items():
        for limit in ("flagged_below", "flagged_above", "refused_below", "refused_above"):
            before, now = getattr(default.get(name), limit, None), getattr(rule, limit)
            if now != before:
                changes.append(f"{words_of(name)}, {words_of(limit)} {before} to {now}")
    return "; ".join(changes)


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
            "from the R amplitude of the ECG (Moody et al. 1985) and its intervals together",
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


def comparison(contrasts, settings):
    """How contrasts were estimated, by which outcomes took visit and baseline into account."""
    methods = {}
    for outcome, window in settings.study.primary:
        of_outcome = contrasts[
            (contrasts["outcome"] == outcome)
            & (contrasts["window"] == window)
            & (contrasts["exercise"] == "all")
            & contrasts["se"].notna()
        ]
        if len(of_outcome):
            label = f"{described(outcome).LABEL} ({words_of(window)})"
            methods.setdefault(of_outcome["method"].iloc[0].split("; ")[0], []).append(label)
    if not methods:
        return "No contrast of a primary outcome could be estimated; the values are described only."
    taken = [
        f"{TAKEN.get(method.removeprefix(METHOD), method)} for {in_words(labels)}"
        for method, labels in methods.items()
    ]
    return (
        "Contrasts came from differences within participants and exercises by least squares, each "
        f"exercise with equal weight, {'; '.join(taken)}. Their errors were clustered by "
        "participant (CR2; Bell and McCaffrey 2002), with Satterthwaite degrees of freedom for "
        "that error (Pustejovsky and Tipton 2018); in complete data without the visit this is the "
        f"paired t test.{ratings_in_words(contrasts)}"
    )


def ratings_in_words(contrasts):
    """How ratings were compared, where there were any."""
    ratings = contrasts[(contrasts["scale"] == "ordinal") & contrasts["se"].notna()]
    if ratings.empty:
        return ""
    labels = [described(name).LABEL for name in dict.fromkeys(ratings["outcome"])]
    return (
        f" {in_words(labels)} entered with the ranks of the ratings among all of the study, so "
        "that contrasts are differences of relative effects (Brunner, Domhof and Langer 2002)."
    )


def claims_in_words(claims, plan, confidence):
    """Which claims were planned, how each is shown, and the error over all of them."""
    if claims.empty:
        return ""
    alpha = 100 * (1 - confidence)
    said = in_words(list(dict.fromkeys(claims["claim"])))
    over = {
        "holm": "by the steps of Holm (1979)",
        "in_order": "by testing them in their declared order until one was not shown",
    }[plan.across_claims]
    n = counted(len(claims), "claim")
    return (
        f"The study states {n}: {said}. That one condition differs from all others was shown only "
        f"where each difference was at {alpha:.3g} % (intersection-union test; Berger 1982), which "
        "needs no further adjustment; every difference between conditions was tested by the steps "
        f"of Shaffer (1986). The chance of any false claim over the {n} is held at {alpha:.3g} % "
        f"{over}, that of any false single difference at {alpha:.3g} % within each primary "
        "outcome. Intervals have the level at which they agree with what is said beside them."
    )


def without_tags(setting):
    """A value in which nothing reads as a tag of HTML, which Markdown lets pass."""
    return re.sub(r"<(?=[A-Za-z/!?])", r"\\<", setting) if isinstance(setting, str) else setting
