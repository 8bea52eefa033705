"""What was left out of the analysis, by which rule."""

import re
from collections import Counter

import pandas as pd

from recordings.coverage import CAUTION, OUTSIDE
from results.tables import read_table, stack
from results.words import counted
from study.session_sheet import events_of, table_of

# a number that is not part of a name
FIGURE = r"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w])"


VISIT = ["participant_id", "session_id"]

RECORDING = [*VISIT, "signal", "file"]


def exclusion_table(study, unmade, quality_of_each, outcomes_of_each):
    """Everything that did not enter the analysis, from people down to single values.

    `unmade` is the table of this name; the others are files of each person, read one by one.
    """
    withheld = WithheldValues()
    for path in outcomes_of_each:
        withheld.add(read_table(path, ["outcome", "window", "status", "reason"]))
    parts = [
        people_and_visits(study),
        conditions_not_done(study),
        people_not_measured(unmade),
        excluded_events(study),
        edits_of_signals(study),
        *(rejected_spans(read_table(path)) for path in quality_of_each),
        withheld.table(),
    ]
    return stack(parts, "exclusions")


def uncovered_parts(clocks):
    """What each recording of sync.tsv lacks of its session, by person, session, signal and file."""
    return {
        tuple(recording): part
        for *recording, status in clocks[[*RECORDING, "status"]].itertuples(index=False)
        for part in status.split("; ")
        if part.startswith(CAUTION)
    }


def unused_recordings(clocks):
    """Rows of recordings.tsv that were read and not used, with the reason."""
    unused = clocks[clocks["used"] == "no"]
    reason = unused["status"].str.removeprefix("not used: ")
    return unused[RECORDING].assign(table="recordings.tsv", reason=reason)


def people_not_measured(unmade):
    """Participants of whom a step failed, with what it said."""
    people = unmade[unmade["kind"] == "person"]
    reason = people["step"].fillna("the job") + ": " + people["reason"]
    return people[["participant_id"]].assign(
        scope="participant", rule="could not be measured", reason=reason
    )


def with_coverage(judged, uncovered):
    """Quality with what whole recordings lack of their sessions; one that lies outside of its
    session is rejected, however clean."""
    of_row = [
        uncovered.get(tuple(recording), "") if segment == "recording" else ""
        for *recording, segment in judged[[*RECORDING, "segment"]].itertuples(index=False)
    ]
    said = [
        "; ".join(part for part in (lacks.removeprefix("flagged: "), reason) if pd.notna(part))
        if lacks
        else reason
        for lacks, reason in zip(of_row, judged["reason"], strict=True)
    ]
    outside = pd.Series([lacks.startswith(OUTSIDE) for lacks in of_row], judged.index, dtype=bool)
    return judged.assign(
        reason=pd.Series(said, index=judged.index, dtype=object),
        verdict=judged["verdict"].astype(object).mask(outside, "rejected"),
    )


def people_and_visits(study):
    """Participants and visits of the tables that no recording belongs to."""
    people = table_of(study, "participants")
    visits = table_of(study, "sessions")
    recordings = table_of(study, "recordings")
    recorded = pd.MultiIndex.from_frame(recordings[VISIT])
    without = people[~people["participant_id"].isin(recordings["participant_id"])]
    of_nobody = without[["participant_id"]].assign(
        scope="participant",
        rule="no recording",
        reason="recordings.tsv names no recording of this participant",
    )
    missed = visits[~pd.MultiIndex.from_frame(visits[VISIT]).isin(recorded)]
    of_no_visit = missed[VISIT].assign(
        scope="session",
        rule="no recording",
        reason=missed["note"].fillna("recordings.tsv names no recording of this visit"),
    )
    return pd.concat(
        [
            with_counts_left(of_nobody, len(people), "participants"),
            with_counts_left(of_no_visit, len(visits), "visits"),
        ]
    )


def with_counts_left(left_out, n_before, what, step=1):
    """Rows with the number before and after each, from `n_before` down by `step` a row.

    `what` says what the numbers are numbers of: participants, visits, events, spans, values.
    """
    n_after = n_before - (pd.Series(step, index=left_out.index)).cumsum()
    return left_out.assign(counted=what, n_before=n_after + step, n_after=n_after)


