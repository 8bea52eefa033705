"""Session pages served on this machine alone, so that decisions go straight into the study.

    python3.11 scripts/launch.py review STUDY [--blind] [--seed 1] [--results results/STUDY]
    python3.11 scripts/launch.py review --practice

The address that is printed holds a token, which nobody else knows; a page of another site cannot
send decisions. With --blind, recordings of the heart come in a random order and without anything
that tells condition, pressure, visit or person; see `sessions.blind`. --practice needs no
study: it shows invented recordings whose truth is known.
"""

import csv
import io
import json
import sys
from pathlib import Path

from engine.command_line import faults_told, parser_of
from serving.local import LocalHandler, local_server, serve_until_stopped
from sessions.page import with_saving
from study.edit_log import append_edits
from study.problems import StudyError

OVERVIEW = "sessions/index.html"


class Pages:
    """Pages of the results of a study, and decisions that become rows of its edits.tsv."""

    start = OVERVIEW

    def __init__(self, study, results):
        self.study, self.results = Path(study), Path(results)
        if not (self.results / OVERVIEW).exists():
            raise StudyError(f"{results} holds no session pages: run the workflow first.")

    def page(self, path):
        """HTML of a page, None where there is none of that name."""
        file = (self.results / path).resolve()
        inside = file.is_relative_to(self.results.resolve())
        if not inside or file.suffix != ".html" or not file.is_file():
            return None
        return file.read_text(encoding="utf-8")

    def save(self, decisions):
        """Add decisions to edits.tsv; returns what to say. StudyError where one cannot stand."""
        append_edits(self.study, decisions)
        stand = "1 decision stands" if len(decisions) == 1 else f"{len(decisions)} decisions stand"
        return f"{stand} in edits.tsv. The next run of the workflow carries them out."

    def effects(self, decisions):
        """What decisions about beats of one session would change, see sessions/effects.py."""
        from sessions.effects import effects_of

        return effects_of(self.study, self.results, decisions)

    def freeze(self, reviewer):
        raise StudyError("Only a blind review is frozen.")


def decisions_in(text):
    """Rows of a table of decisions as dictionaries of text."""
    return list(csv.DictReader(io.StringIO(text), delimiter="\t", quoting=csv.QUOTE_NONE))


class Handler(LocalHandler):
    """Serves pages that may save their decisions."""

    serves = "review"

    def get(self, path):
        html = self.pages.page(path or self.pages.start)
        if html is None:
            return None
        return with_saving(html, f"/{self.token}/", self.token), "text/html"

    def post(self, path):
        return {
            "decisions": lambda text: self.pages.save(decisions_in(text)),
            "effects": lambda text: json.dumps(self.pages.effects(decisions_in(text))),
            "freeze": self.pages.freeze,
        }.get(path)


def server(pages, port=0):
    """A server for this machine alone, and its address with a fresh token."""
    return local_server(Handler, pages, port)


def main(words):
    parser = parser_of("review", __doc__)
    parser.add_argument("study", type=Path, nargs="?")
    parser.add_argument("--results", type=Path, help="default: results/<name of the study>")
    parser.add_argument("--blind", action="store_true")
    parser.add_argument("--practice", action="store_true", help="invented recordings, no study")
    parser.add_argument("--seed", type=int, default=1, help="of --blind and --practice")
    parser.add_argument("--port", type=int, default=0, help="default: any that is free")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")
    given = parser.parse_args(words)
    if given.study is None and not given.practice:
        parser.error("name the study folder, or --practice")
    with faults_told():
        pages = pages_for(given)
    serving, address = server(pages, given.port)
    serve_until_stopped(serving, address, "Review", opens=not given.no_browser)


def pages_for(given):
    """What is served for the words of the command line. StudyError where that cannot be."""
    if given.practice:
        from sessions.practice import PracticePages

        return PracticePages(given.seed)
    results = given.results or Path("results") / given.study.resolve().name
    if given.blind:
        from sessions.blind import BlindPages

        return BlindPages(given.study, results, given.seed)
    return Pages(given.study, results)


if __name__ == "__main__":
    main(sys.argv[1:])
