"""The page in a browser without a window, for the click-through test and for whoever wants to look at it.

    python -m tests.browser FOLDER SCAN [--model MODEL.json] [--standard STANDARD]

writes pictures of the page on a desk, in the dark and on a phone.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")

DESK, PHONE = (1280, 900), (390, 844)


@contextmanager
def served(*words: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Run the command as people do, and give the address that it prints."""
    program = "from calib.cli import main; main()"
    command = [sys.executable, "-u", "-c", program, "view", *words, "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", line)
        if address is None:
            raise AssertionError(f"no address, but: {line}{process.communicate(timeout=20)}")
        yield address.group(), process
    finally:
        if process.poll() is None:
            process.terminate()
        process.communicate(timeout=20)


@contextmanager
def browser(downloads: Path, dark: bool = False) -> Iterator[Any]:
    """Start Chromium; files are saved in `downloads`."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = BROWSER
    # in a container there is neither a sandbox nor much shared memory
    for word in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(word)
    if dark:
        options.add_argument("--force-dark-mode")
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        size(driver, DESK)
        if dark:
            features = [{"name": "prefers-color-scheme", "value": "dark"}]
            driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        yield driver
    finally:
        driver.quit()


def size(driver: Any, what: tuple[int, int]) -> None:
    """Make the page as large as on a device."""
    metrics = {"width": what[0], "height": what[1], "deviceScaleFactor": 1, "mobile": what[0] < 500}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def wait(what: Callable[[], Any], seconds: float = 30) -> Any:
    """Wait until something is true, and return it."""
    end = time.monotonic() + seconds
    while not (found := what()):
        if time.monotonic() > end:
            raise AssertionError(f"{what} did not come true in {seconds:g} s")
        time.sleep(0.03)
    return found


def idle(driver: Any) -> None:
    """Wait until the page has what it asked for."""
    wait(lambda: driver.execute_script("return document.documentElement.dataset.busy") == "no")


def click(driver: Any, share_x: float, share_y: float, to: tuple[float, float] | None = None) -> None:
    """Click in the plot, at shares of its canvas; or draw from there to another place."""
    from selenium.webdriver.common.action_chains import ActionChains

    canvas = driver.find_element("id", "canvas")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    w, h = canvas.size["width"], canvas.size["height"]
    actions = ActionChains(driver, duration=30)
    actions.move_to_element_with_offset(canvas, round(w * (share_x - 0.5)), round(h * (share_y - 0.5)))
    if to is None:
        actions.click()
    else:
        actions.click_and_hold()
        actions.move_by_offset(round(w * (to[0] - share_x)), round(h * (to[1] - share_y))).release()
    actions.perform()
    idle(driver)


def tap(driver: Any, share_x: float, share_y: float, to: tuple[float, float] | None = None, on: str = "canvas") -> None:
    """Touch the plot at shares of its canvas, or the middle of an element, and move the finger on from there."""
    canvas = driver.find_element("id", "canvas")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    where = (
        "const b = document.getElementById(arguments[0]).getBoundingClientRect(); return [b.x, b.y, b.width, b.height]"
    )
    x, y, w, h = driver.execute_script(where, "canvas")
    begin = (x + share_x * w, y + share_y * h)
    if on != "canvas":
        left, top, width, height = driver.execute_script(where, on)
        begin = (left + width / 2, top + height / 2)
    ways = [begin]
    if to is not None:
        end = (x + to[0] * w, y + to[1] * h)
        ways += [tuple(a + (b - a) * part / 5 for a, b in zip(begin, end, strict=True)) for part in range(1, 6)]
    for k, (left, top) in enumerate(ways):
        finger = {"type": "touchMove" if k else "touchStart", "touchPoints": [{"x": left, "y": top}]}
        driver.execute_cdp_cmd("Input.dispatchTouchEvent", finger)
    driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    idle(driver)


def picture(driver: Any, path: Path) -> None:
    """Take a picture of the whole page."""
    import base64

    height = driver.execute_script("return document.documentElement.scrollHeight")
    width = driver.execute_script("return window.innerWidth")
    clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
    path.write_bytes(base64.b64decode(shot["data"]))


def main(folder: Path, words: list[str]) -> None:
    """Look at the page in three ways."""
    from selenium.webdriver.support.select import Select

    folder.mkdir(parents=True, exist_ok=True)
    with served(*words) as (address, _):
        for name, what, dark in (("desk", DESK, False), ("dark", DESK, True), ("phone", PHONE, False)):
            with browser(folder, dark) as driver:
                size(driver, what)
                driver.get(address)
                idle(driver)
                click(driver, 0.3, 0.4)
                click(driver, 0.7, 0.5)
                picture(driver, folder / f"{name}.png")
                if name != "desk":
                    continue
                kinds = Select(driver.find_element("id", "kind"))
                for option in [one.get_attribute("value") for one in kinds.options]:
                    kinds.select_by_value(option)
                    time.sleep(0.2)
                    idle(driver)
                    picture(driver, folder / f"kind-{option.replace(' ', '-')}.png")
                print(*(entry["message"] for entry in driver.get_log("browser")), sep="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
