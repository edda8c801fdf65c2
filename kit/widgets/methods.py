"""Two ways to count beside each other: the lesson's earlier counts by hand, the group's own count, and the gate."""

from __future__ import annotations

import ipywidgets as widgets

from ..lessons.by_hand import against_earlier, kept_pairs
from ..lessons.progress import Progress
from ..record.entries import QUANTITIES, Kind
from .cards import save_entries
from .parts import KitBox, Status, heading, note
from .views import AgreementView, agreement_plot

__all__ = ["EarlierCounts", "earlier_counts_again"]

NONE = "This lesson has no earlier counts by hand."
NOT_THE_SAME = "The counts by hand are the lesson's. So a difference below need not come from the way of counting."


class EarlierCounts(KitBox):
    """The lesson's earlier counts by hand against the gate's averages, for both quantities; own counts beside them.

    `refresh()` shows what there is now.
    """

    def __init__(self, progress: Progress):
        self.progress = progress
        super().__init__()
        self.refresh()

    def refresh(self) -> None:
        """Show the earlier counts, and the own ones that were kept by now."""
        own, x_label = list(kept_pairs(self.progress.workbook).values()), self.progress.lesson.x_label
        moved = self.progress.moved_words
        parts: list[widgets.Widget] = [note(f"{moved} {NOT_THE_SAME}")] if moved else []
        for quantity, (words, unit) in QUANTITIES.items():
            found = self.progress.hand_against_gate(quantity)
            if found is None:
                self.children = (note(NONE),)
                return
            pairs = [pair.both(quantity) for pair in own]
            plot = agreement_plot(found, unit, x_label, ("hand", "gate"), pairs)
            said = against_earlier(found, own, quantity, self.progress.lesson.x_words)
            parts += [heading(f"{words.capitalize()}: by hand minus by gate"), plot]
            parts += [note(sentence) for sentence in (found.sentence, *said)]
        self.children = tuple(parts)


def earlier_counts_again(progress: Progress, stage: str, quantity: str) -> widgets.Widget:
    """The earlier counts once more: first whether both measure the same thing, then the differences."""
    found = progress.hand_against_gate(quantity)
    if found is None:
        return KitBox([note(NONE)])
    words, unit = QUANTITIES[quantity]
    pairs = [found.pairs[name].tolist() for name in ("x", "first", "second")]
    own = list(kept_pairs(progress.workbook).values())
    view = AgreementView(
        *pairs,
        x_name=progress.lesson.x,
        unit=unit,
        own=[pair.both(quantity) for pair in own],
        own_words=against_earlier(found, own, quantity, progress.lesson.x_words),
    )
    say, kind = Status(), Kind.SAME_THING.of(quantity)
    view.same_thing = progress.workbook.latest(kind, "")

    def save(change) -> None:
        if change["new"]:
            save_entries(say, progress.workbook, stage, {kind: change["new"]})

    view.observe(save, "same_thing")
    return KitBox([heading(f"{words.capitalize()}: by hand minus by gate"), view, say])
