"""The report in a real browser: headless Chromium, driven through its own driver. Skipped where it is not installed."""

import base64
import csv
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from report_samples import CHANNELS, sample_page
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait
from short_drive import SHORT_DRIVE

from bench.main import main
from bench.pages.report import Channel, Marker, Run, decode, write

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
CHROMEDRIVER = shutil.which("chromedriver")

pytestmark = pytest.mark.skipif(
    CHROMIUM is None or CHROMEDRIVER is None,
    reason="the report was NOT checked in a browser: chromium and chromedriver are not both installed",
)

SECONDS = 600.0
OPEN_BUDGET_MS = 2000.0
FLAGS = (
    "--headless",
    "--no-sandbox",  # a container's root may not use it
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1280,900",
)

Span = tuple[float, float]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    write(path, sample_page(SECONDS))
    return path


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    chrome = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(CHROMEDRIVER)))
    try:
        yield chrome
    finally:
        chrome.quit()


def open_page(driver: webdriver.Chrome, path: Path) -> float:
    """Open a report and wait until it is drawn; the time that the page says it took, in ms."""
    driver.get(path.as_uri())
    return float(
        WebDriverWait(driver, 20, poll_frequency=0.01).until(
            lambda chrome: chrome.execute_script("return document.documentElement.dataset.readyMs")
        )
    )


def quickest_ms(driver: webdriver.Chrome, path: Path) -> float:
    """The shortest of three openings: what else the machine does is not the report's."""
    return min(open_page(driver, path) for _ in range(3))


@pytest.fixture
def page(driver: webdriver.Chrome, report: Path) -> webdriver.Chrome:
    """The browser with the report freshly opened and drawn."""
    open_page(driver, report)
    return driver


def spans(page: webdriver.Chrome) -> list[Span]:
    """From and to, in s, of every strip: as its chart's own scale has them."""
    found: list[list[float]] = page.execute_script(
        "return [...document.querySelectorAll('.strip[data-strip]')]"
        ".map((strip) => [Number(strip.dataset.from), Number(strip.dataset.to)])"
    )
    return [(low, high) for low, high in found]


def only_span(page: webdriver.Chrome) -> Span:
    """The one view that all strips share."""
    found = set(spans(page))
    assert len(found) == 1
    return found.pop()


def ink(page: webdriver.Chrome) -> list[int]:
    """A sum over the pixels of each canvas that changes with what is drawn."""
    sums: list[int] = page.execute_script("""
        return [...document.querySelectorAll('.plot canvas')].map((canvas) => {
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          let sum = 0;
          for (let i = 0; i < data.length; i += 4) {
            if (data[i + 3]) sum = (sum * 31 + data[i] + 3 * data[i + 1] + 7 * data[i + 2] + i) % 2147483647;
          }
          return sum;
        });""")
    return sums


def traces(page: webdriver.Chrome) -> WebElement:
    return page.find_element(By.ID, "traces")


def press(page: webdriver.Chrome, *keys: str) -> None:
    traces(page).send_keys(*keys)


def plot(page: webdriver.Chrome, index: int) -> WebElement:
    element = page.find_elements(By.CSS_SELECTOR, ".strip[data-strip] .u-over")[index]
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
    return element


def drag(page: webdriver.Chrome, over: WebElement, start: float, end: float) -> None:
    """Drag across a plot between two parts of its width."""
    width = over.size["width"]
    (
        ActionChains(page, duration=30)
        .move_to_element_with_offset(over, round((start - 0.5) * width), 0)
        .click_and_hold()
        .move_by_offset(round((end - start) * width / 2), 3)
        .move_by_offset(round((end - start) * width / 2), 3)
        .release()
        .perform()
    )


def cross_s(page: webdriver.Chrome) -> float:
    """The time under the crosshair as the page shows it."""
    return float(page.find_element(By.ID, "cross").text.split("At ")[-1].removesuffix(" s"))


def click(page: webdriver.Chrome, selector: str) -> None:
    element = page.find_element(By.CSS_SELECTOR, selector)
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
    element.click()


