"""A report in a real browser: on phones, in the dark, by clicks and by keys, and without its script.

Without a browser it is skipped, unless ``CALIB_BROWSER=required`` says that there has to be one.
"""

from __future__ import annotations

import os
from typing import Any

import pytest
from typer.testing import CliRunner

from calib.cli import app
from tests import browser as b
from tests.demonstration import demonstrated

pytestmark = pytest.mark.skipif(
    (b.BROWSER is None or b.DRIVER is None) and os.environ.get("CALIB_BROWSER") != "required",
    reason="there is no Chromium with its driver: install chromium and chromium-driver to click through reports",
)

OUTSIDE = """
const width = document.documentElement.clientWidth;
return [...document.querySelectorAll("body *")].filter((one) => {
  const box = one.getBoundingClientRect();
  return box.width && (box.right > width + 0.5 || box.left < -0.5) && !one.closest(".skip, thead");
}).map((one) => one.outerHTML.slice(0, 80));
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder, out = demonstrated().folder, tmp_path_factory.mktemp("pages")
    made = {}
    for name in ("model", "verification"):
        path = out / f"{name}.html"
        result = CliRunner().invoke(app, ["report", str(folder / f"{name}.json"), "-o", str(path)])
        assert result.exit_code == 0, result.output
        made[name] = path.as_uri()
    return made


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with b.browser(tmp_path_factory.mktemp("downloads")) as driver:
        yield driver


def shown(group: Any) -> list[str]:
    figures = group.find_elements("css selector", "figure")
    return [one.get_attribute("data-name") for one in figures if one.is_displayed()]


def test_nothing_sticks_out_sideways(driver: Any, pages: dict[str, str]) -> None:
    for width in (360, 390, 1200):
        b.size(driver, (width, 844))
        for address in pages.values():
            driver.get(address)
            assert driver.execute_script(OUTSIDE) == []
            pictures = driver.find_elements("tag name", "img")
            assert all(driver.execute_script("return arguments[0].naturalWidth > 0", one) for one in pictures)
    assert [entry["message"] for entry in driver.get_log("browser") if "favicon" not in entry["message"]] == []


def test_views_are_switched_and_figures_enlarged(driver: Any, pages: dict[str, str]) -> None:
    from selenium.webdriver.common.keys import Keys

    b.size(driver, b.PHONE)
    driver.get(pages["model"])
    group = driver.find_element("css selector", ".views")
    first, second = group.find_elements("css selector", ".switch button")
    assert shown(group) == [first.text]
    assert (first.get_attribute("aria-pressed"), second.get_attribute("aria-pressed")) == ("true", "false")
    second.send_keys(Keys.ENTER)
    assert shown(group) == [second.text]
    assert second.get_attribute("aria-pressed") == "true"
    figure = next(one for one in group.find_elements("css selector", "figure") if one.is_displayed())
    before = figure.find_element("tag name", "img").size["width"]
    larger = figure.find_element("css selector", ".bigger")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", larger)
    larger.click()
    dialog = driver.find_element("tag name", "dialog")
    assert dialog.find_element("tag name", "img").size["width"] > 1.5 * before
    assert dialog.get_attribute("aria-label") == second.text
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    b.wait(lambda: not driver.find_elements("tag name", "dialog"))
    assert driver.switch_to.active_element == larger
    assert driver.execute_script("return getComputedStyle(arguments[0]).outlineStyle", larger) == "solid"


def test_all_views_are_there_on_paper_and_without_script(driver: Any, pages: dict[str, str]) -> None:
    driver.get(pages["model"])
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    group = driver.find_element("css selector", ".views")
    assert len(shown(group)) == 2
    assert not driver.find_element("css selector", ".switch").is_displayed()
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        driver.get(pages["model"])
        assert not driver.find_elements("css selector", ".switch, .bigger")
        assert all(one.is_displayed() for one in driver.find_elements("tag name", "figure"))
    finally:
        driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
