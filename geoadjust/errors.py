"""Everything that can go wrong, as exceptions that help and travel.

    GeoadjustError                exit 1
      UsageError                  exit 2   the command line itself
      InputError                  exit 3   job or source; carries every fault found
      IncompleteError             exit 4   done, but some structures were not computed (--strict)
      OutputError                 exit 5   the result could not be written
      OutputBusyError             exit 6   would overwrite, or another run holds the folder

A *fault* says what is wrong, which value was seen, what is allowed and what to write instead.
All classes survive pickling, so that a worker's error reaches the user unchanged.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

LONGEST = 1000
"""Letters of a part of a fault that are shown."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a source or a setting.

    Parameters
    ----------
    where : str
        The thing: a file, a job key such as ``surface.vertical_unit``, a column.
    what : str
        What is wrong with it, with the value that was seen.
    allowed : str
        What would be accepted; empty where the remedy says it all.
    remedy : str
        What the user can write or do.

    Examples
    --------
    >>> print(Fault("surface.vertical_unit", "missing", "m, ft or us-ft", 'write vertical_unit = "m"'))
    surface.vertical_unit: missing (allowed: m, ft or us-ft) -> write vertical_unit = "m"
    """

    where: str
    what: str
    allowed: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        where, what, allowed, remedy = (_shortened(text) for text in (self.where, self.what, self.allowed, self.remedy))
        allowed = f" (allowed: {allowed})" if allowed else ""
        return f"{where}: {what}{allowed}{f' -> {remedy}' if remedy else ''}"

    def about(self, path: str) -> Fault:
        """The same fault, with the file that it is about, where it does not name it yet.

        >>> print(Fault("surface.crs", "is not a known CRS").about("roads/a.las"))
        surface.crs: roads/a.las: is not a known CRS
        """
        named = not path or path.rpartition("/")[2] in str(self)
        return self if named else Fault(self.where, f"{path}: {self.what}", self.allowed, self.remedy)


def _shortened(text: str) -> str:
    """A text of a stranger may be a megabyte long, and a layer may have thousands of columns.

    >>> _shortened("x" * 5000)[-30:]
    'xxxxxxx... (4000 letters more)'
    """
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}... ({len(text) - LONGEST} letters more)"


class GeoadjustError(Exception):
    """Base of all errors that geoadjust raises on purpose."""

    exit_code = 1


class UsageError(GeoadjustError):
    """The command line cannot be understood."""

    exit_code = 2


class InputError(GeoadjustError):
    """A job or a source is invalid; `faults` lists everything that was found, not only the first."""

    exit_code = 3

    def __init__(self, faults: Fault | Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class IncompleteError(GeoadjustError):
    """The run is done and written, but some structures could not be computed and --strict was given."""

    exit_code = 4


class OutputError(GeoadjustError):
    """The result could not be written; the message names the true cause."""

    exit_code = 5


class OutputBusyError(GeoadjustError):
    """The target exists, holds files that are not ours, or another run is writing there."""

    exit_code = 6
