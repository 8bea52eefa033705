"""Verify results: hold them against their manifest, run the study again, compare every cell.

    python3.11 scripts/launch.py verify results/my_study

The study is run from nothing in a temporary place; the results are not touched. A certificate for
an independent check is written beside them, results/my_study_verified.md. The exit status is 0
where nothing was altered and every cell of every table came out again within the tolerance.
"""

import platform
import sys
import tempfile
from datetime import date
from pathlib import Path

from engine.command_line import faults_told, parser_of
from explaining.run import FinishedRun
from results.comparing import TOLERANCE, compare_results
from results.manifest import NAME, sha256_of
from results.provenance import own_version
from results.words import counted
from verifying.compare import causes_between, told
from verifying.fresh import manifest_of, run_afresh
from verifying.words import write_moved


def altered(results, manifest):
    """Files that are not as the manifest says, each with what is wrong with it."""
    wrong = {}
    for row in manifest:
        if row["kind"] != "result" or not row["sha256"]:
            continue
        path = Path(results) / row["file"]
        if not path.exists():
            wrong[row["file"]] = "is gone"
        elif sha256_of(path) != row["sha256"]:
            wrong[row["file"]] = "was altered since it was made"
    return wrong


def certificate(results, manifest, wrong, complete, comparison, causes, tolerance):
    """The certificate as Markdown, and whether the results were verified."""
    verified = not wrong and not comparison.moved and complete
    count = {kind: sum(r["kind"] == kind for r in manifest) for kind in ("input", "result")}
    lines = [
        f"# {Path(results).name}: results {'verified' if verified else 'NOT verified'}",
        "",
        f"- Manifest: SHA-256 {sha256_of(Path(results) / NAME)}",
        f"- {counted(count['input'], 'input')} and {counted(count['result'], 'result')} listed",
        f"- Run again on {date.today().isoformat()} with cuffstudy {own_version()}, "
        f"Python {platform.python_version()}, {platform.machine()}",
        "- Checked by: ______________________   Signature: ______________________",
        "",
        "## Results against their manifest",
        "",
    ]
    lines += [f"- {file} {what}." for file, what in sorted(wrong.items())] or [
        "Every result has the bytes that the run left."
    ]
    differing = causes.all()
    lines += ["", "## Inputs, settings, code and software", ""]
    lines += [f"- differs: {what}" for what in differing] or ["All are those of the run."]
    lines += ["", "## Every cell, made again from the recordings", ""]
    if not complete:
        lines += ["The fresh run could not make everything; see what it lacks in its report.", ""]
    lines += told(comparison, causes, tolerance)
    return "\n".join(lines) + "\n", verified


def main(words=None):
    parser = parser_of("verify", __doc__)
    parser.add_argument("results", type=Path, help="folder of the results of a finished run")
    parser.add_argument("--study", type=Path, help="the study, where it is not known here")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--tolerance", type=float, default=TOLERANCE, help="relative")
    parser.add_argument("--certificate", type=Path, help="where to write the certificate")
    parser.add_argument("--moved", type=Path, help="write every moved cell to this table")
    asked = parser.parse_args(words)
    with faults_told():
        manifest = manifest_of(asked.results)
        study = FinishedRun(asked.results, asked.study).study
        wrong = altered(asked.results, manifest)
        print(f"Running {study} again in a temporary place ...", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            fresh, complete = run_afresh(study, folder, cores=asked.cores)
            comparison = compare_results(asked.results, fresh, asked.tolerance)
            causes = causes_between(asked.results, fresh, wrong)
    text, verified = certificate(
        asked.results, manifest, wrong, complete, comparison, causes, asked.tolerance
    )
    folder = asked.certificate or asked.results.with_name(f"{asked.results.name}_verified.md")
    folder.write_text(text, encoding="utf-8")
    if asked.moved:
        write_moved(comparison, causes, asked.moved)
    print(f"{text}\nWritten to {folder}.")
    sys.exit(not verified)


if __name__ == "__main__":
    main()
