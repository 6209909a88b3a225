"""The page in a real browser: every state reached by taps or by keys alone, looked at by axe-core, measured.

RIGWARP_AXE_ALL=1 looks at every state in both colour schemes at all three widths; by default each state has one of
these looks, and all of them come up.
"""

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from itertools import cycle
from pathlib import Path
from types import ModuleType, SimpleNamespace

import attacked_rig
import pytest
from browser import browser
from page_player import QUIET_STATE, TalkingPlayer
from required import is_required
from small_rig import make_small_rig
from whole_chain import true_camera

from rigwarp.devices import open_virtual
from rigwarp.files import current_result, open_rig, write_camera
from rigwarp.files.page_key_file import page_keys

try:
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import Browser, Page, expect, sync_playwright
except ImportError:
    if is_required("BROWSER"):
        raise
    pytest.skip("no playwright: pip install -e '.[test]'", allow_module_level=True)

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PARTS = ("now", "correct", "calibrate", "camera", "results", "messages")
TOOLS = ("place", "turn", "size", "light", "black", "even", "spot", "mask")
LOOKS = [(width, scheme) for width in (320, 768, 1280) for scheme in ("light", "dark")]
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "resultTypes": ["violations"],  # what holds is not listed element by element
}
AXE_JS = """async rules => (await axe.run(document, rules)).violations.flatMap(one =>
  one.nodes.map(node => `${one.id}: ${node.html.slice(0, 120)} ${node.failureSummary.slice(0, 200)}`))"""
SMALL_JS = """() => [...document.querySelectorAll("a, button, input, select")]
  .filter(e => e.checkVisibility()).map(e => e.closest("label.check") ?? e)
  .map(e => [e.textContent.trim() || e.id, e.getBoundingClientRect()])
  .filter(([_, box]) => box.width < 44 || box.height < 44).map(([name, box]) => [name, box.width, box.height])"""
WIDE_JS = "() => [document.documentElement.scrollWidth, innerWidth]"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as tools:
        opened = tools.chromium.launch(executable_path=browser(), args=FLAGS)
        yield opened
        opened.close()


class Tablet:
    """A browser at the page; what its console says, and what it loads."""

    def __init__(
        self, chromium: Browser, player: TalkingPlayer | SimpleNamespace, *, key: str = "", **options: object
    ) -> None:
        self.player, self.wrong, self.loaded = player, [], []
        self.context = chromium.new_context(viewport={"width": 1280, "height": 800}, **options)
        self.page = self.context.new_page()
        self.page.set_default_timeout(15000)
        self.page.on(
            "console", lambda message: message.type in ("error", "warning") and self.wrong.append(message.text)
        )
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("requestfinished", lambda request: self.loaded.append(request))
        self.page.goto(f"{player.origin}/#k={key or player.keys['operate']}")
        expect(self.page.locator("#nav a")).to_have_count(6)

    def part(self, name: str) -> Page:
        self.page.locator(f'#nav a[href="#{name}"]').click()
        expect(self.page.locator(f'#nav a[href="#{name}"]')).to_have_attribute("aria-current", "page")
        return self.page


@pytest.fixture(scope="module")
def lying_there(chromium: Browser, player: TalkingPlayer) -> Iterator[Tablet]:
    opened = Tablet(chromium, player, locale="en-GB")
    opened.page.goto("about:blank")
    yield opened
    opened.context.close()


@pytest.fixture
def tablet(lying_there: Tablet) -> Iterator[Tablet]:
    """One for all tests, the page loaded anew for each."""
    calm(lying_there.player)
    page = lying_there.page
    page.set_viewport_size({"width": 1280, "height": 800})
    lying_there.loaded.clear()
    page.goto(f"{lying_there.player.origin}/#now")
    expect(page.locator("#nav a")).to_have_count(6)
    yield lying_there
    page.goto("about:blank")  # a page draws ten times a second, also while another one is looked at
    assert lying_there.wrong == []


def calm(player: TalkingPlayer) -> None:
    """As at the start."""
    player.state = {
        **player.state,
        **{key: QUIET_STATE[key] for key in QUIET_STATE if key not in ("revision", "shown", "run_s")},
    }
    player.state |= {"correction": {**player.state["correction"], "shift_mm": [0.0, 0.0], "drags": [], "masks": []}}
    player.refuse, player.silent = "", False


