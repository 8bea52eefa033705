"""A study as the workflow sees it: tables, settings, files, results folder."""

import hashlib
import json
import os
import sys
from functools import cache, cached_property
from pathlib import Path
from urllib.parse import quote

from engine.code import SCRIPTS
from engine.listings import names_in
from results.words import counted
from study.checks import check_tables_together
from study.checks.outcomes import check_stated_names
from study.files import raw_files, table_files
from study.plan import changed_after_freezing
from study.problems import Problems, StudyError
from study.rows import read_table
from study.settings_files import read_settings
from study.table_forms import files_of_table
from study.tables import TABLES

# what the program is made of; no results are written there
PROGRAM_FOLDERS = ("scripts", "config", "workflow", "tests", ".git", ".venv", ".ci", ".snakemake")


def study_or_exit(config):
    """The study of a run of the workflow; its problems are printed and end the run."""
    try:
        study = load_study(config)
    except StudyError as problem:
        # an exception would make Snakemake add lines about the Snakefile, where nothing is to mend
        sys.exit(str(problem))
    if not study.participants:
        print(study.planned())
        sys.exit(0)
    return study


def load_study(config):
    """The study that --config names, with its settings; a StudyError lists all problems.

    `config` is Snakemake's: `study` is the folder (default data_demo), `results` where its results
    go (default results/<name of the folder>); further sections, as from --configfile, overrule
    study.yaml.
    """
    overrides = dict(config)
    folder, results = "data_demo", overrides.pop("results", None)
    if not isinstance(overrides.get("study", {}), dict):
        folder = str(overrides.pop("study"))
    # however a person writes the way to the same folder, nothing runs again
    study = Study(Path(os.path.relpath(folder)), overrides, results)
    study.refuse_results_beside_raw()
    return study


def _refuse_path(path, what, cure):
    """Refuse a path that the workflow cannot write into its commands and file names."""
    odd = [sign for sign in str(path) if sign in "{}" or not sign.isprintable()]
    if odd:
        raise StudyError(f"{what} {str(path)!r} holds {odd[0]!r}: {cure} without it.")


