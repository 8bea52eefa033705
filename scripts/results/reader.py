"""One reader of results for all that people read: figures, report, tables and methods text."""

from functools import cached_property, lru_cache
from pathlib import Path

from results.columns import TABLES
from results.tables import read_table
from study.session_sheet import events_of, table_of

# tables of one run
MOST_TABLES = 64


@lru_cache(MOST_TABLES)
def _read_once(path, changed_ns):
    """A table, for all steps of one process."""
    return read_table(path)


class Results:
    """Results of a run and tables of its study, each read when it is first asked for.

    Every declared result table is an attribute, as `results.outcomes`; so is every table of the
    study, as `results.recordings`.

    files : paths of results, among them the tables that will be asked for
    study : folder of the study
    settings, default_settings : settings of the run, and those of a study that changes none
    """

    def __init__(self, files, study, settings, default_settings=None):
        self._files = [Path(file) for file in files]
        self._study = study
        self.settings = settings
        self.default_settings = default_settings

    def __getattr__(self, name):
        if name in TABLES:
            path = self.path(f"{name}.tsv")
            table = _read_once(path, path.stat().st_mtime_ns)
        elif name in {"participants", "sessions", "recordings", "occlusion", "edits", "reviews"}:
            table = table_of(self._study, name)
        else:
            raise AttributeError(f"no table of results is called {name}")
        setattr(self, name, table)
        return table

    @property
    def name(self):
        """Name of the folder of the study, and so of its results."""
        return Path(self._study).resolve().name

    def path(self, name):
        """The one path that ends with this name: `outcomes.tsv`, `beats/sub-01.tsv`."""
        parts = Path(name).parts
        paths = [file for file in self._files if file.parts[-len(parts) :] == parts]
        if len(paths) != 1:
            raise FileNotFoundError(f"{name} is not among the results given: it is in no NEEDS")
        return paths[0]

    def paths(self, suffix):
        """All paths with a suffix, in order."""
        return [file for file in self._files if file.suffix == suffix]

    @cached_property
    def events(self):
        """Events of everybody, with the decisions of edits.tsv carried out."""
        return events_of(self._study)

    @property
    def conditions(self):
        """Names of the conditions in the order of the study."""
        return self.settings.study.conditions

    @property
    def primary(self):
        """(outcome, window) of each primary outcome."""
        return self.settings.study.primary

    def beats_of(self, participant):
        """Beats of one person."""
        return read_table(self.path(f"beats/{participant}.tsv"))

    def saturation_of(self, participant):
        """Cleaned readings of saturation and haemoglobin of one person."""
        from recordings.store import read_parquet

        return read_parquet(self.path(f"signals/{participant}_oxygenation.parquet")).to_pandas()

    def segments_of(self, participant):
        """Sets of one person with the sensor over the muscle that worked."""
        return read_table(self.path(f"{participant}/segments.tsv"))

    def stretches_of(self, participant, session_id, *signals):
        """Unbroken stretches of the named signals of one session, as they were recorded."""
        from recordings.store import read_stretches

        return read_stretches(self.path(f"signals/{participant}.parquet"), signals, session_id)
