"""A finished run: its results, the settings that ran, its study, and the rows of its tables."""

from functools import cached_property
from pathlib import Path
from urllib.parse import quote

import pandas as pd
import yaml
from pydantic import ValidationError

from results.columns import TABLES, columns_of
from results.tables import read_table
from study.problems import StudyError, did_you_mean
from study.settings import Settings
from study.settings_files import merged, settings_of

# notes of the workflow on the folder that results were made from
MADE_FROM = Path(".snakemake") / "made_from"


class FinishedRun:
    """Results of a study with the settings that ran; tables are read when first asked for.

    results : folder of the results of one study
    study : its folder; None for the one that the results were made from
    """

    def __init__(self, results, study=None):
        self.results = Path(results)
        if not (self.results / "outcomes.tsv").exists():
            raise StudyError(
                f"{results} holds no outcomes.tsv: name the folder of a finished run, such as "
                "results/data_demo."
            )
        self._kept = {}
        self.study = Path(study) if study else self._made_from()

    def _made_from(self):
        note = MADE_FROM / quote(self.results.as_posix(), safe="")
        named = [Path(note.read_text(encoding="utf-8"))] if note.exists() else []
        for folder in (*named, Path(self.results.name)):
            if (folder / "recordings.tsv").exists():
                return folder
        raise StudyError(
            f"The study behind {self.results} is not known here: add --study path/to/study."
        )

    def kept(self, name, make):
        """What `make` gives, made once for each name."""
        if name not in self._kept:
            self._kept[name] = make()
        return self._kept[name]

    @cached_property
    def default_settings(self):
        return settings_of(self.study)[0]

    @cached_property
    def settings(self):
        """The settings that ran."""
        path = self.results / "provenance" / "settings.yaml"
        if not path.exists():
            raise StudyError(
                f"{path} is missing: the run was not finished. Run the study to its end first."
            )
        ran = yaml.safe_load(path.read_text(encoding="utf-8"))
        try:
            # what a later version added has its default
            return Settings.model_validate(merged(self.default_settings.model_dump(), ran))
        except ValidationError:
            raise StudyError(
                f"{path} is of a version with other settings: run the study again."
            ) from None

    @cached_property
    def checksums(self):
        """SHA-256 of every input, by its path inside the study."""
        path = self.results / "provenance" / "inputs.tsv"
        if not path.exists():
            return {}
        table = read_table(path)
        return dict(zip(table["file"], table["sha256"], strict=True))

    def table(self, name):
        """A declared result table of the whole study."""
        path = self.results / f"{name}.tsv"
        if name not in TABLES or not path.exists():
            there = sorted(path.stem for path in self.results.glob("*.tsv") if path.stem in TABLES)
            raise StudyError(
                f"{self.results} has no table {name}.tsv; it has: {', '.join(there)}"
                f"{did_you_mean(name, there)}."
            )
        return self.kept(path, lambda: as_declared(path, name))

    def row(self, name, number):
        """One row of a table, numbered as a spreadsheet numbers it: the first below the header
        is 2."""
        table = self.table(name)
        if not 2 <= number <= len(table) + 1:
            raise StudyError(f"{name}.tsv has rows 2 to {len(table) + 1} and no row {number}.")
        return table.iloc[number - 2]

    def value_row(self, event_id, outcome, window=None):
        """Number and row of outcomes.tsv of an event, an outcome and its window."""
        table = self.table("outcomes")
        of_event = table[table["event_id"] == event_id]
        if of_event.empty:
            known = sorted(table["event_id"].dropna().unique())
            raise StudyError(
                f"outcomes.tsv holds no event {event_id!r}{did_you_mean(event_id, known)}; "
                f"events are named as {known[0]!r}."
            )
        of_outcome = of_event[of_event["outcome"] == outcome]
        if of_outcome.empty:
            asked = sorted(of_event["outcome"].unique())
            raise StudyError(
                f"{outcome!r} was not asked of {event_id}{did_you_mean(outcome, asked)}; asked "
                f"were: {', '.join(asked)}."
            )
        if window is not None:
            of_outcome = of_outcome[of_outcome["window"] == window]
        if len(of_outcome) != 1:
            windows = ", ".join(of_event.loc[of_event["outcome"] == outcome, "window"])
            raise StudyError(f"{outcome} of {event_id} has the windows {windows}: name one.")
        return int(of_outcome.index[0]) + 2, of_outcome.iloc[0]


def as_declared(path, name):
    """A result table, refused where another version wrote it with other columns."""
    table = read_table(path)
    if list(table.columns) != columns_of(name):
        raise StudyError(f"{path} was written by another version: run the study again.")
    return table


def cells_of(name, row):
    """The cells of a row as its file holds them, by column."""
    from results.tables import number

    cells = {}
    for column in columns_of(name):
        cell = row.get(column)
        is_number = isinstance(cell, int | float) and not isinstance(cell, bool)
        cells[column] = number(cell, column) if is_number or pd.isna(cell) else str(cell)
    return cells