class Study:
    """A checked study: tables as lists of rows, settings as objects of study.settings."""

    def __init__(self, folder, overrides=None, results=None):
        self.folder = folder
        self.name = folder.resolve().name
        self.results = f"results/{self.name}" if results is None else Path(str(results)).as_posix()
        self.outcomes = names_in("outcomes")
        self.figures = names_in("figures")
        problems = Problems()
        _refuse_path(folder, "The study folder", "rename it")
        _refuse_path(self.results, "The folder of results", "name one")
        if not folder.is_dir():
            raise StudyError(f"There is no study folder {folder}: name one with --config study=...")
        self.tables = {name: read_table(folder / f"{name}.tsv", problems) for name in TABLES}
        read = read_settings(folder, overrides or {}, problems)
        self.default_settings, self.stated, self.settings = read
        if self.settings is not None:
            check_tables_together(self, problems)
        else:
            check_stated_names(self, problems)
        problems.stop()
        self._remarks = problems.remarks
        self.participants = sorted({row.participant_id for row in self.tables["recordings"]})

    def planned(self):
        """What a study is before its first recording, in a sentence."""
        people = counted(len(self.tables["participants"]), "person", "people")
        visits = counted(len(self.tables["sessions"]), "visit")
        return (
            f"{self.folder}: nothing was recorded yet; planned are {people} and {visits}, and the "
            "tables are in order."
        )

    @property
    def recorded(self):
        """Signals that the study recorded, in order of name."""
        return sorted({row.signal for row in self.tables["recordings"]})

    @property
    def unstated(self):
        """Facts of which every study has its own and for which this one takes the default."""
        wanted = ["title"]
        if any(row.trial_type == "set" for row in self.tables["events"]):
            wanted += ["conditions", "primary_outcomes"]
        return [name.replace("_", " ") for name in wanted if name not in self.stated["study"]]

    def notes(self):
        """What a person who starts a run should know and need not mend, a line each."""
        lines = list(self._remarks)
        if self.unstated:
            names = " and ".join(filter(None, [", ".join(self.unstated[:-1]), self.unstated[-1]]))
            lines.append(f"study.yaml names no {names}; the default of config/config.yaml holds.")
        earlier = self._other_folder_of_results()
        if earlier:
            lines.append(
                f"{self.results} held the results of another study folder, {earlier}, and is "
                f"written over; results={self.results}_2 behind --config would keep them apart."
            )
        return "".join(f"Note: {line}\n" for line in lines)

    @property
    def changed_after_freezing(self):
        """Settings that differ from those when the plan was frozen, in words."""
        return changed_after_freezing(self.folder, self.settings)

    def keeps(self, table):
        """Whether the study has a table at all, be it without rows."""
        return bool(files_of_table(self.folder, table))

    def refuse_results_beside_raw(self):
        """Results never stand where the study stands, among its recordings or in the program."""
        results, study = Path(self.results).resolve(), self.folder.resolve()
        program = SCRIPTS.parent
        if study.is_relative_to(results) or results.is_relative_to(study / "raw"):
            raise StudyError(f"Results cannot go to {self.results}: the study itself stands there.")
        of_program = [program / name for name in PROGRAM_FOLDERS]
        if results == program or any(results.is_relative_to(folder) for folder in of_program):
            raise StudyError(
                f"Results cannot go to {self.results}: the program itself stands there; "
                "name results=results/<a name> behind --config."
            )
        if results.exists() and not results.is_dir():
            raise StudyError(
                f"Results cannot go to {self.results}: it is a file; name a folder with results=..."
            )

    def _other_folder_of_results(self):
        """The folder that the results were made from, where it is another that still exists."""
        if not (Path(self.results).exists() and self._made_from.exists()):
            return None
        earlier = Path(self._made_from.read_text(encoding="utf-8"))
        # a folder that is gone was moved: this is then the same study at its new place
        if not (earlier / "recordings.tsv").exists() or earlier.samefile(self.folder):
            return None
        return earlier

    def claim_results(self):
        """Remember, beside Snakemake's own notes, from which folder the results are made.

        Not among the results: they are the same bytes wherever the study stands.
        """
        self._made_from.parent.mkdir(parents=True, exist_ok=True)
        self._made_from.write_text(os.path.relpath(self.folder.resolve()), encoding="utf-8")

    @property
    def _made_from(self):
        return Path(".snakemake") / "made_from" / quote(self.results, safe="")

    @property
    def sessions(self):
        """Labels of all sessions of which something was recorded, in order."""
        return sorted({row.session_id for row in self.tables["recordings"]})

    def any_of(self, names):
        """A pattern that matches exactly the names that exist, for wildcards."""
        return "|".join(map(str, getattr(self, names))) or "none"

    def participant_rows(self, *tables):
        """For rules: a digest of one participant's rows, so that only their change reruns it."""

        def digest(wildcards):
            return self._digest(tables, wildcards.participant)

        digest.tables = tables
        return digest

    def all_rows(self, *tables):
        """For rules: a digest of whole tables."""

        def digest(wildcards):
            return self._digest(tables, None)

        digest.tables = tables
        return digest

    @cache  # noqa: B019 a study lives as long as the process
    def _digest(self, tables, participant):
        chosen = {table: self._rows_of(table).get(participant, []) for table in tables}
        # what leaves the study is another row for whoever reads it
        chosen["free text leaves"] = self.settings.privacy.free_text_leaves
        return hashlib.sha256(json.dumps(chosen, sort_keys=True).encode()).hexdigest()[:12]

    @cache  # noqa: B019
    def _rows_of(self, table):
        """Values of the rows of a table by participant, and under None those of everybody."""
        by_participant = {None: []}
        for row in self.tables[table]:
            dumped = row.model_dump(mode="json")
            by_participant[None].append(dumped)
            by_participant.setdefault(row.participant_id, []).append(dumped)
        return by_participant

    def raw_files(self, wildcards):
        """For rules: raw files of one participant, and the descriptions that stand beside them."""
        return self._raw_files[wildcards.participant]

    def all_raw_files(self):
        """Raw files of everybody, each once."""
        return list(dict.fromkeys(file for files in self._raw_files.values() for file in files))

    def participants_by_raw_file(self):
        """The participant of whom each raw file was recorded; of several, the last."""
        return {file: person for person, files in self._raw_files.items() for file in files}

    @cached_property
    def _raw_files(self):
        of_each = {}
        for row in self.tables["recordings"]:
            of_each.setdefault(row.participant_id, []).append(row)
        return {
            participant: [str(path) for path in raw_files(self.folder, recordings)]
            for participant, recordings in of_each.items()
        }

    def table_files(self):
        """Tables and settings that exist in the study folder."""
        return [str(path) for path in table_files(self.folder)]
