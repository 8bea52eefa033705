"""How Snakemake chooses the next jobs: greedily, among few, and only when a job has ended."""

# the files of all jobs that could start are looked at before each choice: of so many are enough
JOBS_LOOKED_AT = 20


def choose_jobs_greedily(workflow):
    """Choose jobs greedily in this run, also where no profile asks for it.

    A bare `snakemake` settles on its scheduler before it reads the Snakefile: `ilp`, which starts
    another program for each choice. Its limit of 100 starts a second sets a timer at each choice
    and a choice at each timer, so that a run of n jobs chooses up to n times a second; no run here
    starts jobs that fast. workflow : that of Snakemake 9.27, whose scheduler stands already
    """
    scheduler = workflow.scheduler
    scheduler.job_rate_limiter = None
    scheduler.subsample = scheduler.subsample or JOBS_LOOKED_AT
    scheduler._job_selector = scheduler.job_selector_greedy
