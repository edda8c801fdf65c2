"""One cycle of comparing: two measured values, how far apart they are for their uncertainty, what to do next.

The scale is t′ of Holmes & Bonn, "Quantitative comparisons to promote inquiry in the introductory physics lab",
Phys. Teach. 53 (2015) 352; that a decision follows each comparison, and the next comparison that decision, is from
Holmes, Wieman & Bonn, PNAS 112 (2015) 11199.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from .effects import band, t_prime
from .errors import KitError
from .wording import number, plus_minus

__all__ = ["DECISIONS", "Comparison", "Measured", "compare"]

#: What can follow a comparison: what is saved, and how it is offered.
DECISIONS = {
    "improve": "Make the measurement better",
    "repeat": "Measure once more",
    "revise": "Change the model",
    "accept": "Leave it as it is",
}


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty `u`, in `unit`, and what it is called."""

    label: str
    value: float
    u: float
    unit: str = ""

    def __post_init__(self):
        if not self.label.strip():
            raise KitError("A value needs a name", fix="say what it is, such as: 2 magnets, group B")
        if not isfinite(self.value):
            raise KitError("A value must be a number", found=self.value, fix="use digits, such as 12.5")
        if not (isfinite(self.u) and self.u > 0):
            raise KitError("An uncertainty must be a number above zero", found=self.u, fix="use digits, such as 0.4")

    def __str__(self) -> str:
        return f"{self.label}: {plus_minus(self.value, self.u, self.unit)}"


@dataclass(frozen=True)
class Comparison:
    """Two values compared. `suggests` is what t′ alone suggests; the decision is the group's."""

    first: Measured
    second: Measured
    t_prime: float
    suggests: str

    @property
    def sentence(self) -> str:
        """The comparison in one sentence."""
        difference = abs(self.first.value - self.second.value)
        u = (self.first.u**2 + self.second.u**2) ** 0.5
        apart = plus_minus(difference, u, self.first.unit)
        return f"They are {apart} apart. So t′ = {number(self.t_prime, 2)}: {self.suggests}."

    def entry(self, decision: str, why: str) -> dict[str, str | float]:
        """What the workbook keeps of this cycle. Raises `KitError` for an unknown decision or an empty reason."""
        if decision not in DECISIONS:
            raise KitError("Choose what to do next", found=decision or None, fix=f"one of: {', '.join(DECISIONS)}")
        if not why.strip():
            raise KitError("Say why, in a few words of your own", fix="for example: the two ranges overlap")
        sides = {
            f"{side}{suffix}": value
            for side, m in (("first", self.first), ("second", self.second))
            for suffix, value in (("", m.label), ("_value", m.value), ("_u", m.u))
        }
        return sides | {
            "unit": self.first.unit,
            "t_prime": self.t_prime,
            "suggests": self.suggests,
            "decision": decision,
            "why": why.strip(),
        }


def compare(first: Measured, second: Measured) -> Comparison:
    """Compare two values of the same unit; their uncertainties are taken as independent.

    Raises
    ------
    KitError : the same value twice, or two units.
    """
    if first == second:
        raise KitError("These are the same value", found=first.label, fix="choose two different ones")
    if first.unit != second.unit:
        units = " and ".join(m.unit or "a plain number" for m in (first, second))
        raise KitError("Only values of one unit can be compared", found=units, fix="choose two of the same kind")
    t = t_prime(first.value, first.u, second.value, second.u)
    return Comparison(first, second, t, band(t))
