"""The page that begins a study without a terminal: who may use it, what it does, when it ends."""

import json
import os
import re
import signal
import threading
import time

import pytest

import launch
from chromium import ABSENT, BROWSER, Page
from project import PROJECT
from serving import start
from serving.start import StartPages, command_of_deed, serve
from study.problems import StudyError
from unit.http_answer import answer


@pytest.fixture
def project(tmp_path, monkeypatch):
    """A project of which nothing is but results."""
    folder = tmp_path / "Projekt Ü"
    (folder / "results" / "mine" / "sessions").mkdir(parents=True)
    (folder / "results" / "mine" / "report.html").write_text("<title>Mine</title>")
    (folder / "results" / "mine" / "notes.exe").write_text("x")
    (folder / "secret.html").write_text("secret")
    monkeypatch.setattr(launch, "PROJECT", folder)
    return folder


@pytest.fixture
def served(project):
    pages = StartPages(project)
    serving, address = serve(pages)
    threading.Thread(target=serving.serve_forever, daemon=True).start()
    # as `main` does: tests may run in the background of a shell, too
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield pages, address
    signal.signal(signal.SIGINT, before)
    serving.shutdown()


def begin(address, **asked):
    token = address.rstrip("/").rpartition("/")[2]
    return answer(f"{address}begin", json.dumps(asked).encode(), **{"X-Review-Token": token})


@pytest.fixture
def drawer(tmp_path):
    folder = tmp_path / "Schublade für alles"
    folder.mkdir()
    (folder / "a.txt").write_text("812\n" * 60)
    return folder


def test_a_folder_is_looked_at_from_the_page_and_the_result_is_offered(served, drawer):
    _, address = served
    assert begin(address, deed="look", folder=f' "{drawer}" ')[0] == 200
    said = f"look of {drawer} is still running."
    assert begin(address, deed="check", folder=str(drawer)) == (422, said)
    while (seen := json.loads(answer(f"{address}progress")[1]))["status"] is None:
        time.sleep(0.05)
    assert "looks like beat intervals in ms" in "\n".join(seen["lines"])
    assert seen["results"] == [
        ["Report of mine", "results/mine/report.html"],
        ["Files of Schublade für alles", "results/look/Schublade für alles/look.html"],
    ]
    status, page = answer(f"{address}results/look/Schublade%20f%C3%BCr%20alles/look.html")
    assert (status, "Files of Schublade" in page) == (200, True)


def test_only_results_are_served_and_only_to_who_knows_the_token(served):
    pages, address = served
    assert answer(f"{address}results/mine/report.html") == (200, "<title>Mine</title>")
    for path in ("secret.html", "results/../secret.html", "results/mine/notes.exe", "results"):
        assert answer(f"{address}{path}")[0] == 404
    root, _, _ = address.rstrip("/").rpartition("/")
    assert answer(f"{root}/wrong/")[0] == 403
    assert answer(address, Host="elsewhere.example")[0] == 403
    assert answer(f"{address}begin", b'{"deed": "look"}')[0] == 403
    assert pages.job is None


def test_each_deed_is_a_command_of_the_launcher(project, tmp_path):
    (tmp_path / "study").mkdir()
    (project / "data_demo").mkdir()
    study = str(tmp_path / "study")
    assert command_of_deed("check", study, {}, project)[0] == "study.check"
    assert "study=../study" in command_of_deed("run", study, {}, project)
    assert "study=data_demo" in command_of_deed("run", "", {}, project)
    words = command_of_deed("new", str(tmp_path / "neu"), {"no_cuff": "", "people": "3"}, project)
    assert words == ["study.new", str(tmp_path / "neu"), "--no-cuff=", "--people=3"]
    with pytest.raises(StudyError, match="There is no folder"):
        command_of_deed("run", str(tmp_path / "absent"), {}, project)
    with pytest.raises(StudyError, match="not one of new, look, check, run"):
        StartPages(project).begin('{"deed": "step"}')


def test_the_server_ends_when_the_page_is_closed_and_not_when_it_is_loaded_again(
    project, monkeypatch
):
    monkeypatch.setattr(start, "CLOSED_AFTER_S", 0.0)
    pages = StartPages(project)
    pages.progress("first")
    pages.leave("first")
    pages.progress("loaded again")
    pages.progress("in another window")
    pages.leave("loaded again")
    assert not pages.is_left()
    serving, _ = serve(pages)
    ends = threading.Thread(target=serving.serve_forever)
    ends.start()
    pages.leave("in another window")
    ends.join(timeout=10)
    assert not ends.is_alive()


def test_what_is_double_clicked_names_the_versions_that_the_launcher_takes():
    wanted = {f"{major}.{minor}" for major, minor in launch.PYTHONS}
    for name in ("start.command", "start.bat"):
        text = (PROJECT / "workflow" / "start" / name).read_text()
        assert set(re.findall(r"3\.\d\d", text)) == wanted


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals that a program may ignore")
def test_a_job_can_be_stopped_where_the_page_was_begun_in_the_background(monkeypatch):
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    monkeypatch.setattr(start, "serve", lambda *_: (None, "address"))
    monkeypatch.setattr(start, "serve_until_stopped", lambda *_, **__: None)
    try:
        start.main(["--no-browser"])
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)


def test_what_a_person_stops_is_no_failure(served, drawer, monkeypatch):
    pages, address = served
    waits = ["timeit", "-n", "1", "-r", "1", "import time; time.sleep(60)"]
    monkeypatch.setattr(start, "command_of_deed", lambda *_: waits)
    assert begin(address, deed="run", folder=str(drawer))[0] == 200
    pages.stop("")
    while (seen := json.loads(pages.progress()))["status"] is None:
        time.sleep(0.02)
    assert (seen["stopped"], seen["status"] != 0) == (True, True)


@pytest.mark.browser
@pytest.mark.skipif(BROWSER is None, reason=ABSENT)
def test_a_person_names_a_folder_presses_look_and_opens_what_was_found(served, drawer):
    pages, address = served
    with Page(address, ready=False) as page:
        page.run("document.getElementById('folder').focus();")
        page.write(str(drawer))
        page.run("document.querySelector('[data-deed=look]').click();")
        page.wait_for("document.getElementById('state').textContent.endsWith('is done.')")
        assert "beat intervals" in page.run("return document.getElementById('said').textContent;")
        links = page.run("return [...document.querySelectorAll('#results a')].map((a) => a.href);")
        assert len(links) == 2
        assert page.complaints() == []
        assert all(url.startswith(address) for url in page.requests())
        page.go(links[1], ready=False)
        assert "Files of Schublade" in page.text()
    # the page sent word that it was left
    assert not pages.open
