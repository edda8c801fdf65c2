"""Whose runs count: the lesson's, the group's own, or both beside each other."""

from __future__ import annotations

import ipywidgets as widgets

from ..errors import KitError
from ..own_runs import LESSON, ORIGINS
from ..progress import Progress
from .parts import Say, action, heading, note

__all__ = ["DataSources"]

WORDS = {LESSON: "the lesson's runs", **ORIGINS}


class DataSources(widgets.VBox):
    """Tick the sources whose runs count in every stage. The choice is saved as an entry of kind `sources`."""

    def __init__(self, progress: Progress, stage: str):
        super().__init__()
        self.add_class("kit-box")
        self.progress, self.stage = progress, stage
        self.boxes: dict[str, widgets.Checkbox] = {}
        self.message = Say()
        self.use_button = action("Use these runs", self._use)
        self.refresh()

    def refresh(self) -> None:
        """Show what there is now."""
        there = {LESSON: len(self.progress.lesson_runs)} | self.progress.own.counts()
        used = self.progress.sources
        self.boxes = {
            source: widgets.Checkbox(
                value=source in used,
                description=f"{WORDS[source]}: {count} run{'s' if count != 1 else ''}",
                indent=False,
            )
            for source, count in there.items()
        }
        alone = [] if len(there) > 1 else [note("Runs that you make yourself will show here.")]
        choose = [self.use_button, self.message] if len(there) > 1 else []
        self.children = (heading("Whose runs do you use?"), *self.boxes.values(), *alone, *choose)

    def _use(self) -> None:
        chosen = [source for source, box in self.boxes.items() if box.value]
        try:
            self.progress.use_sources(self.stage, *chosen)
        except KitError as error:
            self.message.refuse(error)
        else:
            used = " and ".join(WORDS[source] for source in chosen)
            self.message.say(f"Saved. From now on you use {used}. Run the cells below again to see them.")
