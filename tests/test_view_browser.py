"""A click through the page in a real browser, as its user sees it.

Without a browser it is skipped, unless ``CALIB_BROWSER=required`` says that there has to be one.
"""

from __future__ import annotations

import csv
import json
import os
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.measure import distance
from calib.model import load_model
from calib.plan import read_scan_as
from tests import browser as b
from tests.instruments import calibrated

MISSING = b.BROWSER is None or b.DRIVER is None
REQUIRED = os.environ.get("CALIB_BROWSER") == "required"

pytestmark = pytest.mark.skipif(
    MISSING and not REQUIRED,
    reason="there is no Chromium with its driver: install chromium and chromium-driver to click through the page",
)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from calib.formats import write_scan

    instrument, model = calibrated()
    folder = tmp_path_factory.mktemp("browser")
    scan = instrument.standard_session()[0].scan
    heights = np.array(scan.height)
    heights[0, 60:63] += 300e-9  # lines of the trace for a finding to mark
    write_scan(folder / "one.nc", scan.replace(channels={"height": heights}, title="<img src=x onerror=alert(1)>"))
    model.save(folder / "model.json")
    (folder / "grid.toml").write_text(
        'kind = "grid"\nname = "grid"\n'
        '[pitch_x]\nvalue = "2 um"\nU = "1 nm"\nk = 2\n[pitch_y]\nvalue = "2 um"\nU = "1 nm"\nk = 2\n'
        '[angle]\nvalue = "90 deg"\nU = "0.001 deg"\nk = 2\n'
    )
    return folder


def text(driver: Any, name: str) -> str:
    return str(driver.find_element("id", name).text)


def points(driver: Any) -> list[str]:
    found = (driver.find_element("id", f"point-{letter}") for letter in "AB")
    return [one.get_attribute("aria-label") for one in found if one.is_displayed()]


