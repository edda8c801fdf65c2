"""Cards on which a student writes or ticks: predictions, observations, an explanation, whose runs count.

What is typed is kept, sealed or not: `keep_drafts` brings back what was never saved, `save_entries` says what became
of an entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import ipywidgets as widgets

from ..errors import KitError
from ..lessons.lesson import Question
from ..lessons.own_runs import LESSON, ORIGINS
from ..lessons.progress import Progress
from ..record.entries import BANDS, Band, Kind, Moment
from ..record.workbook import Workbook
from ..wording import count_of
from .parts import KitBox, Status, action, choice_of, heading, note, text_area

__all__ = [
    "CONFIDENCE",
    "EXPLANATION",
    "DataSources",
    "ExplanationCard",
    "ObservationBox",
    "PredictionCard",
    "answer_html",
    "keep_drafts",
    "save_entries",
]

#: Three bands of confidence: what the student reads, and what is saved.
CONFIDENCE = {
    Band.LOW.value: "I am not sure (right less than 6 times in 10)",
    Band.MIDDLE.value: "I am fairly sure (right 6 to 9 times in 10)",
    Band.HIGH.value: "I am very sure (right more than 9 times in 10)",
}

#: The parts of an explanation and how each is asked for.
EXPLANATION = {
    "claim": "Your claim: one sentence that answers the question.",
    "evidence": "Your evidence: which measurements speak for it? Give values with their uncertainty.",
    "reasoning": "Your reasoning: why does the evidence support the claim?",
    "rebuttal": "Against it: what could somebody object, and what do you say to that?",
}

FIRST, DISCUSSED, END = (moment.value for moment in Moment)


class PredictionCard(KitBox):
    """A question with choices, a reason and a confidence; sealed first, answered again after talking.

    Parameters
    ----------
    question : from the lesson.
    workbook : where answers go, as entries of kind `prediction:<question id>`.
    stage : the stage that is saved with them.
    moment : "end" asks only for a last answer; by default the card asks for the first answer, then for another
        one after the discussion.
    """

    def __init__(self, question: Question, workbook: Workbook, stage: str = "predict", moment: str | None = None):
        super().__init__()
        self.question, self.workbook, self.stage, self._only = question, workbook, stage, moment
        self.kind = Kind.PREDICTION.of(question.id)
        self.choice = widgets.RadioButtons(
            options=[(choice.text, choice.id) for choice in self._in_order()],
            value=None,
            layout=widgets.Layout(width="auto"),
        )
        self.reason = text_area("Why do you think so?")
        self.confidence = choice_of("How sure are you?", [(words, band) for band, words in CONFIDENCE.items()])
        self.confidence.value = None
        self.save_button = action("", self._save)
        self.message = Status()
        keep_drafts(self.reason, workbook, stage, Kind.DRAFT.of(self.kind), self.message, saved_as=self.kind)
        self._show()

    def _in_order(self):
        """The lesson's order, or for this group a shuffled one that stays the same."""
        choices = list(self.question.choices)
        if self.question.shuffle:
            from hashlib import sha256

            group = f"{self.workbook.code}{self.question.id}"
            choices.sort(key=lambda choice: sha256((group + choice.id).encode()).digest())
        return choices

    @property
    def answers(self) -> list[dict]:
        """All answers saved so far, oldest first."""
        return [entry.value for entry in self.workbook.history(self.kind)]

    @property
    def moment(self) -> str:
        """What the next answer will be saved as."""
        return self._only or (DISCUSSED if self.answers else FIRST)

    def _show(self) -> None:
        answers = self.answers
        self.save_button.description = "Seal my answer" if self.moment == FIRST else "Save this answer"
        self.save_button.tooltip = "A sealed answer stays as it is." if self.moment == FIRST else ""
        earlier = [widgets.HTML(answer_html(self.question, answer)) for answer in answers]
        invite = {
            FIRST: "Choose one answer.",
            DISCUSSED: "Now talk with others. Then answer again. You may keep your answer or change it. "
            "You need not write a reason again.",
            END: "What would you answer now? A reason is welcome, but you may leave it out.",
        }[self.moment]
        self.children = (
            heading(self.question.text),
            *earlier,
            note(invite),
            self.choice,
            self.reason,
            self.confidence,
            self.save_button,
            self.message,
        )

    def _save(self) -> None:
        missing = self._missing()
        if missing:
            self.message.error(missing)
            return
        answer = {
            "choice": self.choice.value,
            "reason": self.reason.value.strip(),
            "confidence": self.confidence.value,
        }
        try:
            answer["moment"] = self.moment
            self.workbook.add(self.stage, self.kind, answer, sealed=answer["moment"] == FIRST)
        except KitError as error:
            self.message.error(error)
            return
        self._show()
        self.choice.value = self.confidence.value = None
        self.reason.value = ""
        self.message.say("Saved and sealed." if answer["moment"] == FIRST else "Saved. Your earlier answers are kept.")

    def _missing(self) -> str:
        if self.choice.value is None:
            return "Not saved yet: choose an answer first."
        if self.moment == FIRST and not self.reason.value.strip():
            return "Not saved yet: write a reason in your own words. A few words are enough."
        if self.confidence.value is None:
            return "Not saved yet: say how sure you are."
        return ""


def answer_html(question: Question, answer: Mapping[str, str]) -> str:
    """One saved answer as HTML, every text escaped."""
    label = {FIRST: "Your first answer (sealed)", DISCUSSED: "After the discussion", END: "At the end"}
    texts = {choice.id: choice.text for choice in question.choices}
    choice = texts.get(answer["choice"], answer["choice"])
    band = Band.of(answer["confidence"])
    sure = f"I am {BANDS[band]}" if band else answer["confidence"]
    return (
        f'<div class="kit-answer"><p><b>{label.get(answer["moment"], "Answer")}:</b> {escape(choice)}</p>'
        f"<p>{escape(answer['reason'])}</p><p><i>{escape(sure)}</i></p></div>"
    )


