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
    found = problems(logs)
    if found and not keep_going:
        found += "\nWhat had not begun was not looked at; --keep-going names the faults of all."
    if found:
        atexit.register(print, found, file=sys.stderr)


def problems(logs):
    """What the jobs of this run stumbled over, each once; empty where none said anything."""
    written = [log for log in sorted(Path(logs).rglob("*.log")) if log.stat().st_mtime >= STARTED]
    found = {}
    for log in written:
        before, *errors = re.split(
            r"^ERROR ", log.read_text(errors="replace"), maxsplit=1, flags=re.M
        )
        # a log of several steps says which one began last
        steps = re.findall(r"^INFO (step \w+)$", before, flags=re.M)
        for message in errors:
            where = ", ".join([*steps[-1:], str(log)])
            found.setdefault(message.partition("\nTraceback")[0].strip(), where)
    told = [textwrap.indent(f"{message}\n[{where}]", "  ") for message, where in found.items()]
    return "\n".join(["", "Why this run stopped:", *told]) if told else ""
