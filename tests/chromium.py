"""Pages in a real browser, from disk, as a person at them sees and uses them."""

import base64
import hashlib
import html
import json
import re
import shutil
import subprocess

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

ABSENT = "no chromium on the path: pages were NOT opened in a browser"

# events as a person at the page makes them, and what stands there afterwards
HANDS = """
// The browser's virtual time runs out while the page unpacks in real time: frames are drawn at once
window.requestAnimationFrame = (draw) => { queueMicrotask(draw); return 1; };
const settled = async () => { for (let i = 0; i < 20; i++) await null; };
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
const finger = (kind, id, share) => {
  const target = over("saturation"), box = target.getBoundingClientRect();
  target.setPointerCapture = () => {};
  target.dispatchEvent(new PointerEvent(kind, {
    bubbles: true, pointerId: id, pointerType: "touch", clientX: box.left + share * box.width,
  }));
};
const ready = new Promise((done) => new MutationObserver(done)
  .observe(document.documentElement, { attributeFilter: ["data-ready"] }));
ready.then(async () => {
  await (async () => { DEEDS })();
  const note = document.createElement("output");
  note.id = "seen";
  note.textContent = JSON.stringify(seen);
  document.body.append(note);
});
"""


def opened(folder, text, address="", width=1200):
    """The page as it stands in the browser once drawn, and what the browser complained of."""
    path = folder / "ses-1.html"
    path.write_text(text, encoding="utf-8")
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr"]
    command += [f"--user-data-dir={folder / 'browser'}", f"--window-size={width},1400"]
    command += ["--virtual-time-budget=20000", "--dump-dom", f"{path.as_uri()}{address}"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    complaints = [line for line in result.stderr.splitlines() if "CONSOLE" in line]
    return result.stdout, complaints


def after(folder, text, deeds, width=1200, script=""):
    """What `seen` holds after things were done at a page."""
    script += HANDS.replace("DEEDS", deeds)
    checksum = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    text = text.replace("script-src ", f"script-src 'sha256-{checksum}' ", 1)
    text = text.replace("<main>", f"<script>{script}</script><main>", 1)
    dom, complaints = opened(folder, text, width=width)
    assert complaints == []
    return json.loads(html.unescape(re.search(r'<output id="seen">(.*?)</output>', dom)[1]))
