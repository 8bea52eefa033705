"""What a run is doing, in one line for each finished job: step, whom, how many of how many, time.

Snakemake's own blocks for each job are left out of the screen then; its log file keeps them.
"""

import os
import sys
import time

# set by scripts/launch.py: whoever calls Snakemake gets what Snakemake says
ASKED = "CUFFSTUDY_PROGRESS"

# a pace is told from so many finished jobs and seconds on
FEWEST_JOBS, FEWEST_S = 3, 5.0


class Progress:
    """Tells each finished or failed job of a run of `total` jobs.

    write : takes a line of text; clock : seconds that only rise
    """

    def __init__(self, total, write, clock=time.monotonic):
        self._total, self._write, self._clock = total, write, clock
        self._began_s = clock()
        self._done = 0
        self._jobs = {}

    def begin(self):
        steps = "1 step" if self._total == 1 else f"{self._total} steps"
        self._write(f"{steps} to do.")

    def take_notice(self, event, facts):
        """Take notice of an event of Snakemake by its name, with its facts."""
        if event == "JOB_INFO":
            whom = dict(facts.get("wildcards") or {}).get("participant", "")
            name = " ".join(filter(None, [facts["rule_name"], whom]))
            self._jobs[facts["jobid"]] = (name, facts.get("log") or [])
        elif event == "JOB_FINISHED":
            self._done += 1
            name, _ = self._jobs.get(facts["job_id"], ("", []))
            width = len(str(self._total))
            self._write(f"{self._done:>{width}} of {self._total}  {name}{self._times()}")
        elif event == "JOB_ERROR":
            name, logs = self._jobs.get(facts["jobid"], (facts.get("rule_name", ""), []))
            where = f", see {logs[0]}" if logs else ""
            self._write(f"failed: {name}{where}")

    def _times(self):
        gone_s = self._clock() - self._began_s
        if self._done < FEWEST_JOBS or gone_s < FEWEST_S or self._done >= self._total:
            return ""
        left_s = gone_s * (self._total - self._done) / self._done
        return f"   {in_minutes(gone_s)} gone, about {in_minutes(left_s)} left at this pace"


def in_minutes(seconds):
    """`40 s`, `3 min`, `1 h 20 min`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


# what Snakemake says of each job, which a line of ours replaces
REPLACED = frozenset(
    ("JOB_INFO", "GROUP_INFO", "JOB_STARTED", "JOB_FINISHED", "JOB_ERROR", "GROUP_ERROR")
) | {"PROGRESS", "SHELLCMD", "RESOURCES_INFO", "RUN_INFO"}

CHOOSING = "Select jobs to execute..."


def tell_progress(workflow):
    """Tell the progress of a run on the screen, where scripts/launch.py started it."""
    quiet = workflow.output_settings.quiet
    if not os.environ.get(ASKED) or quiet or workflow.output_settings.verbose:
        return
    import logging

    from snakemake.logging import logger

    progress = Progress(
        sum(1 for _ in workflow.dag.needrun_jobs()),
        lambda line: print(line, file=sys.stderr, flush=True),
    )

    class Teller(logging.Handler):
        def emit(self, record):
            event = getattr(record, "event", None)
            if event is not None:
                progress.take_notice(event.name, vars(record))

    def is_not_replaced(record):
        event = getattr(record, "event", None)
        if event is None:
            return record.getMessage() != CHOOSING
        return event.name not in REPLACED

    for handler in logger.handlers:
        # the log file is a stream as well, and keeps everything
        if isinstance(handler, logging.StreamHandler) and not hasattr(handler, "baseFilename"):
            handler.addFilter(is_not_replaced)
    logger.addHandler(Teller())
    progress.begin()