def complain(page: Page) -> list[str]:
    if not page.evaluate("'axe' in window"):  # half a megabyte, once a page
        page.evaluate(Axe().axe_script)
    return page.evaluate(AXE_JS, RULES)


def states(tablet: Tablet) -> Iterator[tuple[str, Page]]:
    """Every state in turn, reached by taps."""
    page, player = tablet.page, tablet.player
    for part in PARTS:
        yield part, tablet.part(part)
    for tool in TOOLS:
        tablet.part("correct").locator(f'[data-tool="{tool}"]').click()
        yield f"correct: {tool}", page
    tablet.part("calibrate").locator('[data-job="calibrate"]').click()
    yield "before calibrating", page
    page.set_viewport_size({"width": 320, "height": 500})
    page.get_by_role("checkbox").check()
    page.get_by_role("button", name="Start").click()
    expect(page.get_by_role("button", name="Stop", exact=True)).to_be_in_viewport()  # on a phone, too
    yield "calibrating", page
    expect(page.get_by_text(re.compile("It did not work|Stopped")).first).to_be_visible(timeout=60000)
    yield "did not work", page
    tablet.part("now").locator("#dark").click()
    expect(page.locator("#line")).to_have_text("Dark")
    yield "dark", page
    page.locator("#dark").click()
    player.refuse = "uncorrectable"
    page.get_by_role("button", name="Darker").click()
    expect(page.get_by_role("alert")).to_have_text("This picture cannot be corrected.")
    yield "alarm", page
    player.silent = True
    expect(page.locator("#line")).to_have_text(re.compile("Nothing heard for"))
    yield "old", page


def test_every_state_is_accessible(tablet: Tablet) -> None:
    """No violation that axe-core finds, nothing wider than the window, no target below 44 px; at least 14 states."""
    all_looks = os.environ.get("RIGWARP_AXE_ALL", "") not in ("", "0")
    names, found, turn = [], [], cycle(LOOKS)
    for name, page in states(tablet):
        names.append(name)
        for width, scheme in LOOKS if all_looks else [next(turn)]:
            page.set_viewport_size({"width": width, "height": 800})
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            found += [f"{name}, {width} px, {scheme}: {one}" for one in complain(page)]
            found += [f"{name}, {width} px: small {one}" for one in page.evaluate(SMALL_JS)]
            needed, there = page.evaluate(WIDE_JS)
            found += [f"{name}: needs {needed} px of {there}"] if needed > there else []
        page.set_viewport_size({"width": 1280, "height": 800})
    assert found == []
    assert len(names) >= 14


def test_it_loads_little_and_nothing_from_elsewhere(tablet: Tablet) -> None:
    page = tablet.page
    tablet.player.picture()
    expect(page.locator("svg.plan image")).to_have_attribute("href", re.compile("^blob:"))
    addresses = [request.url for request in tablet.loaded]
    assert {address.split("/")[2] for address in addresses if address.startswith("http")} == {
        f"127.0.0.1:{tablet.player.port}"
    }
    assert all(tablet.player.keys["operate"] not in address for address in addresses)
    assert tablet.player.keys["operate"] not in page.url
    assert sum(request.sizes()["responseBodySize"] for request in tablet.loaded) <= 100_000
    assert page.context.cookies() == []


def test_it_is_usable_with_half_a_second_of_latency_and_greys_out_after_one(
    chromium: Browser, player: TalkingPlayer
) -> None:
    """Each answer half a second later: it loads, a tap arrives, nothing looks old; what is old is greyed out."""
    calm(player)
    context = chromium.new_context(locale="en-GB")
    page = context.new_page()
    far = {"offline": False, "latency": 500, "downloadThroughput": -1, "uploadThroughput": -1}
    tools = context.new_cdp_session(page)
    tools.send("Network.enable")
    tools.send("Network.emulateNetworkConditions", far)
    page.goto(f"{player.origin}/#k={player.keys['operate']}")
    expect(page.locator("#line")).to_have_text(re.compile("Playing"), timeout=20000)
    waited_ms = page.evaluate(
        """async () => { const from = performance.now(); await fetch("healthz"); return performance.now() - from; }"""
    )
    assert waited_ms >= 490.0  # the latency is there: a machine that is busy only adds to it
    page.locator("#dark").click()
    expect(page.locator("#line")).to_have_text("Dark")
    expect(page.locator("main")).not_to_have_class("old")
    player.silent = True
    expect(page.locator("main")).to_have_class("old")
    expect(page.locator("#line")).to_have_text(re.compile("Nothing heard for"))
    player.silent = False
    context.close()


