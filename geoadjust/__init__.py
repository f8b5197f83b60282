"""geoadjust: brings street castings to grade.

In Python: `geoadjust.schedule(structures, surface, ...)` computes, `geoadjust.open_set(folder)` opens a result.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geoadjust.api.result import Schedule, open_set
    from geoadjust.api.schedule import schedule

__version__ = "0.1.0"
__all__ = ["Schedule", "__version__", "open_set", "schedule"]

_PLACES = {"Schedule": "result", "open_set": "result", "schedule": "schedule"}


def __getattr__(name: str) -> Any:
    """What needs numpy and more is imported when it is asked for."""
    if name not in _PLACES:
        raise AttributeError(f"module 'geoadjust' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"geoadjust.api.{_PLACES[name]}"), name)
