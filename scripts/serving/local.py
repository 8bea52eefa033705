"""A server for the pages of this machine alone: 127.0.0.1, and a token that nobody else knows."""

import secrets
import webbrowser
from contextlib import suppress
from functools import partial
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from study.problems import StudyError

LARGEST_POST_BYTES = 1_000_000

# what a page sends the token in, beside its address: no page of another site can
SENT_IN = "X-Review-Token"

HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}


class LocalHandler(BaseHTTPRequestHandler):
    """Answers for this machine and for who knows the token, and for nobody else.

    A subclass gives `get(path)`, content and its type or None, and `post(path)`, a function that
    takes the text and gives what to say, or None.
    """

    # what is served, as messages name it
    serves = "pages"

    def __init__(self, pages, token, *request):
        self.pages, self.token = pages, token
        super().__init__(*request)

    def do_GET(self):
        path = self._path()
        if path is None:
            return
        answer = self.get(path)
        if answer is None:
            self._answer(HTTPStatus.NOT_FOUND, "There is no such page.")
        else:
            self._answer(HTTPStatus.OK, *answer)

    def do_POST(self):
        path = self._path()
        if path is None:
            return
        length = int(self.headers.get("Content-Length") or 0)
        deed = self.post(path)
        told = self.headers.get(SENT_IN) or ""
        if deed is None or not secrets.compare_digest(told, self.token):
            said = f"Only pages of this {self.serves} may send decisions."
            self._answer(HTTPStatus.FORBIDDEN, said)
        elif length > LARGEST_POST_BYTES:
            self._answer(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "More than a page can decide.")
        else:
            try:
                self._answer(HTTPStatus.OK, deed(self.rfile.read(length).decode("utf-8")))
            except (StudyError, UnicodeDecodeError) as problem:
                self._answer(HTTPStatus.UNPROCESSABLE_ENTITY, str(problem))

    def _path(self):
        """What is asked for below the token; None after an answer to who may not ask."""
        host = (self.headers.get("Host") or "").rpartition(":")[0]
        asked = self.path.partition("?")[0].removeprefix("/")
        token, _, path = asked.partition("/")
        if host not in ("127.0.0.1", "localhost"):
            said = f"This {self.serves} answers to this machine alone."
            self._answer(HTTPStatus.FORBIDDEN, said)
        elif not secrets.compare_digest(token, self.token):
            said = f"Open the address that the {self.serves} printed."
            self._answer(HTTPStatus.FORBIDDEN, said)
        else:
            return path
        return None

    def _answer(self, status, content, kind="text/plain"):
        body = content if isinstance(content, bytes) else content.encode()
        self.send_response(status)
        for name, header in HEADERS.items():
            self.send_header(name, header)
        self.send_header("Content-Type", f"{kind}; charset=utf-8" if "text" in kind else kind)
        self.send_header("Content-Length", str(len(body)))
        # a page that was closed meanwhile waits for nothing
        with suppress(ConnectionError):
            self.end_headers()
            self.wfile.write(body)

    def log_message(self, *_):
        """Nothing: what was looked at is nobody's business."""


def local_server(handler, pages, port=0):
    """A server for this machine alone, and its address with a fresh token."""
    token = secrets.token_urlsafe(24)
    serving = ThreadingHTTPServer(("127.0.0.1", port), partial(handler, pages, token))
    return serving, f"http://127.0.0.1:{serving.server_address[1]}/{token}/"


def serve_until_stopped(serving, address, says, *, opens):
    """Tell the address, open it in the browser, and serve until Ctrl-C or until it is shut down."""
    print(f"{says} at {address} until Ctrl-C. Nobody else can open it.", flush=True)
    if opens:
        webbrowser.open(address)
    try:
        serving.serve_forever()
    except KeyboardInterrupt:
        print()
