"""GeoTIFF through its guard: every refusal by case, and nothing is written beside a source."""

import os
import warnings

import pytest

from geoadjust.errors import InputError
from geoadjust.io.raster.geotiff import open_raster
from tests.io.test_safe import contents, refused

# isort: split
import numpy as np
import rasterio


def write_raster(path, **options):
    profile = {"driver": "GTiff", "width": 64, "height": 64, "count": 1, "dtype": "float32"}
    profile |= {"crs": "EPSG:32617", "transform": rasterio.Affine(1, 0, 500000, 0, -1, 4000064)}
    cells = np.arange(4096, dtype="float32").reshape(1, 64, 64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(path, "w", **{**profile, **options}) as file:
            file.write(cells)
    return path


def outcome(path):
    """What comes of it as text: a dataset or a refusal, nothing else."""
    try:
        return open_raster(path, where="w").close() or str(path)
    except InputError as error:
        return str(error)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"tiled": True, "blockxsize": 16, "blockysize": 16},
        {"BIGTIFF": "YES"},
        {"ENDIANNESS": "BIG"},
        {"driver": "COG"},
    ],
)
def test_opens_and_leaves_the_folder_alone(tmp_path, options):
    path = write_raster(tmp_path / "road.tif", **options)
    before = contents(tmp_path)
    with open_raster(path, where="w") as dataset:
        assert (dataset.driver, dataset.mode) == ("GTiff", "r")
        assert dataset.read(1)[63, 63] == 4095
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it is deprecated, but it is what would be kept in an .aux.xml
            dataset.statistics(1)
    assert contents(tmp_path) == before


def test_virtual_raster_in_disguise(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("x" * 64)
    path = tmp_path / "road.tif"
    path.write_text(
        '<VRTDataset rasterXSize="8" rasterYSize="8"><VRTRasterBand dataType="Byte" band="1" '
        'subClass="VRTRawRasterBand">'
        '<SourceFilename relativeToVRT="1">secret.txt</SourceFilename></VRTRasterBand></VRTDataset>'
    )
    assert refused(open_raster, path) == f"{path} does not begin like a TIFF"


def test_other_rasters(tmp_path):
    path = tmp_path / "road.asc"
    path.write_text("ncols 1\nnrows 1\nxllcorner 0\nyllcorner 0\ncellsize 1\n5\n")
    assert refused(open_raster, path).endswith("does not begin like a TIFF")


@pytest.mark.parametrize("share", [0.001, 0.02, 0.5, 0.999])
@pytest.mark.parametrize("options", [{}, {"driver": "COG"}, {"count": 2, "interleave": "band"}])
def test_cut_off(tmp_path, share, options):
    path = tmp_path / "road.tif"
    with rasterio.open(
        path,
        "w",
        **{"driver": "GTiff", "width": 64, "height": 64, "count": 1, "dtype": "float32", **options},
        crs="EPSG:32617",
        transform=rasterio.Affine(1, 0, 500000, 0, -1, 4000064),
    ) as file:
        file.write(np.random.default_rng(1).random((options.get("count", 1), 64, 64), dtype="float32"))
    os.truncate(path, int(path.stat().st_size * share))
    what = refused(open_raster, path)
    assert str(path) in what
    assert "cut off" in what


def test_last_of_very_many_blocks(tmp_path):
    cells = {"width": 1, "height": 9000, "blockysize": 1, "dtype": "uint8"}
    path = tmp_path / "road.tif"
    with rasterio.open(
        path, "w", driver="GTiff", count=1, transform=rasterio.Affine(2, 0, 0, 0, -2, 0), **cells
    ) as file:
        file.write(np.ones((1, 9000, 1), "u1"))
    open_raster(path, where="w").close()
    os.truncate(path, path.stat().st_size - 1)
    assert "is cut off" in refused(open_raster, path)


def test_sparse_blocks_are_no_cut(tmp_path):
    path = tmp_path / "road.tif"
    profile = {"width": 64, "height": 64, "count": 1, "dtype": "float32", "crs": "EPSG:32617", "SPARSE_OK": True}
    with rasterio.open(path, "w", driver="GTiff", transform=rasterio.Affine(2, 0, 0, 0, -2, 0), nodata=-1, **profile):
        pass
    open_raster(path, where="w").close()


def test_world_file_is_used(tmp_path):
    path = write_raster(tmp_path / "road.tif", transform=None)
    path.with_suffix(".tfw").write_text("0.5\n0\n0\n-0.5\n100.25\n199.75\n")
    with open_raster(path, where="w") as dataset:
        assert dataset.transform == rasterio.Affine(0.5, 0, 100, 0, -0.5, 200)
    path.with_suffix(".tfw").unlink()
    os.mkfifo(path.with_suffix(".tfw"))
    assert refused(open_raster, path).endswith("road.tfw is not an ordinary file")


def test_without_a_place_there_is_no_warning(tmp_path):
    path = write_raster(tmp_path / "road.tif", transform=None, crs=None)
    with open_raster(path, where="w") as dataset:
        assert dataset.crs is None
        assert dataset.transform.is_identity


@pytest.mark.parametrize("entry", ["NoDataValue", "Scale", "Offset"])
def test_meaning_that_stands_only_in_an_aux_file(tmp_path, entry):
    path = write_raster(tmp_path / "road.tif")
    aside = tmp_path / "road.tif.aux.xml"
    aside.write_text(f'<PAMDataset><PAMRasterBand band="1"><{entry}>-9</{entry}></PAMRasterBand></PAMDataset>')
    assert f"has its {entry} only in road.tif.aux.xml" in refused(open_raster, path)
    aside.write_text("<PAMDataset><Histograms/></PAMDataset>")
    open_raster(path, where="w").close()


def test_nodata_stated_in_both(tmp_path):
    path = write_raster(tmp_path / "road.tif", nodata=-9)
    (tmp_path / "road.tif.aux.xml").write_text("<PAMDataset><NoDataValue>-5</NoDataValue></PAMDataset>")
    with open_raster(path, where="w") as dataset:
        assert dataset.nodata == -9


@pytest.mark.parametrize("seed", range(4))
def test_flipped_bytes_give_a_dataset_or_a_refusal(tmp_path, seed):
    random = np.random.default_rng(seed)
    path = write_raster(tmp_path / "road.tif")
    good = np.frombuffer(path.read_bytes(), dtype="u1")
    for _ in range(40):
        spoiled = good.copy()
        spoiled[random.integers(4, 400, 2)] = random.integers(0, 256, 2)
        path.write_bytes(spoiled.tobytes())
        assert str(path) in outcome(path)
