"""Guarded inputs: every refusal by case, and nothing is written beside a source."""

import hashlib
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from geoadjust.errors import InputError
from geoadjust.io import safe

# isort: split
import fiona
import fiona.env
import numpy as np
import pyogrio

SCHEMA = {"geometry": "Point", "properties": {"ASSET_NO": "str:20", "RIM_EL": "float"}}
ROWS = [
    {
        "geometry": {"type": "Point", "coordinates": (500000.0 + n, 4000000.0)},
        "properties": {"ASSET_NO": f"é{n}", "RIM_EL": 1.5},
    }
    for n in range(3)
]
DRIVERS = {"gpkg": "GPKG", "geojson": "GeoJSON", "shp": "ESRI Shapefile"}


def write_vector(path, *, layer=None, schema=SCHEMA, rows=ROWS, crs="EPSG:32617"):
    driver = DRIVERS[path.suffix[1:]]
    named = {"layer": layer} if driver == "GPKG" else {}
    encoding = {"encoding": "UTF-8"} if driver == "ESRI Shapefile" else {}
    with fiona.open(path, "w", driver=driver, schema=schema, crs=crs, **named, **encoding) as file:
        file.writerecords(rows)
    return path


def contents(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def refused(call, *args, **options):
    started = time.monotonic()
    with pytest.raises(InputError) as caught:
        call(*args, where="surface.path", **options)
    assert time.monotonic() - started < 3
    (fault,) = caught.value.faults
    assert fault.where == "surface.path"
    return fault.what


def outcome(call, path):
    """What comes of it as text: a result or a refusal, nothing else."""
    try:
        result = call(path, where="w")
    except InputError as error:
        return str(error)
    return str(result.path)


class TestCheckPath:
    @pytest.mark.parametrize(
        "name",
        [
            "http://127.0.0.1:9/road.tif",
            "HTTPS://example.org/road.tif",
            "s3://bucket/road.tif",
            "zip+file:///a.zip!road.tif",
            "file:///road.tif",
            "GTIFF_DIR:1:road.tif",
            "/vsizip/a.zip/road.tif",
            "/vsicurl/http://127.0.0.1:9/road.tif",
            "/vsimem/road.tif",
        ],
    )
    def test_remote_and_virtual(self, name):
        assert refused(safe.check_path, name) == f"{name} is not a local file"

    @pytest.mark.parametrize("name", ["missing.tif", "missing/road.tif"])
    def test_missing(self, tmp_path, name):
        assert refused(safe.check_path, tmp_path / name) == f"{tmp_path / name} is missing"

    @pytest.mark.parametrize("name", ["a\0b.tif", "x" * 300])
    def test_impossible_names(self, tmp_path, name):
        assert "cannot be looked at" in refused(safe.check_path, f"{tmp_path}/{name}")

    def test_folder_only_where_welcome(self, tmp_path):
        assert refused(safe.check_path, tmp_path).endswith("is a folder")
        assert safe.check_path(tmp_path, where="surface.path", folder=True) == tmp_path

    def test_pipe_socket_device(self, tmp_path):
        os.mkfifo(tmp_path / "pipe.tif")
        assert refused(safe.check_path, tmp_path / "pipe.tif").endswith("is a pipe")
        with socket.socket(socket.AF_UNIX) as server:
            server.bind(str(tmp_path / "socket.tif"))
        assert refused(safe.check_path, tmp_path / "socket.tif").endswith("is a socket")
        assert refused(safe.check_path, "/dev/null") == "/dev/null is a device"

    def test_link_to_a_pipe_and_to_itself(self, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        (tmp_path / "road.tif").symlink_to("pipe")
        (tmp_path / "loop.tif").symlink_to("loop.tif")
        assert refused(safe.check_path, tmp_path / "road.tif").endswith("is a pipe")
        assert "cannot be looked at" in refused(safe.check_path, tmp_path / "loop.tif")

    def test_link_to_a_file_is_fine(self, tmp_path):
        (tmp_path / "road.txt").write_text("x")
        (tmp_path / "link.txt").symlink_to("road.txt")
        assert safe.check_path(tmp_path / "link.txt", where="w") == tmp_path / "link.txt"

    def test_a_relative_path_stays_relative(self, tmp_path, monkeypatch):
        (tmp_path / "road.txt").write_text("x")
        monkeypatch.chdir(tmp_path)
        assert safe.check_path("road.txt", where="w") == Path("road.txt")

    def test_empty(self, tmp_path):
        (tmp_path / "a.tif").touch()
        assert refused(safe.check_path, tmp_path / "a.tif").endswith("is empty")

    def test_a_file_that_becomes_a_pipe_is_not_waited_for(self, tmp_path):
        os.mkfifo(tmp_path / "a.tif")
        reader = threading.Thread(target=safe.head_of, args=(str(tmp_path / "a.tif"), "w"), daemon=True)
        reader.start()
        reader.join(5)
        assert not reader.is_alive()

    def test_not_readable(self, tmp_path, monkeypatch):
        (tmp_path / "a.tif").write_text("x")

        def deny(*_):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(os, "open", deny)  # root may read anything, so the mode alone proves nothing
        assert refused(safe.check_path, tmp_path / "a.tif").endswith("cannot be read (Permission denied)")

    @pytest.mark.parametrize("name", ["a.zip", "a.tif.gz", "a.TAR", "a.7z", "a.tgz", "a.shz"])
    def test_archive_by_name(self, tmp_path, name):
        (tmp_path / name).write_text("x")
        assert refused(safe.check_path, tmp_path / name).endswith("is an archive")

    @pytest.mark.parametrize("magic", [b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf\x27\x1c"])
    def test_archive_by_content(self, tmp_path, magic):
        (tmp_path / "a.gpkg").write_bytes(magic + bytes(99))
        assert refused(safe.check_path, tmp_path / "a.gpkg").endswith("is an archive")


class TestVectorDriver:
    @pytest.mark.parametrize("ending", DRIVERS)
    def test_by_content_and_ending(self, tmp_path, ending):
        path = write_vector(tmp_path / f"covers.{ending}")
        assert safe.vector_driver(path, where="w") == DRIVERS[ending]

    def test_geojson_after_mark_and_blanks(self, tmp_path):
        path = tmp_path / "covers.json"
        path.write_bytes(b'\xef\xbb\xbf \n{"type": "FeatureCollection", "features": []}')
        assert safe.vector_driver(path, where="w") == "GeoJSON"

    @pytest.mark.parametrize("ending", ["", ".csv", ".kml", ".vrt", ".tif", ".sqlite"])
    def test_other_endings(self, tmp_path, ending):
        path = tmp_path / f"covers{ending}"
        path.write_text("{}")
        assert refused(safe.vector_driver, path) == f"{path} has the ending {ending!r}"

    @pytest.mark.parametrize("ending", DRIVERS)
    def test_disguised(self, tmp_path, ending):
        path = tmp_path / f"covers.{ending}"
        path.write_text('<OGRVRTDataSource><OGRVRTLayer name="s"/></OGRVRTDataSource>')
        assert refused(safe.probe_vector, path) == f"{path} does not begin like a .{ending} file"

    def test_json_of_another_kind(self, tmp_path):
        path = tmp_path / "covers.json"
        path.write_text('{"type": "gdal_streamed_alg", "command_line": "gdal vector info other.gpkg"}')
        assert "cannot be read as GeoJSON" in refused(safe.probe_vector, path)
        path.write_text(
            '{"type": "Topology", "arcs": [], "objects": {"a": {"type": "GeometryCollection", '
            '"geometries": [{"type": "Point", "coordinates": [1, 2], "properties": {"id": 1}}]}}}'
        )
        assert "cannot be read as GeoJSON" in refused(safe.probe_vector, path)


class TestProbeVector:
    @pytest.mark.parametrize("ending", DRIVERS)
    def test_facts(self, tmp_path, ending):
        path = write_vector(tmp_path / f"covers.{ending}")
        facts = safe.probe_vector(path, where="w")
        assert (facts.path, facts.driver, facts.layer) == (path, DRIVERS[ending], "covers")
        assert (facts.layers, facts.geometry_type, facts.count) == (("covers",), "Point", 3)
        assert list(facts.fields) == ["ASSET_NO", "RIM_EL"]
        assert facts.fields["RIM_EL"].startswith("float")
        assert facts.encoding == "UTF-8"
        assert "32617" in facts.crs_wkt or "UTM zone 17N" in facts.crs_wkt

    @pytest.mark.parametrize("ending", DRIVERS)
    def test_nothing_is_written_beside_it(self, tmp_path, ending):
        path = write_vector(tmp_path / f"covers.{ending}")
        before = contents(tmp_path)
        facts = safe.probe_vector(path, where="w")
        assert len(pyogrio.read_dataframe(path, layer=facts.layer, **facts.open_options)) == 3
        assert contents(tmp_path) == before

    @pytest.mark.parametrize("crs", [None, ""])
    @pytest.mark.parametrize("ending", ["gpkg", "shp"])
    def test_no_crs(self, tmp_path, ending, crs):
        path = write_vector(tmp_path / f"covers.{ending}", crs=crs)
        assert safe.probe_vector(path, where="w").crs_wkt is None

    def test_crs_without_a_name(self, tmp_path):
        path = write_vector(tmp_path / "covers.gpkg", crs="+proj=tmerc +lat_0=1 +lon_0=2 +k=1 +units=m +ellps=GRS80")
        assert "unknown" in safe.probe_vector(path, where="w").crs_wkt

    def test_undefined_crs_of_a_geopackage(self, tmp_path):
        path = write_vector(tmp_path / "covers.gpkg")
        with sqlite3.connect(path) as database:
            for table in ("gpkg_contents", "gpkg_geometry_columns"):
                database.execute(f"UPDATE {table} SET srs_id = -1")
        database.close()
        assert safe.probe_vector(path, where="w").crs_wkt is None

    def test_several_layers(self, tmp_path):
        for layer in ("covers", "inlets"):
            path = write_vector(tmp_path / "all.gpkg", layer=layer)
        with pytest.raises(InputError) as caught:
            safe.probe_vector(path, where="structures.layer")
        assert caught.value.faults[0].allowed == "covers, inlets"
        facts = safe.probe_vector(path, where="w", layer="inlets")
        assert (facts.layer, facts.layers) == ("inlets", ("covers", "inlets"))

    def test_missing_layer(self, tmp_path):
        path = write_vector(tmp_path / "all.gpkg", layer="covers")
        with pytest.raises(InputError) as caught:
            safe.probe_vector(path, where="w", layer='x"; DROP TABLE covers')
        assert caught.value.faults[0].allowed == "covers"

    def test_layers_without_geometry_do_not_count(self, tmp_path):
        plain = {
            "schema": {"geometry": "None", "properties": {"a": "int"}},
            "rows": [{"geometry": None, "properties": {"a": 1}}],
        }
        path = write_vector(tmp_path / "all.gpkg", layer="covers")
        write_vector(path, layer="table", **plain)
        write_vector(path, layer="layer_styles")
        assert safe.probe_vector(path, where="w").layers == ("covers",)
        only = write_vector(tmp_path / "only.gpkg", layer="table", **plain)
        assert refused(safe.probe_vector, only).endswith("has no layer with geometry (layers: table)")

    def test_no_rows_and_null_geometries_are_still_a_layer(self, tmp_path):
        path = tmp_path / "covers.geojson"
        path.write_text('{"type": "FeatureCollection", "features": []}')
        assert safe.probe_vector(path, where="w").count == 0
        row = {"geometry": None, "properties": {"ASSET_NO": "a", "RIM_EL": 1.0}}
        assert safe.probe_vector(write_vector(tmp_path / "a.gpkg", rows=[row]), where="w").count == 1

    @pytest.mark.parametrize("share", [0.01, 0.3, 0.7, 0.99])
    @pytest.mark.parametrize("ending", DRIVERS)
    def test_cut_off(self, tmp_path, ending, share):
        path = write_vector(tmp_path / f"covers.{ending}")
        os.truncate(path, max(5, int(path.stat().st_size * share)))
        assert str(path) in refused(safe.probe_vector, path)

    @pytest.mark.parametrize("ending", ["shx", "dbf"])
    def test_part_of_a_shapefile_missing_cut_or_odd(self, tmp_path, ending):
        path = write_vector(tmp_path / "covers.shp")
        part = path.with_suffix(f".{ending}")
        os.truncate(part, part.stat().st_size - 20)
        assert f"{part} is cut off" in refused(safe.probe_vector, path)
        part.unlink()
        assert refused(safe.probe_vector, path) == f"{path} comes without its .{ending}"
        os.mkfifo(part)
        assert refused(safe.probe_vector, path) == f"{part} is not an ordinary file"

    def test_shapefile_with_upper_case_parts_and_no_code_page(self, tmp_path):
        path = write_vector(tmp_path / "covers.shp")
        path.with_suffix(".cpg").unlink()
        for part in list(tmp_path.iterdir()):
            part.rename(tmp_path / part.name.upper())
        facts = safe.probe_vector(tmp_path / "COVERS.SHP", where="w")
        assert (facts.count, facts.encoding) == (3, None)

    def test_a_schema_that_is_no_text(self, tmp_path):
        """Found by the sweep of damaged files: SQLite's message quotes the broken name, and Python cannot decode it."""
        path = write_vector(tmp_path / "covers.gpkg")
        path.write_bytes(path.read_bytes().replace(b"CREATE TRIGGER", b"CREATE TRIGGE\xff"))
        assert "cut off or corrupt" in refused(safe.probe_vector, path)

    def test_geojson_that_is_not_utf8(self, tmp_path):
        path = write_vector(tmp_path / "covers.geojson")
        path.write_bytes(path.read_text().replace("é", "e").encode().replace(b"e0", b"\xe90"))
        assert refused(safe.probe_vector, path).endswith("is not UTF-8 text (byte 0xe9)")

    @pytest.mark.parametrize("seed", range(4))
    def test_flipped_bytes_give_facts_or_a_refusal(self, tmp_path, seed, capfd):
        random = np.random.default_rng(seed)
        paths = [write_vector(tmp_path / f"covers.{ending}") for ending in DRIVERS]
        good = {path: path.read_bytes() for path in paths}
        for path in paths * 10:
            spoiled = np.frombuffer(good[path], dtype="u1").copy()
            spoiled[random.integers(0, min(len(spoiled), 2000), 3)] = random.integers(0, 256, 3)
            path.write_bytes(spoiled.tobytes())
            assert str(path) in outcome(safe.probe_vector, path)
        assert "Traceback" not in capfd.readouterr().err


class TestBusyGeoPackage:
    """The driver would write into such a source, wait long, or give up without a reason."""

    HOLD = "import sqlite3, sys; d = sqlite3.connect(sys.argv[1], isolation_level=None); d.execute(sys.argv[2])\n"
    HOLD += "for line in sys.argv[3:]: d.execute(line).fetchall()\nprint('ready', flush=True); sys.stdin.read()"

    @pytest.fixture
    def hold(self, tmp_path):
        path = write_vector(tmp_path / "covers.gpkg", layer="covers")
        running = []

        def start(*lines):
            command = [sys.executable, "-c", self.HOLD, str(path), *lines]
            running.append(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE))
            assert running[-1].stdout.readline() == b"ready\n"
            return running[-1]

        yield path, start
        for process in running:
            process.kill()
            process.communicate()

    def test_quiet_wal_is_read_and_left_alone(self, hold):
        path, _ = hold
        database = sqlite3.connect(path)
        database.execute("PRAGMA journal_mode = wal")
        database.close()
        before = contents(path.parent)
        facts = safe.probe_vector(path, where="w")
        assert facts.open_options == {"IMMUTABLE": "YES"}
        assert len(pyogrio.read_dataframe(path, layer="covers", **facts.open_options)) == 3
        assert contents(path.parent) == before

    def test_wal_open_elsewhere_without_changes(self, hold):
        path, start = hold
        start("PRAGMA journal_mode = wal", "SELECT count(*) FROM covers")
        before = contents(path.parent)
        assert "covers.gpkg-shm" in before
        assert safe.probe_vector(path, where="w").count == 3
        assert contents(path.parent) == before

    @pytest.mark.parametrize("killed", [False, True])
    def test_pending_wal_is_refused(self, hold, killed):
        path, start = hold
        writer = start("PRAGMA journal_mode = wal", "CREATE TABLE notes (a)")
        if killed:
            writer.kill()
            writer.wait()
        before = contents(path.parent)
        assert refused(safe.probe_vector, path) == f"{path} has unfinished changes in covers.gpkg-wal"
        assert contents(path.parent) == before

    def test_journal_that_is_kept_but_done_with(self, hold):
        path, start = hold
        start("PRAGMA journal_mode = persist", "CREATE TABLE notes (a)")
        assert (path.parent / "covers.gpkg-journal").stat().st_size > 0
        assert safe.probe_vector(path, where="w").count == 3

    def test_half_written_change_is_refused(self, hold):
        path, start = hold
        lines = ("PRAGMA cache_size = 1", "PRAGMA cache_spill = 1", "BEGIN", "CREATE TABLE n (a)")
        start(
            *lines,
            "INSERT INTO n WITH RECURSIVE c(i) AS (VALUES(1) UNION ALL SELECT i+1 FROM c LIMIT 50000) SELECT i FROM c",
        )
        assert refused(safe.probe_vector, path) == f"{path} has unfinished changes in covers.gpkg-journal"

    def test_locked(self, hold):
        path, start = hold
        start("BEGIN EXCLUSIVE")
        assert refused(safe.probe_vector, path) == f"{path} is locked by another program"


class TestEnvironment:
    def run(self, code, **environ):
        command = [sys.executable, "-W", "error", "-c", code]
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=60, check=True, env={**os.environ, **environ}
        )
        assert done.stderr == ""
        return json.loads(done.stdout)

    def test_unwanted_drivers_are_gone_from_all_three_and_the_log_is_quiet(self):
        code = (
            "import geoadjust.io.safe as safe, json, rasterio, rasterio.env, fiona, fiona.env, pyogrio\n"
            "with rasterio.Env() as r, fiona.Env() as f:\n"
            "    names = [sorted(r.drivers()), sorted(f.drivers()), sorted(pyogrio.list_drivers())]\n"
            "print(json.dumps(names))"
        )
        clean = {"GDAL_SKIP": "", "OGR_SKIP": ""}
        raster, vector, other = (set(names) for names in self.run(code, **clean))
        unwanted = {*safe.RASTER_SKIP.split(), *safe.VECTOR_SKIP.split(",")}
        assert not unwanted & (raster | vector | other)
        assert "GTiff" in raster
        assert {"GPKG", "GeoJSON", "ESRI Shapefile"} <= vector & other

    def test_every_unwanted_name_is_a_real_one(self):
        code = (
            "import json, rasterio, rasterio.env, fiona, fiona.env, pyogrio\n"
            "with rasterio.Env() as r, fiona.Env() as f:\n"
            "    print(json.dumps([*r.drivers(), *f.drivers(), *pyogrio.list_drivers()]))"
        )
        known = {*self.run(code, GDAL_SKIP="", OGR_SKIP=""), "WMS", "OGCAPI", "GDALG"}  # of builds with curl, of 3.11
        assert {*safe.RASTER_SKIP.split(), *safe.VECTOR_SKIP.split(",")} <= known

    def test_no_connection_is_tried(self):
        reached = []
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(0.1)
            port = server.getsockname()[1]
            stop = threading.Event()

            def listen():
                while not stop.is_set():
                    try:
                        reached.append(server.accept()[0].close())
                    except TimeoutError:
                        continue

            thread = threading.Thread(target=listen)
            thread.start()
            url = f"http://127.0.0.1:{port}/a"
            code = (
                "import geoadjust.io.safe, json, rasterio, fiona, pyogrio, sys\nfailed = 0\n"
                f"for name in ('{url}.tif', '/vsicurl/{url}.tif', '/vsicurl/{url}.gpkg'):\n"
                "    for door in (rasterio.open, fiona.open, pyogrio.read_info):\n"
                "        try:\n            door(name)\n        except Exception:\n            failed += 1\n"
                "print(json.dumps(failed))"
            )
            try:
                assert self.run(code, GDAL_HTTP_TIMEOUT="2") == 9
            finally:
                stop.set()
                thread.join()
        assert reached == []

    def test_values(self):
        values = safe.guarded_environment({"GDAL_SKIP": "HFA,PNG", "GDAL_PAM_ENABLED": "YES", "PROJ_NETWORK": "ON"})
        assert values["GDAL_SKIP"].split()[:3] == ["HFA", "PNG", "VRT"]
        assert (values["GDAL_PAM_ENABLED"], values["PROJ_NETWORK"]) == ("NO", "OFF")
        assert values["OGR_CURRENT_DATE"] == "1970-01-01T00:00:00.000Z"
        assert safe.guarded_environment(values) == values

    @pytest.mark.parametrize("epoch", ["", "soon", "9" * 30])
    def test_odd_epoch(self, epoch):
        values = safe.guarded_environment({"SOURCE_DATE_EPOCH": epoch})
        assert values["OGR_CURRENT_DATE"] == "1970-01-01T00:00:00.000Z"

    def test_it_is_set_here(self):
        assert os.environ["GDAL_PAM_ENABLED"] == "NO"
        assert "VRT" in os.environ["GDAL_SKIP"].split()

    def test_same_bytes_of_a_geopackage_at_any_time(self, tmp_path):
        (tmp_path / "a").mkdir()
        first = contents(write_vector(tmp_path / "a" / "covers.gpkg", layer="covers").parent)
        shutil.rmtree(tmp_path / "a")
        (tmp_path / "a").mkdir()
        time.sleep(1.1)
        assert contents(write_vector(tmp_path / "a" / "covers.gpkg", layer="covers").parent) == first
