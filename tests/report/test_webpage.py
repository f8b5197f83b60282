"""The page as text: data that cannot break out of their element, policies that hold, parts that fill once."""

import base64
import hashlib
import json
import re

import numpy as np
import pytest

from geoadjust.io.raster.relief import shade
from geoadjust.report.webpage import as_json, index_of, page_of
from geoadjust.run.report import tiles

HOSTILE = ["</script><script>alert(1)</script>", "<!--", "]]>", "\u2028", "@@STYLE@@", "&lt;", "\0", "\ud800"]


@pytest.mark.parametrize("text", HOSTILE)
def test_data_stay_data(text: str) -> None:
    made = as_json({"id": text})
    assert not set("<>&\u2028\u2029") & set(made)
    assert json.loads(made)["id"] == text.replace("\ud800", "?")


def test_numbers_that_json_has_no_word_for_are_refused() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        as_json({"raise": float("nan")})


def test_the_policy_names_the_hashes_of_what_stands_in_the_page() -> None:
    page = page_of({"title": "<b>@@DATA@@"})
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    for tag, name in (("style", "style-src"), ("script", "script-src")):
        (text,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        hashed = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{name} 'sha256-{hashed}'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "<title>&lt;b&gt;@@DATA@@</title>" in page
    assert page.count('id="data">{"title"') == 1


def test_nothing_is_fetched_and_nothing_is_marked_up_from_data() -> None:
    page = page_of({"title": "t"})
    without = page.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(
        r"https?://|src=|@import|url\(|innerHTML|outerHTML|insertAdjacent|document\.write|eval\(", without
    )


def test_an_index_leads_to_its_parts() -> None:
    made = index_of("a <b>", [("report-001.html", "part & one", "3 structures")])
    assert '<a href="report-001.html">part &amp; one</a>' in made
    assert "a &lt;b&gt;" in made


def test_tiles_hold_every_structure_once_and_lie_together() -> None:
    random = np.random.default_rng(4)
    east, north = random.uniform(0, 1000, 1000), random.uniform(0, 300, 1000)
    east[:7] = north[:7] = np.nan
    parts = tiles(east, north, 130)
    assert sorted(np.concatenate(parts).tolist()) == list(range(1000))
    assert max(len(part) for part in parts) <= 130
    assert set(parts[-1].tolist()) == set(range(7))
    areas = [np.ptp(east[part]) * np.ptp(north[part]) for part in parts[:-1]]
    assert sum(areas) < 1000 * 300  # they do not overlap
    assert [part.tolist() for part in tiles(east, north, 1000)] == [list(range(1000))]


def test_the_relief_is_the_cosine_between_light_and_normal() -> None:
    """By hand: light from the north-west at 45 degrees; the plane's normal from its slopes, exaggerated six times."""
    for rise_east, rise_north in ((0.0, 0.0), (0.05, 0.0), (0.0, -0.03), (-0.04, 0.04)):
        rows, columns = np.mgrid[0:9, 0:9]
        heights = (rise_east * columns * 2.0 - rise_north * rows * 2.0).astype(np.float32)
        normal = np.array([-6 * rise_east, -6 * rise_north, 1.0])
        light = np.array([-0.5, 0.5, np.sqrt(0.5)])
        cosine = max(float(normal @ light / np.linalg.norm(normal)), 0.0)
        assert shade(heights, 2.0)[4, 4] == pytest.approx(120 + 130 * cosine, abs=1)
