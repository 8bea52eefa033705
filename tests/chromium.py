"""Pages in a real browser, from disk or served, as a person at them sees and uses them.

One Chromium serves a whole test run. It is spoken to over a pipe, in the protocol of its own
developer tools: mouse, keys and fingers are those of the browser, times are real.
"""

import atexit
import base64
import fcntl
import json
import os
import shutil
import signal
import tempfile
from functools import cache
from importlib.resources import files
from pathlib import Path

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

# axe-core, which checks accessibility
AXE = files("axe_playwright_python") / "axe.min.js"

ABSENT = "no chromium on the path: pages were NOT opened in a browser"

OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--remote-debugging-pipe",
    "--no-first-run",
)

# what tests call in a page; `seen` is what they give back
HANDS = """
const settled = async () => {
  for (let i = 0; i < 2; i++) await new Promise(requestAnimationFrame);
};
const seen = {};
const middle = () => document.getElementById("readout").textContent;
const over = (panel) => document.querySelector(`#panel_${panel} .u-over`);
const click = (selector) => document.querySelector(selector).click();
const key = (name) => document.getElementById("plots")
  .dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true }));
const mouse = (panel, kind, share) => {
  const target = over(panel), box = target.getBoundingClientRect();
  const at = { clientX: box.left + share * box.width, clientY: box.top + box.height / 2 };
  target.dispatchEvent(new MouseEvent(kind, { bubbles: true, button: 0, movementX: 9, ...at }));
};
"""

KEY_CODES = {"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36} | {
    f"Arrow{way}": 37 + n for n, way in enumerate(("Left", "Up", "Right", "Down"))
}


class Chromium:
    """A running browser: commands go in, answers and events come out."""

    def __init__(self):
        self.profile = tempfile.mkdtemp(prefix="chromium-")
        # the browser reads commands from 3 and answers at 4
        (reads, ours_out), (ours_in, writes) = (map(_above_ten, os.pipe()) for _ in range(2))
        silent = [(os.POSIX_SPAWN_OPEN, n, os.devnull, os.O_RDWR, 0) for n in (0, 1, 2)]
        ends = [(os.POSIX_SPAWN_DUP2, reads, 3), (os.POSIX_SPAWN_DUP2, writes, 4)]
        command = [BROWSER, *OPTIONS, f"--user-data-dir={self.profile}", "about:blank"]
        self.pid = os.posix_spawn(
            BROWSER, command, os.environ, file_actions=[*silent, *ends], setpgroup=0
        )
        for end in (reads, writes):
            os.close(end)
        self.out, self.answers = os.fdopen(ours_out, "wb", 0), os.fdopen(ours_in, "rb", 0)
        self.unread, self.n_sent, self.events = b"", 0, []
        atexit.register(self.close)

    def close(self):
        os.killpg(self.pid, signal.SIGTERM)
        os.waitpid(self.pid, 0)
        shutil.rmtree(self.profile, ignore_errors=True)

    def ask(self, method, session=None, **parameters):
        """The answer to a command; events that come before it are kept."""
        self.n_sent += 1
        asked = {"id": self.n_sent, "method": method, "params": parameters}
        self.out.write(json.dumps(asked | ({"sessionId": session} if session else {})).encode())
        self.out.write(b"\0")
        while True:
            message = self.next_message()
            if message.get("id") == self.n_sent:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']['message']}")
                return message["result"]
            self.events.append(message)

    def next_message(self):
        while b"\0" not in self.unread:
            part = self.answers.read(1 << 20)
            if not part:
                raise RuntimeError("the browser has ended")
            self.unread += part
        message, _, self.unread = self.unread.partition(b"\0")
        return json.loads(message)


def _above_ten(descriptor):
    """The same end of a pipe under a number that the browser's own do not overwrite."""
    higher = fcntl.fcntl(descriptor, fcntl.F_DUPFD_CLOEXEC, 10)
    os.close(descriptor)
    return higher


@cache
def browser():
    return Chromium()


