"""The command line, called as a user calls it."""

from __future__ import annotations

from click.testing import CliRunner

from geoadjust.cli import main


def run(*words: object, code: int = 0) -> str:
    """What `geoadjust WORDS` prints; it must end with this exit code."""
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == code, done.output
    return done.output
