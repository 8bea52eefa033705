"""Outcomes that settings name: they exist, and in the windows that are named."""

from engine.listings import families, header, windows
from study.checks.settings import stated_settings
from study.problems import did_you_mean


def check_names(study, problems):
    """Outcomes named in the settings exist, primary ones in the window that they are named for."""
    for number, (outcome, window) in enumerate(study.settings.study.primary):
        setting = ("study", "primary_outcomes", str(number))
        if outcome not in study.outcomes:
            hint = did_you_mean(outcome, study.outcomes)
            problems.add_setting(study.written, setting, f"{outcome!r} is not an outcome{hint}")
            continue
        needed = header("outcomes", outcome).get("RECORDED")
        if needed and needed not in study.recorded:
            problems.add_setting(
                study.written,
                setting,
                f"{outcome} is measured in {needed}, which no row of recordings.tsv holds; add the "
                "recordings, or name another outcome",
            )
        measured_in = study.measured_in(outcome)
        if measured_in is not None and window not in measured_in:
            problems.add_setting(
                study.written,
                setting,
                f"{outcome} is not measured in window {window!r}, allowed: "
                f"{', '.join(measured_in)}",
            )
    for outcome in study.settings.plan.baseline_adjusted:
        if outcome not in study.outcomes:
            hint = did_you_mean(outcome, study.outcomes)
            setting = ("plan", "baseline_adjusted")
            problems.add_setting(study.written, setting, f"{outcome!r} is not an outcome{hint}")
    known = set(families().values())
    for name, rule in study.settings.quality_rules.items():
        setting = ("quality_rules", name)
        for family in sorted(set(rule.families) - known):
            problems.add_setting(
                study.written,
                setting,
                f"{family!r} is not a family of outcomes, allowed: {', '.join(sorted(known))}"
                f"{did_you_mean(family, known)}",
            )
        for outcome in sorted({*rule.outcomes, *rule.without} - set(study.outcomes)):
            hint = did_you_mean(outcome, study.outcomes)
            problems.add_setting(study.written, setting, f"{outcome!r} is not an outcome{hint}")


def check_stated_names(study, problems):
    """Primary outcomes exist, also where other faults of the settings leave them unread."""
    for section in ("study", "plan"):
        stated = (study.stated or {}).get(section)
        named = stated.get("primary_outcomes") if isinstance(stated, dict) else None
        for number, entry in enumerate(named if isinstance(named, list) else []):
            outcome = entry.get("outcome") if isinstance(entry, dict) else None
            if isinstance(outcome, str) and outcome not in study.outcomes:
                hint = did_you_mean(outcome, study.outcomes)
                setting = (section, "primary_outcomes", str(number))
                problems.add_setting(study.written, setting, f"{outcome!r} is not an outcome{hint}")


def check_claims(study, problems):
    """Claims of the plan name outcomes, windows and conditions of the study."""
    conditions = study.settings.study.conditions
    for number, claim in enumerate(study.settings.plan.claims):
        setting = ("plan", "claims", str(number))
        message = ""
        if claim.outcome not in study.outcomes:
            hint = did_you_mean(claim.outcome, study.outcomes)
            message = f"{claim.outcome!r} is not an outcome{hint}"
        elif claim.window not in (study.measured_in(claim.outcome) or windows()):
            allowed = ", ".join(study.measured_in(claim.outcome))
            message = (
                f"{claim.outcome} is not measured in window {claim.window!r}, allowed: {allowed}"
            )
        elif claim.condition and claim.condition not in conditions:
            message = f"{claim.condition!r} is not a condition, allowed: {', '.join(conditions)}"
        if message:
            problems.add_setting(study.written, setting, message)


def check_smallest_effects(study, problems):
    """A smallest effect is one of an outcome, in windows in which it is measured."""
    for section, settings in stated_settings(study, "compare_conditions"):
        sizes = settings.get("smallest_effect")
        # anything else is a problem already
        for outcome, size in sizes.items() if isinstance(sizes, dict) else ():
            setting = (*section, "smallest_effect", outcome)
            if outcome not in study.outcomes:
                hint = did_you_mean(outcome, study.outcomes)
                problems.add_setting(
                    study.written, setting[:-1], f"{outcome!r} is not an outcome{hint}"
                )
                continue
            by_window = size if isinstance(size, dict) else {}
            measured_in = study.measured_in(outcome) or windows()
            for window in [name for name in by_window if name not in measured_in]:
                hint = did_you_mean(window, measured_in)
                problems.add_setting(
                    study.written,
                    (*setting, window),
                    f"{outcome} is not measured in window {window!r}, allowed: "
                    f"{', '.join(measured_in)}{hint}",
                )
            sizes_given = [s for s in (size, *by_window.values()) if isinstance(s, (int, float))]
            if study.scale_of(outcome) == "ordinal" and any(s >= 1 for s in sizes_given):
                problems.add_setting(
                    study.written,
                    setting,
                    f"{outcome} is compared by ranks: the smallest difference of relative effects "
                    "lies between 0 and 1, as 0.2, and is not in points",
                )
            if study.scale_of(outcome) == "ratio" and 1 in (size, *by_window.values()):
                problems.add_setting(
                    study.written,
                    setting,
                    f"{outcome} is compared as a ratio: a ratio of 1 is no effect; write the "
                    "smallest one that matters, as 1.2",
                )
