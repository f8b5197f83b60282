"""The GeoPackage of a result: one bulk write per table, then styling, aliases and a look at what was written.

Written with version 1.3, so that older readers open it without a warning. Styling is a row of `layer_styles`, a table
that desktop GIS programs read a layer's default style from; aliases stand in that style and, for readers that follow
the schema extension, in `gpkg_data_columns`. GDAL and Python's sqlite3 never have the file open at the same time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as xml

import pyarrow as pa

from geoadjust.errors import OutputError
from geoadjust.io.results.columns import SCHEDULE, Column
from geoadjust.io.results.field_columns import DECLARED, DESCRIBED

STAMP = "1970-01-01T00:00:00.000Z"

SQUARE, DIAMOND, CROSS = ("square", "#2b6f77", "2.2"), ("diamond", "#c77700", "3.0"), ("cross_fill", "#7a1f5c", "3.6")
"""Our own symbols: the shape alone tells them apart in black and white."""
Symbol = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Style:
    """How a point layer is drawn.

    Parameters
    ----------
    layer, title : of the layer, of the style
    attribute : column whose words the symbols are by
    symbols : shape, colour, size [mm], by word
    meaning : of each word
    columns : of the layer
    label : column that is written under the id
    """

    layer: str
    title: str
    attribute: str
    symbols: Mapping[str, Symbol]
    meaning: Mapping[str, str]
    columns: Sequence[Column]
    label: str


SCHEDULE_STYLE = Style(
    "schedule",
    "Structures by severity",
    "severity",
    {"info": SQUARE, "warn": DIAMOND, "stop": CROSS},
    {
        "info": "no remarks beyond information",
        "warn": "look at the flags",
        "stop": "not to be worked on as it stands",
    },
    SCHEDULE,
    "remark",
)


def write_layer(
    path: Path, batches: Iterator[pa.RecordBatch], schema: pa.Schema, crs: str, name: str = "schedule"
) -> None:
    """Write the point layer in one go."""
    _write(path, name, batches, schema, geometry_name="geom", geometry_type="Point", crs=crs)


def write_table(path: Path, name: str, batches: Iterator[pa.RecordBatch], schema: pa.Schema) -> None:
    """Write a table without geometry in one go."""
    _write(path, name, batches, schema, geometry_name=None, geometry_type=None)


def write_polygons(path: Path, name: str, batches: Iterator[pa.RecordBatch], schema: pa.Schema, crs: str) -> None:
    """Write a polygon layer in one go."""
    _write(path, name, batches, schema, geometry_name="geom", geometry_type="Polygon", crs=crs)


def _write(path: Path, name: str, batches: Iterator[pa.RecordBatch], schema: pa.Schema, **geometry: Any) -> None:
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyogrio.raw import write_arrow

    from geoadjust.io.results.sets import explain_os_error

    failed: list[BaseException] = []
    reader = pa.RecordBatchReader.from_batches(schema, _watched(batches, failed))
    description = DESCRIBED.get(name, name)
    try:
        write_arrow(
            reader,
            str(path),
            layer=name,
            driver="GPKG",
            dataset_options={"VERSION": "1.3"} if not path.exists() else None,
            layer_options={"IDENTIFIER": name, "DESCRIPTION": description, "FID": "fid"},
            **geometry,
        )
    except (DataSourceError, DataLayerError, RuntimeError, pa.ArrowException) as error:
        if failed:
            raise failed[0] from None
        raise explain_os_error(error, path) from error


def _watched(batches: Iterator[pa.RecordBatch], failed: list[BaseException]) -> Iterator[pa.RecordBatch]:
    """Keep an error of our own; the driver would only say that the stream ended."""
    try:
        yield from batches
    except BaseException as error:
        failed.append(error)
        raise


def finish(path: Path, counts: dict[str, int], style: Style = SCHEDULE_STYLE) -> None:
    """Add style and aliases, and check what was written.

    Parameters
    ----------
    counts : rows that each table must hold
    style : of the point layer

    Raises
    ------
    OutputError
        where it could not be written, or does not hold what was computed
    """
    from geoadjust.io.results.sets import explain_os_error

    database = sqlite3.connect(path, isolation_level=None)
    try:
        database.execute("PRAGMA journal_mode = DELETE")
        database.execute("BEGIN")
        _add_aliases(database, set(counts))
        _add_style(database, style)
        database.execute("COMMIT")
        for table, count in counts.items():
            found = database.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]
            if found != count:
                raise OutputError(f"{path}: table {table} holds {found} rows, {count} were computed")
        if database.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise OutputError(f"{path}: damaged while it was written")
    except sqlite3.Error as error:
        raise explain_os_error(error, path) from error
    finally:
        database.close()


def _add_aliases(database: sqlite3.Connection, tables: set[str]) -> None:
    database.execute(
        "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,"
        " description TEXT, mime_type TEXT, constraint_name TEXT,"
        " CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),"
        " CONSTRAINT gdc_tn UNIQUE (table_name, name))"
    )
    database.execute(
        "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL,"
        " value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,"
        " CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))"
    )
    scope = "http://www.geopackage.org/spec121/#extension_schema"
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        database.execute("INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')", (table, scope))
    for table in sorted(tables & set(DECLARED)):
        rows = [(table, column.name, column.name, alias(column), _described(column)) for column in DECLARED[table]]
        database.executemany("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", rows)


def alias(column: Any) -> str:
    """A readable name with its unit.

    Examples
    --------
    >>> alias(next(column for column in SCHEDULE if column.name == "raise_mm"))
    'Raise [mm]'
    """
    words = column.name.removesuffix("_" + {"%": "pct"}.get(column.unit, column.unit)) if column.unit else column.name
    text = words.replace("_", " ").capitalize()
    return f"{text} [{column.unit}]" if column.unit else text


def _described(column: Any) -> str:
    plus = f"; plus = {column.plus}" if column.plus else ""
    listed = f"; one of {', '.join(column.words)}" if column.words else ""
    return f"{column.title}{plus}{listed}"


def _add_style(database: sqlite3.Connection, style: Style) -> None:
    database.execute(
        "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),"
        " f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30),"
        " styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),"
        f" update_time DATETIME DEFAULT '{STAMP}')"
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)"
        " VALUES ('layer_styles', 'attributes', 'layer_styles', 'Default style of the layer', ?)",
        (STAMP,),
    )
    database.execute(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
        " styleQML, styleSLD, useAsDefault, description, owner) VALUES ('', '', ?, 'geom', ?, ?, ?, 1, ?, '')",
        (style.layer, style.attribute, style_qml(style), style_sld(style), style.title),
    )


def style_qml(style: Style) -> str:
    """Categorised symbols, labels from a scale of 1:1000, and readable aliases."""
    root = xml.Element("qgis", version="3.22", styleCategories="Symbology|Labeling|Fields|Forms")
    renderer = xml.SubElement(root, "renderer-v2", type="categorizedSymbol", attr=style.attribute, enableorderby="0")
    categories = xml.SubElement(renderer, "categories")
    symbols = xml.SubElement(renderer, "symbols")
    for index, (word, (shape, colour, size)) in enumerate(style.symbols.items()):
        xml.SubElement(
            categories,
            "category",
            symbol=str(index),
            value=word,
            label=f"{word}: {style.meaning[word]}",
            render="true",
            type="string",
        )
        symbol = xml.SubElement(symbols, "symbol", type="marker", name=str(index), alpha="1", clip_to_extent="1")
        layer = xml.SubElement(symbol, "layer", {"class": "SimpleMarker"}, enabled="1", locked="0")
        for key, value in (
            ("name", shape),
            ("color", _rgba(colour)),
            ("outline_color", "20,20,20,255"),
            ("outline_width", "0.2"),
            ("size", size),
            ("size_unit", "MM"),
        ):
            xml.SubElement(layer, "prop", k=key, v=value)
    _label(root, style.label)
    aliases = xml.SubElement(root, "aliases")
    for index, column in enumerate(style.columns):
        xml.SubElement(aliases, "alias", field=column.name, name=alias(column), index=str(index + 1))
    xml.SubElement(root, "layerGeometryType").text = "0"
    return xml.tostring(root, encoding="unicode")


def _label(root: xml.Element, column: str) -> None:
    labeling = xml.SubElement(root, "labeling", type="simple")
    settings = xml.SubElement(labeling, "settings", calloutType="simple")
    expression = f"coalesce(\"structure_id\", '') || '\\n' || coalesce(\"{column}\", '')"
    style = xml.SubElement(
        settings, "text-style", fieldName=expression, isExpression="1", fontSize="8", textColor="20,20,20,255"
    )
    xml.SubElement(
        style, "text-buffer", bufferDraw="1", bufferSize="0.8", bufferSizeUnits="MM", bufferColor="255,255,255,255"
    )
    xml.SubElement(
        settings, "rendering", scaleVisibility="1", scaleMin="0", scaleMax="1000", maxNumLabels="2000", drawLabels="1"
    )
    xml.SubElement(settings, "placement", placement="0", dist="2", distUnits="MM")


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},255"


SLD_SHAPES = {"square": "square", "diamond": "triangle", "cross_fill": "cross"}


def style_sld(style: Style) -> str:
    """The same by the open Styled Layer Descriptor standard (OGC, version 1.1)."""
    rules = "".join(
        f"<se:Rule><se:Name>{word}</se:Name><se:Description><se:Title>{word}: {style.meaning[word]}</se:Title>"
        "</se:Description>"
        f'<ogc:Filter xmlns:ogc="http://www.opengis.net/ogc"><ogc:PropertyIsEqualTo><ogc:PropertyName>'
        f"{style.attribute}</ogc:PropertyName><ogc:Literal>{word}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
        f"<se:PointSymbolizer><se:Graphic><se:Mark><se:WellKnownName>{SLD_SHAPES[shape]}</se:WellKnownName><se:Fill>"
        f'<se:SvgParameter name="fill">{colour}</se:SvgParameter></se:Fill></se:Mark><se:Size>{float(size) * 4:g}'
        "</se:Size></se:Graphic></se:PointSymbolizer></se:Rule>"
        for word, (shape, colour, size) in style.symbols.items()
    )
    return (
        '<StyledLayerDescriptor xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se"'
        ' version="1.1.0">'
        f"<NamedLayer><se:Name>{style.layer}</se:Name><UserStyle><se:Name>{style.attribute}</se:Name><se:FeatureTypeStyle>{rules}"
        "</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )
