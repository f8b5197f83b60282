"""geoadjust: brings street castings to grade."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("geoadjust")
except PackageNotFoundError:  # run from a source tree that is not installed
    __version__ = "0+unknown"
