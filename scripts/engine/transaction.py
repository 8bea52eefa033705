"""Results as one transaction: a run ends whole, or what stood there before comes back.

Jobs put their outputs in place when they are whole (engine/outputs.py). Over all jobs of a run, the
files that are replaced are kept by links until it ends. A run that fails gives them back; what it
made waits beside Snakemake's notes and is taken up by the next. A run that is killed is taken up
where it stood.

Snakemake 9.27 has a flag for outputs that a failed job gives back, `update()`, but remembers the
settings and code of the failed job with them, so that the next run finds nothing to do; such
outputs are marked as incomplete here. It also refuses to start over a lock or incomplete files of
a run that is dead; whether one is alive is known here from a lock of the system.
"""

import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path
from urllib.parse import quote

from engine.problems import unmade
from engine.remembered import changed_since, read_notes, remembered, write_notes
from engine.running import EMPTY, Running
from engine.step import NO_ROOM, RESULTS, could_not_be_written
from results.manifest import read_manifest

# more names than a person reads in a sentence
MOST_NAMED = 5


class Transaction:
    """One run of the workflow over the results of one study.

    results : folder of the results
    made : participant by file or folder that the rules make, None where it is of the study
    recordings : function giving participant by recording of the study
    tables : function giving tables and settings of the study
    """

    def __init__(self, results, made, recordings, tables, notes=Path(".snakemake")):
        self.results = Path(results)
        self._made = {Path(file): participant for file, participant in made.items()}
        self._recordings, self._tables = recordings, tables
        self._notes = Path(notes)
        self._folder = self._notes / "runs" / quote(self.results.as_posix(), safe="")
        self._earlier, self._waiting = self._folder / "earlier", self._folder / "waiting"
        self._failed, self._bytes = self._folder / "failed", self._folder / "bytes.json"
        self._running = Running(self._folder)

    def begin_with(self, workflow):
        """Begin once Snakemake knows what it is asked for and before it plans.

        At that moment, and in no hook that it offers, a dry run can be told from a run, and what is
        marked as incomplete is planned.
        """
        for rule in workflow.rules:
            for file in rule.output:
                flags = dict(file.flags)
                # an output without a flag has no place for one
                file.clone_flags(file)
                file.flags.update(flags, update=True)
        self._running.name_jobs()
        os.environ[RESULTS] = str(self.results.resolve())
        prepare = workflow._prepare_dag

        def prepared(*words, **named):
            doubtful = []
            if workflow.is_main_process and workflow.executor_plugin is not None:
                workflow.dag_settings.force_incomplete = True
                try:
                    doubtful = self._begin(dry=workflow.dryrun or workflow.touch)
                except OSError as problem:
                    if problem.errno not in NO_ROOM:
                        raise
                    sys.exit(could_not_be_written(problem))
            if workflow.execution_settings is not None:
                workflow.execution_settings.keep_incomplete = True
            prepare(*words, **named)
            keeper = workflow.persistence
            keeper.backup_output, keeper.restore_output = self._keep, self._note_failure
            keeper.cleanup_backup = lambda path: None
            for file in doubtful:
                keeper._mark_incomplete(str(file), None)

        workflow._prepare_dag = prepared

    def _begin(self, *, dry):
        """Say what changed since the last run; gives what must be made again."""
        if dry:
            if holder := self._running.alive():
                _say(f"{self.results} is being made by another run ({holder}).")
                return []
        else:
            if holder := self._running.begin():
                sys.exit(
                    f"{self.results} is being made by another run ({holder}). "
                    "Wait until it ends, or stop it, then start this again."
                )
            self._clear_dead_locks()
            self._try_to_write()
        doubtful = self._changed(dry=dry)
        doubtful += [Path(line) for line in _lines(self._failed)]
        doubtful += self._unmade()
        if not dry:
            self._take_up()
            self._failed.unlink(missing_ok=True)
        return [file for file in dict.fromkeys(doubtful) if file in self._made]

    def _try_to_write(self):
        """Have a place that cannot be written found now, and not by the first job."""
        if self.results.exists() and not self.results.is_dir():
            sys.exit(f"Results cannot go to {self.results}: a file stands there. Name a folder.")
        self.results.mkdir(parents=True, exist_ok=True)
        probe = self.results / ".unfinished"
        probe.write_text("", encoding="utf-8")
        probe.unlink()

    def _clear_dead_locks(self):
        """Take away Snakemake's lock over these results: whoever held it is dead."""
        inside = f"{self.results.as_posix()}/"
        for outputs in (self._notes / "locks").glob("*.output.lock"):
            if any(line.startswith(inside) for line in _lines(outputs)):
                outputs.with_name(outputs.name.replace("output", "input")).unlink(missing_ok=True)
                outputs.unlink()
                _say("an earlier run was stopped before its end; this one takes it up.")

    def _changed(self, *, dry):
        """Say which results and inputs changed since they were made; gives results in doubt."""
        notes = read_notes(self._bytes) or self._notes_of_manifest()
        made, entered = notes.get("results", {}), notes.get("inputs", {})
        if not any(Path(file).exists() for file in made):
            # somebody removed the whole folder: there is nothing to compare with or to give back
            if not dry:
                self._bytes.unlink(missing_ok=True)
            return []
        # what a run replaced that was stopped before its end is its own
        untouched = {
            file: entry for file, entry in made.items() if not self._kept(Path(file)).exists()
        }
        gone, altered = changed_since(untouched)
        _, inputs = changed_since(entered)
        self._tell(gone, altered, inputs)
        if made and not dry and not self._is_whole and not gone and not altered:
            # results that came without notes are whole, and a run that fails gives them back
            write_notes({"results": made, "inputs": entered}, self._bytes)
        recordings = self._recordings()
        people = {recordings[file] for file in inputs if file in recordings}
        doubtful = [self._unit(Path(file)) for file in altered]
        return doubtful + [file for file, person in self._made.items() if person in people]

    def _tell(self, gone, altered, inputs):
        for files, what in ((gone, "gone"), (altered, "altered")):
            if files := [file for file in files if self._unit(Path(file)) in self._made]:
                names = [Path(file).relative_to(self.results).as_posix() for file in files]
                _say(f"{what} since made and made again: {_listed(names)}.")
        recordings = self._recordings()
        if changed := [file for file in inputs if file in recordings]:
            people = sorted({recordings[file] for file in changed})
            _say(
                f"recordings changed since the results were made: {_listed(changed)}; "
                f"{_listed(people)} will be measured again."
            )
        if changed := [file for file in inputs if file not in recordings]:
            _say(
                f"changed since the results were made: {_listed(changed)}; "
                "what rests on it is made again."
            )

    def _notes_of_manifest(self):
        """What the manifest tells of results that came without notes, as with a copied folder.

        It names recordings by what may leave the study, so they are told by their checksums.
        """
        listed = read_manifest(self.results) or []
        known = {row["sha256"] for row in listed if row["kind"] == "input"}
        if not known:
            return {}
        results = {
            str(self.results / row["file"]): [None, row["sha256"]]
            for row in listed
            if row["kind"] == "result" and row["sha256"]
        }
        inputs = remembered([*self._recordings(), *self._tables()])
        unnoted = {path: [None, ""] for path, (_, sha256) in inputs.items() if sha256 not in known}
        return {"results": results, "inputs": inputs | unnoted}

    def _unmade(self):
        """What the last run went on without: people, pages and figures are tried again."""
        not_made = unmade(self.results)
        people = {row["participant_id"] for row in not_made}
        figures = self.results / "figures" / "undrawn.tsv"
        tried = [file for file, person in self._made.items() if person and person in people]
        return tried + [figures for row in not_made if row["kind"] == "figure"]

    def _unit(self, file):
        """The output of a rule that a file is, or in whose folder it stands."""
        return next((p for p in (file, *file.parents) if p in self._made), file)

    def _kept(self, file):
        return self._earlier / file.relative_to(self.results)

    @property
    def _is_whole(self):
        return self._bytes.exists()

    def _keep(self, path):
        """Keep what stands in a place, once in a run: Snakemake calls this before each job."""
        path = Path(path)
        if self._is_whole and path.exists() and not (kept := self._kept(path)).exists():
            kept.parent.mkdir(parents=True, exist_ok=True)
            if path.is_dir():
                shutil.copytree(path, kept, copy_function=_link)
            else:
                _link(path, kept)

    def _note_failure(self, path):
        """Remember that a job did not make this: Snakemake calls it for each output."""
        self._folder.mkdir(parents=True, exist_ok=True)
        with self._failed.open("a", encoding="utf-8") as file:
            file.write(f"{path}\n")
        # nothing was put in place, so there is nothing to give back
        return False

    def _take_up(self):
        """Put back what a run made that failed: this one goes on from there."""
        for file in self._made:
            waiting = self._waiting / file.relative_to(self.results)
            if waiting.exists():
                self._keep(file)
                _move(waiting, file)
        shutil.rmtree(self._waiting, ignore_errors=True)

    def failed(self):
        """Give back the results of the run before, where there was one that ended whole."""
        self._remove_empty()
        if not self._is_whole:
            return
        notes = read_notes(self._bytes)["results"]
        before = {self._unit(Path(file)) for file in notes}
        waiting = 0
        for file in self._made:
            kept, aside = self._kept(file), self._waiting / file.relative_to(self.results)
            if file.exists() and (kept.exists() or file not in before):
                _move(file, aside)
                waiting += 1
            if kept.exists():
                _move(kept, file)
        shutil.rmtree(self._earlier, ignore_errors=True)
        if waiting:
            _say(
                f"{self.results} holds the results of the run before; {waiting} results that this "
                "run made wait, and the next run goes on from them."
            )

    def succeeded(self):
        """Remember the bytes of all results and inputs; what no rule makes any more goes."""
        shutil.rmtree(self._earlier, ignore_errors=True)
        notes = read_notes(self._bytes)
        self._remove_what_is_left(notes.get("results", {}))
        empty = self._remove_empty()
        if not all(file.exists() for file in {*self._made} - empty) and not self._is_whole:
            return
        inputs = [*self._recordings(), *self._tables()]
        now = {
            "results": remembered(self._all_files(), notes.get("results")),
            "inputs": remembered(inputs, notes.get("inputs")),
        }
        write_notes(now, self._bytes)

    def _remove_empty(self):
        """Take away the files of people who could not be measured; gives which they were."""
        notes = self._folder / EMPTY
        empty = {file for file in map(Path, _lines(notes)) if file in self._made}
        for file in empty:
            shutil.rmtree(file) if file.is_dir() else file.unlink(missing_ok=True)
        notes.unlink(missing_ok=True)
        return empty

    def _all_files(self):
        for file in self._made:
            yield from sorted(file.rglob("[!.]*")) if file.is_dir() else [file]

    def _remove_what_is_left(self, entries):
        """Results of people, figures and the like that the study no longer has, if unaltered."""
        unmade = {
            file: entry
            for file, entry in entries.items()
            if self._unit(Path(file)) not in self._made
        }
        gone, altered = changed_since(unmade)
        removed = sorted(set(unmade) - set(gone) - set(altered))
        for file in removed:
            Path(file).unlink()
            with suppress(OSError):
                os.removedirs(Path(file).parent)
        if removed:
            names = [Path(file).relative_to(self.results).as_posix() for file in removed]
            _say(f"removed, because this study no longer has them: {_listed(names)}.")


def _lines(path):
    with suppress(OSError):
        return Path(path).read_text(encoding="utf-8").splitlines()
    return []


def _link(source, target):
    """A second name for the same bytes, which costs nothing; a copy where disks differ."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def _move(source, target):
    """Rename a file or folder over another; where disks differ, copy it beside and rename."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.is_dir():
        shutil.rmtree(target)
    try:
        source.rename(target)
    except OSError:
        beside = target.with_name(f".{target.name}.moving")
        shutil.rmtree(beside, ignore_errors=True)
        if source.is_dir():
            shutil.copytree(source, beside)
        else:
            shutil.copy2(source, beside)
        beside.replace(target)
        shutil.rmtree(source) if source.is_dir() else source.unlink()


def _listed(names):
    further = len(names) - MOST_NAMED
    shown = ", ".join(map(str, names[:MOST_NAMED]))
    return f"{shown} and {further} more" if further > 0 else shown


def _say(sentence):
    print(f"Note: {sentence}", file=sys.stderr, flush=True)
