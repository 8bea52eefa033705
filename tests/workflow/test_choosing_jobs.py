"""A bare command chooses its jobs as a profile would, and only when one of them has ended."""

from project import PROJECT, snakemake

JOBS = 40

SNAKEFILE = f"""
import sys
sys.path.insert(0, {str(PROJECT / "scripts")!r})
from engine.choosing_jobs import choose_jobs_greedily

choices = []

rule all:
    input: expand("{{n}}.txt", n=range({JOBS}))

rule write:
    output: "{{n}}.txt"
    shell: "sleep 0.2; touch {{output}}"

onstart:
    choose_jobs_greedily(workflow)
    choose = workflow.scheduler._job_selector
    def noted(jobs, *words):
        choices.append(f"{{choose.__self__.__module__}} {{len(jobs)}}")
        return choose(jobs, *words)
    workflow.scheduler._job_selector = noted

onsuccess:
    print(*choices, sep="\\n", file=open("choices.txt", "w"))
"""


def test_a_bare_command_chooses_greedily_among_few_jobs_and_once_for_each_that_ended(tmp_path):
    (tmp_path / "Snakefile").write_text(SNAKEFILE)
    printed, status = snakemake(tmp_path, cores=4)
    assert status == 0, printed[-3000:]
    choices = (tmp_path / "choices.txt").read_text().splitlines()
    choosers, jobs_looked_at = zip(*(line.rsplit(" ", 1) for line in choices), strict=True)
    assert set(choosers) == {"snakemake.scheduling.greedy"}
    assert max(map(int, jobs_looked_at)) < JOBS
    assert len(choices) <= JOBS + 1
