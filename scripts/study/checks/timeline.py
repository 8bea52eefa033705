"""A session is one timeline: events that cannot be are refused, odd ones are told before the run.

Odd is what one session does otherwise than the others of the study: such a value may be right, so
that it is a remark, one line for each cause. Limits: common practice, no source.
"""

from collections import Counter
from itertools import groupby
from statistics import median

from results.words import counted, in_words

SHORTEST_S = 1.0

# of times that are noted by hand
OVERLAP_S = 1.0

# events that last; a sync mark or a note is an instant
LASTING = ("baseline", "set", "rest", "recovery", "cuff")

# what is measured in one of them would hold the other; a cuff may be inflated over any of them
NEVER_TOGETHER = {
    frozenset(pair)
    for pair in (
        ("baseline", "baseline"),
        ("baseline", "set"),
        ("baseline", "recovery"),
        ("rest", "set"),
        ("recovery", "set"),
        ("recovery", "recovery"),
        ("rest", "rest"),
        ("set", "set"),
    )
}

# a value so many times another of its kind is mostly one of another unit
UNLIKE_OTHERS = 8.0

FEWEST_OTHERS = 4

# what the other unit would be, as a factor
UNITS_OF_TIME = {"minutes": 60.0, "ms": 1e-3, "hours": 3600.0}

SAME_SHARE = 0.5

# of sessions or visits that are alike, so that another one is odd
MOST = 0.66


def check_timeline(study, problems):
    """Events last, and those that exclude each other do not overlap."""
    odd = _Odd("events.tsv")
    for _, events in _sessions(study.tables["events"]):
        timed = []
        for row in events:
            if row.onset_s is None or row.duration_s is None:
                continue
            if row.trial_type in LASTING:
                if row.duration_s < SHORTEST_S:
                    problems.add(
                        "events.tsv",
                        f"row {row.row_number}, column duration_s",
                        f"a {row.trial_type} of {row.duration_s:g} s, allowed: at least "
                        f"{SHORTEST_S:g} s; write how long it lasted, in seconds",
                    )
                timed.append(row)
        timed.sort(key=lambda row: (row.onset_s, row.row_number))
        _check_overlaps(timed, problems)
        _note_odd_order(timed, odd)
    problems.remarks += odd.lines()


def _check_overlaps(timed, problems):
    for row, later, end_s in overlaps(timed):
        problems.add(
            "events.tsv",
            f"row {later.row_number}, column onset_s",
            f"the {later.trial_type} begins at {later.onset_s:g} s, before the "
            f"{row.trial_type} of row {row.row_number} ends at {end_s:g} s; correct the "
            "times of one of the two",
        )


def overlaps(timed):
    """Pairs of events, in order of onset, that exclude each other and overlap, and the end of the
    first, in s."""
    for n, row in enumerate(timed):
        end_s = row.onset_s + row.duration_s
        for later in timed[n + 1 :]:
            overlap_s = min(end_s, later.onset_s + later.duration_s) - later.onset_s
            if overlap_s <= 0:
                break
            kinds = (row.trial_type, later.trial_type)
            tolerance_s = 1e-9 if kinds == ("set", "set") else OVERLAP_S
            # a row that stands twice is named as such
            twice = kinds[0] == kinds[1] and row.onset_s == later.onset_s
            if frozenset(kinds) in NEVER_TOGETHER and overlap_s > tolerance_s and not twice:
                yield row, later, end_s


def _note_odd_order(timed, odd):
    sets = [row for row in timed if row.trial_type == "set"]
    baselines = [row for row in timed if row.trial_type == "baseline"]
    for row in timed:
        if row.onset_s < 0:
            odd.note("an event begins before the zero of the session clock", row)
    if sets and baselines and min(row.onset_s for row in baselines) > sets[-1].onset_s:
        odd.note("the only baseline of a session comes after its last set", baselines[0])
    for row in baselines:
        end_s = row.onset_s + row.duration_s
        for cuff in timed:
            if (
                cuff.trial_type == "cuff"
                and cuff.cuff_pressure_mmhg != 0
                and cuff.onset_s < end_s - OVERLAP_S
                and cuff.onset_s + cuff.duration_s > row.onset_s + OVERLAP_S
            ):
                odd.note("a baseline lies under an inflated cuff", row)


def check_values_against_other_sessions(study, problems):
    """Lengths, repetitions and loads that are far from all others of their kind are told."""
    odd = _Odd("events.tsv")
    events = study.tables["events"]
    kinds = {
        "duration_s": lambda row: (
            (row.trial_type, row.exercise) if row.trial_type in LASTING else None
        ),
        "reps_done": lambda row: row.exercise,
        "reps_planned": lambda row: row.exercise,
        "load_kg": lambda row: row.exercise and (row.participant_id, row.exercise),
    }
    for column, kind_of in kinds.items():
        of_kind = {}
        for row in events:
            # none done and no load are values of their own
            if getattr(row, column) and (kind := kind_of(row)):
                of_kind.setdefault(kind, []).append(row)
        for alike in of_kind.values():
            _note_unlike(column, alike, odd)
    problems.remarks += odd.lines()


def _note_unlike(column, alike, odd):
    if len(alike) <= FEWEST_OTHERS:
        return
    typical = median(getattr(row, column) for row in alike)
    for row in alike:
        ratio = getattr(row, column) / typical
        if max(ratio, 1 / ratio) >= UNLIKE_OTHERS:
            what = row.trial_type if row.exercise is None else f"{row.trial_type} of {row.exercise}"
            noted = getattr(row, column)
            unit = _other_unit(noted, typical) if column == "duration_s" else ""
            odd.note(f"{column} {noted:g}, where a {what} mostly has {typical:g}{unit}", row)


