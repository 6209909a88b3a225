"""A real browser without a window, for looking at pages: Debian's chromium, driven by its command line alone."""

import json
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from required import lack

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage", "--hide-scrollbars",
)  # fmt: skip
_SECONDS = 120  # before it is given up; a page takes one or two
_COLLECT = """<script>
const wrong = [];
addEventListener("error", e => wrong.push(e.message || "cannot load " + (e.target.src || e.target.href)), true);
addEventListener("unhandledrejection", e => wrong.push("rejected: " + e.reason));
console.error = console.warn = (...words) => wrong.push(words.join(" "));
addEventListener("load", () => {
  const root = document.documentElement, style = getComputedStyle(document.body);
  const beyond = e => e.getBoundingClientRect().right > root.clientWidth + 0.5 && !e.closest(".scroll, pre");
  parent.postMessage({
    name: NAME, wrong, width: root.clientWidth, needed: root.scrollWidth,
    beyond: [...document.body.querySelectorAll("*")].filter(beyond).map(e => e.tagName + " " + e.className),
    scrolled: [...document.querySelectorAll(".scroll")].filter(e => e.scrollWidth > e.clientWidth + 1)
      .map(e => e.textContent.slice(0, 80)),
    pictures: document.images.length,
    missing: [...document.images].filter(i => !(i.complete && i.naturalWidth > 1)).map(i => i.alt),
    colour: style.color, background: style.backgroundColor,
  }, "*");
});
</script>"""
_HARNESS = """<!DOCTYPE html><html><body><pre id="found"></pre><script>
const found = [];
addEventListener("message", e => {
  found.push(e.data);
  document.getElementById("found").textContent = JSON.stringify(found);
});
</script>FRAMES</body></html>"""


def browser() -> str:
    """The browser's command; missing means skipped, or failed when RIGWARP_REQUIRE_BROWSER=1."""
    found = next((path for name in _NAMES if (path := shutil.which(name))), None)
    return found or lack("BROWSER", "no chromium: apt install chromium")


def run_browser(*arguments: str) -> tuple[str, str]:
    """stdout and stderr of one run with an empty profile of its own."""
    with tempfile.TemporaryDirectory() as profile:
        command = [browser(), *_FLAGS, f"--user-data-dir={profile}", "--enable-logging=stderr", *arguments]
        done = subprocess.run(command, capture_output=True, text=True, timeout=_SECONDS, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout, done.stderr


def console_messages(page: Path, *arguments: str) -> list[str]:
    """What the browser writes to the console while it shows a page as it is."""
    _, log = run_browser("--dump-dom", *arguments, page.as_uri())
    return re.findall(r"CONSOLE.*", log)


def look_at_pages(folder: Path, pages: dict[str, tuple[str, int]], *arguments: str) -> dict[str, dict[str, Any]]:
    """Show pages, each in a frame of its own width, and collect what a person would notice.

    Parameters
    ----------
    folder : Path
        For copies of the pages, with a script in them that looks around.
    pages : name -> (HTML text, width in CSS pixels). A frame, because windows have a smallest width.

    Returns
    -------
    name -> findings: `wrong` (errors, warnings, what cannot be loaded), `width` and `needed` width, elements `beyond`
    the right edge, boxes that have to be `scrolled` sideways, number of `pictures`, those `missing`, colours.
    """
    frames = []
    for name, (text, width) in pages.items():
        open_page = re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", text)  # it forbids our script too
        script = _COLLECT.replace("NAME", json.dumps(name))
        (folder / f"{name}.html").write_text(open_page.replace("<head>", f"<head>{script}", 1), encoding="utf-8")
        frames.append(f'<iframe src="{name}.html" style="border:0;width:{width}px;height:3000px"></iframe>')
    harness = folder / "harness.html"
    harness.write_text(_HARNESS.replace("FRAMES", "".join(frames)), encoding="utf-8")
    shown, _ = run_browser(
        "--window-size=1400,3000", "--virtual-time-budget=20000", "--dump-dom", *arguments, harness.as_uri()
    )
    match = re.search(r'<pre id="found">(.*?)</pre>', shown, re.DOTALL)
    assert match is not None
    assert match.group(1), "no page reported back"
    text = match.group(1).replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return {found["name"]: found for found in json.loads(text)}