def test_nothing_moves_by_itself(tablet: Tablet) -> None:
    """Neither for those who want less motion nor for others: no animation, no transition, no smooth scrolling."""
    moving = """() => [...document.querySelectorAll("*")].map(one => getComputedStyle(one)).filter(one =>
      one.animationName !== "none" || one.transitionDuration.split(", ").some(time => time !== "0s")
      || one.scrollBehavior === "smooth").length + document.getAnimations().length"""
    for part in PARTS:
        assert tablet.part(part).evaluate(moving) == 0, part


def test_several_tables_are_lines_that_open_their_own_page(
    chromium: Browser, player: TalkingPlayer, rigs: ModuleType, tmp_path: Path
) -> None:
    """`rigwarp page` of a folder where nothing plays and of a running page's address; systemd is told, too."""
    calm(player)
    service = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    service.bind(str(tmp_path / "notify"))
    idle = rigs.make_rig(tmp_path / "idle")
    looks = f"{player.origin}/#k={player.keys['operate']}"
    words = [sys.executable, "-m", "rigwarp.cli", "page", str(idle), looks, "--port", "0", "--lang", "en"]
    environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")}
    serves = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        line = next(line for line in serves.stderr if "The page is at" in line)
        origin = f"http://127.0.0.1:{int(line.split('127.0.0.1:')[1].split('/')[0])}"
        context = chromium.new_context(locale="en-GB")
        page = context.new_page()
        page.goto(f"{origin}/#k={page_keys(idle).operate}")
        expect(page.locator("main li")).to_have_count(2, timeout=30_000)
        expect(page.locator("#line")).to_have_text("1 of 2 tables needs a look")
        expect(page.locator("main li").first).to_have_text(re.compile("Nothing plays here"))
        service.settimeout(20.0)
        assert service.recv(200) == b"READY=1"
        while service.recv(200) != b"STATUS=tables that need a look: 1 of 2; 1 at the page":
            pass
        expect(page.locator("#dark")).to_be_hidden()
        assert complain(page) == []
        assert page.evaluate(SMALL_JS) == []
        page.get_by_role("link", name=re.compile("^Open ")).click()
        expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"))
        expect(page.locator("#nav a")).to_have_count(6)
        context.close()
    finally:
        serves.send_signal(signal.SIGINT)
        serves.communicate(timeout=60)
        service.close()


def test_text_of_twice_the_size_fits(tablet: Tablet) -> None:
    page = tablet.page
    page.set_viewport_size({"width": 768, "height": 800})
    for part in PARTS:
        tablet.part(part)
        page.evaluate("document.documentElement.style.fontSize = '34px'")
        needed, there = page.evaluate(WIDE_JS)
        assert needed <= there, part


def test_dark_is_first_and_one_tap_from_everywhere(tablet: Tablet) -> None:
    for part in PARTS:
        page = tablet.part(part)
        page.evaluate("document.activeElement.blur()")
        page.locator("#dark").click()
        expect(page.locator("#dark")).to_have_attribute("aria-pressed", "true")
        page.locator("#dark").click()
        expect(page.locator("#dark")).to_have_attribute("aria-pressed", "false")
    page.reload()
    expect(page.locator("#nav a")).to_have_count(6)
    expect(page.locator("#dark")).to_be_enabled()  # once it has heard from the player
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "dark"


def press(page: Page, name: str) -> None:
    """Reach a button by Tab alone, and press it."""
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.ariaLabel || document.activeElement.textContent").strip() == name:
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"{name} was not reached by Tab")


