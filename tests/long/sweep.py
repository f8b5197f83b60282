"""What a sweep found: cases by outcome, and every case that went wrong."""

from __future__ import annotations

import json
import time
from collections import Counter
from dataclasses import dataclass, field

SHOWN = 20


@dataclass(slots=True)
class Sweep:
    """Counts and failures of one sweep."""

    name: str
    seed: int = 0
    cases: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    begun: float = field(default_factory=time.monotonic)

    def note(self, outcome: str, fault: str = "") -> None:
        """One case; `fault` says what went wrong with it."""
        self.cases += 1
        self.outcomes[outcome] += 1
        if fault:
            self.failures.append(fault)

    def as_json(self) -> str:
        """For another process."""
        return json.dumps({name: getattr(self, name) for name in ("name", "seed", "cases", "outcomes", "failures")})

    @classmethod
    def from_json(cls, text: str) -> Sweep:
        """From another process."""
        told = json.loads(text)
        return cls(**{**told, "outcomes": Counter(told["outcomes"])})

    def lines(self) -> list[str]:
        """The result in words."""
        counted = ", ".join(f"{name} {count}" for name, count in sorted(self.outcomes.items()))
        seconds = time.monotonic() - self.begun
        head = f"{self.name}: {self.cases} cases in {seconds:.0f} s (seed {self.seed}): {counted}"
        shown = [f"  FAILED {fault}" for fault in self.failures[:SHOWN]]
        more = [f"  ... and {len(self.failures) - SHOWN} more"] if len(self.failures) > SHOWN else []
        return [head, *shown, *more, f"{self.name}: {len(self.failures)} failures"]
