"""The page in a real browser: it opens without a complaint, zooms, shows the judged words and saves its charts."""

from __future__ import annotations

import json
import shutil
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from analysis.command_line import main
from analysis.judge import judge_recording
from analysis.recording_reader import Recording
from analysis.report_files import write_report
from analysis.rows import Event, Row
from tests.reported_rides import (
    SCALES,
    SPRINT,
    STEPS,
    S,
    bench_of,
    recording_of,
    samples_of,
    segment_events,
    stepped_ride,
)

CHROMIUM, CHROMEDRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (CHROMIUM and CHROMEDRIVER), reason="needs chromium and chromedriver (Debian: chromium, chromium-driver)"
)
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1440,900",
)
WAIT_S = 8.0


class Browser:
    def __init__(self, folder: Path) -> None:
        self.downloads = folder / "downloads"
        options = webdriver.ChromeOptions()
        options.binary_location = str(CHROMIUM)
        for flag in (*FLAGS, f"--user-data-dir={folder / 'profile'}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        options.add_experimental_option("prefs", {"download.default_directory": str(self.downloads)})
        self.driver = webdriver.Chrome(options=options, service=Service(str(CHROMEDRIVER)))

    def open(self, page: Path) -> None:
        self.driver.get(page.as_uri())
        self.until("return document.documentElement.classList.contains('drawn')")
        # Charts are drawn when they come near.
        self.run("document.getElementById('ride').scrollIntoView()")
        self.until("return timeCharts.length > 1")

    def run(self, script: str) -> Any:
        return self.driver.execute_script(script)

    def until(self, script: str) -> Any:
        return WebDriverWait(self.driver, WAIT_S).until(lambda _: self.run(script))

    def complaints(self) -> list[str]:
        entries: list[dict[str, Any]] = self.driver.get_log("browser")  # type: ignore[no-untyped-call]
        return [entry["message"] for entry in entries]

    def on_phone(self, dark: bool) -> None:
        size = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})

    def on_desk(self) -> None:
        self.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    found = Browser(tmp_path_factory.mktemp("browser"))
    yield found
    found.driver.quit()


@pytest.fixture(scope="module")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    return stepped_ride(tmp_path_factory.mktemp("ride"), ("Alder", "Birch", "Cedar", "Dogwood"))


@pytest.fixture(scope="module")
def page(ride: Recording) -> Path:
    return write_report(ride.path.parent / "out", ride, judge_recording(ride))[0]


def test_it_opens_without_a_complaint_and_shows_what_was_judged(
    browser: Browser, page: Path, ride: Recording
) -> None:
    browser.open(page)
    shown = {e.get_attribute("data-meter"): e.text for e in browser.driver.find_elements(By.CSS_SELECTOR, ".word")}
    judged = judge_recording(ride)
    assert shown == {name: v.judgement.word for name, v in judged.verdicts.items()}
    assert len(shown) == 3
    # Every chart is drawn once it has been near.
    browser.run("window.scrollTo(0, document.body.scrollHeight)")
    for figure in browser.driver.find_elements(By.CSS_SELECTOR, "figure[data-kind]"):
        browser.driver.execute_script("arguments[0].scrollIntoView()", figure)
        name = figure.get_attribute("data-file")
        browser.until(f"return document.querySelector('[data-file={name}] .plot canvas') !== null")
    assert browser.complaints() == []


def test_a_drag_zooms_all_charts_and_a_double_click_shows_the_whole_ride(browser: Browser, page: Path) -> None:
    browser.open(page)
    over = browser.driver.find_element(By.CSS_SELECTOR, "figure[data-kind=power] .u-over")
    ActionChains(browser.driver).move_to_element(over).click_and_hold().move_by_offset(200, 0).release().perform()
    browser.until("return range.max - range.min < 0.5 * DATA.end_s")
    seen = browser.until("return timeCharts.map(u => [u.scales.x.min, u.scales.x.max])")
    assert len({tuple(ends) for ends in seen}) == 1
    assert seen[0][0] == pytest.approx(175, abs=2)  # the drag began in the middle of the plot
    ActionChains(browser.driver).double_click(over).perform()
    browser.until("return range.min === 0 && range.max === DATA.end_s")
    assert browser.complaints() == []