def _other_unit(noted, typical_s):
    for unit, factor in UNITS_OF_TIME.items():
        if abs(noted * factor / typical_s - 1) < SAME_SHARE:
            return f" (in {unit}?)"
    return ""


def check_exertion_fits_its_scale(study, problems):
    """Perceived exertion lies on the scale that the study names."""
    scale = study.settings.study.rpe_scale
    plain = scale.upper().replace(" ", "").replace("–", "-")
    low, high = (6, 20) if "6-20" in plain else (0, 10)
    if "6-20" not in plain and "CR10" not in plain and "0-10" not in plain:
        return
    for row in study.tables["events"]:
        if row.rpe is not None and not low <= row.rpe <= high:
            problems.add(
                "events.tsv",
                f"row {row.row_number}, column rpe",
                f"found {row.rpe:g}, allowed: {low} to {high} on {scale}; correct it, or name "
                "another scale in study: rpe_scale",
            )


def check_conditions_of_visits(study, problems):
    """Conditions of sets fit those of their session, of the other visits and of the sequence."""
    of_sessions = {}
    for visit, events in _sessions(study.tables["events"]):
        sets = [row for row in events if row.trial_type == "set" and row.condition]
        if sets:
            of_sessions[visit] = sets
    single = {
        visit: sets[0].condition
        for visit, sets in of_sessions.items()
        if len({row.condition for row in sets}) == 1
    }
    # a study of several conditions in a session has no condition of a visit
    if not of_sessions or len(single) < MOST * len(of_sessions):
        return
    odd = _Odd("events.tsv")
    for visit in sorted({*of_sessions} - {*single}):
        sets = of_sessions[visit]
        counts = Counter(row.condition for row in sets)
        rare = min(counts, key=lambda name: (counts[name], name))
        told = in_words([f"{counts[name]} {name}" for name in sorted(counts)])
        odd.note(
            f"sets of {' '.join(visit)} are {told}; all sets of another session have one condition",
            *[row for row in sets if row.condition == rare],
        )
    _note_repeated(single, of_sessions, odd)
    problems.remarks += odd.lines()
    _check_sequence(study, single, problems)


def _note_repeated(single, of_sessions, odd):
    """A person with two visits in one condition, where the others have each once."""
    of_person = {}
    for (participant, session), condition in single.items():
        of_person.setdefault(participant, {}).setdefault(condition, []).append(session)
    repeated = [p for p, of_each in of_person.items() if max(map(len, of_each.values())) > 1]
    if len(of_person) - len(repeated) < MOST * len(of_person):
        return
    for participant in repeated:
        for condition, sessions in of_person[participant].items():
            if len(sessions) > 1:
                odd.note(
                    f"{participant} has {condition} in {in_words(sessions)}; others have each "
                    "condition once",
                    of_sessions[participant, sessions[-1]][0],
                )


def _check_sequence(study, single, problems):
    """The letter of a visit in the allotted order stands for one condition in the whole study."""
    odd = _Odd("sessions.tsv")
    in_sequence = [row for row in study.tables["sessions"] if row.sequence]
    letters = Counter(letter for row in in_sequence for letter in set(row.sequence))
    for participant, of_person in groupby(sorted(in_sequence, key=_person), key=_person):
        of_person = list(of_person)
        given = sorted({row.sequence for row in of_person})
        if len(given) > 1:
            odd.note(
                f"{participant} has the sequences {in_words(given)}; one was allotted", *of_person
            )
    n_repeating = sum(len(set(row.sequence)) < len(row.sequence) for row in in_sequence)
    stands_for = {}
    for row in in_sequence:
        condition = single.get((row.participant_id, row.session_id))
        if condition and row.visit <= len(row.sequence):
            of_letter = stands_for.setdefault(row.sequence[row.visit - 1], Counter())
            of_letter[condition] += 1
    for row in in_sequence:
        rare = [
            letter for letter in sorted(set(row.sequence)) if letters[letter] < len(in_sequence) / 4
        ]
        if rare:
            odd.note(
                f"the sequence {row.sequence} has {in_words(rare)}, which few others have", row
            )
        if len(set(row.sequence)) < len(row.sequence) and n_repeating < len(in_sequence) / 4:
            odd.note(f"the sequence {row.sequence} repeats a letter, others have each once", row)
        condition = single.get((row.participant_id, row.session_id))
        if not condition or row.visit > len(row.sequence):
            continue
        letter = row.sequence[row.visit - 1]
        mostly, n_mostly = stands_for[letter].most_common(1)[0]
        if condition != mostly and n_mostly >= MOST * stands_for[letter].total():
            odd.note(
                f"{row.participant_id} {row.session_id} has sets in {condition}; visit {row.visit} "
                f"of its sequence {row.sequence} is {letter}, which is {mostly} in "
                f"{counted(n_mostly, 'other visit')}",
                row,
            )
    problems.remarks += odd.lines()


class _Odd:
    """What is odd, each cause once with all rows that show it."""

    def __init__(self, file):
        self.file = file
        self.rows_of_each = {}

    def note(self, cause, *alike):
        self.rows_of_each.setdefault(cause, []).extend(row.row_number for row in alike)

    def lines(self):
        for cause, numbers in self.rows_of_each.items():
            numbers = list(dict.fromkeys(numbers))
            shown = in_words([str(n) for n in numbers[:5]])
            more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
            word = "row" if len(numbers) == 1 else "rows"
            yield f"{self.file}, {word} {shown}{more}: {cause}; correct it where it is a slip."


def _person(row):
    return row.participant_id


def _visit(row):
    return row.participant_id, row.session_id


def _sessions(events):
    """Rows of each session, by person and session."""
    for visit, events_of_visit in groupby(sorted(events, key=_visit), key=_visit):
        yield visit, list(events_of_visit)
