"""What would change under another setting: its numbers beside those of the present results.

    python3.11 scripts/launch.py what-if results/my_study measure_outcomes.baseline_settle_s=30

The study is run in a temporary place with the setting changed; the results are not touched.
Settings are named as in config/SETTINGS.md. Contrasts of the primary outcomes are shown; --outcome
names others, or all.
"""

import tempfile
from pathlib import Path

import yaml

from engine.command_line import faults_told, parser_of
from explaining.run import FinishedRun
from results.comparing import TOLERANCE, Comparison, compare_tables, read_cells
from results.tables import read_table
from study.problems import StudyError, did_you_mean
from verifying.fresh import run_afresh
from verifying.words import write_moved

KEYS = ["outcome", "window", "exercise", "contrast", "scale"]
SHOWN = ["estimate", "ci_low", "ci_high", "p", "claim"]
SAME = "  (the same)"


def changed_by(words):
    """Settings by section of words such as `section.name=value`, the value as in study.yaml."""
    settings = {}
    for word in words:
        path, equals, text = word.partition("=")
        *parents, name = path.split(".")
        if not equals or not parents:
            raise StudyError(f"{word!r} is no setting: write section.name=value.")
        section = settings
        for parent in parents:
            section = section.setdefault(parent, {})
        section[name] = yaml.safe_load(text)
    return settings


def beside(now, then, outcomes):
    """Contrasts of some outcomes under both settings, a row each: keys, then both estimates."""
    tables = [table[table["outcome"].isin(outcomes)][KEYS + SHOWN] for table in (now, then)]
    return tables[0].merge(tables[1], on=KEYS, how="outer", suffixes=("", "_changed"), sort=False)


def lines_of(table):
    """The rows of `beside` as a person reads them: what changed, by window, then what did not."""
    unchanged = {}
    for (outcome, window), of_outcome in table.groupby(["outcome", "window"], sort=False):
        contrast_lines = [_line_of(row) for row in of_outcome.itertuples()]
        if all(line.endswith(SAME) for line in contrast_lines):
            unchanged.setdefault(outcome, []).append(window)
        else:
            yield from (f"\n{outcome}, {window}", *contrast_lines)
    if unchanged:
        yield "\nThe same in every contrast:"
        yield from (f"  {outcome}, {', '.join(windows)}" for outcome, windows in unchanged.items())


def _line_of(row):
    before = _estimate(row.estimate, row.ci_low, row.ci_high, row.claim)
    after = _estimate(
        row.estimate_changed, row.ci_low_changed, row.ci_high_changed, row.claim_changed
    )
    changed = SAME if before == after else f"   changed: {after}"
    return f"  {row.exercise}, {row.contrast}: {before}{changed}"


def _estimate(estimate, low, high, claim):
    if estimate != estimate:
        return "n/a"
    interval = "" if low != low else f" [{low:.4g}, {high:.4g}]"
    return f"{estimate:.4g}{interval}{', claimed' if claim == 'yes' else ''}"


def main(words=None):
    parser = parser_of("what-if", __doc__)
    parser.add_argument("results", type=Path, help="folder of the results of a finished run")
    parser.add_argument("settings", nargs="+", help="section.name=value")
    parser.add_argument("--outcome", action="append", help="an outcome to show, or all")
    parser.add_argument("--study", type=Path, help="the study, where it is not known here")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--moved", type=Path, help="write every moved outcome to this table")
    asked = parser.parse_args(words)
    with faults_told(FileNotFoundError):
        finished = FinishedRun(asked.results, asked.study)
        now = read_table(asked.results / "contrasts.tsv")
        outcomes = chosen(asked.outcome, now, finished.settings.study.primary)
        changed = changed_by(asked.settings)
        print(f"Running {finished.study} with the setting changed ...", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            fresh, _ = run_afresh(
                finished.study,
                folder,
                cores=asked.cores,
                settings=changed,
                targets=("outcomes.tsv", "contrasts.tsv"),
            )
            moved = Comparison()
            compare_tables(
                *(asked.results / "outcomes.tsv", fresh / "outcomes.tsv", "outcomes.tsv", moved)
            )
            table = beside(now, read_table(fresh / "contrasts.tsv"), outcomes)
    n_moved = sum(cell.column == "value" for cell in moved.moved)
    _, records = read_cells(asked.results / "outcomes.tsv")
    print(
        f"{', '.join(asked.settings)}: {n_moved:,} of {len(records):,} outcomes take another value"
    )
    print(f"(relative tolerance {TOLERANCE:g}). The results were not touched.")
    print("\n".join(lines_of(table)))
    if asked.moved:
        write_moved(moved, AskedFor(asked.settings), asked.moved)


class AskedFor:
    """The one cause of everything that moved: the settings that were asked for."""

    def __init__(self, settings):
        self._settings = [f"setting {word}" for word in settings]

    def of(self, _):
        return self._settings


def chosen(names, contrasts, primary):
    """Outcomes to show: those named, all, or the primary ones."""
    known = list(dict.fromkeys(contrasts["outcome"]))
    if not names:
        return [outcome for outcome, _ in primary]
    if names == ["all"]:
        return known
    for name in names:
        if name not in known:
            raise StudyError(f"{name!r} is in no contrast{did_you_mean(name, known)}.")
    return names


if __name__ == "__main__":
    main()
