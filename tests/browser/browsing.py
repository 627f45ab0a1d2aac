"""A real browser with a review page in it, driven as a reader drives it."""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import pypdfium2
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.wait import WebDriverWait

#: Nothing but the page: no updates, no accounts, no graphics card, no new process for each page. A kiosk has
#: no tabs and no address around the page, which would be drawn again at each step.
_FLAGS = (
    "--headless=new",
    "--kiosk",
    "--process-per-site",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-device-scale-factor=1",
    "--window-size=1400,1000",
)
WAIT = 20.0
#: Whether what has the focus is in the window and the bar does not cover it.
IN_SIGHT = """
const {top, bottom} = document.activeElement.getBoundingClientRect();
const bar = document.querySelector(".toolbar").getBoundingClientRect();
return document.activeElement !== document.body && bottom > Math.max(0, bar.bottom) && top < innerHeight;
"""
#: What axe calls its rules for the Web Content Accessibility Guidelines, up to 2.2 and AA.
WCAG = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
#: The rules of axe that look at colours: all that a dark page can break if the light one is right.
COLOURS = ("color-contrast", "link-in-text-block")


@contextmanager
def chromium(profile: Path, pixel_memory: int = 2) -> Iterator[webdriver.Chrome]:
    """The machine's Chromium with an empty profile.

    ``pixel_memory`` is its memory for painted pixels in MiB. The tests give it none for pixels out of sight,
    which would be painted ahead of a reader who scrolls; a picture of a whole window needs more.
    """
    options = webdriver.ChromeOptions()
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    assert browser, "chromium is not installed"
    assert driver, "chromedriver is not installed"
    options.binary_location = browser
    memory = f"--force-gpu-mem-available-mb={pixel_memory}"
    for flag in (*_FLAGS, memory, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    # The page that the browser opens at its start is a program of its own; 4 asks for other pages instead.
    pages = {"session.restore_on_startup": 4, "session.startup_urls": ["about:blank"]}
    options.add_experimental_option("prefs", pages)
    # The path is given, so that nothing is looked up.
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    try:
        chrome.set_page_load_timeout(60)
        chrome.set_script_timeout(120)  # axe takes long on a busy machine
        yield chrome
    finally:
        chrome.quit()


def forget(chrome: webdriver.Chrome) -> None:
    """Let the browser forget what all pages kept; the open one keeps nothing from here on."""
    chrome.execute_script(_KEEP_NOTHING)
    chrome.execute_cdp_cmd(
        "Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "local_storage"}
    )


class Page:
    """A page that is open in the browser."""

    def __init__(self, chrome: webdriver.Chrome, file: Path) -> None:
        self.chrome = chrome
        self.file = file

    # Getting there

    def open(self, link: str = "") -> Page:
        """The page anew, at a link into it; what the browser kept stays."""
        address = self.file.as_uri()
        # From a page to a place in it the browser would only scroll. The page does not read this query.
        if self.chrome.current_url.partition("#")[0] == address:
            address += "?again"
        self.logged("browser")
        self.logged("performance")
        self.chrome.get(address + link)
        return self

    def screen(self, width: int = 1400, height: int = 1000, dark: bool = False) -> Page:
        """The window's size and whether its reader likes it dark."""
        return self.prefer(width, height, prefers_color_scheme="dark" if dark else "light")

    def prefer(self, width: int, height: int, /, **preferences: str) -> Page:
        """The window's size and all preferences of its reader, named as the features of media queries."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        features = [{"name": name.replace("_", "-"), "value": value} for name, value in preferences.items()]
        emulated: dict[str, dict[str, Any]] = {
            "setDeviceMetricsOverride": size,
            "setEmulatedMedia": {"media": "", "features": features},
        }
        # Each of them lays the open page out again, even if it changes nothing.
        before = _EMULATED.setdefault(self.chrome, {})
        for command, parameters in emulated.items():
            if before.get(command) != parameters:
                self.chrome.execute_cdp_cmd(f"Emulation.{command}", parameters)
                before[command] = parameters
        return self

    # Looking

    def all(self, css: str) -> list[WebElement]:
        return self.chrome.find_elements(By.CSS_SELECTOR, css)

    def one(self, css: str) -> WebElement:
        """The one element there is, as soon as it is there."""
        (result,) = self.until(lambda: self.all(css))
        return result  # type: ignore[no-any-return]

    def texts(self, css: str) -> list[str]:
        """The text of all these elements, visible or not."""
        return [" ".join(text.split()) for text in self.run(_TEXTS, css)]

    def text(self, css: str) -> str:
        (text,) = self.until(lambda: self.texts(css))
        return text  # type: ignore[no-any-return]

    def run(self, script: str, *arguments: Any) -> Any:
        return self.chrome.execute_script(script, *arguments)

    def until(self, what: Any, wanted: str = "") -> Any:
        """What a function returns, once that is something; an error says what was wanted."""
        return WebDriverWait(self.chrome, WAIT, poll_frequency=0.05).until(lambda _: what(), wanted)

    def until_still(self, script: str, *arguments: Any) -> Any:
        """What a script returns, once the page is idle and no longer changes it: scrolling takes its time."""
        read = f"const read = function () {{{script}}};"
        return self.chrome.execute_async_script(f"{read}{_STILL}", *arguments)

    @property
    def link(self) -> str:
        return str(self.run("return decodeURIComponent(location.hash)"))

    def details(self, table: str) -> dict[str, str]:
        """What is said of the cell that is looked at, or that the pointer is over."""
        names, values = (self.texts(f"#{table} .details {part}") for part in ("dt", "dd"))
        return dict(zip(names, values, strict=True))

    def logged(self, kind: str) -> list[Any]:
        return self.chrome.get_log(kind)  # type: ignore[no-any-return, no-untyped-call, attr-defined, unused-ignore]

    def requests(self) -> set[str]:
        """The addresses of everything that was asked for since the page was opened."""
        messages = [json.loads(entry["message"])["message"] for entry in self.logged("performance")]
        asked = [
            message["params"] for message in messages if message["method"] == "Network.requestWillBeSent"
        ]
        return {item["request"]["url"].partition("#")[0] for item in asked}

    # Doing

    def press(self, *keys: str) -> None:
        ActionChains(self.chrome).send_keys(*keys).perform()

    def click(self, what: str | WebElement) -> None:
        """A click on the one element, once it stays where it is and nothing lies in its way."""

        def clicked() -> bool:
            # What is pressed while the page still moves may be something else by then.
            place = self.chrome.execute_async_script(_AT_REST, what)
            if place is None:
                return False
            # As the driver clicks, which first asks the page much more about the element.
            for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
                button = {} if kind == "mouseMoved" else {"button": "left", "clickCount": 1}
                point = {"x": place["x"], "y": place["y"]}
                self.chrome.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": kind, **point, **button})
            return bool(self.run(_WAS_CLICKED, place["element"]))

        self.until(clicked)

    def write(self, css: str, text: str) -> None:
        """A text put in at the end of the one field as a whole, which costs a tenth of so many keys."""
        self.run(_FOCUS_END, self.one(css))
        self.chrome.execute_cdp_cmd("Input.insertText", {"text": text})

    def hover(self, element: WebElement) -> None:
        ActionChains(self.chrome, duration=0).move_to_element(element).perform()

    def show(self, table: str) -> Page:
        """A table brought near, with its grid drawn as the page is set."""
        # Again and again, as what is drawn above may push it away.
        self.until(lambda: self.run(_SHOW, table))
        return self

    def cell(self, table: str, x: int, y: int) -> WebElement:
        return self.show(table).run(_CELL, table, x, y)  # type: ignore[no-any-return]

    def cells(self, css: str) -> list[int]:
        """The numbers of the cells that match, row by row from 0."""
        script = "return [...document.querySelectorAll(arguments[0])].map((td) => Number(td.dataset.cell))"
        return self.run(script, css)  # type: ignore[no-any-return]

    def values(self, table: str) -> list[list[str]]:
        """The visible texts in the cells of a grid."""
        self.show(table)
        return self.run(_VALUES, table)  # type: ignore[no-any-return]

    def paper(self) -> bytes:
        """The page on sheets of A4, as PDF."""
        # The driver's own command for this gives up after ten seconds, which is not long on a busy machine.
        how = {"printBackground": True, "preferCSSPageSize": True}
        return base64.b64decode(self.chrome.execute_cdp_cmd("Page.printToPDF", how)["data"])

    def pdf(self) -> str:
        """The text of the page on paper."""
        with closing(pypdfium2.PdfDocument(self.paper())) as document:
            texts = []
            for page in document:
                with closing(page), closing(page.get_textpage()) as text:
                    texts.append(text.get_text_range())
        return " ".join(" ".join(texts).split())

    def keep_tables(self, amount: int) -> Page:
        """The first tables, the others removed: axe asks the style of each element, of hidden ones too."""
        self.run(_REMOVE_REST, amount)
        return self

    def small_targets(self) -> list[str]:
        """What a reader presses and cannot hit surely: less than 24 CSS pixels wide or high.

        Target Size (Minimum), WCAG 2.2, 2.5.8, without its exception for targets with room around them.
        """
        sizes = self.run(_TARGETS)
        assert len(sizes) > 50
        return [html for html, size in sizes if size < 24]

    def violations(
        self,
        tags: tuple[str, ...] = (*WCAG, "best-practice"),
        only: tuple[str, ...] = (),
        within: str = "html",
    ) -> list[str]:
        """What axe finds wrong for people who cannot see, point or tell colours apart.

        By all rules with one of the tags, or only by the rules that are named.
        """
        if not self.run("return 'axe' in window"):
            axe = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
            self.chrome.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
        # axe takes what the bar covers for a target that is too small, and a reader scrolls it free.
        self.run("window.dispatchEvent(new WheelEvent('wheel'))")
        self.chrome.execute_async_script(_AT_TOP)
        result = self.chrome.execute_async_script(_AXE, only or tags, within)
        assert len(result["passes"]) > (0 if only else 20), result
        return list(result["violations"])


#: The size and the preferences that each browser pretends.
_EMULATED: WeakKeyDictionary[webdriver.Chrome, dict[str, Any]] = WeakKeyDictionary()
#: The one element and the middle of it, if it stays for some frames where it is brought into sight and has
#: nothing over it: while the page draws, or holds another table in its place, it does not stay. Notes on the
#: element whether the next click anywhere is one on it.
_AT_REST = """
const [what, done] = arguments;
const elements = typeof what === "string" ? document.querySelectorAll(what) : [what];
if (elements.length > 1) throw new Error(`${elements.length} elements are ${what}`);
if (elements.length === 0) return done(null);
const [element] = elements;
element.scrollIntoView({block: "center", behavior: "instant"});
const top = element.getBoundingClientRect().top;
let frames = 0;
const look = () => {
  if (Math.abs(element.getBoundingClientRect().top - top) > 0.5) return done(null);
  if ((frames += 1) < 6) return requestAnimationFrame(look);
  const box = element.getClientRects()[0] ?? new DOMRect(-1, -1);
  const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
  if (!element.contains(document.elementFromPoint(x, y))) return done(null);
  delete element.dataset.clicked;
  addEventListener("click", ({target}) => {
    if (element.contains(target)) element.dataset.clicked = "";
  }, {once: true, capture: true});
  done({element, x, y});
};
requestAnimationFrame(look);
"""
#: What ``read`` returns, once that is the same in so many frames, after each of which the page was idle.
_STILL = """
const given = [...arguments];
const done = given.pop();
let [before, frames] = ["", 0];
const look = () => {
  const value = read(...given);
  const now = JSON.stringify(value);
  frames = now === before ? frames + 1 : 0;
  before = now;
  if (frames < 6) requestAnimationFrame(() => requestIdleCallback(look, {timeout: 500}));
  else done(value);
};
look();
"""
_TARGETS = """
const targets = document.querySelectorAll(
  "button, select, summary, .list a, td, label.tick, fieldset label");
return [...targets].filter((one) => one.offsetParent).map((one) => {
  const {width, height} = one.getBoundingClientRect();
  return [one.outerHTML, Math.min(width, height)];
});
"""
_FOCUS_END = "const [field] = arguments; field.focus(); field.setSelectionRange(1e9, 1e9);"
_KEEP_NOTHING = "Storage.prototype.setItem = () => {}"
_WAS_CLICKED = "return !arguments[0].isConnected || 'clicked' in arguments[0].dataset"
_TEXTS = "return [...document.querySelectorAll(arguments[0])].map((one) => one.textContent)"
_SHOW = """
const [table] = arguments;
document.getElementById(table).scrollIntoView();
const view = document.querySelector(".views input:checked").value;
return document.querySelector(`#${table} .scroll table.${view}`) !== null;
"""
_CELL = """
const [table, x, y] = arguments;
const rows = document.querySelectorAll(`#${table} .scroll:not(.beside) tr:has(td[data-cell])`);
return rows[y].querySelectorAll("td")[x];
"""
#: Without what only screen readers and paper get.
_VALUES = """
const grid = document.getElementById(arguments[0]).querySelector(".scroll:not(.beside)");
return [...grid.querySelectorAll("tr:has(td[data-cell])")].map((row) =>
  [...row.querySelectorAll("td")].map((cell) => {
    const copy = cell.cloneNode(true);
    for (const part of copy.querySelectorAll(".aside, .mark, .pin")) part.remove();
    return copy.textContent;
  }));
"""
_REMOVE_REST = """
[...document.querySelectorAll("article.table")].slice(arguments[0]).forEach((article) => article.remove());
"""
#: Scrolls to the top, and waits until the page has drawn what comes near there: axe keeps the places of some
#: elements and asks for those of others later, and takes what has moved since for covered. A colour that
#: still fades into another one is neither.
_AT_TOP = """
const [done] = arguments;
let [before, frames] = ["", 0];
const look = () => {
  window.scrollTo(0, 0);
  const now = `${document.documentElement.scrollHeight} ${document.querySelectorAll("*").length}`;
  const fades = document.getAnimations().some((animation) => animation instanceof CSSTransition);
  frames = now === before && !fades ? frames + 1 : 0;
  before = now;
  if (frames < 2) requestAnimationFrame(() => requestIdleCallback(look, {timeout: 500}));
  else done();
};
look();
"""
#: To compare colours, axe looks below each element, which takes seconds on a large page. So it looks at the
#: first and the last of the visible elements that look alike: in their colour, in whether their text is large
#: (1.4.3 of the guidelines: from 18 points, or from 14 points in bold), and in what the elements around them
#: paint behind them. All other rules see every element.
_AXE = """
const [runOnly, within, done] = arguments;
const styles = new WeakMap();
const styleOf = (element) => {
  if (!element) return {text: "", behind: ""};
  if (!styles.has(element)) {
    const {color, backgroundColor, backgroundImage, opacity, fontSize, fontWeight, position} =
      getComputedStyle(element);
    const isLarge = parseFloat(fontSize) >= (fontWeight >= 700 ? 14 : 18) * 96 / 72;
    const own = `${position} ${backgroundColor} ${backgroundImage} ${opacity}`;
    const {behind} = styleOf(element.parentElement);
    styles.set(element, {
      text: `${color} ${isLarge}`,
      behind: own === "static rgba(0, 0, 0, 0) none 1" ? behind : `${own}|${behind}`,
    });
  }
  return styles.get(element);
};
const alike = new Map();
for (const element of document.querySelectorAll("body *")) {
  const hasText = element.matches("input, select, textarea, button")
    || [...element.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.data.trim());
  if (!hasText || !element.checkVisibility({opacityProperty: true, visibilityProperty: true})) continue;
  const {text, behind} = styleOf(element);
  const style = `${text}|${behind}`;
  if (!alike.has(style)) alike.set(style, [element]);
  alike.get(style)[1] = element;
}
const shown = [...new Set([...alike.values()].flat())];
for (const element of shown) element.setAttribute("data-contrast", "");
axe.configure({rules: [{id: "color-contrast", selector: "[data-contrast]"}]});
const find = async () => {
  const options = {runOnly, resultTypes: ["violations"], selectors: false};
  const {violations, passes} = await axe.run(within, options);
  for (const element of shown) element.removeAttribute("data-contrast");
  return {
    violations: violations.flatMap(({id, nodes}) => nodes.map(({html}) => `${id}: ${html}`)),
    passes: passes.map(({id}) => id),
  };
};
find().then(done, (error) => done({violations: [String(error)], passes: []}));
"""
