"""Where a number of the results comes from, down to its samples, and the number made again.

    python3.11 scripts/launch.py explain results/data_demo contrasts.tsv:14
    python3.11 scripts/launch.py explain results/data_demo sub-01_ses-1_set-03 smo2_nadir_pct
    python3.11 scripts/launch.py explain results/data_demo rmssd_ms

A row is named by table and number, as a spreadsheet numbers it; a value by its event and outcome,
with the window where there are several; an outcome alone gives its definition and its contrasts.
--samples FILE writes the readings or intervals behind a value. --study names the study where it is
not known which one the results were made from. The exit status is 1 where what is made again
differs from the table.
"""

import re
import sys
import textwrap

from engine.command_line import faults_told, parser_of
from engine.listings import described, names_in, windows_of
from explaining import compared
from explaining.run import FinishedRun
from measuring.recipes import functions_behind, meaning_of_window, recipe_of, settings_behind
from results.tables import write_table
from study.problems import StudyError, did_you_mean

ROW = re.compile(r"(?P<table>\w+)\.tsv:(?P<row>\d+)")


def explained(finished, words, samples=None):
    """Text of the whole chain of what the words name, and whether all came out the same again."""
    named = ROW.fullmatch(words[0])
    if named:
        name, number = named["table"], int(named["row"])
        row = finished.row(name, number)
        if name == "outcomes":
            return _explanation(finished, number, row, samples)
        return _row(finished, name, number, row)
    if len(words) == 1:
        return _outcome(finished, words[0])
    if len(words) > 3:
        raise StudyError("Name an event, an outcome and at most one window.")
    number, row = finished.value_row(*words)
    return _explanation(finished, number, row, samples)


def _explanation(finished, number, row, samples):
    from explaining import value
    from explaining.conventions import other_conventions

    again, window, inputs = value.measured_again(finished, row)
    differing = value.differences("outcomes", row, again, value.MEASURED)
    blocks = list(value.chain(finished, number, row, again, window, inputs))
    blocks.append(("Measured again from what the run left", _verdict(differing, value.MEASURED)))
    other_rows = [
        f"{computed if isinstance(computed, str) else format(computed, '.6g')}: {says} ({source})"
        for says, source, computed in other_conventions(row["outcome"], window, inputs)
    ]
    if other_rows:
        blocks.append(("The same window under other conventions", other_rows))
    if samples:
        write_table(value.samples(row["outcome"], window, inputs), samples)
        blocks.append(("Written", [f"the samples behind the value: {samples}"]))
    return as_text(blocks), not differing


def _row(finished, name, number, row):
    from explaining.made_again import FROM_RECORDINGS, MADE_AGAIN, row_again
    from explaining.value import differences

    blocks = list(compared.chain(finished, name, number, row))
    if name not in MADE_AGAIN:
        blocks.append(("Made again", [FROM_RECORDINGS]))
        return as_text(blocks), True
    again = row_again(finished, name, number)
    if again is None:
        blocks.append(("Made again", ["no such row comes out"]))
        return as_text(blocks), False
    differing = differences(name, row, again)
    blocks.append(("Made again", _verdict(differing, list(row.index))))
    return as_text(blocks), not differing


def _verdict(differing, columns):
    if not differing:
        return [f"all {len(columns)} cells come out the same, to the last digit of the table"]
    return [f"{column}: {before} in the table, {now} now" for column, before, now in differing]


def _outcome(finished, outcome):
    known = names_in("outcomes")
    if outcome not in known:
        raise StudyError(
            f"{outcome!r} is neither table.tsv:row nor an outcome{did_you_mean(outcome, known)}."
        )
    module = described(outcome)
    unit = f", {module.UNIT}" if module.UNIT else ""
    blocks = [
        ("Outcome", [f"{outcome}: {module.LABEL}{unit}, compared on the scale {module.SCALE}"]),
        ("Definition", [recipe_of(outcome, finished.settings)]),
        ("Functions", [*functions_behind(outcome), f"called by scripts/outcomes/{outcome}.py"]),
    ]
    contrasts = finished.table("contrasts")
    for window in windows_of(outcome):
        of_outcome = contrasts[(contrasts["outcome"] == outcome) & (contrasts["window"] == window)]
        named = settings_behind(outcome, window)
        lines = [meaning_of_window(window, finished.settings)]
        lines += [f"settings: {', '.join(named)}"] if named else []
        lines += [
            f"contrasts.tsv:{row.Index + 2} {row.contrast}, {row.exercise}: {row.estimate:.6g}"
            for row in of_outcome[of_outcome["estimate"].notna()].itertuples()
        ]
        blocks.append((f"Window {window}", lines))
    return as_text(blocks), True


def as_text(blocks):
    """Blocks of lines, each under its heading; long lines are wrapped and hang."""
    return "\n\n".join(
        "\n".join([heading, *(_wrapped(line) for line in lines)]) for heading, lines in blocks
    )


def _wrapped(line):
    depth = 2 + len(line) - len(line.lstrip())
    first, then = " " * depth, " " * (depth + 2)
    return textwrap.fill(
        line.strip(),
        100,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def main(words=None):
    parser = parser_of("explain", __doc__)
    parser.add_argument("results", help="folder of the results of one study")
    parser.add_argument("what", nargs="+", help="table.tsv:row, or event outcome [window]")
    parser.add_argument("--study", help="folder of the study")
    parser.add_argument("--samples", metavar="FILE", help="write the samples behind a value")
    asked = parser.parse_args(words)
    with faults_told():
        text, same = explained(FinishedRun(asked.results, asked.study), asked.what, asked.samples)
    print(text)
    sys.exit(0 if same else 1)


if __name__ == "__main__":
    main()
