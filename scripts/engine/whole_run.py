"""What surrounds the rules: what is checked before the first, and what is said at the end."""

import atexit
import sys

from engine.choosing_jobs import choose_jobs_greedily
from engine.origins import made_by
from engine.problems import say_problems_last, say_what_is_missing
from engine.progress import tell_progress
from engine.rules import check_steps, prepare_jobs
from engine.transaction import Transaction
from study.check import check_before_run

ENDED_UNSAID = (
    "This run stopped because Snakemake could not go on: see .snakemake/log. Results of an "
    "earlier run are given back. Make room or allow writing in .snakemake, then run this again."
)


class WholeRun:
    """A run of the workflow over one study, made once all rules are known.

    workflow, config : those of Snakemake
    study : the study as `study.loading` gives it
    """

    def __init__(self, workflow, study, config):
        self._workflow, self._study, self._config = workflow, study, config
        self._is_open = False
        prepare_jobs()
        check_steps(workflow.rules)
        self._transaction = Transaction(
            study.results,
            made_by(workflow.rules, study.participants),
            recordings=study.participants_by_raw_file,
            tables=study.table_files,
        )
        self._transaction.begin_with(workflow)

    def begins(self):
        """Check the study and its recordings before the first job."""
        print(self._study.notes(), end="")
        check_before_run(self._study, self._config)
        self._study.claim_results()
        self._is_open = True
        atexit.register(self._ended)
        choose_jobs_greedily(self._workflow)
        tell_progress(self._workflow)

    def succeeded(self):
        """Keep what was made, and say what could not be."""
        self._is_open = False
        self._transaction.succeeded()
        say_what_is_missing(self._study.results)

    def failed(self):
        """Give back what stood there, and say behind all else why the run stopped."""
        self._is_open = False
        self._transaction.failed()
        keep_going = self._workflow.execution_settings.keep_going
        say_problems_last(f"{self._study.results}/logs", keep_going=keep_going)

    def _ended(self):
        """Give back what stood there where Snakemake ended without a word to this workflow."""
        if self._is_open:
            self._transaction.failed()
            print(ENDED_UNSAID, file=sys.stderr)
