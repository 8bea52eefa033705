"""Outcomes that settings name: they exist, and in the windows that are named."""

from engine.listings import families, header, windows, windows_of
from study.checks.settings import stated_settings
from study.problems import did_you_mean


def fault_of(study, outcome, window=None):
    """Why an outcome, or its window, cannot be meant; empty where both are known."""
    if outcome not in study.outcomes:
        return f"{outcome!r} is not an outcome{did_you_mean(outcome, study.outcomes)}"
    measured_in = windows_of(outcome) or windows()
    if window is None or window in measured_in:
        return ""
    allowed = ", ".join(measured_in)
    return f"{outcome} is not measured in window {window!r}, allowed: {allowed}"


def check_names(study, problems):
    """Outcomes named in the settings exist, primary ones in the window that they are named for."""
    for number, (outcome, window) in enumerate(study.settings.study.primary):
        setting = ("study", "primary_outcomes", str(number))
        if fault := fault_of(study, outcome, window):
            problems.add_setting(setting, fault)
        needed = outcome in study.outcomes and header("outcomes", outcome).get("RECORDED")
        if needed and needed not in study.recorded:
            problems.add_setting(
                setting,
                f"{outcome} is measured in {needed}, which no row of recordings.tsv holds; add the "
                "recordings, or name another outcome",
            )
    for outcome in study.settings.plan.baseline_adjusted:
        if fault := fault_of(study, outcome):
            problems.add_setting(("plan", "baseline_adjusted"), fault)
    known = set(families().values())
    for name, rule in study.settings.quality_rules.items():
        setting = ("quality_rules", name)
        for family in sorted(set(rule.families) - known):
            problems.add_setting(
                setting,
                f"{family!r} is not a family of outcomes, allowed: {', '.join(sorted(known))}"
                f"{did_you_mean(family, known)}",
            )
        for outcome in sorted({*rule.outcomes, *rule.without} - set(study.outcomes)):
            problems.add_setting(setting, fault_of(study, outcome))


def check_stated_names(study, problems):
    """Primary outcomes exist, also where other faults of the settings leave them unread."""
    for section in ("study", "plan"):
        stated = (study.stated or {}).get(section)
        named = stated.get("primary_outcomes") if isinstance(stated, dict) else None
        for number, entry in enumerate(named if isinstance(named, list) else []):
            outcome = entry.get("outcome") if isinstance(entry, dict) else None
            if isinstance(outcome, str) and (fault := fault_of(study, outcome)):
                problems.add_setting((section, "primary_outcomes", str(number)), fault)


def check_claims(study, problems):
    """Claims of the plan name outcomes, windows and conditions of the study."""
    conditions = study.settings.study.conditions
    for number, claim in enumerate(study.settings.plan.claims):
        fault = fault_of(study, claim.outcome, claim.window)
        if not fault and claim.condition and claim.condition not in conditions:
            fault = f"{claim.condition!r} is not a condition, allowed: {', '.join(conditions)}"
        if fault:
            problems.add_setting(("plan", "claims", str(number)), fault)


def check_smallest_effects(study, problems):
    """A smallest effect is one of an outcome, in windows in which it is measured."""
    for section, settings in stated_settings(study, "compare_conditions"):
        sizes = settings.get("smallest_effect")
        # anything else is a problem already
        for outcome, size in sizes.items() if isinstance(sizes, dict) else ():
            setting = (*section, "smallest_effect", outcome)
            if fault := fault_of(study, outcome):
                problems.add_setting(setting[:-1], fault)
                continue
            by_window = size if isinstance(size, dict) else {}
            for window in by_window:
                if fault := fault_of(study, outcome, window):
                    hint = did_you_mean(window, windows_of(outcome) or windows())
                    problems.add_setting((*setting, window), fault + hint)
            scale = header("outcomes", outcome)["SCALE"]
            sizes_given = [s for s in (size, *by_window.values()) if isinstance(s, (int, float))]
            if scale == "ordinal" and any(s >= 1 for s in sizes_given):
                problems.add_setting(
                    setting,
                    f"{outcome} is compared by ranks: the smallest difference of relative effects "
                    "lies between 0 and 1, as 0.2, and is not in points",
                )
            if scale == "ratio" and 1 in sizes_given:
                problems.add_setting(
                    setting,
                    f"{outcome} is compared as a ratio: a ratio of 1 is no effect; write the "
                    "smallest one that matters, as 1.2",
                )
