"""What a person's job leaves when it fails: the reason, and files that hold nothing of the person.

python -m engine.unmade 1 --participant sub-01 --unmade unmade.tsv --log sub-01.log outputs ...

Called by the shell command of the rule with the exit status of its steps, whatever ended them. The
study goes on without the person: steps that read files of everybody leave out whoever is named in
an unmade.tsv. Files of an earlier run stay as they are.
"""

import argparse
import os
import re
import sys
from pathlib import Path

import pandas as pd

from engine.running import EMPTY, JOBS
from engine.step import NO_ROOM_STATUS
from results.columns import TABLES, columns_of
from results.tables import write, write_table

# asked to stop by a person or by the cluster: interrupt, terminate
ASKED_TO_STOP = {130, 143}

KILLED = 137


def main():
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("status", type=int)
    words.add_argument("--participant", required=True)
    words.add_argument("--unmade", type=Path, required=True)
    words.add_argument("--log", type=Path, required=True)
    words.add_argument("outputs", type=Path, nargs="+")
    asked = words.parse_args()
    if asked.status == NO_ROOM_STATUS or asked.status in ASKED_TO_STOP:
        sys.exit(asked.status)
    log = asked.log.read_text(encoding="utf-8", errors="replace")
    step, reason = why(log, asked.status)
    if reason not in said(log):
        print(f"ERROR {asked.participant}: {reason}", flush=True)
    empty = [output for output in asked.outputs if output != asked.unmade and not output.exists()]
    for output in empty:
        leave_empty(output, asked.participant)
    note_empty(empty)
    for output in set(asked.outputs) - {asked.unmade}:
        # Snakemake takes no output that is older than an input
        os.utime(output)
    unmade = {"kind": "person", "name": asked.participant, "participant_id": asked.participant}
    write(pd.DataFrame([unmade | {"step": step, "reason": reason}]), "unmade", asked.unmade)


def said(log):
    """The message of the fault in a log in one line; empty where the steps said nothing."""
    before, *fault = re.split(r"^ERROR ", log, maxsplit=1, flags=re.M)
    if not fault:
        return ""
    message, *traceback = fault[0].split("\nTraceback", maxsplit=1)
    last = "".join(traceback).strip().rpartition("\n")[2]
    lines = [line.strip() for line in message.strip().splitlines()]
    return "; ".join(lines) + (f" ({last})" if last else "")


def why(log, status):
    """Step that failed, and what it said in one line, or how its process ended.

    log : text of the log of the steps, each of which says that it begins
    status : exit status of their process
    """
    steps = re.findall(r"^INFO step (\w+)$", log, flags=re.M)
    silent = (
        "its process was killed, as systems do that run out of memory"
        if status == KILLED
        else f"its process ended with status {status} and said nothing"
    )
    return steps[-1] if steps else None, said(log) or silent


def note_empty(files):
    """Let the run know which files hold nothing: they go when it ends."""
    if files and (jobs := os.environ.get(JOBS)):
        with Path(jobs).with_name(EMPTY).open("a", encoding="utf-8") as notes:
            notes.writelines(f"{file}\n" for file in files)


def leave_empty(output, participant):
    """A file of its kind that holds nothing: a table with its header, signals without values."""
    output.parent.mkdir(parents=True, exist_ok=True)
    if ".tsv" in output.suffixes:
        name = _name_of_table(output, participant)
        write_table(pd.DataFrame(columns=columns_of(name) if name else ["participant_id"]), output)
    elif output.suffix == ".parquet":
        from recordings.store import write_stretches

        write_stretches([], output)
    else:
        output.mkdir(exist_ok=True)


def _name_of_table(output, participant):
    """The declared table that a file holds, by its own name or by that of its folder."""
    stem = output.name.partition(".")[0]
    name = stem if stem != participant else output.parent.name
    return name if name in TABLES else None


if __name__ == "__main__":
    main()
