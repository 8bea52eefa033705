"""Settings against tables: working muscles, the condition without cuff, what figures draw."""

import difflib

from study.problems import did_you_mean

NO_SENSOR = "n/a"


def stated_settings(study, section):
    """Settings of one section as the study states them, and in each alternative."""
    yield (section,), study.stated.get(section, {})
    for name, changes in study.settings.try_alternatives.alternatives.items():
        if changes:
            yield ("try_alternatives", "alternatives", name, section), getattr(changes, section)


def check_working_muscles(study, problems):
    """A working muscle is named for an exercise that is done, by the site of a sensor."""
    sets = [row for row in study.tables["events"] if row.trial_type == "set"]
    sensors = [row for row in study.tables["recordings"] if row.signal == "muscle_oxygen"]
    if not sets or not sensors:
        return
    done = list(dict.fromkeys(row.exercise for row in sets))
    declared = [*study.settings.study.exercises, *done]
    for section, settings in stated_settings(study, "segment_oxygenation"):
        named = settings.get("working_muscle", {})
        for exercise, site in named.items():
            path = (*section, "working_muscle", exercise)
            visits = {(r.participant_id, r.session_id) for r in sets if r.exercise == exercise}
            there = {r.site for r in sensors if (r.participant_id, r.session_id) in visits}
            sites = sorted(filter(None, there))
            if exercise not in declared:
                message = f"{exercise!r} is not an exercise of events.tsv"
                meant = _misspelt(exercise, [name for name in done if name not in named])
            elif not there or site in (*sites, NO_SENSOR):
                continue
            else:
                message = f"no sensor lies on {site!r} in sessions with {exercise}"
                meant = _misspelt(site, sites)
            if meant:
                problems.add_setting(path, f"{message}; did you mean {meant!r}?")
            else:
                problems.remarks.append(f"{'.'.join(path)}: {message}.")


def _misspelt(name, names):
    """The name that differs by a letter, case or underscore only; None without one.

    No wider, because triceps brachii is not a misspelt biceps brachii.
    """
    plain = {known.lower().replace("_", " "): known for known in names}
    near = difflib.get_close_matches(name.lower().replace("_", " "), plain, 1, 0.9)
    return plain[near[0]] if near else None


def check_no_cuff_condition(study, problems):
    """The condition without cuff is one of the study's, wherever it decides about a pressure."""
    conditions = study.settings.study.conditions
    default = study.settings.protocol.no_cuff_condition
    stated = "no_cuff_condition" in study.stated.get("protocol", {})
    if default not in conditions and not stated:
        _ask_for_no_cuff_condition(study, problems, default, conditions)
    for section, settings in stated_settings(study, "protocol"):
        name = settings.get("no_cuff_condition")
        if name is not None and name not in conditions:
            problems.add_setting(
                (*section, "no_cuff_condition"),
                f"found {name!r}, allowed: {', '.join(conditions)}{did_you_mean(name, conditions)}",
            )


def _ask_for_no_cuff_condition(study, problems, default, conditions):
    """The default fits no condition: ask for the name where sets have no noted pressure.

    Such a set has no cuff or a pressure that was not noted; only the name tells the two apart.
    """
    events = study.tables["events"]
    with_cuff = any(row.trial_type == "cuff" or row.cuff_pressure_mmhg for row in events) or any(
        row.signal == "cuff_pressure" for row in study.tables["recordings"]
    )
    unnoted = {
        row.condition
        for row in events
        if row.trial_type == "set" and row.cuff_pressure_mmhg is None
    }
    unnoted = [condition for condition in conditions if condition in unnoted]
    if with_cuff and unnoted:
        problems.add(
            "study.yaml",
            "protocol.no_cuff_condition",
            f"is not stated, and the default {default!r} is not among the conditions, but sets in "
            f"{' and '.join(unnoted)} have no noted pressure; write the condition without cuff, "
            f"allowed: {', '.join(conditions)}, or null where every condition has a cuff",
        )


def check_drawn_sessions(study, problems):
    """Sessions and sets that figures are asked to draw are rows of the tables."""
    drawn = study.settings.draw_figures
    sets = [row for row in study.tables["events"] if row.trial_type == "set"]
    recorded = study.tables["recordings"]
    visits = sorted({(row.participant_id, row.session_id) for row in recorded})
    if drawn.course_of and tuple(drawn.course_of) not in visits:
        problems.add_setting(
            ("draw_figures", "course_of"),
            f"found {drawn.course_of}: recordings.tsv has no such participant and session; write "
            f"them as {list(visits[0])}",
        )
    opened = {(row.participant_id, row.session_id, row.event_id): row for row in sets}
    for name in drawn.closeups:
        row = opened.get(tuple(name))
        example = list(next(iter(opened), ("sub-01", "ses-1", "sub-01_ses-1_set-01")))
        if row is None:
            message = f"found {name}: events.tsv has no such set; write it as {example}"
        elif row.onset_s is None or row.duration_s is None:
            message = f"found {name}: the start or end of this set is not noted; name another"
        else:
            continue
        problems.add_setting(("draw_figures", "closeups"), message)
