"""Why a run stopped, said behind all that Snakemake itself prints."""

import atexit
import re
import sys
import textwrap
import time
from pathlib import Path

STARTED = time.time()


def say_problems_last(logs, *, keep_going):
    """Why this run stopped, behind all that Snakemake itself says at the end."""
    reasons = problems(logs)
    if reasons and not keep_going:
        reasons += "\nWhat had not begun was not looked at; --keep-going names the faults of all."
    if reasons:
        atexit.register(print, reasons, file=sys.stderr)


def say_what_is_missing(results):
    """Say what this run could not make and went on without, and end with a status that tells."""
    if not unmade(results):
        return
    print(problems(f"{results}/logs", "What could not be made, and why:"), file=sys.stderr)
    report = Path(results) / "report.html"
    if report.exists() and report.stat().st_mtime >= STARTED:
        print("The report is made without it and says so.", file=sys.stderr)
    print("The next run tries again.", file=sys.stderr, flush=True)
    sys.exit(1)


def unmade(results):
    """What a run went on without: rows of the tables named unmade, as dictionaries."""
    folder, not_made = Path(results), []
    for path in (*folder.glob("participants/*/unmade.tsv"), folder / "figures" / "undrawn.tsv"):
        if path.exists():
            header, *lines = path.read_text(encoding="utf-8").splitlines()
            columns = header.split("\t")
            not_made += [dict(zip(columns, line.split("\t"), strict=True)) for line in lines]
    return not_made


def problems(logs, heading="Why this run stopped:"):
    """What the jobs of this run stumbled over, each once; empty where none said anything."""
    written = [log for log in sorted(Path(logs).rglob("*.log")) if log.stat().st_mtime >= STARTED]
    logs_of_each = {}
    for log in written:
        before, *errors = re.split(
            r"^ERROR ", log.read_text(errors="replace"), maxsplit=1, flags=re.M
        )
        # a log of several steps says which one began last
        steps = re.findall(r"^INFO (step \w+)$", before, flags=re.M)
        for message in errors:
            where = ", ".join([*steps[-1:], str(log)])
            logs_of_each.setdefault(message.partition("\nTraceback")[0].strip(), where)
    told = [
        textwrap.indent(f"{message}\n[{where}]", "  ") for message, where in logs_of_each.items()
    ]
    return "\n".join(["", heading, *told]) if told else ""
