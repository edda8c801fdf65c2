"""Cautions that hold for every lesson: before anything spins, and before a gate is wired. A lesson adds its own.

Sources, from memory and not looked up again: distance of magnets from implants, NHS England national patient safety
alert of 19 May 2021 and US FDA, May 2021; swallowed magnets, the same alert and the US CPSC. A school's own rules and
local codes come before all of this.
"""

from __future__ import annotations

__all__ = ["BEFORE_IT_SPINS", "GATE", "SOURCES"]

#: For the start page, before a lesson is chosen.
BEFORE_IT_SPINS = (
    "Your school's safety rules, local codes and your teacher come first.",
    "Wear eye protection. Tie back hair. Keep sleeves and cords away from what spins.",
    "Stand behind the guard or keep your distance. Never spin it faster than 6 turns a second.",
    "Let it come to rest by itself. Do not stop it by hand. Then you may touch it.",
    "Nothing loose may lie on it. Edges must be smooth.",
    "Do you use headphones? Turn the volume down before you play a sound.",
    "An idea of your own may change the apparatus: a heavier rim, a solvent. Ask your teacher, and wait for a yes.",
)

#: For those who wire a gate of their own.
GATE = (
    "Use low voltage only: a battery, or the computer's USB port. No mains on the bench.",
    "Unplug it before you join or change a wire.",
    "Never join the two ends of a battery by a wire. It gets hot and can burn.",
    "Do not look into the beam. Use a laser only if your teacher says so, and never at eye height.",
    "Clamp the stand. Tie the cable down, so that nobody trips and nothing reaches what spins.",
    "Do local codes ask for a qualified person? Then let that person do the wiring.",
)

#: Where the distances and the advice on swallowed magnets come from, for the teacher.
SOURCES = (
    "Magnets and implants: NHS England, national patient safety alert of 19 May 2021; US FDA, May 2021. Swallowed "
    "magnets: the same alert; US CPSC. Named from memory: read them, and what your authority says today."
)
