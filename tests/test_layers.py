"""The layers hold: imports are read from the source text, and every module belongs to one layer."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "geoadjust"
ROOT = PACKAGE.parent

LAYERS = {
    "errors": (),
    "units": ("errors",),
    "core": ("errors", "units"),
    "process": ("errors", "units", "core"),
    "io": ("errors", "units", "core", "process"),
    "report": ("errors", "units", "core", "process"),
    "cluster": ("errors",),
    "engine": ("errors", "cluster"),
    "run": ("errors", "units", "core", "process", "io", "report", "engine"),
    "commands": ("errors", "core", "engine", "process", "io", "report", "run"),
    "api": ("errors", "process", "io", "run"),
    "cli": ("errors", "engine", "process", "io", "report", "run", "commands"),
    "": ("api",),
}
"""What each layer may import besides itself and the package's version; '' is `geoadjust/__init__.py`."""

CORE_ONLY = {"numpy"}
START_UP = (
    "errors",
    "units",
    "core.rules",
    "core.settings",
    "core.columns",
    "core.inputs",
    "core.flags",
    "process",
    "cli",
)
OUTSIDE = {
    "geoadjust.process": {"pydantic"},
    "geoadjust.core.settings": {"pydantic_core"},
    "geoadjust.cli": {"click", "tqdm"},
}


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if "plugin" not in path.parts)


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer(module: str) -> str:
    return module.removeprefix("geoadjust").removeprefix(".").partition(".")[0]


def imports(path: Path, *, deferred: bool = True) -> set[str]:
    """Modules that a file imports, from its text; without `deferred`, only those imported at once."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = ast.walk(tree) if deferred else tree.body
    found = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(str(node.module))
            found |= {f"{node.module}.{name.name}" for name in node.names if (PACKAGE / f"{name.name}.py").exists()}
    return found


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_arrows_point_one_way(path: Path) -> None:
    own = layer(dotted(path))
    assert own in LAYERS, f"{path} belongs to no layer"
    ours = {layer(name) for name in imports(path) if name.split(".")[0] == "geoadjust"} - {own, ""}
    assert ours <= set(LAYERS[own])


@pytest.mark.parametrize(
    "path", [path for path in modules() if layer(dotted(path)) in ("core", "errors", "units")], ids=dotted
)
def test_core_needs_numpy_alone(path: Path) -> None:
    foreign = {name.split(".")[0] for name in imports(path)} - {"geoadjust", "__future__"}
    foreign -= set(sys.stdlib_module_names)
    assert foreign <= CORE_ONLY | OUTSIDE.get(dotted(path), set())


@pytest.mark.parametrize("module", START_UP)
def test_declarations_need_no_numpy_to_start(module: str) -> None:
    code = f"import sys, geoadjust.{module}; sys.exit('numpy' in sys.modules or 'pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_core_knows_no_files_clocks_or_logs() -> None:
    banned = {"os", "pathlib", "io", "time", "datetime", "logging", "shutil", "tempfile", "sqlite3"}
    for path in (PACKAGE / "core").glob("*.py"):
        assert not imports(path) & banned, path
        assert "open(" not in path.read_text(encoding="utf-8"), path


def test_modules_are_short() -> None:
    long = {dotted(path): path.read_text(encoding="utf-8").count("\n") for path in modules()}
    assert {name for name, lines in long.items() if lines > 460} == set()


def test_core_package_is_empty() -> None:
    assert (PACKAGE / "core" / "__init__.py").read_text() == ""


def test_top_level_entries() -> None:
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split(
        "\n"
    )
    if not any(names):
        names = [path.name for path in ROOT.iterdir() if not path.name.startswith(".")]
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "geoadjust", "tests", "fixtures", "docs"}
    top = {name.split("/")[0] for name in names if name}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_help_starts_without_the_libraries() -> None:
    code = (
        "import sys, geoadjust.cli as c\n"
        "try: c.main(['schedule', '--help'])\n"
        "except SystemExit as end: assert not end.code, end\n"
        "heavy = {'numpy', 'pandas', 'pyogrio', 'rasterio', 'pyproj', 'fiona', 'shapely', 'pydantic', 'pyarrow'}\n"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "--mill" in done.stdout
