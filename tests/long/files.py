"""Damaged files of every format: an answer within seconds and a bounded memory, exit code 3 with the file's name where
it cannot be read, nothing written then, and no input changed.

A flipped bit may leave a file that can be read and says something else; nobody can tell that from a file that was meant
so. What must never happen: a trace, a crash of a library, a hang, a result beside an error.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.long.forked import Done, forked
from tests.long.sweep import Sweep

FULL, SLICE = 2400, 120
SECONDS, MEMORY = 30.0, 2**30
"""Most that an answer may take, and address space besides that of the libraries."""


@dataclass(frozen=True, slots=True)
class Case:
    """A command that reads `file`: words(folder, out)."""

    name: str
    file: str
    words: Callable[[Path, Path], list[object]]


def sweep(place: Path, count: int, seed: int) -> Sweep:
    """Damage each format in turn, `count` times in all."""
    found, chance = Sweep("files", seed), random.Random(seed)
    cases = make_cases(place)
    for case in cases:
        done = forked(case.words(place / case.name, place / "out-whole"))
        found.note("whole", "" if done.code == 0 else f"{case.name} as it should be: exit {done.code}: {done.text}")
        shutil.rmtree(place / "out-whole", ignore_errors=True)
    for number in range(count):
        _try(place, cases[number % len(cases)], chance, found)
    return found


def _try(place: Path, case: Case, chance: random.Random, found: Sweep) -> None:
    folder, out = place / "damaged", place / "out-damaged"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(place / case.name, folder)
    how = damage(folder / case.file, chance)
    before = _hashes(folder)
    done = forked(case.words(folder, out), seconds=SECONDS, memory=MEMORY)
    fault = _fault(case, done, out.exists(), before == _hashes(folder))
    if fault:
        kept = place.parent / f"geoadjust-damaged-{case.name}-{found.cases}{Path(case.file).suffix}"
        shutil.copy(folder / case.file, kept)
        fault = f"{case.name}, {how} (kept as {kept}): {fault}"
    found.note({0: "read", 3: "refused"}.get(done.code, f"exit {done.code}"), fault)
    shutil.rmtree(out, ignore_errors=True)


def _fault(case: Case, done: Done, written: bool, untouched: bool) -> str:
    if done.timed_out:
        return f"no answer in {SECONDS} s"
    if done.code not in (0, 3) or "Traceback" in done.text:
        return f"exit code {done.code}: {done.text[-1500:]}"
    if not untouched:
        return "an input was changed, or something was written beside it"
    if done.code == 3 and written:
        return "a result was written although the input was refused"
    if done.code == 3 and Path(case.file).stem not in done.text:
        return f"the file is not named: {done.text}"
    return ""


def _hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def damage(path: Path, chance: random.Random) -> str:
    """Damage one thing in a file; says what."""
    content = bytearray(path.read_bytes())
    size, place = len(content), chance.randrange(len(content))
    if chance.random() < 0.3:
        place = min(place, chance.randrange(512))  # headers
    how = chance.choice(["cut", "bit", "byte", "zeros", "ones", "lost", "twice"])
    length = min(chance.choice([1, 4, 64, 1024]), size - place)
    if how == "cut":
        del content[place:]
    elif how == "bit":
        content[place] ^= 1 << chance.randrange(8)
    elif how == "byte":
        content[place] = chance.randrange(256)
    elif how in ("zeros", "ones"):
        content[place : place + length] = (b"\0" if how == "zeros" else b"\xff") * length
    elif how == "lost":
        del content[place : place + length]
    else:
        content[place:place] = content[place : place + length]
    path.write_bytes(content)
    return f"{how} at byte {place} of {size}"


# ---------------------------------------------------------------- whole files of every format


def make_cases(place: Path) -> list[Case]:
    """A folder of its own for each format, with a command that reads it whole."""
    surfaces = {"tif": _raster, "tiled-tif": _tiles, "landxml": _landxml, "shots": _shots, "las": _las, "laz": _laz}
    cases = [_surface_case(place / name, name, make) for name, make in surfaces.items()]
    cases += [_layer_case(place / name, name) for name in ("gpkg", "geojson", "shp", "csv")]
    cases += [_demo_case(place / name, name) for name in ("job", "centrelines")]
    return [*cases, *_field_cases(place)]


def _site(folder: Path) -> Any:
    from tests.run.conftest import Site

    folder.mkdir()
    return Site(folder)


def _words(site: Any, folder: Path, out: Path) -> list[object]:
    given = {key: str(value).replace(str(site.folder), str(folder)) for key, value in site.flags.items()}
    given[("output", "path")] = str(out)
    named = {("structures", "path"): "--structures", ("surface", "path"): "--surface", ("output", "path"): "--out"}
    plain = [word for key, value in given.items() if key in named for word in (named[key], value)]
    return ["schedule", *plain, *(f"--set={'.'.join(key)}={v}" for key, v in given.items() if key not in named)]


def _surface_case(folder: Path, name: str, make: Callable[[Any], Path]) -> Case:
    site = _site(folder)
    file = make(site)
    return Case(name, file.name, lambda where, out: _words(site, where, out))


def _raster(site: Any) -> Path:
    from tests.run.kinds import ROADS, as_raster

    as_raster(site, ROADS["tilted"], 0.25)
    return Path(site.flags["surface", "path"])


def _tiles(site: Any) -> Path:
    from tests.run.kinds import ROADS, put_covers

    layout = {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate", "dtype": "float32"}
    site.road(ROADS["tilted"], cell=0.25, cells=160, **layout)
    put_covers(site, ROADS["tilted"])
    return Path(site.flags["surface", "path"])


def _landxml(site: Any) -> Path:
    from tests.run.kinds import ROADS, as_triangles

    as_triangles(site, ROADS["tilted"], 1.0)
    return Path(site.flags["surface", "path"])


def _shots(site: Any) -> Path:
    from tests.run.kinds import ROADS, as_shots

    as_shots(site, ROADS["tilted"], 1.0)
    return Path(site.flags["surface", "path"])


def _las(site: Any) -> Path:
    from tests.run.kinds import ROADS, as_points

    as_points(site, ROADS["tilted"], 0.3, each=5.0)
    return Path(site.flags["surface", "path"])


def _laz(site: Any) -> Path:
    las = _las(site)
    pack = "import laspy, sys; laspy.read(sys.argv[1]).write(sys.argv[2])"  # its threads must not be ours: see forked
    subprocess.run([sys.executable, "-c", pack, las, las.with_suffix(".laz")], check=True)
    las.unlink()
    site.flags["surface", "path"] = str(las.with_suffix(".laz"))
    return las.with_suffix(".laz")


def _layer_case(folder: Path, ending: str) -> Case:
    """The same covers as a layer of each format; of a shapefile the attributes are damaged in turn with the points."""
    import geopandas

    from tests.run.kinds import ROADS, as_raster

    site = as_raster(_site(folder), ROADS["tilted"], 0.25)
    layer = geopandas.read_file(site.flags["structures", "path"])
    Path(site.flags["structures", "path"]).unlink()
    path = folder / f"covers.{ending}"
    if ending == "csv":
        table = layer.drop(columns="geometry").assign(easting=layer.geometry.x, northing=layer.geometry.y)
        table.to_csv(path, index=False)
        site.flags["structures", "crs"] = "EPSG:32617"
    else:
        layer.rename(columns={"casting_height": "height"}).to_file(path)
    site.flags["structures", "path"] = str(path)
    if ending == "geojson":
        layer.to_crs("EPSG:4326").to_file(path, driver="GeoJSON")
    return Case(ending, path.name, lambda where, out: _words(site, where, out))


def _demo_case(folder: Path, name: str) -> Case:
    """The demo's files; `name` says which is damaged."""
    done = forked(["demo", folder])
    if done.code:
        raise AssertionError(done.text)
    shutil.rmtree(folder / "out")
    file = {"job": "job.toml", "centrelines": "centrelines.gpkg"}[name]
    return Case(name, file, lambda where, out: ["schedule", where / "job.toml", "--out", out])


def _field_cases(place: Path) -> list[Case]:
    """Tables from the field, a set that is read back, and a history."""
    import openpyxl

    _must(forked(["demo", place / "plan"]))
    plan = place / "plan" / "out"
    rows = [["id", "date", "gap_12", "gap_3", "gap_6", "gap_9"], ["SS-101", "2026-06-02", "2 mm LOW", "0", "0", "0"]]
    text = "\n".join(",".join(row) for row in rows) + "\n"
    for name in ("gaps", "gaps-xlsx", "set", "history"):
        (place / name).mkdir()
    (place / "gaps" / "gaps.csv").write_text(text)
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(place / "gaps-xlsx" / "gaps.xlsx")
    shutil.copytree(plan, place / "set" / "plan")
    _must(forked(["history", "add", place / "history" / "street.jsonl", plan]))
    bare = ["--unit", "mm"]
    return [
        Case("gaps", "gaps.csv", lambda where, out: ["accept", plan, where / "gaps.csv", "--out", out, *bare]),
        Case("gaps-xlsx", "gaps.xlsx", lambda where, out: ["accept", plan, where / "gaps.xlsx", "--out", out, *bare]),
        Case(
            "set", "plan/schedule.gpkg", lambda where, out: ["export", where / "plan", "--as", "points", "--out", out]
        ),
        Case("history", "street.jsonl", lambda where, out: ["record", where / "street.jsonl", "--out", out]),
    ]


def _must(done: Done) -> None:
    if done.code:
        raise AssertionError(f"exit code {done.code}: {done.text}")