def conditions_not_done(study):
    """Conditions of the study in which a participant did no set."""
    sets = events_of(study)
    sets = sets[sets["trial_type"] == "set"]
    notes = table_of(study, "sessions").dropna(subset="note").groupby("participant_id")["note"]
    noted = notes.agg("; ".join).to_dict()
    everybody = sorted(set(sets["participant_id"]))
    tables = []
    for condition in sorted(set(sets["condition"])):
        did = set(sets.loc[sets["condition"] == condition, "participant_id"])
        absent = [participant for participant in everybody if participant not in did]
        notes_of = [f"; noted: {noted[name]}" if name in noted else "" for name in absent]
        reasons = [f"no set in condition {condition}{note}" for note in notes_of]
        not_done = pd.DataFrame({"participant_id": absent, "reason": reasons})
        not_done = not_done.assign(scope="condition", rule="not done")
        tables.append(with_counts_left(not_done, len(everybody), "participants"))
    return pd.concat(tables) if tables else pd.DataFrame()


def excluded_events(study):
    """Events that a person excluded."""
    events = events_of(study)
    dropped = events[events["excluded"].notna()]
    excluded = dropped[VISIT].assign(
        scope="event",
        start_s=dropped["onset_s"],
        end_s=dropped["onset_s"] + dropped["duration_s"],
        rule="edits.tsv",
        reason=dropped["excluded"],
    )
    return with_counts_left(excluded, len(events), "events")


def edits_of_signals(study):
    """Beats and spans that a person took out, put in or moved."""
    made = table_of(study, "edits")
    made = made[made["action"].isin(["remove_beat", "add_beat", "move_beat", "exclude_span"])]
    return made[[*VISIT, "signal"]].assign(
        scope=made["action"],
        start_s=made["time_s"],
        end_s=made["end_s"].fillna(made["time_s"]),
        rule="edits.tsv",
        reason="edit " + made["edit_id"] + " by " + made["editor"] + ": " + made["reason"],
    )


def rejected_spans(judged):
    """Spans of a recording that cannot be trusted, from the tables of quality."""
    of_recording = judged[judged["segment"] == "span"].groupby(RECORDING, sort=False)
    columns = [*VISIT, "signal", "start_s", "end_s", "reason"]
    tables = [
        with_counts_left(spans.loc[spans["verdict"] == "rejected", columns], len(spans), "spans")
        for _, spans in of_recording
    ]
    if not tables:
        return pd.DataFrame()
    return pd.concat(tables).assign(scope="span", rule="signal quality")


class WithheldValues:
    """Values that were asked for and not given, counted person by person.

    The measured figures in a reason differ from window to window: reasons that differ in nothing
    else are counted as one and carry the range of their figures.
    """

    def __init__(self):
        self._asked = Counter()
        self._reasons = {}

    def add(self, outcomes):
        """Count the rows of outcomes.tsv of one person."""
        self._asked.update(zip(outcomes["outcome"], outcomes["window"], strict=True))
        withheld = outcomes[outcomes["status"].isin(["refused", "missing"])]
        for *key, reason in withheld[["outcome", "window", "status", "reason"]].itertuples(
            index=False
        ):
            kind = (*key, re.sub(FIGURE, "#", reason))
            self._reasons.setdefault(kind, Counter())[reason] += 1

    def table(self):
        """Per outcome, window and reason how many values were asked for and how many given."""
        parts, of_outcome = [], {}
        for (outcome, window, status, _kind), reasons in sorted(self._reasons.items()):
            n = reasons.total()
            row = {
                "scope": "outcome",
                "outcome": outcome,
                "window": window,
                "rule": status,
                "reason": f"{with_ranges(list(reasons))} ({counted(n, 'value')})",
            }
            of_outcome.setdefault((outcome, window), []).append((row, n))
        for key, withheld in of_outcome.items():
            table = pd.DataFrame([row for row, _ in withheld])
            n_withheld = [n for _, n in withheld]
            parts.append(with_counts_left(table, self._asked[key], "values", n_withheld))
        return pd.concat(parts) if parts else pd.DataFrame()


def with_ranges(reasons):
    """One sentence for reasons that differ in figures only: `38 to 71 % of the window ...`."""
    figures = zip(*(re.findall(FIGURE, reason) for reason in reasons), strict=True)
    ends = ((min(alike, key=float), max(alike, key=float)) for alike in figures)
    shown = (low if float(low) == float(high) else f"{low} to {high}" for low, high in ends)
    return re.sub(FIGURE, lambda _: next(shown), reasons[0])