def test_everything_is_done_by_keyboard_alone(tablet: Tablet) -> None:
    page, player = tablet.page, tablet.player
    player.asked.clear()
    press(page, "Correct")
    press(page, "Turn")
    press(page, "Turn left")
    press(page, "Undo")
    press(page, "A spot")
    press(page, "Arrows take the picture along")
    press(page, "Right")
    press(page, "Keep dark")
    for way in ("Left", "Away from you", "Right"):
        press(page, way)
        press(page, "Corner at the mark")
    press(page, "Keep it dark")
    expect(page.get_by_role("status").nth(1)).to_have_text("1 place kept dark")
    press(page, "Check grid on the table")
    press(page, "Now")
    press(page, "Hold")
    press(page, "Fine fans")
    press(page, "Calibrate")
    press(page, "Quick look")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    expect(page.get_by_role("button", name="Start")).to_be_enabled()
    press(page, "Not now")
    asked = [one["do"] for one in player.asked]
    assert {"turn", "undo", "spot", "mask", "grid", "hold", "show"} <= set(asked)
    (mask,) = [one for one in player.asked if one["do"] == "mask"]
    assert len(mask["values"]) == 6


def asked_for(page: Page, player: TalkingPlayer, name: str) -> list[float]:
    """The values with which the player was asked for something; a message may take a while to arrive."""
    for _ in range(500):
        found = [one["values"] for one in player.asked if one["do"] == name]
        if found:
            return found[0]
        page.wait_for_timeout(20)
    raise AssertionError(f"nobody asked for {name}")


def test_a_spot_and_the_place_are_dragged_or_tapped(tablet: Tablet) -> None:
    page, player = tablet.page, tablet.player
    page = tablet.part("correct")
    plan = page.locator("svg.plan")
    box = plan.bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.42)
    player.asked.clear()
    for tool, name in (("place", "shift"), ("spot", "spot")):
        page.locator(f'[data-tool="{tool}"]').click()
        page.mouse.move(*middle)
        page.mouse.down()
        page.mouse.move(middle[0] + 30, middle[1], steps=3)
        page.mouse.up()
        expect(page.locator("svg.plan line.drag")).to_have_count(1 if tool == "spot" else 0)
        values = asked_for(page, player, name)
        assert values[-3 if tool == "spot" else 0] > 5.0
    tablet.page.locator('[data-tool="mask"]').click()
    for dx, dy in ((0, 0), (40, 0), (40, 40)):
        page.mouse.click(middle[0] + dx, middle[1] + dy)
    page.get_by_role("button", name="Keep it dark").click()
    expect(page.locator("svg.plan polygon.mask")).to_have_count(1)


def test_two_tablets_never_overwrite_each_other_silently(chromium: Browser, tablet: Tablet) -> None:
    player = tablet.player
    other = Tablet(chromium, player, locale="en-GB")
    first, second = tablet.part("correct"), other.part("correct")
    second.get_by_role("button", name="Right", exact=True).click()
    expect(first.get_by_text("moved +1.0 mm right")).to_be_visible()
    before = player.state["revision"]
    player.ahead = 5  # somebody else, this very moment
    first.evaluate("""() => document.querySelector('[aria-label="Right"]').click()""")
    expect(first.get_by_role("alert")).to_have_text(re.compile("Somebody else has changed"))
    assert player.state["revision"] == before + 5
    expect(first.get_by_text("moved +1.0 mm right")).to_be_visible()  # as it is, not as this one wanted it
    other.context.close()


def test_quick_taps_are_one_after_the_other(tablet: Tablet) -> None:
    """Ten taps in a row are all done, though each has to know the revision that the one before has made."""
    page = tablet.part("correct")
    page.evaluate("""() => { for (let i = 0; i < 10; i++) document.querySelector('[aria-label="Right"]').click(); }""")
    expect(page.get_by_text("moved +10.0 mm right")).to_be_visible()
    expect(page.get_by_role("alert")).to_have_text("")
    page.wait_for_timeout(300)
    assert tablet.player.state["correction"]["shift_mm"] == [10, 0]