def test_keys_and_buttons_zoom_and_pan(browser: Browser, page: Path) -> None:
    browser.open(page)
    browser.driver.find_element(By.CSS_SELECTOR, "button[data-act=closer]").click()
    assert browser.run("return [range.min, range.max]") == pytest.approx([87.5, 262.5])
    browser.driver.find_element(By.CSS_SELECTOR, "figure[data-kind=power]").send_keys("\ue014")  # arrow right
    assert browser.run("return [range.min, range.max]") == pytest.approx([122.5, 297.5])
    browser.driver.find_element(By.CSS_SELECTOR, "figure[data-kind=power]").send_keys("\ue00c")  # escape
    assert browser.run("return [range.min, range.max]") == [0, 350]
    browser.driver.find_element(By.CSS_SELECTOR, ".hands option[value='1']").click()
    low, high = browser.run("return [range.min, range.max]")
    assert (low < 70, high > 140) == (True, True)
    assert high - low < 90


@pytest.mark.parametrize("name", ["power", "difference-1", "agreement-1", "verdict-2", "segments-1"])
def test_a_saved_picture_is_a_png_of_1920_by_1080(browser: Browser, page: Path, name: str) -> None:
    browser.open(page)
    figure = browser.driver.find_element(By.CSS_SELECTOR, f"figure[data-file={name}]")
    browser.driver.execute_script("arguments[0].scrollIntoView()", figure)
    browser.run(f"document.querySelector('figure[data-file={name}] button.save').click()")
    saved = browser.downloads / f"{name}.png"
    WebDriverWait(browser.driver, WAIT_S).until(lambda _: saved.exists())
    content = saved.read_bytes()
    # PNG (ISO/IEC 15948) 5.2 and 11.2.2: signature, then IHDR with width and height.
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", content[16:24]) == (1920, 1080)
    assert len(content) > 15_000  # an empty sheet of that size has some 10 kB
    assert browser.complaints() == []


def test_a_phone_shows_it_without_scrolling_sideways(browser: Browser, page: Path) -> None:
    browser.on_phone(dark=True)
    try:
        browser.open(page)
        assert browser.run("return document.documentElement.scrollWidth") == 390
        assert browser.run("return getComputedStyle(document.body).backgroundColor") == "rgb(18, 23, 27)"
    finally:
        browser.on_desk()
    assert browser.complaints() == []


