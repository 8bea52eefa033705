"""Compare the results of two runs, cell by cell, and say what made them differ.

    python3.11 scripts/launch.py compare results/first results/second

The exit status is 0 where all cells are equal within the tolerance, 1 where some moved.
"""

import sys
from pathlib import Path

from engine.command_line import faults_told, parser_of
from results.causes import Causes
from results.comparing import TOLERANCE, compare_results
from verifying.fresh import changed_settings, changed_software, manifest_of
from verifying.words import because, by_cause, lines_of, summary, write_moved


def causes_between(old, new, altered=()):
    """What differs between two finished runs in inputs, settings, code and software."""
    settings, software = changed_settings(old, new), changed_software(old, new)
    return Causes(manifest_of(old), manifest_of(new), settings, software, altered)


def told(comparison, causes, tolerance):
    """The whole comparison in lines."""
    lines = summary(comparison, tolerance)
    for reasons, cells in by_cause(comparison.moved, causes):
        lines += ["", because(reasons, cells), *(f"  {line}" for line in lines_of(cells))]
    if not comparison.moved and (different := causes.all()):
        lines += ["", f"No number moved, although these differ: {'; '.join(different)}."]
    return lines


def main(words=None):
    parser = parser_of("compare", __doc__)
    parser.add_argument("first", type=Path, help="folder of the results of a finished run")
    parser.add_argument("second", type=Path, help="folder of the results of another")
    parser.add_argument("--tolerance", type=float, default=TOLERANCE, help="relative")
    parser.add_argument("--moved", type=Path, help="write every moved cell to this table")
    asked = parser.parse_args(words)
    with faults_told(FileNotFoundError):
        causes = causes_between(asked.first, asked.second)
    comparison = compare_results(asked.first, asked.second, asked.tolerance)
    print("\n".join(told(comparison, causes, asked.tolerance)))
    if asked.moved:
        write_moved(comparison, causes, asked.moved)
    sys.exit(bool(comparison.moved))


if __name__ == "__main__":
    main()