def test_what_is_old_is_greyed_out_and_it_comes_back_by_itself(page_rig, chromium: Browser) -> None:
    player = TalkingPlayer(page_rig)
    tablet = Tablet(chromium, player, locale="en-GB")
    page = tablet.page
    player.silent = True
    expect(page.locator("main")).to_have_class("old")
    expect(page.locator("#line")).to_have_text(re.compile("Nothing heard for"))
    expect(page.get_by_role("button", name="Hold")).to_be_disabled()
    player.silent = False
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid, all well for"))
    hello = {**player.hello, "port": player.port}
    player.close()
    expect(page.locator("#line")).to_have_text("No connection. Trying again …")
    player.restart(hello)
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"), timeout=15000)
    player.process.send_signal(signal.SIGSTOP)  # the socket stays, and nobody is at its other end
    expect(page.locator("#line")).to_have_text("No connection. Trying again …", timeout=15000)
    player.process.send_signal(signal.SIGCONT)
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"), timeout=15000)
    sleep = page.context.new_cdp_session(page)
    sleep.send("Page.setWebLifecycleState", {"state": "frozen"})
    player.close()
    player.restart(hello)
    sleep.send("Page.setWebLifecycleState", {"state": "active"})
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"), timeout=15000)
    tablet.context.close()
    player.close()


def test_the_viewing_key_and_german(chromium: Browser, player: TalkingPlayer) -> None:
    calm(player)
    tablet = Tablet(chromium, player, key=player.keys["view"], locale="de-AT")
    page = tablet.page
    expect(page.locator("#line")).to_have_text(re.compile("Es läuft Prüfgitter"))
    assert page.locator("html").get_attribute("lang") == "de"
    expect(page.locator("#dark")).to_be_disabled()
    tablet.part("correct")
    expect(page.get_by_role("button", name="Zurück")).to_be_disabled()
    said = {
        "now drawing with results/one": "gezeichnet wird jetzt mit results/one",
        "the old picture stays: 0.25 s": "das alte Bild bleibt: 0,25 s",
        "measuring failed; the content goes on": "Messung misslungen; der Inhalt geht weiter",
        "all is 0.5 well": "all is 0.5 well",
        "board: 41 corners; network: no packet was lost": "Blatt: 41 Ecken; Netz: kein Paket ging verloren",
        "left out: no packet was lost; blur 1.5 px": "ausgelassen: kein Paket ging verloren; Unschärfe 1,5 px",
        "no packet was lost; all is 0.5 well again": "kein Paket ging verloren; all is 0.5 well again",
    }
    for text in said:
        player.talk.say({"message": text, "level": "INFO", "age_s": 0.0})
    tablet.part("messages")
    for english, german in said.items():
        told = page.locator("main li > span", has_text=re.compile(f"^{re.escape(german)}$"))
        expect(told).to_have_count(1)
        still_english = [one for one in english.split("; ") if one in german]
        assert told.locator('[lang="en"]').all_text_contents() == still_english
    tablet.context.close()
    assert tablet.wrong == []


def test_without_a_key_one_can_be_pasted(chromium: Browser, player: TalkingPlayer) -> None:
    calm(player)
    context = chromium.new_context(locale="en-GB")
    page = context.new_page()
    page.goto(player.origin)
    expect(page.get_by_role("heading", name="Open the page")).to_be_visible()
    assert complain(page) == []
    page.get_by_label("Address or key").fill(f"{player.origin}/#k={player.keys['operate']}")
    page.get_by_role("button", name="Open").click()
    expect(page.locator("#line")).to_have_text(re.compile("Playing"))
    context.close()


def test_a_report_opens_apart(tablet: Tablet) -> None:
    """By a ticket that opens once; in a sandbox, without any way back to the page."""
    page = tablet.part("results")
    expect(page.locator("main section")).to_have_count(2, timeout=30000)
    with page.expect_download(timeout=60000) as saved:
        page.get_by_role("button", name=re.compile("Save: Correction")).first.click()
    assert saved.value.suggested_filename.endswith("-prewarp.npz")