def test_hostile_names_do_nothing(browser: Browser, tmp_path: Path) -> None:
    names = ["<script>owned=1</script>", '"><img src=x onerror="owned=1">', "\x1b[2J\u202eowned", "x" * 200]
    events = segment_events(70)
    for n, row in enumerate(events):
        if row.event == Event.SEGMENT_START:
            events[n] = msgspec.structs.replace(row, detail={**row.detail, "name": names[n // 2 % len(names)]})
    events += [Row(S, "event", name, event=Event.NOTE, detail={"text": name}) for name in names]
    said = {"Birch": dict(zip(("model", "serial", "firmware_revision", "manufacturer"), names, strict=True))}
    plan = {"plan": {"name": "</title></script>" + names[0]}}
    ride = stepped_ride(tmp_path, sensors=said, host=names[1], plan=plan)
    ride = replace(ride, events=tuple(events), bench=bench_of(("Alder", "Birch", "Cedar"), names[0]))
    browser.open(write_report(tmp_path / "out", ride, judge_recording(ride))[0])
    assert browser.run("return window.owned ?? null") is None
    assert browser.driver.find_element(By.CSS_SELECTOR, "h1").text == names[0]
    assert browser.run("return document.documentElement.scrollWidth <= innerWidth")
    assert browser.complaints() == []


def test_sprints_are_drawn_and_a_meter_can_be_hidden(browser: Browser, tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path, steps=(*STEPS, *SPRINT))
    browser.open(write_report(tmp_path / "out", ride, judge_recording(ride))[0])
    browser.run("document.getElementById('sprints').scrollIntoView()")
    browser.until("return document.querySelector('[data-file=sprint-1] .plot canvas') !== null")
    browser.run("document.querySelector('[data-file=sprint-1] .legend button').click()")
    assert browser.run("return figures.find(f => f.dataset.kind === 'sprint').plot.series.map(s => s.show)") == [
        True,
        False,
        True,
        True,
    ]
    assert browser.complaints() == []


def test_nothing_received_opens_too(browser: Browser, tmp_path: Path) -> None:
    silent = recording_of(tmp_path, bench_of(("Alder", "Birch")), {}, [], 0)
    page = write_report(tmp_path / "out", silent, judge_recording(silent))[0]
    browser.driver.get(page.as_uri())
    browser.until("return document.documentElement.classList.contains('drawn')")
    assert browser.complaints() == []


def test_three_hours_of_five_meters_open(browser: Browser, tmp_path: Path) -> None:
    noise, end_s = np.random.default_rng(2), 10_800
    true_w = 190 + 60 * np.sin(np.arange(4 * end_s) / 700) + 25 * noise.standard_normal(4 * end_s).cumsum() / 400
    samples = {}
    for (name, scale), every in zip(SCALES.items(), (1, 1, 4, 4, 4), strict=True):
        read_w = scale * true_w[::every] * (1 + 0.02 * noise.standard_normal(4 * end_s // every))
        samples[name] = samples_of(name, np.round(read_w), 4 / every)
    steps = [(f"part {n}", "steady", 190.0) for n in range(18)]
    ride = recording_of(tmp_path, bench_of(list(SCALES)), samples, segment_events(600, steps), end_s)
    judged = judge_recording(ride)
    start_s = time.perf_counter()
    page = write_report(tmp_path / "out", ride, judged)[0]
    written_s = time.perf_counter()
    browser.open(page)
    opened_s = time.perf_counter()
    # Scripts run one at a time: this comes back when all five charts were drawn 20 times along the ride.
    panned_ms = browser.driver.execute_async_script(
        """const done = arguments[0], frames = 20; let n = 0; zoomBy(0.3); const begin = performance.now();
        (function step() { if (n++ === frames) return done((performance.now() - begin) / frames);
        panBy(0.02); requestAnimationFrame(step); })();"""
    )
    # Shown with `-rA`, and never judged: the machine is shared.
    sys.stdout.write(f"page of {page.stat().st_size / 1e6:.1f} MB written in {written_s - start_s:.2f} s, ")
    sys.stdout.write(f"opened in {opened_s - written_s:.2f} s, {panned_ms:.0f} ms per step of panning\n")
    assert browser.run("return timeCharts[0].data[0].length") == 2 * end_s
    assert browser.complaints() == []


@pytest.mark.slow
def test_the_page_of_the_demo_shows_the_words_of_its_json(
    browser: Browser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--out", str(tmp_path), "--speed", "100000"]) == 0
    (recording,) = tmp_path.glob("*.parquet")
    capsys.readouterr()
    assert main(["report", str(recording), "--json", "--out", str(tmp_path / "out")]) == 0
    told = json.loads(capsys.readouterr().out)
    browser.open(tmp_path / "out" / "report.html")
    shown = {e.get_attribute("data-meter"): e.text for e in browser.driver.find_elements(By.CSS_SELECTOR, ".word")}
    assert shown == {name: v["judgement"]["word"] for name, v in told["verdicts"].items()}
    assert browser.complaints() == []
