"""Whether an outcome may be given in a window, may be read with care, or must be refused."""

from collections.abc import Callable, Mapping

from study.settings import QualityRule

WORSE = {"ok": 0, "flagged": 1, "refused": 2}

# units at the end of the names of properties
UNITS = {
    "_pct": "%",
    "_bpm_per_min": "bpm per min",
    "_hz": "Hz",
    "_ppm": "ppm",
    "_ms": "ms",
    "_s": "s",
}


def verdict(
    outcome: str,
    family: str,
    window: str,
    rules: Mapping[str, QualityRule],
    measured: Callable[[str], float | None],
) -> tuple[str, str]:
    """Status and reasons of one outcome in one window: `ok`, `flagged` or `refused`.

    `rules` is the table of the settings; `measured(name)` gives the property of the window that a
    rule compares with its limits, or None where it cannot be known, which lets the rule pass: the
    outcome then fails for its own reason. Only the reasons of the worst status are given.
    """
    worst, verdicts = "ok", []
    for rule in rules_that_judge(outcome, family, window, rules):
        figure = measured(rule.measured)
        if figure is not None:
            verdicts.append(_of_rule(rule, figure))
            worst = max(worst, verdicts[-1][0], key=WORSE.__getitem__)
    return worst, "; ".join(reason for status, reason in verdicts if status == worst and reason)


def rules_that_judge(
    outcome: str, family: str, window: str, rules: Mapping[str, QualityRule]
) -> list[QualityRule]:
    """The rules that hold for an outcome of a family in a window, in their order."""
    return [rule for rule in rules.values() if rule.holds_for(outcome, family, window)]


def _of_rule(rule, figure):
    for status in ("refused", "flagged"):
        below, above = getattr(rule, f"{status}_below"), getattr(rule, f"{status}_above")
        if (below is not None and figure < below) or (above is not None and figure > above):
            # a rule that something is so or not has no value to tell
            plain = figure == 1 and 0 in (rule.flagged_above, rule.refused_above)
            here = "" if plain else f" (here {figure:.3g}{_unit_of(rule.measured)})"
            return status, f"{rule.says}{here}"
    return "ok", ""


def _unit_of(measured):
    """The unit at the end of a name as people write it; empty for a number of things."""
    return next((f" {unit}" for end, unit in UNITS.items() if measured.endswith(end)), "")