def test_both_languages_say_the_same_things() -> None:
    """Every name of one file is in the other, with functions of as many values."""
    from rigwarp.page.requests import static_files

    files = static_files()

    def shape(name: str) -> list[str]:
        text = files[name][0].decode()
        return re.findall(r"(?<=[\s{,])(\w+|\"[\w: .-]+\"): (?=[\"`\[{]|\(?[\w, ]+\)? =>)", text)

    assert shape("words_en.js") == shape("words_de.js")
    assert len(shape("words_en.js")) > 120


@pytest.fixture
def playing_virtual(tmp_path: Path) -> Iterator[SimpleNamespace]:
    """`rigwarp play` of a small virtual rig whose picture is the design's, and which has a page."""
    root = make_small_rig(tmp_path / "rig", share=0.18)
    folder = open_rig(root)
    write_camera(root / "camera.json", true_camera(folder, open_virtual(folder)))
    earlier = attacked_rig.add_result(root)
    environment = {**os.environ, "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy", "COLUMNS": "500"}
    words = ["play", root, "check:grid", "--page", "0", "--draw", "cpu", "--fast"]
    process = subprocess.Popen(
        [sys.executable, "-m", "rigwarp.cli", *words], env=environment, stderr=subprocess.PIPE, text=True
    )
    line = next(line for line in process.stderr if "The page is at" in line)
    origin = f"http://127.0.0.1:{int(line.split('127.0.0.1:')[1].split('/')[0])}"
    yield SimpleNamespace(root=root, earlier=earlier, origin=origin, keys=vars(page_keys(root)))
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=120)
    assert process.returncode == 130


def test_a_calibration_is_led_through_a_running_player(chromium: Browser, playing_virtual: SimpleNamespace) -> None:
    """Its patterns take the window between two pictures; the new picture is live before the mirror's form is known.

    The camera's picture stands still meanwhile. Then the calibration is stopped, its picture looked at beside the one
    before by holding a button, and that one put back by one tap.
    """
    tablet = Tablet(chromium, playing_virtual, locale="en-GB")
    page = tablet.part("camera")
    page.set_default_timeout(120000)
    page.get_by_role("button", name="Show what the camera sees").click()
    page.get_by_text(re.compile(r"^Brightest \d+ %")).wait_for()
    expect(page.get_by_role("img", name="What the camera sees")).to_be_visible()
    assert complain(page) == []
    tablet.part("calibrate").locator('[data-job="calibrate"]').click()
    expect(page.get_by_role("button", name="Start")).to_be_disabled()
    page.get_by_role("checkbox").check()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#line")).to_have_text("Under way: Calibrate")
    expect(tablet.part("now").get_by_role("button", name="Stop", exact=True)).to_be_enabled()  # from everywhere
    tablet.part("calibrate")
    page.get_by_text("Taking photographs of patterns").wait_for()
    page.get_by_text(re.compile(r"^\d+ of \d+ · about .* left")).wait_for()
    expect(page.get_by_text("Still: patterns are on the table")).to_be_visible()
    still = page.locator("section.now img").get_attribute("src")
    assert complain(page) == []
    page.get_by_text("The corrected picture is live; the mirror's form follows").wait_for()
    assert page.locator("section.now img").get_attribute("src") == still
    page.get_by_role("button", name="Stop", exact=True).click()
    page.get_by_text("Calibrate: Stopped").wait_for()
    assert complain(page) == []
    made = current_result(playing_virtual.root)
    assert made != playing_virtual.earlier
    hold = page.get_by_role("button", name="Hold: the picture before")
    hold.hover()
    page.mouse.down()
    expect(page.locator("#line")).to_have_text("The result before is on the table")
    page.mouse.up()
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"))
    hold.press("Tab")
    page.keyboard.press("Shift+Tab")
    page.keyboard.down("Space")  # and without a pointer
    expect(page.locator("#line")).to_have_text("The result before is on the table")
    page.keyboard.up("Space")
    expect(page.locator("#line")).to_have_text(re.compile("Playing Check grid"))
    page.get_by_role("button", name="Put the result before back").click()
    live = tablet.part("results").locator("section.now")
    expect(live.locator("button").first).to_have_attribute(
        "aria-label", f"Report {playing_virtual.earlier.name}", timeout=120000
    )
    assert current_result(playing_virtual.root) == playing_virtual.earlier
    tablet.context.close()
    assert tablet.wrong == []