class ObservationBox(KitBox):
    """What a student sees, in their own words, before anything is explained. Saved as `observation:<topic>`.

    `ask` stands above the box, `save` on its button.
    """

    def __init__(
        self,
        workbook: Workbook,
        stage: str,
        topic: str,
        ask: str = "What do you see?",
        save: str = "Save what I see",
    ):
        super().__init__()
        self.workbook, self.stage, self.kind = workbook, stage, Kind.OBSERVATION.of(topic)
        self.text = text_area(ask, workbook.latest(self.kind, ""))
        self.message = Status()
        self.save_button = action(save, self._save)
        keep_drafts(self.text, workbook, stage, Kind.DRAFT.of(self.kind), self.message, saved_as=self.kind)
        self.children = (self.text, self.save_button, self.message)

    def _save(self) -> None:
        if not self.text.value.strip():
            self.message.error("Not saved yet: there is nothing written.")
            return
        save_entries(self.message, self.workbook, self.stage, {self.kind: self.text.value.strip()})


class ExplanationCard(KitBox):
    """Claim, evidence, reasoning, rebuttal. Live values can be put into the evidence by a button.

    Parameters
    ----------
    kind : what it is saved as, such as "claim:level".
    evidence : sentences with values and uncertainties that the student may insert (McNeill & Krajcik's scheme).
    """

    def __init__(
        self,
        workbook: Workbook,
        stage: str = "explain",
        evidence: tuple[str, ...] = (),
        kind: str = Kind.EXPLANATION,
    ):
        super().__init__()
        self.workbook, self.stage, self.kind = workbook, stage, kind
        self.message = Status()
        saved = workbook.latest(kind, {})
        self.boxes = {part: text_area(ask, saved.get(part, "")) for part, ask in EXPLANATION.items()}
        for part, box in self.boxes.items():
            keep_drafts(box, workbook, stage, Kind.DRAFT.of(kind, part), self.message, saved_as=kind)
        words = "Save my explanation" if kind == Kind.EXPLANATION else "Save my answer to this claim"
        self.save_button = action(words, self._save)
        self.offer(evidence)

    def offer(self, evidence: tuple[str, ...]) -> None:
        """Offer these sentences for the evidence, in place of those offered so far."""
        self.inserts = [_insert_button(sentence, self.boxes["evidence"]) for sentence in evidence]
        offered = (note("Values from your data that you can put in:"), *self.inserts) if self.inserts else ()
        claim, given, *rest = self.boxes.values()
        self.children = (claim, given, *offered, *rest, self.save_button, self.message)

    def _save(self) -> None:
        written = {part: box.value.strip() for part, box in self.boxes.items()}
        if not any(written.values()):
            self.message.error("Not saved yet: there is nothing written.")
            return
        if save_entries(self.message, self.workbook, self.stage, {self.kind: written}):
            empty = [part for part, text in written.items() if not text]
            self.message.say("Saved." + (f" Still empty: {', '.join(empty)}." if empty else ""))


def _insert_button(sentence: str, box: widgets.Textarea) -> widgets.Button:
    def insert():
        box.value = f"{box.value.rstrip()}\n{sentence}".strip()

    return action(f"Insert: {sentence}", insert, tooltip="Put this into your evidence")


# --- what is saved ------------------------------------------------------------------------------------------------


def keep_drafts(area, workbook: Workbook, stage: str, kind: str, message: Status, saved_as: str) -> None:
    """Save what is typed whenever the field is left, and bring it back if it was never saved properly."""
    drafts, saved = workbook.history(kind), workbook.history(saved_as)
    if drafts and (not saved or drafts[-1].n > saved[-1].n):
        area.value = drafts[-1].value

    def keep(change):
        try:
            if change["new"].strip() and change["new"] != workbook.latest(kind, ""):
                workbook.add(stage, kind, change["new"])
        except KitError as error:
            message.error(error)

    area.observe(keep, "value")


def save_entries(message: Status, workbook: Workbook, stage: str, entries: Mapping[str, object]) -> bool:
    """Save entries (kind: value) and say so; where one can't be saved, say why and return False."""
    try:
        for kind, value in entries.items():
            workbook.add(stage, kind, value)
    except KitError as error:
        message.error(error)
        return False
    message.say("Saved.")
    return True


# --- whose runs count ---------------------------------------------------------------------------------------------

WORDS = {LESSON: "the lesson's runs", **ORIGINS}


class DataSources(KitBox):
    """Tick the sources whose runs count in every stage. The choice is saved as an entry of kind `sources`."""

    def __init__(self, progress: Progress, stage: str):
        super().__init__()
        self.progress, self.stage = progress, stage
        self.boxes: dict[str, widgets.Checkbox] = {}
        self.message = Status()
        self.use_button = action("Use these runs", self._use)
        self.refresh()

    def refresh(self) -> None:
        """Show what there is now."""
        there = {LESSON: len(self.progress.lesson_runs)} | self.progress.own.counts()
        used = self.progress.sources
        self.boxes = {
            source: widgets.Checkbox(
                value=source in used,
                description=f"{WORDS[source]}: {count_of(count, 'run')}",
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
            self.message.error(error)
        else:
            used = " and ".join(WORDS[source] for source in chosen)
            again = "To see them, run the page again: menu Run, Run All Cells."
            self.message.say(f"Saved. From now on you use {used}. {again}")