def test_a_user_clicks_through(files: Path, tmp_path: Path) -> None:
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.select import Select

    assert not MISSING, "CALIB_BROWSER=required, but there is no chromium with chromedriver"
    words = [str(files / "one.nc"), "--model", str(files / "model.json"), "--standard", str(files / "grid.toml")]
    with b.served(*words) as (address, _), b.browser(tmp_path) as driver:
        driver.get(address)
        b.idle(driver)
        assert "token" not in driver.current_url
        assert text(driver, "name") == "one.nc"
        assert "<img src=x" in text(driver, "about")  # as letters, not as a picture
        assert not driver.find_elements("css selector", "img")

        # before and after, with the wipe moved by the keyboard
        wipe = driver.find_element("id", "wipe")
        assert wipe.is_displayed()
        before = driver.execute_script("return document.getElementById('canvas').toDataURL()")
        wipe.send_keys(Keys.ARROW_LEFT * 20)
        assert driver.execute_script("return document.getElementById('canvas').toDataURL()") != before
        assert float(wipe.get_attribute("value")) == pytest.approx(0.3)

        # two clicks: a distance, the one that the library gives for these points
        Select(driver.find_element("id", "kind")).select_by_value("recorded")
        b.wait(lambda: not wipe.is_displayed())
        b.idle(driver)
        b.click(driver, 0.3, 0.4)
        assert len(points(driver)) == 1
        b.click(driver, 0.7, 0.5)
        said = text(driver, "quantities")
        assert "horizontal distance" in said
        assert "height difference" in said
        save(driver, "points.json")
        saved = json.loads(b.wait(lambda: downloaded(tmp_path, "one-points.json")))
        places = [(one["fast"], one["slow"]) for one in saved["points"]]
        scan = read_scan_as(files / "one.nc", {})
        expected = distance(load_model(files / "model.json"), scan, *places)
        for one in (expected, *expected.also):
            assert str(one).split(": ")[1] in said
        assert saved["quantities"][0]["value"] == expected.value

        # the keyboard moves a point by one pixel
        driver.find_element("id", "point-B").send_keys(Keys.ARROW_RIGHT)
        b.wait(lambda: text(driver, "quantities") != said)
        b.idle(driver)

        # a line drawn by hand: its profile, with trace, retrace and band
        b.click(driver, 0.25, 0.6, to=(0.7, 0.35))
        profile = driver.find_element("css selector", "#profile svg[role=img]")
        assert "nm" in profile.get_attribute("aria-label")
        kinds = [one.get_attribute("class") for one in driver.find_elements("css selector", "#profile path")]
        assert {"curve", "curve other", "band"} <= set(kinds)
        save(driver, "profile.csv")
        table = list(csv.reader(b.wait(lambda: downloaded(tmp_path, "one-profile.csv")).splitlines()))
        assert len(table) > 50
        assert any("U of height" in name for name in table[0])

        # findings are marked, and say what to do
        assert "warning" in text(driver, "findings") or "error" in text(driver, "findings")
        assert driver.find_elements("css selector", "#over .found")
        driver.find_element("id", "marks").click()
        assert not driver.find_elements("css selector", "#over .found")

        # maps of the grating, made while one waits
        Select(driver.find_element("id", "kind")).select_by_value("residual 0")
        b.wait(lambda: "rms" in text(driver, "notes"))
        save(driver, "picture.svg")
        assert "residual to the model" in b.wait(lambda: downloaded(tmp_path, "one-picture.svg"))

        # by keyboard alone: Tab reaches every control in the order of the page, and what has the focus is seen
        driver.find_element("id", "kind").send_keys(Keys.HOME)  # before and after
        b.idle(driver)
        driver.find_element("id", "clear").send_keys(Keys.ENTER)
        b.wait(lambda: points(driver) == [])
        reached = tabbed(driver)
        order = ["kind", "pass", "level", "marks", "wipe", "place", "clear"]
        assert [name for name in reached if name in order][: len(order)] == order
        driver.find_element("id", "place").send_keys(Keys.ENTER)
        b.wait(lambda: driver.switch_to.active_element.get_attribute("id") == "point-A")
        b.idle(driver)
        driver.switch_to.active_element.send_keys(Keys.TAB)
        assert driver.switch_to.active_element.get_attribute("id") == "point-B"
        said = text(driver, "quantities")
        driver.switch_to.active_element.send_keys(Keys.SHIFT + Keys.ARROW_UP)
        b.wait(lambda: text(driver, "quantities") != said)
        b.idle(driver)
        style = "return getComputedStyle(document.activeElement).outlineStyle"
        assert driver.execute_script(style) == "solid"
        for heard in ("quantities", "findings", "said"):
            assert driver.find_element("id", heard).get_attribute("aria-live") == "polite"
        assert "as recorded" in driver.find_element("id", "said").get_attribute("textContent")

        # on a phone nothing is wider than the screen
        b.size(driver, b.PHONE)
        b.wait(lambda: driver.execute_script("return window.innerWidth") == b.PHONE[0])
        assert driver.execute_script("return document.documentElement.scrollWidth") <= b.PHONE[0]

        # by touch: two taps set the points, and a finger drags one of them, up too
        driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
        b.tap(driver, 0.3, 0.3)
        b.wait(lambda: len(points(driver)) == 1)
        b.idle(driver)
        b.tap(driver, 0.6, 0.5)
        b.wait(lambda: len(points(driver)) == 2)
        b.idle(driver)
        before = points(driver)
        b.tap(driver, 0, 0, to=(0.5, 0.2), on="point-B")
        b.wait(lambda: points(driver)[1] != before[1])
        b.idle(driver)
        assert points(driver)[0] == before[0]
        b.picture(driver, tmp_path / "phone.png")
        assert (tmp_path / "phone.png").stat().st_size > 10_000
        assert text(driver, "trouble") == ""
        assert [entry["message"] for entry in driver.get_log("browser")] == []


def tabbed(driver: Any) -> list[str]:
    """Names of all that the Tab key reaches, from the top of the page on."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    driver.execute_script("document.activeElement.blur(); document.querySelector('.skip').focus()")
    found: list[str] = []
    for _ in range(25):
        ActionChains(driver, duration=0).send_keys(Keys.TAB).perform()
        found.append(driver.switch_to.active_element.get_attribute("id"))
    return found


def save(driver: Any, what: str) -> None:
    button = driver.find_element("css selector", f"[data-save='{what}']")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def downloaded(folder: Path, name: str) -> str:
    """Content of a file when it is there in full."""
    path = folder / re.sub(r"[^\w.-]", "", name)
    return path.read_text(encoding="utf-8") if path.exists() and not list(folder.glob("*.crdownload")) else ""
