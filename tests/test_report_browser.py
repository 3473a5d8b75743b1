"""The report page in a real browser: it opens alone, shows what it should, and can be used without a mouse."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import complaints, open_page, opened_browser, requests, until
from drawn_cues import Line, ramp, write_cue

from phrasewright.data.reading import read_cue
from phrasewright.inference.comparing import comparisons
from phrasewright.inference.comparison_page import compare_report
from phrasewright.inference.reporting import shape_report, write_report
from phrasewright.inference.shaping import shape_cue

HOSTILE = "<img src=x onerror=alert(1)></script><b>Violin</b> & \"co\""
HOSTILE_FILE = "dr<img src=x onerror=alert(2)>\x1b[2J\u202ewn &amp; <b>.mid"
TUNE = [(60 + (5 * i) % 13, float(i) + (i // 8), 1.0, 60 + 2 * i) for i in range(32)]  # four phrases, rests between
ARC = {1: [*ramp(0, 17, 40, 90), *ramp(18, 36, 89, 45)], 11: [*ramp(0, 17, 80, 104), *ramp(18, 36, 103, 85)]}
LOUD_IN_PHRASE_3 = {1: [*ramp(0, 17, 40, 90), (18.0, 120), *ramp(28, 36, 80, 45)], 11: ARC[11]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def left(folder: Path) -> Path:
    return write_cue(folder / HOSTILE_FILE, Line(HOSTILE, 40, TUNE, ARC), Line("Cellos", 42, TUNE, ARC))


@pytest.fixture(scope="module")
def compared(folder: Path, left: Path) -> Path:
    right = write_cue(folder / "other.mid", Line(HOSTILE, 40, TUNE, ARC), Line("Cellos", 42, TUNE, LOUD_IN_PHRASE_3))
    page = folder / "compared.html"
    write_report(page, compare_report(comparisons(left, [right], tables=True), [right]), inputs=[], force=False)
    return page


@pytest.fixture(scope="module")
def shaped(folder: Path, left: Path) -> Path:
    page = folder / "shaped.html"
    write_report(page, shape_report([shape_cue(left)]), inputs=[], force=False)
    return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with opened_browser() as one:
        yield one


def view(browser: Any) -> tuple[float, float]:
    start, end = browser.execute_script("const r = phrasewright.range; return [r.start, r.end]")
    return float(start), float(end)


def reading(browser: Any) -> str:
    return str(browser.execute_script("return document.getElementById('readout').textContent"))


def press(browser: Any, *keys: str, shift: bool = False) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    chain = ActionChains(browser)
    if shift:
        chain.key_down(Keys.SHIFT)
    for key in keys:
        chain.send_keys(getattr(Keys, key, key))
    if shift:
        chain.key_up(Keys.SHIFT)
    chain.perform()


@pytest.mark.parametrize("name", ["compared", "shaped"])
def test_it_opens_alone_and_in_silence(name: str, browser: Any, request: pytest.FixtureRequest) -> None:
    """Nothing is asked for but the file itself, and the console has nothing to say."""
    page = request.getfixturevalue(name)
    requests(browser)
    open_page(browser, page)
    assert requests(browser) == [page.resolve().as_uri()]
    assert complaints(browser) == []


def test_a_hostile_name_is_only_a_name(compared: Path, browser: Any) -> None:
    open_page(browser, compared)
    browser.execute_script("document.getElementById('part').value = '0'")
    browser.execute_script("document.getElementById('part').dispatchEvent(new Event('change'))")
    shown = browser.execute_script("return document.getElementById('part-name').textContent")
    assert "<img src=x onerror=alert(1)></script><b>Violin</b> & \"co\"" in shown
    assert browser.execute_script("return document.querySelectorAll('img, b:not(#readout b)').length") == 0
    options = browser.execute_script("return [...document.querySelectorAll('#part option')].map(o => o.textContent)")
    assert "onerror" in options[0]
    words = browser.execute_script("return document.body.textContent")
    assert "dr<img src=x onerror=alert(2)>" in words, "the name of the file is shown, as words"
    assert "\x1b" not in words
    assert "\u202e" not in words, "no letters that turn the line round"
    assert complaints(browser) == []


def test_the_first_link_leads_to_where_the_two_differ_most(compared: Path, browser: Any) -> None:
    open_page(browser, compared)
    browser.find_element("id", "lane").find_element("css selector", "input[value=expression]").click()
    browser.find_element("css selector", ".zoom button[data-do=whole]").click()
    link = browser.find_element("css selector", "#passages a")
    assert "Cellos" in link.text
    assert "dynamics, bars 5 to" in link.text
    link.click()
    assert browser.execute_script("return document.getElementById('part-name').textContent").endswith("Cellos")
    assert browser.execute_script("return document.querySelector('#lane input:checked').value") == "dynamics"
    start, end = view(browser)
    assert start < 18_000 < 27_000 < end  # the third phrase, in thousandths of a quarter note
    assert end - start < 36_000
    assert browser.execute_script("return location.hash").startswith("#part=2&lane=dynamics&from=18000")
    assert "bar 5, beat 3" in reading(browser)
    assert "dynamics 89, dashed 120" in reading(browser)


def test_an_address_with_a_place_opens_there(compared: Path, browser: Any) -> None:
    open_page(browser, compared, place="#part=1&lane=expression&from=9000&to=17000")
    assert browser.execute_script("return phrasewright.state.part") == 0
    start, end = view(browser)
    assert start < 9_000 < 17_000 < end


def test_choosing_a_part_and_a_lane_redraws(shaped: Path, browser: Any) -> None:
    from selenium.webdriver.support.ui import Select

    open_page(browser, shaped)
    count = "return phrasewright.get('dynamics-main').data.x.length"
    Select(browser.find_element("id", "part")).select_by_index(1)
    second = browser.execute_script(count)
    Select(browser.find_element("id", "part")).select_by_index(0)
    assert browser.execute_script("return phrasewright.state.part") == 0
    assert browser.execute_script(count) > 0
    assert second > 0
    browser.find_element("css selector", "#lane input[value=vibrato]").click()
    shown = "return ['dynamics', 'expression', 'vibrato'].map(n => phrasewright.get(n).visible)"
    assert browser.execute_script(shown) == [False, False, True]


def test_panels_zoom_and_move_together(compared: Path, browser: Any) -> None:
    open_page(browser, compared)
    browser.find_element("css selector", ".zoom button[data-do=whole]").click()
    whole = view(browser)
    browser.find_element("css selector", ".zoom button[data-do=in]").click()
    near = view(browser)
    assert near[1] - near[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=0.05)
    from selenium.webdriver.common.action_chains import ActionChains

    box = browser.find_element("id", "chart")
    drag = ActionChains(browser).move_to_element_with_offset(box, 0, -40).click_and_hold().move_by_offset(150, 0)
    drag.release().perform()
    until(lambda: view(browser)[0] < near[0])
    moved = view(browser)
    assert moved[1] - moved[0] == pytest.approx(near[1] - near[0], rel=0.01)
    panels = "return ['strip', 'notes', 'dynamics', 'expression'].every(n => get(n).x_range === get('x'))"
    assert browser.execute_script(f"const get = phrasewright.get; {panels}")


def test_what_is_read_under_the_pointer_is_in_the_file(compared: Path, left: Path, browser: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    open_page(browser, compared, place="#part=2&lane=dynamics&from=2000&to=6000")
    box = browser.find_element("id", "chart")
    ActionChains(browser).move_to_element_with_offset(box, 60, -30).perform()
    until(lambda: browser.execute_script("return phrasewright.state.cursor") not in (None, 2000))
    beat = browser.execute_script("return phrasewright.state.cursor") / 1000
    curve = read_cue(left).parts[1].existing[1]
    assert f"dynamics {curve.at(np.array([beat * 0.5]))[0]:.0f}, dashed" in reading(browser)


def test_everything_is_reached_by_the_keyboard_alone(compared: Path, browser: Any) -> None:
    open_page(browser, compared, place="#part=1&lane=all&from=0&to=8000")
    browser.execute_script("document.body.tabIndex = -1; document.body.focus()")
    press(browser, "TAB", "ENTER")  # the first stop leads past the list to the chart
    until(lambda: browser.execute_script("return document.activeElement.id") == "chart-box")
    press(browser, "ARROW_RIGHT")
    assert "bar 1, beat 2" in reading(browser)
    press(browser, "ARROW_RIGHT", shift=True)
    assert "bar 2, beat 1" in reading(browser)
    press(browser, ".")
    assert "bar 3, beat 2" in reading(browser)  # the second phrase begins after nine beats
    assert browser.execute_script("return document.getElementById('readout').getAttribute('aria-live')") == "polite"
    before = view(browser)
    press(browser, "+")
    assert view(browser)[1] - view(browser)[0] < before[1] - before[0]
    press(browser, "ARROW_DOWN")
    assert browser.execute_script("return document.getElementById('part-name').textContent").endswith("Cellos")
    press(browser, "0")
    assert view(browser)[1] > 35_000
    for _ in range(40):  # from the chart on, tabs reach the tables' headings, which sort by Enter
        press(browser, "TAB")
        if browser.execute_script("return document.activeElement.closest('th') !== null"):
            break
    press(browser, "ENTER")
    assert browser.execute_script("return document.activeElement.closest('th').getAttribute('aria-sort')")


def test_of_several_candidates_one_at_a_time_lies_beside(folder: Path, left: Path, browser: Any) -> None:
    from selenium.webdriver.support.ui import Select

    rights = []
    for by in (3, 9):
        lanes = {cc: [(beat, value + by) for beat, value in events] for cc, events in ARC.items()}
        rights.append(write_cue(folder / f"by{by}.mid", Line(HOSTILE, 40, TUNE, ARC), Line("Cellos", 42, TUNE, lanes)))
    page = folder / "candidates.html"
    write_report(page, compare_report(comparisons(left, rights, tables=True), rights), inputs=[], force=True)
    open_page(browser, page, place="#part=2&lane=dynamics&from=0&to=8000")
    assert "dynamics 40, dashed 43" in reading(browser)
    Select(browser.find_element("id", "other")).select_by_visible_text("by9.mid")
    assert "dynamics 40, dashed 49" in reading(browser)
    assert "by9.mid" in browser.find_element("id", "key").text


def test_tables_sort_by_number_and_rows_lead_to_their_place(compared: Path, browser: Any) -> None:
    open_page(browser, compared)
    tabs = browser.find_elements("css selector", "#tabs button")
    assert [tab.text.split(" (")[0] for tab in tabs] == ["Parts and lanes", "Phrases", "Situations"]
    tabs[1].click()
    heads = browser.find_elements("css selector", "#sheet th button")
    error = next(i for i, head in enumerate(heads) if head.text.startswith("Error"))
    heads[error].click()
    column = f"return [...document.querySelectorAll('#sheet tbody tr')].map(r => Number(r.cells[{error}].textContent))"
    values = browser.execute_script(column)
    assert values == sorted(values, reverse=True)
    assert values[0] > 10
    browser.find_elements("css selector", "#sheet th button")[error].click()
    assert browser.execute_script(column) == sorted(values)
    browser.find_element("css selector", "#sheet tbody tr:last-child a").click()
    assert browser.execute_script("return document.getElementById('part-name').textContent").endswith("Cellos")


def test_bands_lie_about_the_written_lane(shaped: Path, browser: Any) -> None:
    open_page(browser, shaped)
    rows = browser.execute_script(
        "const band = phrasewright.get('vibrato-band').data;"
        "return ['low90', 'low50', 'high50', 'high90'].map(name => [...band[name]])"
    )
    low90, low50, high50, high90 = (np.array(row) for row in rows)
    assert len(low90) > 20
    assert (low90 <= low50).all()
    assert (low50 <= high50).all()
    assert (high50 <= high90).all()
    assert (high90 - low90).mean() > 1.3 * (high50 - low50).mean()


@pytest.mark.parametrize("size", [(1440, 1000), (500, 900)], ids=["desk", "phone"])
def test_it_fits_and_is_drawn_at_two_sizes(size: tuple[int, int], compared: Path, browser: Any, tmp_path: Path) -> None:
    from matplotlib.image import imread

    browser.set_window_size(*size)
    try:
        open_page(browser, compared)
        fits = "return document.documentElement.scrollWidth <= document.documentElement.clientWidth + 1"
        assert browser.execute_script(fits)
        browser.execute_script("document.getElementById('chart-box').scrollIntoView()")
        until(lambda: browser.execute_script("return document.getElementById('chart').clientHeight") > 300)
        browser.save_screenshot(str(tmp_path / "page.png"))
        picture = imread(tmp_path / "page.png")[:, :, :3]
        assert (picture.mean(axis=2) < 0.5).mean() > 0.004  # ink
        blue = (picture[:, :, 2] - picture[:, :, 0] > 0.3).sum()  # the dynamics lane
        assert blue > 150
    finally:
        browser.set_window_size(1440, 1000)


def test_printed_it_is_without_buttons(compared: Path, browser: Any) -> None:
    open_page(browser, compared)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    hidden = "return getComputedStyle(document.querySelector(arguments[0])).display"
    assert browser.execute_script(hidden, ".controls") == "none"
    assert browser.execute_script(hidden, "#chart") != "none"
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
