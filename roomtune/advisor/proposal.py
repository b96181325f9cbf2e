"""One step of advice, and all of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from roomtune.advisor.prediction import Prediction
from roomtune.processor.tuning import Tuning


@dataclass(frozen=True)
class Proposal:
    """One change, why, what it should do, how sure, and what was refused.

    `effect_db` is the expected improvement of the quantity named in `effect`,
    with its uncertainty, where it can be told in dB. `figures`: columns of a
    table that belongs to it, by name with unit.
    """

    step: str
    subject: str
    change: str
    evidence: str
    effect: str
    effect_db: float | None = None
    uncertainty_db: float | None = None
    refused: tuple[str, ...] = ()
    figures: dict[str, tuple[float | str, ...]] = field(default_factory=dict)

    def __str__(self) -> str:
        lines = [f"{self.subject}: {self.change}", f"  because {self.evidence}"]
        if self.effect:
            lines.append(f"  effect: {self.effect}{self._spread}")
        lines += [f"  not done: {text}" for text in self.refused]
        return "\n".join(lines)

    @property
    def _spread(self) -> str:
        """The uncertainty in words; 0 is what follows from the tuning alone."""
        if self.uncertainty_db is None:
            return ""
        return f" (± {self.uncertainty_db:g} dB)" if self.uncertainty_db else " (exact)"


@dataclass(frozen=True, eq=False)
class Advice:
    """A complete tuning, the proposals that led to it, and both predictions."""

    tuning: Tuning
    proposals: tuple[Proposal, ...]
    prediction: Prediction
    before: Prediction
    starting: Tuning