def test_it_opens_within_the_budget_and_asks_for_nothing_else(driver: webdriver.Chrome, report: Path) -> None:
    driver.get("about:blank")
    driver.get_log("performance")  # empties the record
    ready_ms = quickest_ms(driver, report)
    print(f"three runs of ten minutes: {report.stat().st_size} bytes, drawn {ready_ms:.0f} ms after opening")
    assert ready_ms < OPEN_BUDGET_MS
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    asked = [event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"]
    assert report.as_uri() in asked
    assert [url for url in asked if not url.startswith(("data:", "blob:")) and url != report.as_uri()] == []
    assert [entry for entry in driver.get_log("browser") if entry["level"] == "SEVERE"] == []


def test_every_strip_is_drawn_with_ink_of_every_run(page: webdriver.Chrome) -> None:
    counts: list[list[int]] = page.execute_script("""
        const inks = [[0x17, 0x49, 0x7f], [0x9c, 0x3d, 0x0c], [0x2f, 0x64, 0x22]];
        return [...document.querySelectorAll('.plot canvas')].map((canvas) => {
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          return inks.map(([r, g, b]) => {
            let count = 0;
            for (let i = 0; i < data.length; i += 4) count += data[i] === r && data[i + 1] === g && data[i + 2] === b;
            return count;
          });
        });""")
    assert len(counts) == 15
    assert min(min(strip) for strip in counts) > 50


def values_in(page: webdriver.Chrome, run: int, key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The trace as the page itself holds it, to the last bit."""
    raw: str = page.execute_script(
        "const values = window.report.values(arguments[0], arguments[1]);"
        "const bytes = new Uint8Array(new Float64Array(values).buffer);"
        "let text = ''; for (let i = 0; i < bytes.length; i += 8192)"
        " text += String.fromCharCode(...bytes.subarray(i, i + 8192)); return btoa(text);",
        run,
        key,
    )
    return np.frombuffer(base64.b64decode(raw), dtype=np.float64)


def test_the_browser_decodes_what_python_decodes(page: webdriver.Chrome, report: Path) -> None:
    for index, run in enumerate(decode(report.read_text(encoding="utf-8"))):
        for channel in CHANNELS:
            values = values_in(page, index, channel.key)
            np.testing.assert_array_equal(values, run.data[channel.key], err_msg=channel.key)


def test_keys_zoom_pan_and_reset_all_strips(page: webdriver.Chrome) -> None:
    whole = only_span(page)
    assert whole == (0.0, SECONDS)
    before = ink(page)
    press(page, "+")
    low, high = only_span(page)
    assert (low, high) == (150.0, 450.0)
    assert all(now != then for now, then in zip(ink(page), before, strict=True))
    press(page, Keys.ARROW_RIGHT)
    assert only_span(page) == (225.0, 525.0)
    press(page, Keys.ARROW_LEFT, Keys.ARROW_LEFT)
    assert only_span(page) == (75.0, 375.0)
    press(page, "-")
    assert only_span(page) == whole
    press(page, "+", "+", "0")
    assert only_span(page) == whole
    assert ink(page) == before


def test_the_view_stays_within_the_run_and_above_a_few_samples(page: webdriver.Chrome) -> None:
    press(page, *["+"] * 20)
    low, high = only_span(page)
    assert high - low == pytest.approx(0.08)
    press(page, "0", "+", *[Keys.ARROW_RIGHT] * 12)
    assert only_span(page) == (300.0, SECONDS)
    press(page, *[Keys.ARROW_LEFT] * 12)
    assert only_span(page) == (0.0, 300.0)


def test_a_drag_in_one_strip_zooms_all_and_a_double_click_resets(page: webdriver.Chrome) -> None:
    before = ink(page)
    drag(page, plot(page, 3), 0.25, 0.5)
    low, high = only_span(page)
    assert (low, high) == (pytest.approx(150.0, abs=2.0), pytest.approx(300.0, abs=2.0))
    assert all(now != then for now, then in zip(ink(page), before, strict=True))
    ActionChains(page).double_click(plot(page, 5)).perform()
    assert only_span(page) == (0.0, SECONDS)
    assert ink(page) == before


def test_buttons_do_what_the_keys_do(page: webdriver.Chrome) -> None:
    click(page, "[data-do=zoom-in]")
    click(page, "[data-do=later]")
    assert only_span(page) == (225.0, 525.0)
    click(page, "[data-do=earlier]")
    click(page, "[data-do=zoom-out]")
    assert only_span(page) == (0.0, SECONDS)
    click(page, "[data-do=zoom-in]")
    click(page, "[data-do=whole]")
    assert only_span(page) == (0.0, SECONDS)


def test_every_control_is_reached_by_tab_and_shows_its_focus(page: webdriver.Chrome) -> None:
    traces(page).click()
    page.execute_script("document.querySelector('#traces').focus()")
    reached: list[dict[str, Any]] = []
    for _ in range(12):
        ActionChains(page).send_keys(Keys.TAB).perform()
        reached.append(
            page.execute_script(
                "const at = document.activeElement, look = getComputedStyle(at); return {do: at.dataset.do,"
                " run: at.dataset.run, marker: at.className, outline: look.outlineStyle,"
                " wide: parseFloat(look.outlineWidth)}"
            )
        )
    assert [at["run"] for at in reached[:3]] == ["0", "1", "2"]
    assert [at["do"] for at in reached[3:10]] == [
        "zoom-in",
        "zoom-out",
        "earlier",
        "later",
        "whole",
        "previous",
        "next",
    ]
    assert reached[10]["marker"].startswith("marker")
    assert all(at["outline"] == "solid" and at["wide"] >= 2 for at in reached)


def test_the_crosshair_reads_the_same_moment_on_every_strip(page: webdriver.Chrome, report: Path) -> None:
    over = plot(page, 2)
    ActionChains(page, duration=10).move_to_element(over).perform()
    pointed = cross_s(page)
    assert pointed == pytest.approx(300.0, abs=1.0)
    press(page, ".")
    moment = cross_s(page)
    assert moment == pytest.approx(pointed + 0.01)
    runs = decode(report.read_text(encoding="utf-8"))
    shown = [
        [value.text for value in strip.find_elements(By.CSS_SELECTOR, ".value > span")]
        for strip in page.find_elements(By.CSS_SELECTOR, ".strip[data-strip]")
    ]
    at = round(moment * 100)
    assert [float(text) for text in shown[0]] == pytest.approx([run.data["speed"][at] for run in runs], abs=0.051)
    state = next(channel.names for channel in CHANNELS if channel.key == "state")
    assert state is not None
    assert shown[6] == [state[int(run.data["state"][at])] for run in runs]
    lines: list[float] = page.execute_script(
        "return [...document.querySelectorAll('.u-cursor-x')].map((line) => line.getBoundingClientRect().left)"
    )
    assert max(lines) - min(lines) <= 1.0
    press(page, ",", ">")
    assert cross_s(page) == pytest.approx(moment + 0.99)


def test_the_legend_hides_a_run_everywhere(page: webdriver.Chrome) -> None:
    before = ink(page)
    click(page, ".legend [data-run='1']")
    assert page.find_element(By.CSS_SELECTOR, ".legend [data-run='1']").get_attribute("aria-pressed") == "false"
    assert all(now != then for now, then in zip(ink(page), before, strict=True))
    assert not page.find_element(By.CSS_SELECTOR, ".lane[data-run='1']").is_displayed()
    assert page.find_elements(By.CSS_SELECTOR, ".engagements tr[data-run='1']:not([hidden])") == []
    press(page, "2")
    assert ink(page) == before


def test_one_quantity_of_a_strip_can_be_put_away(page: webdriver.Chrome) -> None:
    before = ink(page)
    click(page, ".pick[data-channel='3']")
    after = ink(page)
    assert [place for place, (now, then) in enumerate(zip(after, before, strict=True)) if now != then] == [2]


def test_engagements_are_stepped_through_with_their_reasons(page: webdriver.Chrome) -> None:
    press(page, "n")
    assert page.find_element(By.ID, "cross").text.startswith(
        "C rules: river and pass, 12.01 s: clutch in, engage speed crossed."
    )
    press(page, "n", "n", "n")
    text = page.find_element(By.ID, "cross").text
    assert text.startswith("C rules: river and pass, 75.00 s: clutch out, ")
    press(page, "p")
    assert page.find_element(By.ID, "cross").text.startswith("B as-built, 75.00 s: clutch out, ")
    press(page, "+", "+", "+", "+", "+", *["n"] * 6)
    moment = float(
        page.find_element(By.CSS_SELECTOR, ".marker.chosen").get_attribute("title").split(", ")[1].split()[0]
    )
    low, high = only_span(page)
    assert low <= moment <= high


def test_a_focused_marker_gives_its_reason_and_arrows_move_to_the_next(page: webdriver.Chrome) -> None:
    page.execute_script("document.querySelector('.marker[tabindex=\"0\"]').focus()")
    first = page.find_element(By.ID, "cross").text
    ActionChains(page).send_keys(Keys.ARROW_RIGHT).perform()
    assert page.execute_script("return document.activeElement.className").startswith("marker")
    assert page.find_element(By.ID, "cross").text != first
    assert only_span(page) == (0.0, SECONDS)


def test_hovering_a_marker_gives_its_reason(page: webdriver.Chrome) -> None:
    marker = page.find_elements(By.CSS_SELECTOR, ".lane[data-run='1'] .marker")[2]
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", marker)
    ActionChains(page, duration=10).move_to_element(marker).perform()
    assert page.find_element(By.ID, "cross").text.startswith(str(marker.get_attribute("aria-label")))


def test_a_row_of_the_engagement_table_jumps_to_its_moment(page: webdriver.Chrome) -> None:
    jump = page.find_elements(By.CSS_SELECTOR, ".jump")[5]
    moment = float(jump.text.removeprefix("Show").strip())
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", jump)
    jump.click()
    low, high = only_span(page)
    assert high - low == pytest.approx(20.0)
    assert low < moment < high
    assert page.execute_script("return document.activeElement.id") == "traces"
    assert f"{moment:.2f} s: " in page.find_element(By.ID, "cross").text


def test_lanes_and_strips_share_the_time_axis(page: webdriver.Chrome) -> None:
    tracks: list[list[float]] = page.execute_script(
        "return [...document.querySelectorAll('.lane-track, .u-over')].map((box) => {"
        "const {left, right} = box.getBoundingClientRect(); return [left, right]; })"
    )
    lefts, rights = zip(*tracks, strict=True)
    assert max(lefts) - min(lefts) <= 1.0
    assert max(rights) - min(rights) <= 1.0


@pytest.mark.parametrize("width", [1280, 720, 400])
def test_nothing_is_wider_than_the_window(page: webdriver.Chrome, width: int) -> None:
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    )
    try:
        WebDriverWait(page, 5).until(
            lambda chrome: chrome.execute_script(
                "const traces = document.querySelector('#traces');"
                "const fits = (chart) => chart.clientWidth === traces.clientWidth;"
                "return [...document.querySelectorAll('.uplot')].every(fits)"
            )
        )
        assert page.execute_script("return document.documentElement.scrollWidth") <= width
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_it_prints_on_a4_with_every_strip_and_goes_back(page: webdriver.Chrome) -> None:
    page.execute_script(
        "window.widths = []; addEventListener('beforeprint', () => {"
        "window.widths = [...document.querySelectorAll('.uplot')].map((chart) => chart.clientWidth); })"
    )
    before = ink(page)
    printed = base64.b64decode(
        page.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": False})[
            "data"
        ]
    )
    assert printed.startswith(b"%PDF-")
    assert len(printed) > 100_000
    assert 3 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") <= 12
    assert page.execute_script("return window.widths") == [690] * 15
    assert ink(page) == before


def test_names_from_files_do_no_harm(driver: webdriver.Chrome, tmp_path: Path) -> None:
    evil = "<script>window.harmed = 1</script><img src=x onerror='window.harmed = 1'>"
    path = tmp_path / "evil.html"
    write(path, sample_page(60.0, (evil, "'\"><b>")))
    open_page(driver, path)
    press(driver, "n")
    assert driver.execute_script("return window.harmed === undefined && !document.querySelector('img')")
    assert driver.find_element(By.CSS_SELECTOR, ".run-name").text == evil


def test_gaps_missing_traces_and_a_thousand_markers_are_drawn(driver: webdriver.Chrome, tmp_path: Path) -> None:
    time_s = np.arange(12001) / 100.0
    gappy = np.sin(time_s)
    gappy[3000:9000] = np.nan
    half = np.where(time_s % 20.0 < 10.0, 0.25, 0.75)
    odd = replace(
        sample_page(20.0),
        channels=[
            Channel("gappy", "gappy", "V", "One", "line"),
            Channel("constant", "constant", "V", "Two", "line"),
            Channel("half", "half", "", "Three", "step"),
            Channel("word", "word", "", "Four", "step", {1: "one", 2: "<b>two</b>"}),
            Channel("absent", "absent", "V", "Five", "line"),
        ],
        runs=[
            Run(
                "long",
                time_s,
                {"gappy": gappy, "constant": time_s * 0.0 + 7.3, "half": half, "word": 1.0 + (half > 0.5)},
            ),
            Run(
                "short",
                time_s[:4000],
                {"gappy": gappy[:4000], "constant": np.full(4000, np.nan), "word": np.full(4000, 9.0)},
            ),
        ],
        markers=[Marker(at % 2, at * 0.1, "in" if at % 4 < 2 else "out", f"reason {at}") for at in range(1000)],
    )
    path = tmp_path / "odd.html"
    write(path, odd)
    driver.get_log("browser")  # empties the record
    assert quickest_ms(driver, path) < OPEN_BUDGET_MS
    press(driver, "n", "n", "+", "+", "+", Keys.ARROW_RIGHT, ".", "0", "+", "1", "2", "1", "2")
    assert [entry for entry in driver.get_log("browser") if entry["level"] == "SEVERE"] == []
    assert not driver.find_element(By.ID, "trouble").is_displayed()
    press(driver, *["p"] * 3)
    shown = [value.text for value in driver.find_elements(By.CSS_SELECTOR, ".strip[data-strip] .value > span")]
    assert shown[2] == "7.30"
    assert shown[3] == "–"
    assert shown[6] in ("one", "<b>two</b>")
    assert shown[8:] == ["–", "–"]


def test_a_real_comparison_opens_draws_zooms_and_holds_the_traces_of_the_csv(
    driver: webdriver.Chrome, tmp_path: Path
) -> None:
    drive, out = tmp_path / "short.toml", tmp_path / "out"
    drive.write_text(SHORT_DRIVE)
    assert CliRunner().invoke(main, ["compare", "--drive", str(drive), "--out", str(out)]).exit_code == 0
    driver.get_log("performance")
    assert quickest_ms(driver, out / "report.html") < OPEN_BUDGET_MS
    asked = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    urls = [one["params"]["request"]["url"] for one in asked if one["method"] == "Network.requestWillBeSent"]
    assert [url for url in urls if not url.startswith(("file:", "data:", "blob:"))] == []
    assert min(ink(driver)) > 0
    with (out / "traces.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["run"] == "station"]
    for key in ("oil_c", "engine_rpm", "slip_pct", "gear", "state"):
        written = np.array([float(row[key]) for row in rows])
        step = (written.max() - written.min()) / 4095
        assert np.abs(values_in(driver, 2, key) - written).max() <= 0.51 * step + 0.051, key
    whole = only_span(driver)
    traces(driver)
    press(driver, "+")
    zoomed = only_span(driver)
    assert whole[0] <= zoomed[0] < zoomed[1] < whole[1] + 1e-9
    assert zoomed != whole
    press(driver, "0")
    drag(driver, plot(driver, 1), 0.2, 0.6)
    assert only_span(driver)[1] - only_span(driver)[0] < 0.5 * (whole[1] - whole[0])
