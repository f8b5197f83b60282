"""The corpus of the fuzzer: seeds and whatever once broke a target, judged as the fuzzer judges."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoadjust.errors import InputError
from tests.long import targets

CORPUS = Path(__file__).parents[2] / "fixtures" / "fuzz"
FILES = sorted(path for path in CORPUS.rglob("*") if path.is_file() and path.name != "README.md")


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_every_file_of_the_corpus(path: Path) -> None:
    targets.TARGETS[path.parent.name](path.read_bytes())


def test_every_target_has_a_corpus() -> None:
    assert {path.parent.name for path in FILES} == set(targets.TARGETS)


@pytest.mark.parametrize("bug", [InputError(()), KeyError("a"), RecursionError()])
def test_whatever_is_no_fault_in_words_breaks_a_target(monkeypatch: pytest.MonkeyPatch, bug: Exception) -> None:
    def broken(path: Path) -> None:
        raise bug

    monkeypatch.setattr(targets, "read_job", broken)
    with pytest.raises((AssertionError, KeyError, RecursionError)):
        targets.job(b"")
