"""geoadjust: brings street castings to grade."""

__version__ = "0.1.0"
