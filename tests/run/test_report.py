"""The map report as its reader meets it: opened from the disk in a browser, filtered, clicked, hostile ids in it."""

import importlib.util
import json
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from geoadjust.cli import main
from geoadjust.run.demo import run_demo
from geoadjust.units import format_inches, format_mm

IDS = ["<img src=x onerror=boom()>", "=1+1", "שלום 7", "0012", "x" * 300, "</script><script>boom()</script>"]


def _load_browser() -> Any:
    spec = importlib.util.spec_from_file_location("browser", Path(__file__).parents[1] / "report" / "browser.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


BROWSER = _load_browser()
needs_browser = pytest.mark.skipif(
    BROWSER.CHROMIUM is None and not os.environ.get("CI"), reason="Chromium is not installed"
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo")
    run_demo(place, overwrite=False, progress=lambda *_: None)
    return place / "out"


def _run(*words: str | Path) -> Any:
    return CliRunner().invoke(main, ["report", *map(str, words)])


def _columns(folder: Path, *names: str) -> list[tuple[Any, ...]]:
    with sqlite3.connect(folder / "schedule.gpkg") as database:
        return database.execute(f"SELECT {', '.join(names)} FROM schedule ORDER BY fid").fetchall()


def _data(path: Path) -> dict[str, Any]:
    text = path.read_text(encoding="utf-8")
    return json.loads(text.split('id="data">', 1)[1].split("</script>", 1)[0])


@pytest.fixture(scope="module")
def page(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    assert _run(demo, "--out", out).exit_code == 0
    return out / "report.html"


@pytest.fixture(scope="module")
def hostile(page: Path) -> Path:
    """The same page with ids that would like to be more than text."""
    data = _data(page)
    data["id"][: len(IDS)] = IDS
    data["texts"]["street"][0] = "<b>Main</b>"
    from geoadjust.report.webpage import page_of

    path = page.with_name("hostile.html")
    path.write_text(page_of(data), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with BROWSER.browser(tmp_path_factory.mktemp("profile")) as found:
        found.size(1280, 900)
        yield found


def _words(browser: Any, selector: str) -> str:
    return str(browser.run(f"document.querySelector({json.dumps(selector)}).innerText"))


def _pick(browser: Any, name: str, start: str) -> int:
    """Choose the option that begins so; the count that it states."""
    words = browser.run(
        f"""(() => {{ const select = document.getElementById("{name}");
        const option = [...select.options].find((each) => each.textContent.startsWith("{start}"));
        select.value = option.value; select.dispatchEvent(new Event("change")); return option.textContent; }})()"""
    )
    return int(words.rsplit("(", 1)[1].rstrip(")"))


def test_the_data_are_the_schedule(demo: Path, page: Path) -> None:
    names = ("structure_id", "raise_mm", "chimney_max_mm", "slope_pct", "method", "ready", "severity", "remark")
    rows, data = _columns(demo, *names), _data(page)
    assert data["count"] == len(rows)
    for index, row in enumerate(rows):
        assert data["id"][index] == (row[0] or "")
        for name, value, digits in (("raise", row[1], 2), ("chimney_max", row[2], 2), ("slope", row[3], 3)):
            assert data[name][index] == (None if value is None else pytest.approx(value, abs=10**-digits))
        assert data["ready_keys"][data["ready"][index]] == row[5]
        assert data["severity_words"][data["severity"][index]] == row[6]
        assert data["texts"]["remark"][data["remark"][index]] == row[7]


def test_stacks_on_the_page_make_the_chimney(demo: Path, page: Path) -> None:
    data = _data(page)
    misfits = [row[0] for row in _columns(demo, "stack_misfit_mm")]
    seen = 0
    for index, stack in enumerate(data["stack"]):
        if stack >= 0 and data["chimney"][index] is not None and misfits[index] is not None:
            total = sum(size for _, size in data["stacks"][stack])
            assert total == pytest.approx(data["chimney"][index] + misfits[index], abs=0.5)
            seen += 1
    assert seen > 10


@needs_browser
def test_it_opens_without_an_error_and_without_a_request(browser: Any, page: Path) -> None:
    browser.requests.clear()
    browser.open(page)
    assert browser.news == []
    assert [each for each in browser.requests if not each.startswith(("data:", page.as_uri()))] == []
    assert "53 of 53 structures" in _words(browser, "#count")
    assert "Relief of road.tif" in _words(browser, "#relief")


@needs_browser
@pytest.mark.parametrize(
    ("name", "start"), [("method", "rings"), ("ready", "measure"), ("street", "Side"), ("flag", "steep")]
)
def test_filters(browser: Any, page: Path, name: str, start: str) -> None:
    browser.open(page)
    count = _pick(browser, name, start)
    assert 0 < count < 53
    assert _words(browser, "#count").startswith(f"{count} of 53")
    assert browser.run("document.querySelectorAll('#found tbody tr').length") == min(count, 50)
    browser.run("document.getElementById('clear').click()")
    assert _words(browser, "#count").startswith("53 of 53")


@needs_browser
def test_search_and_the_list_of_pages(browser: Any, page: Path) -> None:
    browser.open(page)
    browser.run(
        "(() => { const s = document.getElementById('search'); s.value = 'ss-13';"
        " s.dispatchEvent(new Event('input')); })()"
    )
    browser.run("new Promise((done) => setTimeout(done, 100))")
    found = browser.run("[...document.querySelectorAll('#found tbody button')].map((each) => each.textContent)")
    assert found
    assert all(each.startswith("SS-13") for each in found)
    browser.run("document.getElementById('clear').click()")
    browser.run("document.getElementById('on').click()")
    assert _words(browser, "#span") == "51 to 53 of 53"
    assert browser.run("document.getElementById('on').disabled") is True


@needs_browser
def test_a_click_on_the_map_and_one_in_the_list(browser: Any, page: Path) -> None:
    browser.open(page)
    spot = browser.run(
        """(() => { const box = map.canvas.getBoundingClientRect(), index = DATA.id.indexOf("SS-144");
        window.scrollTo(0, 0); return [box.left + map.x(DATA.east[index]), box.top + map.y(DATA.north[index])]; })()"""
    )
    browser.click(*spot)
    assert _words(browser, "#detailhead") == "SS-144"
    browser.run("document.querySelector('#found tbody button').click()")
    assert _words(browser, "#detailhead") == browser.run("document.querySelector('#found tbody button').textContent")
    assert browser.run("document.activeElement.id") == "detail"


@needs_browser
def test_drawings_say_the_heights_of_the_schedule(browser: Any, demo: Path, page: Path) -> None:
    browser.open(page)
    index = browser.run("DATA.stack.findIndex((stack, i) => stack >= 0 && DATA.chimney[i] !== null)")
    browser.run(f"showDetail({index})")
    row = _columns(demo, "chimney_mm", "chimney_min_mm", "chimney_max_mm")[index]
    drawn = browser.run("[...document.querySelectorAll('#detail svg text')].map((each) => each.textContent)")
    for value in row:
        assert format_inches(value / 1000) in drawn


@needs_browser
def test_lengths_are_written_as_everywhere(browser: Any, page: Path) -> None:
    """Inches to 1/16 and whole millimetres, half away from zero, as geoadjust.units writes them."""
    browser.open(page)
    values = [0.0, 0.5, 0.79375, -0.79375, 1.5, 57.15, -38.1, 25.4, 304.8, 12.345, 99.5, 1000 / 3]
    assert browser.run(f"{values}.map(inches)") == [format_inches(value / 1000) for value in values]
    metric = browser.run(f"{values}.map((value) => (steps(value, 1) || 0) + ' mm')")
    assert metric == [format_mm(value / 1000, 0) for value in values]


@needs_browser
def test_hostile_texts_stay_text(browser: Any, hostile: Path) -> None:
    browser.open(hostile)
    assert browser.news == []
    assert browser.run("document.querySelectorAll('main img, main b, script').length") == 2
    shown = browser.run(
        "[...document.querySelectorAll('#found tbody button')].slice(0, 6).map((each) => each.textContent)"
    )
    assert shown == IDS
    browser.run("choose(0, true)")
    assert _words(browser, "#detailhead") == IDS[0]
    assert browser.run("document.getElementById('street').textContent.includes('<b>Main</b>')") is True


@needs_browser
@pytest.mark.parametrize("name", ["page", "hostile"])
def test_nothing_is_wider_than_a_telephone(browser: Any, name: str, request: pytest.FixtureRequest) -> None:
    browser.open(request.getfixturevalue(name))
    browser.size(360, 800)
    try:
        browser.run("choose(4, false)")
        assert browser.run("document.documentElement.scrollWidth <= document.documentElement.clientWidth") is True
    finally:
        browser.size(1280, 900)


@needs_browser
def test_keys_alone_are_enough(browser: Any, page: Path) -> None:
    """Everything that can be clicked can be reached by Tab, has a name, and the map moves by arrows."""
    browser.open(page)
    nameless = browser.run(
        """[...document.querySelectorAll("button, input, select, canvas[tabindex]")].filter((each) =>
        !(each.textContent.trim() || each.getAttribute("aria-label") || (each.labels && each.labels.length))
        || each.tabIndex < 0).length"""
    )
    assert nameless == 0
    before = browser.run("map.east")
    browser.run("map.canvas.focus()")
    browser.key("ArrowRight", 39)
    assert browser.run("map.east") > before
    scale = browser.run("map.scale")
    browser.key("+", 187, "+")
    assert browser.run("map.scale") > scale


@needs_browser
def test_on_paper_the_filters_are_left_out(browser: Any, page: Path) -> None:
    browser.open(page)
    browser.media("print")
    try:
        assert browser.run("getComputedStyle(document.getElementById('filters')).display") == "none"
        assert browser.run("getComputedStyle(document.getElementById('pay')).display") != "none"
    finally:
        browser.media("")


def test_a_very_large_set_has_an_index_and_parts(demo: Path, tmp_path: Path) -> None:
    made = _run(demo, "--out", tmp_path, "--most", "20", "--json")
    answer = json.loads(made.stdout)
    files = sorted(path.name for path in tmp_path.iterdir())
    assert files[0] == "report-001.html"
    assert files[-1] == "report.html"
    assert len(answer["files"]) == len(files)
    parts = [_data(tmp_path / name) for name in files[:-1]]
    assert sorted(row for part in parts for row in part["row"]) == list(range(53))
    assert all(f'href="{name}"' in (tmp_path / "report.html").read_text() for name in files[:-1])


def test_files_of_others_are_never_replaced(demo: Path, tmp_path: Path) -> None:
    assert _run(demo, "--out", tmp_path).exit_code == 0
    first = (tmp_path / "report.html").read_bytes()
    assert _run(demo, "--out", tmp_path).exit_code == 6
    assert _run(demo, "--out", tmp_path, "--overwrite").exit_code == 0
    assert (tmp_path / "report.html").read_bytes() == first
    (tmp_path / "report.html").write_text("<html>mine</html>")
    assert _run(demo, "--out", tmp_path, "--overwrite").exit_code == 6
    assert (tmp_path / "report.html").read_text() == "<html>mine</html>"
    assert _run(tmp_path, "--out", tmp_path / "x").exit_code == 3


def test_without_its_raster_the_page_says_so(demo: Path, tmp_path: Path) -> None:
    road = demo.parent / "road.tif"
    road.rename(tmp_path / "away.tif")
    try:
        made = _run(demo, "--out", tmp_path / "out")
    finally:
        (tmp_path / "away.tif").rename(road)
    assert made.exit_code == 0
    assert "No relief" in made.stdout
    assert _data(tmp_path / "out" / "report.html")["relief"] is None
