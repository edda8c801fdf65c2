"""Cautions that hold for every lesson: before anything spins, and before a gate is wired. A lesson adds its own.

Sources, from memory and not looked up again: distance of magnets from implants, NHS England national patient safety
alert of 19 May 2021 and US FDA, May 2021; swallowed magnets, the same alert and the US CPSC. A school's own rules and
local codes come before all of this.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["BEFORE_IT_SPINS", "BY_WHAT_IS_THERE", "GATE", "SOURCES", "safety_notes"]

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

#: For a teacher to tick: what is there, and what a lesson then says of it. {it} is what spins.
BY_WHAT_IS_THERE = {
    "magnets": (
        "Count the magnets out and count them in again. Keep them from small children and out of every mouth.",
        "One swallowed magnet, with another one or with metal, can tear holes in the gut. Does anybody only suspect "
        "it? Get emergency help at once. Do not wait for pain.",
        "Do you have an implant, such as a heart pacemaker? Do not handle the magnets. Keep the distance that its "
        "maker or your doctor says, and at least 15 cm (NHS England and US FDA, May 2021).",
        "Keep your fingers out of the gap between two magnets, and between a magnet and metal. They pinch. They can "
        "also splinter, and splinters fly.",
        "Keep magnets away from bank cards, phones and disks.",
    ),
    "liquids": (
        "Water makes the floor slippery. Wipe it up at once.",
        "Drops fly off what spins. Stand where they cannot hit you, and keep liquids away from sockets and computers.",
        "Use water only. Another liquid needs a yes from your teacher first.",
    ),
    "heavy rim": (
        "A heavy rim holds a lot of energy and takes long to stop.",
        "Check before each run that nothing on the rim can come loose.",
        "Nobody stands beside the rim, where a loose part would fly.",
    ),
    "high speed": (
        "Agree on the fastest speed with your teacher, and stay below it. A guard must stand between you and the {it}.",
        "Spread what you add evenly round the {it}. One side alone makes it shake.",
    ),
    "mains nearby": (
        "Mains voltage can kill. Keep mains plugs, leads and supplies away from the {it} and from water.",
        "Is a mains device damaged or wet? Do not touch it. Tell your teacher.",
        "Do local codes ask for a qualified person? Then let that person do all mains wiring.",
    ),
    "noise": ("Does it get loud? Stop, and keep your distance. With headphones, turn the volume down first.",),
}


def safety_notes(it: str = "wheel", ticked: Sequence[str] = ()) -> tuple[str, ...]:
    """The cautions of a lesson: those for whatever spins, then those for what is ticked of `BY_WHAT_IS_THERE`.

    >>> safety_notes("wheel", ["noise"])[-2]
    'Does it get loud? Stop, and keep your distance. With headphones, turn the volume down first.'
    """
    always = [
        "Your school's safety rules, local codes and your teacher come first.",
        f"Wear eye protection. Tie back hair. Keep sleeves and cords away from the {it}.",
        "Stand behind the guard or keep your distance. Never spin it faster than 6 turns a second.",
        f"Let the {it} come to rest by itself. Do not stop it by hand. Then you may touch it.",
        f"Nothing loose may lie on the {it}. Fix what you add so that it cannot fly off.",
    ]
    more = [note.format(it=it) for name in ticked for note in BY_WHAT_IS_THERE[name]]
    ask = "Ask your teacher first, and wait for a yes."
    return (*always, *more, f"Do you plan a test of your own, such as a heavier rim or a solvent? {ask}")


#: Where the distances and the advice on swallowed magnets come from, for the teacher.
SOURCES = (
    "Magnets and implants: NHS England, national patient safety alert of 19 May 2021; US FDA, May 2021. Swallowed "
    "magnets: the same alert; US CPSC. Named from memory: read them, and what your authority says today."
)
