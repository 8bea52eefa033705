"""Open every file of a folder and say what it holds: channels, units, rate, length, start, gaps.

python3.11 scripts/launch.py look path/to/folder

Prints what was found and writes results/look/<folder>/: look.html with a small picture of each
channel, look.tsv, and recordings_proposed.tsv, rows for recordings.tsv of which every guess is
marked. Nothing in the folder is changed.
"""

import csv
import re
import sys
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

import numpy as np

from recordings.contents import KINDS, ChannelSeen, channels_of
from recordings.raw_files import forget_opened
from recordings.reading import fault_in_words
from recordings.recording import ReadingError
from results.typesetting import TEMPLATES
from results.words import counted, in_words, words_of
from study.check import by_cause
from study.orders import RECORD
from study.problems import Problems
from study.rows import read_table
from study.session_forms import FOLDER as SHEETS
from study.table_forms import SUFFIXES, WORKBOOKS
from study.tables import TABLES

SEEN_COLUMNS = (
    *("file", "kind", "channel", "unit_in_file", "plausible_units", "signal", "samples"),
    *("rate_hz", "length_s", "starts_at", "gaps", "same_content_as", "rows_of_recordings"),
    "remarks",
)

PROPOSED_COLUMNS = (
    *("participant_id", "session_id", "signal", "file", "channel", "time_column", "unit"),
    *("sampling_rate_hz", "site", "side", "position", "limb", "clock_offset_s", "time_format"),
    "proposed",
)

# files of a study folder that no recorder wrote
_NO_RECORDING = re.compile(
    r"(?i)\.(md|html?|pdf|docx?|xlsx|ods|ya?ml|json|png|jpe?g|svg|zip|py|R)$"
)

_UNREAD_KIND = re.compile(r"(?i)\.(xlsx|ods|docx?|pdf|zip)$")
NO_KIND = "no kind of file that is read; save a recording as .csv, and unpack a .zip"

# of a fast signal its first beats are shown, of a slow one its course
SHOWN_OF_FAST_S, SHOWN_OF_SLOW_S, FAST_HZ = 8.0, 600.0, 30.0

_POINTS = 300


class FileSeen(NamedTuple):
    """A file of the folder: its name in it, its checksum, its channels, or why there are none.

    `copies`: other files with the same bytes; `rows`: those of recordings.tsv that name it, None
    where the folder is no study.
    """

    name: str
    sha256: str
    channels: list[ChannelSeen]
    fault: str
    copies: tuple[str, ...] = ()
    rows: tuple[int, ...] | None = None


def main(words):
    """The command; exit status 1 where a file could not be read."""
    if len(words) != 1 or not Path(words[0]).is_dir():
        sys.exit(__doc__.strip())
    folder = Path(words[0])
    files = files_in(folder)
    out = Path("results") / "look" / folder.resolve().name
    out.mkdir(parents=True, exist_ok=True)
    unopened = not_opened(folder)
    seen = [row for file in files for row in seen_rows(file)]
    seen += [{"file": name, "kind": "not opened", "remarks": NO_KIND} for name in unopened]
    proposed = list(proposed_rows(files))
    _write(out / "look.tsv", SEEN_COLUMNS, seen)
    _write(out / "recordings_proposed.tsv", PROPOSED_COLUMNS, proposed)
    (out / "look.html").write_text(page_of(folder, files, unopened), encoding="utf-8")
    print("\n".join([*told(files, unopened), *summary(files, proposed, out)]))
    faults = [f"recordings: {file.fault}" for file in files if file.fault]
    if faults:
        sys.exit("\n".join(["", *by_cause(faults)]))


def files_in(folder):
    """What every file of a folder holds that a recorder may have written."""
    files = [seen_in(path, folder) for path in recordings_in(folder)]
    rows_naming = rows_of_files(folder)
    alike = defaultdict(list)
    for file in files:
        alike[file.sha256 or file.name].append(file.name)
    return [
        file._replace(
            copies=tuple(name for name in alike[file.sha256 or file.name] if name != file.name),
            rows=tuple(rows_naming.get(file.name, ())) if rows_naming else None,
        )
        for file in files
    ]


