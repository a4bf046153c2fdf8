"""The page in a real browser: it can be used, switched and read aloud.

Needs Chromium; the accessibility check asks npm for axe-core as well.
"""

from __future__ import annotations

import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import CHROMIUM, Browser

from toneapp.library import Library
from toneapp.sheets import Sheet, SheetSettings, make_worklist, make_worksheet, sheet_html

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
]


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser


def show(browser: Browser, content: bytes, folder: Path, *, is_dark: bool = False) -> None:
    path = folder / "page.html"
    path.write_bytes(content)
    browser.open(path, is_dark=is_dark)


STATE = """(function () {
  var row = document.querySelectorAll(".play tbody tr")[1];
  function all(name, f) { return [].map.call(row.querySelectorAll(name), f); }
  return {
    paused: all("audio", function (s) { return s.paused; }),
    at: all("audio", function (s) { return s.currentTime; }),
    errors: all("audio", function (s) { return s.error && s.error.message; }),
    pressed: all("button", function (b) { return b.getAttribute("aria-pressed"); }),
    status: document.querySelector(".status").textContent
  };
}())"""

CLICK = (
    'document.querySelectorAll(".play tbody tr")[{row}].querySelectorAll("button")[{run}].click()'
)

UNTIL_PLAYED = """new Promise(function (done) {
  var sound = document.querySelectorAll(".play tbody tr")[1].querySelectorAll("audio")[%d];
  var timer = setInterval(function () {
    if (sound.currentTime > %s || sound.ended) { clearInterval(timer); done(sound.currentTime); }
  }, 5);
})"""


def state(browser: Browser) -> dict[str, Any]:
    return dict(browser.tell(STATE))


def test_one_click_switches_the_sound_at_its_place(
    browser: Browser, comparison: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    show(browser, sheet_html(comparison, settings), tmp_path)
    start = state(browser)
    assert start["paused"] == [True, True]
    assert start["status"] == "Nothing is playing"

    browser.tell(CLICK.format(row=1, run=0))
    browser.tell(UNTIL_PLAYED % (0, "0.3"))
    first = state(browser)
    assert first["paused"] == [False, True]
    assert first["pressed"] == ["true", "false"]
    assert first["status"].endswith("A  Old upright")

    browser.tell(CLICK.format(row=1, run=1))
    second = state(browser)
    assert second["paused"] == [True, False]
    assert second["pressed"] == ["false", "true"]
    assert second["status"].endswith("B  Small grand")
    assert second["at"][1] == pytest.approx(second["at"][0], abs=0.1)
    assert second["at"][1] >= 0.3
    browser.tell(UNTIL_PLAYED % (1, "0.6"))  # it goes on

    browser.tell(CLICK.format(row=2, run=0))
    assert state(browser)["paused"] == [True, True]
    browser.tell('document.querySelector(".stop").click()')
    stopped = state(browser)
    assert stopped["status"] == "Nothing is playing"
    assert stopped["errors"] == [None, None]


def test_a_sound_that_ends_says_so(
    browser: Browser, change: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    show(browser, sheet_html(change, settings), tmp_path)
    browser.tell(CLICK.format(row=1, run=0))
    browser.tell(UNTIL_PLAYED % (0, "99"))
    ended = state(browser)
    assert ended["status"] == "Nothing is playing"
    assert ended["pressed"] == ["false", "false"]


def test_hostile_words_run_nothing_fetch_nothing_and_fit_the_window(
    browser: Browser, hostile: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    show(browser, sheet_html(hostile, settings), tmp_path)
    assert browser.tell("document.scripts.length") == 1
    assert browser.tell("document.title") == "Comparison of 3 instruments"
    for width in (1100, 390):
        browser.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=800, deviceScaleFactor=1,
            mobile=False,
        )  # fmt: skip
        assert browser.tell("document.documentElement.scrollWidth") <= width
    browser.call("Emulation.clearDeviceMetricsOverride")
    asked = [address for address in browser.requests() if not address.startswith("data:")]
    assert [address.rpartition("/")[2] for address in asked] == ["page.html"]


@pytest.mark.parametrize("kind", ["comparison", "change", "worklist", "worksheet"])
def test_every_sheet_fits_a_telephone(
    kind: str, browser: Browser, request: pytest.FixtureRequest, workshop: Library,
    settings: SheetSettings, tmp_path: Path,
) -> None:  # fmt: skip
    today = request.getfixturevalue("today")
    if kind == "worklist":
        sheet = make_worklist(workshop, 1, settings, today=today)
    elif kind == "worksheet":
        sheet = make_worksheet(workshop, 1, settings, today=today)
    else:
        sheet = request.getfixturevalue(kind)
    browser.call(
        "Emulation.setDeviceMetricsOverride", width=360, height=740, deviceScaleFactor=2,
        mobile=False,
    )  # fmt: skip
    show(browser, sheet_html(sheet, settings), tmp_path)
    assert browser.tell("document.documentElement.scrollWidth") <= 360
    small = browser.tell(
        "Array.from(document.querySelectorAll('svg text')).filter("
        "t => t.getBoundingClientRect().height < 8).length"
    )
    browser.call("Emulation.clearDeviceMetricsOverride")
    assert small == 0


def test_a_script_that_is_not_ours_does_not_run(
    browser: Browser, comparison: Sheet, settings: SheetSettings, tmp_path: Path
) -> None:
    content = sheet_html(comparison, settings).replace(
        b"</main>",
        b"<script>document.title = 'INJECTED'</script>"
        b'<img src="http://127.0.0.1:9/x.png" onerror="document.title = 1"></main>',
    )
    show(browser, content, tmp_path)
    assert browser.tell("document.title") == "Comparison of 2 instruments"
    assert browser.tell('document.querySelectorAll(".play button").length') >= 8


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The accessibility checker, from npm."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "pack", "axe-core@4", "--silent"],
        cwd=folder,
        capture_output=True,
        timeout=120,
        check=False,
    )
    if done.returncode != 0:
        pytest.skip("npm could not be asked for axe-core")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")


@pytest.mark.network
@pytest.mark.parametrize("is_dark", [False, True])
@pytest.mark.parametrize("kind", ["comparison", "change", "hostile", "worklist"])
def test_the_accessibility_checker_finds_nothing(
    kind: str,
    is_dark: bool,
    axe: str,
    browser: Browser,
    request: pytest.FixtureRequest,
    workshop: Library,
    settings: SheetSettings,
    tmp_path: Path,
) -> None:
    if kind == "worklist":
        sheet = make_worklist(workshop, 1, settings, today=request.getfixturevalue("today"))
    else:
        sheet = request.getfixturevalue(kind)
    show(browser, sheet_html(sheet, settings), tmp_path, is_dark=is_dark)
    assert browser.tell('matchMedia("(prefers-color-scheme: dark)").matches') == is_dark
    browser.tell("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    browser.tell(axe)
    seen = browser.tell(
        "axe.run(document).then(r => ({passes: r.passes.length, violations: r.violations.map("
        "v => [v.id, v.impact, v.nodes.length, v.nodes[0].html.slice(0, 200)])}))"
    )
    assert seen["passes"] > 15
    assert seen["violations"] == []
