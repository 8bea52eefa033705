"""Outcomes measured again under other settings, for what the change reaches and nothing else."""

import inspect
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from engine.listings import outcome_modules, window_modules
from measuring.cutting import asked_in
from measuring.inputs import needed_for
from measuring.measured_outcome import measure_outcome
from measuring.person import Person, read_tables
from measuring.quality_rules import rules_that_judge
from results.tables import as_read
from study.session_sheet import events_of, table_of
from study.settings import Settings, by_name

# what a step makes that outcomes ask for
MADE_BY = {
    "find_beats": {"beats", "respiration", "step_of_beat_times_ms", "ecg_spans"},
    "segment_oxygenation": {"traces", "segment"},
}

# files of a person that may be needed again
FILES = ("signals", "beats", "respiration", "saturation", "segments", "beat_quality", "sync")

# facts of the protocol by which the saturation is cut and the cuffs are checked
SEGMENTING = {"slowest_cadence_hz", "fastest_cadence_hz", "samples_per_contraction"}


@dataclass(frozen=True)
class Change:
    """Settings of the main analysis and of an alternative, which may leave out edits.tsv.

    `remade`: steps to do again although no setting of theirs differs.
    """

    settings: Settings
    changed: Settings
    with_edits: bool = True
    remade: tuple = ()

    @property
    def is_main(self):
        """Whether nothing differs from the main analysis."""
        return self.changed == self.settings and self.with_edits

    @cached_property
    def steps(self):
        """Steps before the outcomes whose results the change reaches."""
        steps = {
            name for name in MADE_BY if getattr(self.settings, name) != getattr(self.changed, name)
        }
        facts = {
            name
            for name, fact in self.settings.protocol
            if fact != getattr(self.changed.protocol, name)
        }
        return steps.union(self.remade, ["segment_oxygenation"] if facts & SEGMENTING else [])

    def reaches(self, outcome, window):
        """Whether an outcome, its window or a rule that judges it asks for what changed."""
        before, after = (
            by_name(settings.measure_outcomes, settings.protocol)
            for settings in (self.settings, self.changed)
        )
        names = {name for name in before if before[name] != after[name]}
        judged = rules_on(outcome, window, self.changed)
        if judged != rules_on(outcome, window, self.settings):
            return True
        return bool(names and names & asked_for(outcome, window, judged))

    def remakes(self, outcome, window):
        """Whether an outcome or a rule that judges it is made from what a step makes again."""
        judged = rules_on(outcome, window, self.changed)
        made_again = set().union(*(MADE_BY[step] for step in self.steps))
        return bool(made_again and asked_for(outcome, window, judged) & made_again)


def rules_on(outcome, window, settings):
    """The quality rules that judge an outcome in a window."""
    family = outcome_modules()[outcome].FAMILY
    return rules_that_judge(outcome, family, window, settings.quality_rules)


def asked_for(outcome, window, rules):
    """Everything that an outcome, its window and the rules that judge it are made from."""
    asked = [
        *inspect.signature(outcome_modules()[outcome].measure).parameters,
        *inspect.signature(window_modules()[window].cut).parameters,
        *(rule.measured for rule in rules),
    ]
    return frozenset().union(*(needed_for(name) for name in asked))


class Recorded:
    """One person's recordings and what was made of them, read when a change asks for it.

    `signals` is the file of all recordings, `files` those that `measuring.person` reads.
    """

    def __init__(self, study, participant, signals, **files):
        self.study = study
        self.participant = participant
        self.signals = signals
        self._files = files

    @cached_property
    def tables(self):
        return read_tables(**self._files)

    @cached_property
    def edits(self):
        """The decisions of people about this person's recordings."""
        return table_of(self.study, "edits", self.participant)

    @cached_property
    def unchanged(self):
        """The person of the main analysis."""
        return Person.of_study(self.study, self.participant, self.tables)

    def measured_again(self, change, outcomes, default_rules):
        """Those of the (outcome, window) pairs that a change reaches, as rows of outcomes.tsv.

        What passes only under a rule that differs from the `default_rules` is flagged.
        """
        without_edits = not change.with_edits and len(self.edits) > 0
        if not (change.steps or without_edits):
            outcomes = [pair for pair in outcomes if change.reaches(*pair)]
        if not outcomes:
            return pd.DataFrame()
        person = self.under(change, without_edits)
        settings, rules = change.changed.measure_outcomes, change.changed.quality_rules
        default_rules = rules if rules == default_rules else default_rules
        outcome_rows = []
        names = {window_name for _, window_name in outcomes}
        for window, inputs in person.windows(settings, change.changed.protocol, names):
            for outcome, window_name in outcomes:
                module = outcome_modules()[outcome]
                if window_name == window.name and asked_in(window, module):
                    measurement = measure_outcome(
                        outcome, module, window, inputs, rules, default_rules
                    )
                    labels = person.labels(inputs["event"])
                    kind = {"window": window_name, "outcome": outcome, "unit": module.UNIT}
                    outcome_rows.append(labels | kind | measurement)
        return as_read(pd.DataFrame(outcome_rows), "outcomes")

    def under(self, change, without_edits=False):
        """The person with beats and saturation made again where the change reaches them."""
        again = {}
        edits = self.edits[:0] if without_edits else self.edits
        if "find_beats" in change.steps or without_edits:
            again |= self._beats(change.changed.find_beats, edits)
        if "segment_oxygenation" in change.steps or without_edits:
            again |= self._saturation(change.changed, edits, without_edits)
        if not again:
            return self.unchanged
        tables = self.tables | again
        return Person.of_study(self.study, self.participant, tables, with_edits=not without_edits)

    def _beats(self, settings, edits):
        # detection is needed only where beats are found again
        from heart.beats import HEART_SIGNALS, beats_of_person
        from recordings.store import read_stretches

        stretches = read_stretches(self.signals, HEART_SIGNALS)
        made = beats_of_person(
            stretches,
            edits,
            events_of(self.study, self.participant, with_edits=len(edits) > 0),
            self.participant,
            settings,
        )
        declared = {"beats": "beats", "respiration": "respiration", "beat_quality": "quality"}
        return {
            name: as_read(table, declared[name]) for name, table in zip(declared, made, strict=True)
        }

    def _saturation(self, settings, edits, without_edits):
        from muscle.segmentation import MUSCLE_SIGNALS, segmentation_of_person
        from muscle.traces import trace_table
        from recordings.store import read_stretches

        segmentation = segmentation_of_person(
            read_stretches(self.signals, MUSCLE_SIGNALS),
            events_of(self.study, self.participant, with_edits=not without_edits),
            edits,
            table_of(self.study, "recordings", self.participant),
            self.participant,
            settings.segment_oxygenation,
            settings.protocol,
        )
        return {
            "saturation": trace_table(segmentation.traces).to_pandas(),
            "segments": as_read(segmentation.segments, "segments"),
        }