def not_opened(folder):
    """Names of files that may hold a recording in a kind that is not read: workbooks, documents."""
    tables = {f"{name}{suffix}" for name in TABLES for suffix in SUFFIXES} | {*WORKBOOKS}
    return [
        path.relative_to(folder).as_posix()
        for path in sorted(folder.rglob("*"))
        if _UNREAD_KIND.search(path.name)
        and not any(part.startswith((".", "~$")) for part in path.relative_to(folder).parts)
        and path.parent != folder / SHEETS
        and not (path.parent == folder and path.name in tables)
    ]


def recordings_in(folder):
    """Files that a recorder may have written, in order of name; hidden ones and tables are none."""
    tables = {f"{name}{suffix}" for name in TABLES for suffix in SUFFIXES} | {RECORD}
    return [
        path
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and not _NO_RECORDING.search(path.name)
        and not (path.parent == folder and path.name in tables)
    ]


def seen_in(path, folder):
    """What one file holds."""
    name = path.relative_to(folder).as_posix()
    try:
        file, channels = channels_of(path, folder)
        unread = [fault_in_words(name, c.fault) for c in channels if c.fault]
        return FileSeen(name, file.sha256, channels, next(iter(unread), ""))
    except (ReadingError, OSError) as fault:
        return FileSeen(name, "", [], fault_in_words(name, fault))
    finally:
        forget_opened()


def rows_of_files(folder):
    """Row numbers of recordings.tsv that name each file; nothing where the folder is no study."""
    rows_naming = defaultdict(list)
    path = folder / "recordings.tsv"
    for row in read_table(path, Problems()) if path.exists() else []:
        rows_naming[row.file].append(row.row_number)
    return rows_naming


def seen_rows(file):
    """Rows of look.tsv about one file, one for each channel."""
    named = {
        "file": file.name,
        "same_content_as": "; ".join(file.copies),
        "rows_of_recordings": "; ".join(map(str, file.rows or ())),
    }
    if not file.channels:
        why = file.fault.replace("\n", " ") or "holds no column of numbers"
        yield named | {"kind": "not read", "remarks": why}
    for channel in file.channels:
        yield named | {
            "kind": KINDS[channel.kind],
            "channel": channel.channel,
            "unit_in_file": channel.unit_written,
            "plausible_units": " or ".join(channel.plausible),
            "signal": channel.signal,
            "samples": len(channel.value),
            "rate_hz": _rounded(channel.rate_hz),
            "length_s": _rounded(channel.length_s),
            "starts_at": channel.zero_at.isoformat() if channel.zero_at else "",
            "gaps": channel.n_gaps,
            "remarks": channel.fault.seen if channel.fault else "; ".join(channel.remarks),
        }


def proposed_rows(files):
    """Rows for recordings.tsv of what no row names yet, every guess and every gap marked."""
    for file in files:
        # of copies that one which says better, or earlier, whose it is
        names = sorted([file.name, *file.copies], key=lambda name: ("sub-" not in name, name))
        if not file.rows and file.name == names[0]:
            yield from (_proposed(file, c) for c in file.channels if c.signal is not None)


def _proposed(file, channel):
    labels = {
        column: (re.search(rf"(?<![A-Za-z0-9]){key}-[A-Za-z0-9]+", file.name) or [""])[0]
        for column, key in (("participant_id", "sub"), ("session_id", "ses"))
    }
    guessed = [*channel.guessed, *(column for column, label in labels.items() if label)]
    open_ = [column for column, label in labels.items() if not label]
    if channel.unit is None:
        open_.append("unit")
    if channel.signal in ("muscle_oxygen", "oxy_haemoglobin", "deoxy_haemoglobin"):
        open_ += ["site", "side"]
    if channel.signal == "cuff_pressure":
        open_ += ["limb"]
    if channel.kind == "text" and channel.time_column is None:
        open_.append("sampling_rate_hz")
    if channel.kind == "text" and channel.time_column and not len(channel.time_s):
        open_.append("time_format")
    elif channel.zero_at is None and channel.kind != "bids_physio":
        open_.append("clock_offset_s")
    said = [f"guessed: {', '.join(sorted(set(guessed)))}"] if guessed else []
    said += [f"to be said: {', '.join(open_)}"] if open_ else []
    if channel.zero_at is not None:
        said.append("session_start in sessions.tsv places it")
    return labels | {
        "signal": channel.signal,
        "file": file.name,
        "channel": channel.channel,
        "time_column": channel.time_column,
        "unit": channel.unit,
        "time_format": channel.time_format,
        "proposed": "; ".join(said),
    }