class Page:
    """A page in a context of its own, which shares nothing with those of other tests."""

    def __init__(self, address, width=1200, height=1400, downloads=None, touch=False, ready=True):
        self.browser, self.session = browser(), None
        self.context = self.ask("Target.createBrowserContext")["browserContextId"]
        made = self.ask("Target.createTarget", url="about:blank", browserContextId=self.context)
        attached = self.ask("Target.attachToTarget", targetId=made["targetId"], flatten=True)
        self.session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.ask("Emulation.setDeviceMetricsOverride", **size)
        self.ask("Emulation.setFocusEmulationEnabled", enabled=True)
        if touch:
            self.ask("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=2)
        if downloads is not None:
            where = {"downloadPath": str(downloads), "browserContextId": self.context}
            self.ask("Browser.setDownloadBehavior", behavior="allow", **where)
        self.go(address, ready)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.session = None
        self.ask("Target.disposeBrowserContext", browserContextId=self.context)

    def ask(self, method, **parameters):
        return self.browser.ask(method, self.session, **parameters)

    def go(self, address, ready=True):
        """Open an address and wait until it is loaded and, where it says so, drawn."""
        self.ask("Page.navigate", url=address)
        self.wait_for("document.readyState === 'complete'")
        if ready:
            self.wait_for("document.documentElement.dataset.ready === 'yes'")

    def run(self, script):
        """What a script gives in the page; it may await. RuntimeError with its error."""
        answer = self.ask(
            "Runtime.evaluate",
            expression=f"(async () => {{ {script} }})()",
            awaitPromise=True,
            returnByValue=True,
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"]["exception"]["description"])
        return answer["result"].get("value")

    def load(self, script):
        """Run a library in the page, whatever the policy of the page allows its own scripts."""
        self.ask("Runtime.evaluate", expression=script)

    def wait_for(self, condition, seconds=30):
        """Wait until a condition holds in the page. TimeoutError where it does not."""
        held = self.run(
            f"for (let i = 0; i < {50 * seconds}; i++) {{ if ({condition}) return true;"
            " await new Promise((done) => setTimeout(done, 20)); } return false;"
        )
        if not held:
            raise TimeoutError(f"{condition} does not hold after {seconds} s")

    def _events(self, *methods):
        mine = [e for e in self.browser.events if e.get("sessionId") == self.session]
        return [(e["method"], e["params"]) for e in mine if e["method"] in methods]

    def complaints(self):
        """Errors and warnings of the console, and exceptions that nobody caught."""
        self.run("")
        said = self._events("Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown")
        return [json.dumps(parameters)[:500] for _, parameters in said]

    def requests(self):
        """Addresses that the page asked for, beside its own."""
        asked = [p["request"]["url"] for _, p in self._events("Network.requestWillBeSent")]
        return [url for url in asked[1:] if not url.startswith(("data:", "blob:"))]

    # ---- as a hand does it --------------------------------------------------------------------

    def mouse(self, kind, x, y, **more):
        named = {"button": "left", "clickCount": 1} if kind != "mouseMoved" else {}
        self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, **named | more)

    def click(self, x, y):
        for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
            self.mouse(kind, x, y)

    def drag(self, x, y, to_x):
        self.mouse("mouseMoved", x, y)
        self.mouse("mousePressed", x, y)
        for step in range(1, 6):
            self.mouse("mouseMoved", x + (to_x - x) * step / 5, y, buttons=1, button="left")
        self.mouse("mouseReleased", to_x, y)

    def touch(self, kind, *points):
        at = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        self.ask("Input.dispatchTouchEvent", type=kind, touchPoints=at)

    def press(self, *keys):
        """Keys by name, as Tab or ArrowLeft; a sign is itself."""
        for name in keys:
            code = KEY_CODES.get(name)
            sign = {"Enter": "\r"}.get(name, name if len(name) == 1 else "")
            key = {"key": name, "windowsVirtualKeyCode": code or ord(name.upper())}
            self.ask("Input.dispatchKeyEvent", type="keyDown", text=sign, **key)
            self.ask("Input.dispatchKeyEvent", type="keyUp", **key)

    def write(self, text):
        self.ask("Input.insertText", text=text)

    # ---- what comes out -----------------------------------------------------------------------

    def text(self):
        return self.run("return document.documentElement.outerHTML;")

    def picture(self, path, whole=False):
        taken = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(taken["data"]))

    def pdf(self):
        printed = self.ask("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
        return base64.b64decode(printed["data"])


def page_from(folder, text, address="", **how):
    """A page opened from disk."""
    path = Path(folder) / "ses-1.html"
    path.write_text(text, encoding="utf-8")
    return Page(f"{path.as_uri()}{address}", **how)


def opened(folder, text, address="", width=1200):
    """The page as it stands in the browser once drawn, and what the browser complained of."""
    with page_from(folder, text, address, width=width) as page:
        return page.text(), page.complaints() + page.requests()


def after(folder, text, deeds, width=1200, script=""):
    """What `seen` holds after things were done at a page."""
    with page_from(folder, text, width=width) as page:
        page.load(script)
        seen = page.run(f"{HANDS} {deeds} return seen;")
        assert page.complaints() + page.requests() == []
        return seen
