"""The corpus of the fuzzer: seeds and whatever once broke a target, judged as the fuzzer judges."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoadjust.errors import Fault, InputError
from tests.long import targets

CORPUS = Path(__file__).parents[2] / "fixtures" / "fuzz"
FILES = sorted(path for path in CORPUS.rglob("*") if path.is_file() and path.name != "README.md")


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_every_file_of_the_corpus(path: Path) -> None:
    targets.TARGETS[path.parent.name](path.read_bytes())


def test_every_target_has_a_corpus() -> None:
    assert {path.parent.name for path in FILES} == set(targets.TARGETS)


def test_a_message_that_is_not_for_people_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(path: Path) -> None:
        raise InputError(Fault("job", "x" * 10_000))

    monkeypatch.setattr(targets, "read_job", broken)
    with pytest.raises(AssertionError):
        targets.job(b"")