def told(files, unopened):
    """What every file holds, a line for each channel, as a person reads it on the screen."""
    lines = []
    for file in files:
        lines.append(file.name)
        if file.channels:
            lines += [f"    {line_of(channel)}" for channel in file.channels]
        else:
            lines.append("    not read: see below" if file.fault else "    no column of numbers")
        if file.copies:
            lines.append(f"    the same content as {in_words(file.copies)}")
        if file.rows == ():
            lines.append("    no row of recordings.tsv names it")
    return [*lines, *(f"{name}\n    not opened: {NO_KIND}" for name in unopened)]


def line_of(channel):
    """A channel in one line."""
    rate = f"{_rounded(channel.rate_hz)} Hz" if channel.rate_hz else "no rate"
    if channel.kind == "intervals":
        rate = f"{len(channel.value)} intervals"
    length = f"{channel.length_s:.0f} s" if np.isfinite(channel.length_s) else "length unknown"
    unit = channel.unit_written or "no unit written"
    looks = f"looks like {words_of(channel.signal)}" if channel.signal else "no known signal"
    units = f" in {' or '.join(channel.plausible)}" if channel.signal and channel.plausible else ""
    starts = f", starts {channel.zero_at.isoformat()}" if channel.zero_at else ""
    gaps = f", {counted(channel.n_gaps, 'gap')}" if channel.n_gaps else ""
    name = channel.channel or "(single column)"
    if channel.fault:
        return f"{name}: cannot be read, {channel.fault.where}: {channel.fault.seen}"
    said = f"{name}: {unit}, {rate}, {length}{starts}{gaps}; {looks}{units}"
    return "; ".join([said, *channel.remarks])


def summary(files, proposed, out):
    """What was written, and what to do next."""
    read = [file for file in files if file.channels and not file.fault]
    return [
        "",
        f"{len(read)} of {counted(len(files), 'file')} read, "
        f"{counted(sum(len(f.channels) for f in read), 'channel')}. Written to {out}: look.html "
        "(with pictures), look.tsv,",
        f"recordings_proposed.tsv ({counted(len(proposed), 'row')}). Column `proposed` says what "
        "is a guess and what is still to be said;",
        "a row is taken once a person has confirmed it and emptied that cell.",
    ]


def picture(channel):
    """The first seconds of a channel as points of an SVG line, 300 by 60, and how many they are.

    Empty without any.
    """
    fast = channel.rate_hz is not None and channel.rate_hz >= FAST_HZ
    seconds = SHOWN_OF_FAST_S if fast else SHOWN_OF_SLOW_S
    time_s, samples = channel.time_s, channel.value
    if len(time_s) < 2:
        return "", seconds
    shown = np.isfinite(samples) & (time_s <= time_s[0] + seconds)
    time_s, samples = time_s[shown], samples[shown]
    if len(time_s) < 2:
        return "", seconds
    low, high = samples.min(), samples.max()
    across = 300 * (time_s - time_s[0]) / (time_s[-1] - time_s[0])
    down = 58 - 56 * (samples - low) / ((high - low) or 1.0)
    each = max(1, len(across) // _POINTS)
    keep = np.zeros(len(across), dtype=bool)
    for first in range(0, len(across), each):
        part = slice(first, first + each)
        keep[first + np.argmin(down[part])] = keep[first + np.argmax(down[part])] = True
    points = zip(across[keep], down[keep], strict=True)
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points), seconds


def page_of(folder, files, unopened):
    """The page look.html."""
    from report.page import templates_of

    page = templates_of(TEMPLATES).get_template("look.html.jinja")
    return page.render(
        folder=folder.resolve().name,
        files=files,
        line_of=line_of,
        picture=picture,
        n_faults=sum(bool(f.fault) for f in files),
        unopened=unopened,
        no_kind=NO_KIND,
    )


def _rounded(number):
    return "" if number is None or not np.isfinite(number) else f"{number:.6g}"


def _write(path, columns, lines):
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, "excel-tab", lineterminator="\n")
        table.writerow(columns)
        for row in lines:
            cells = [row.get(column) for column in columns]
            table.writerow(["n/a" if cell in (None, "") else cell for cell in cells])


if __name__ == "__main__":
    main(sys.argv[1:])
