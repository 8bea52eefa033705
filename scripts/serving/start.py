"""A page of this machine alone to begin, look at, check and run a study, without a terminal.

    python3.11 scripts/launch.py start

Everything is done by the commands of scripts/launch.py, one at a time. Nothing leaves the machine.
The server stops when the page is closed, after a run that is going on.
"""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from engine.command_line import parser_of
from results.typesetting import TEMPLATES
from serving.local import LocalHandler, local_server, serve_until_stopped
from study.problems import StudyError

SCRIPTS = Path(__file__).resolve().parents[1]
PROJECT = SCRIPTS.parent
RESULTS = "results"

# a browser asks a page in the background once a minute or less often
GONE_AFTER_S, CLOSED_AFTER_S = 180.0, 5.0

MOST_LINES = 5000

KINDS = {
    ".html": "text/html",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".pdf": "application/pdf",
    **dict.fromkeys((".tsv", ".txt", ".md", ".bib", ".log", ".yaml"), "text/plain"),
}

DEEDS = ("new", "look", "check", "run")


class Job:
    """A command of launch.py that was begun, and what it has said so far."""

    def __init__(self, deed, folder, command, project):
        self.deed, self.folder, self.lines, self.was_stopped = deed, folder, [], False
        # asked to stop, it stops with all that it started
        group = {"start_new_session": True}
        if os.name == "nt":
            group = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        self._running = subprocess.Popen(
            [sys.executable, "-m", *command],
            cwd=project,
            env=os.environ | self._environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            errors="replace",
            **group,
        )
        self._listens = threading.Thread(target=self._listen, daemon=True)
        self._listens.start()

    @staticmethod
    def _environment():
        paths = filter(None, [str(SCRIPTS), os.environ.get("PYTHONPATH")])
        known = {"PYTHONPATH": os.pathsep.join(paths), "PYTHONUNBUFFERED": "1"}
        return known | {"CUFFSTUDY_PROGRESS": "yes"}

    def _listen(self):
        for line in self._running.stdout:
            if len(self.lines) < MOST_LINES:
                self.lines.append(line.rstrip("\n"))
        self._running.wait()

    @property
    def status(self):
        """Exit status; None while it runs, or has something to say."""
        return None if self._listens.is_alive() else self._running.poll()

    def stop(self):
        if self.status is not None:
            return
        self.was_stopped = True
        if os.name == "nt":
            self._running.send_signal(signal.CTRL_BREAK_EVENT)
        else:
            os.killpg(self._running.pid, signal.SIGINT)


class StartPages:
    """The start page, jobs that it begins, and results that it shows."""

    def __init__(self, project=PROJECT):
        self.project, self.job = project, None
        # when each open page asked last, by a name that it gave itself
        self.open, self.asked_at, self.was_left = {}, time.monotonic(), False
        self._beginning = threading.Lock()

    def begin(self, text):
        """Begin what a page asks for; gives what to say. StudyError where that cannot be."""
        asked = json.loads(text)
        deed, folder = asked.get("deed"), str(asked.get("folder") or "").strip().strip("\"'")
        if deed not in DEEDS:
            raise StudyError(f"{deed!r} is not one of {', '.join(DEEDS)}.")
        with self._beginning:
            if self.job and self.job.status is None:
                raise StudyError(f"{self.job.deed} of {self.job.folder} is still running.")
            command = command_of_deed(deed, folder, asked.get("answers") or {}, self.project)
            self.job = Job(deed, folder, command, self.project)
        return f"{deed}: {folder}"

    def progress(self, page=""):
        """What the job said, its exit status, and which results there are to open."""
        self.open[page] = self.asked_at = time.monotonic()
        job = self.job
        return json.dumps(
            {
                "deed": job.deed if job else "",
                "folder": job.folder if job else "",
                "lines": job.lines if job else [],
                "status": job.status if job else 0,
                "stopped": bool(job and job.was_stopped),
                "results": self.to_open(),
            }
        )

    def to_open(self):
        """Pages of results, and those of folders that were looked at, with what each is."""
        pages = {"Report of": "*/report.html", "Files of": "look/*/look.html"}
        return [
            [f"{what} {path.parent.name}", path.relative_to(self.project).as_posix()]
            for what, pattern in pages.items()
            for path in sorted((self.project / RESULTS).glob(pattern))
        ]

    def file(self, path):
        """Content and type of a file of results; None of anything else."""
        file = (self.project / path).resolve()
        inside = file.is_relative_to((self.project / RESULTS).resolve())
        if not inside or file.suffix not in KINDS or not file.is_file():
            return None
        return file.read_bytes(), KINDS[file.suffix]

    def stop(self, _):
        if self.job:
            self.job.stop()
        return "Asked to stop."

    def leave(self, page):
        self.open.pop(page, None)
        self.asked_at, self.was_left = time.monotonic(), True
        return "Closed."

    def is_left(self):
        """Whether nobody has the page open in any window and nothing runs."""
        silent_s = time.monotonic() - self.asked_at
        closed = self.was_left and not self.open
        gone = silent_s > (CLOSED_AFTER_S if closed else GONE_AFTER_S)
        return gone and (self.job is None or self.job.status is not None)


def command_of_deed(deed, folder, answers, project):
    """Module and words of a deed at a folder. StudyError where the folder is not there."""
    from launch import command_of

    path = Path(folder).expanduser() if folder else project / "data_demo"
    path = path if path.is_absolute() else project / path
    if deed != "new" and not path.is_dir():
        raise StudyError(f"There is no folder {path}. Copy its whole path from the file manager.")
    if deed == "new":
        if not folder:
            raise StudyError("Name the folder of the new study, which is not there yet.")
        options = [f"--{name.replace('_', '-')}={answer}" for name, answer in answers.items()]
        return command_of("new", str(path), *options)
    return command_of(*([] if deed == "run" else [deed]), str(path))


class Handler(LocalHandler):
    """Serves the start page."""

    serves = "start page"

    def get(self, path):
        if path == "":
            return start_page(self.token), "text/html"
        if path.startswith("progress"):
            return self.pages.progress(path.partition("/")[2]), "text/plain"
        from urllib.parse import unquote

        return self.pages.file(unquote(path))

    def post(self, path):
        deeds = {"begin": self.pages.begin, "stop": self.pages.stop, "leave": self.pages.leave}
        return deeds.get(path)


def start_page(token):
    """HTML of the page."""
    from report.page import templates_of
    from report.policy import inlined
    from study.new import QUESTIONS

    templates = templates_of(TEMPLATES)
    texts = inlined(templates, style=["report.css", "start.css"], script=["start.js"])
    page = templates.get_template("start.html.jinja")
    return page.render(token=token, questions=QUESTIONS, **texts)


def serve(pages, port=0):
    """A server of the page and its address; it ends once the page is left."""
    serving, address = local_server(Handler, pages, port)

    def watch():
        while not pages.is_left():
            time.sleep(0.5)
        serving.shutdown()

    threading.Thread(target=watch, daemon=True).start()
    return serving, address


def main(words):
    parser = parser_of("start", __doc__)
    parser.add_argument("--port", type=int, default=0, help="default: any that is free")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")
    given = parser.parse_args(words)
    # begun in the background of a shell, this program would leave its jobs deaf to "stop"
    signal.signal(signal.SIGINT, signal.default_int_handler)
    pages = StartPages()
    serving, address = serve(pages, given.port)
    says = "Close this page to end the program. It is"
    serve_until_stopped(serving, address, says, opens=not given.no_browser)
    if pages.job:
        pages.job.stop()


if __name__ == "__main__":
    main(sys.argv[1:])
