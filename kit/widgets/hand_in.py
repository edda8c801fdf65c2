"""Handing in: Send on each page; at the end a file for the teacher, the workbook, a clean table for the next group."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import ipywidgets as widgets

from ..errors import KitError
from ..record.entries import Kind
from ..record.handin import finish_and_clear, handin_name, make_handin, shown_place, write_handin
from ..record.hosting import idle_notice, is_thrown_away
from ..record.sending import Outbox, Place, SentNow, remember_place, sent_before, where_to_send
from ..record.workbook import NotSaved, Workbook, check_code, friendly_code
from ..wording import count_of
from .parts import (
    UPLOAD_LIMIT,
    KitBox,
    Status,
    action,
    attempt,
    download_link,
    heading,
    note,
    row_of,
    text_line,
    upload_of,
)

__all__ = ["SEND_AFTER", "HandInBox", "SendBox", "WorkbookFile", "save_before_handing_in"]


class WorkbookFile(widgets.VBox):
    """Download the workbook, or put a downloaded one back.

    Parameters
    ----------
    workbook : whose entries.
    lesson : its name goes into the name of the file.
    """

    def __init__(self, workbook: Workbook, lesson: str):
        self.workbook, self.lesson = workbook, lesson
        self.message, self.links = Status(), widgets.HTML()
        self.save_button = action("Download my workbook", lambda: attempt(self.message, self._download))
        self.put_back = upload_of("Put a workbook back", ".jsonl", lambda: attempt(self.message, self._restore))
        super().__init__([row_of(self.save_button, self.put_back), self.message, self.links])

    def _download(self) -> str:
        data = self.workbook.export_bytes()
        if not data:
            raise KitError("Your workbook is still empty", fix="save something first")
        name = f"workbook_{self.lesson}.jsonl"
        self.links.value = download_link(name, data, "application/x-ndjson")
        saved = count_of(len(self.workbook.entries), "entry", "entries")
        return f"Your workbook is ready, with {saved} in it. Click the link to keep it."

    def _restore(self) -> str:
        (file,) = self.put_back.value
        self.put_back.value = ()
        if file["size"] > UPLOAD_LIMIT:
            raise KitError("This file is too large for a workbook", found=f"{file['size']} bytes")
        sentence = self.workbook.restore(bytes(file["content"]))
        return f"{sentence} To see them on the page, run it again: menu Run, Run All Cells."


class HandInBox(KitBox):
    """Choose a code, make the hand-in, take the workbook home or put it back, clear a shared machine.

    Parameters
    ----------
    workbook, lesson : whose entries, and the lesson's name.
    add_results : called before a hand-in is made; returns entries (kind: value) to save with it, such as the results
        table by the group's own thresholds.
    folder : where hand-ins are written: a folder or an address (s3://bucket/class-3b); by default beside the notebook.
        Wherever that is, the group can also download its hand-in.
    class_desk : the address of a class desk that the lesson gives.
    """

    def __init__(
        self,
        workbook: Workbook,
        lesson: str,
        stage: str,
        add_results: Callable[[], Mapping[str, object]] = dict,
        folder: str | Path | None = None,
        class_desk: str = "",
    ):
        self.workbook, self.lesson, self.stage, self._add_results = workbook, lesson, stage, add_results
        self.folder = Path.cwd() if folder is None else folder
        self._gave_folder = folder is not None
        self.made: Path | str | None = None
        self.code = widgets.Text(
            value=workbook.code or "", description="Your group's code", placeholder="amber-otter-1"
        )
        self.code.style.description_width = "initial"
        self.message, self.links, self.cleared = Status(), widgets.HTML(), Status()
        self.make_button = action("Make my hand-in", lambda: attempt(self.message, self._make))
        moment = "claims" if stage == "investigate" else "end"
        self.sender = SendBox(workbook, lesson, stage, moment, add_results, self.code, class_desk)
        self.file = WorkbookFile(workbook, lesson)
        self.clear_button = action("Finish and clear this machine", lambda: attempt(self.cleared, self._clear))
        super().__init__(
            [
                heading("Hand in"),
                note("Choose a code for your group. Do not write names. Leave it empty to get a code by chance."),
                self.code,
                self.sender,
                note("Or make it as a file, to keep and to give to your teacher."),
                self.make_button,
                self.message,
                self.links,
                heading("Your workbook"),
                note(idle_notice() or "Take it with you as a file. On another machine, put it back and go on."),
                self.file,
                heading("On a shared machine"),
                note("Clear it for the next group. This works once your hand-in is made."),
                self.clear_button,
                self.cleared,
            ]
        )

    def _make(self) -> str:
        self.made = None
        self.message.say("")  # whatever happens now, what was said before holds no longer
        self.links.value = ""
        unsaved = save_before_handing_in(self.workbook, self.code, self.stage, self._add_results)
        handin = make_handin(self.workbook, self.code.value, self.lesson)
        # The link comes first: should the place for hand-ins be out of reach, the group still has its file.
        data = json.dumps(handin, ensure_ascii=False).encode()
        self.links.value = download_link(handin_name(handin), data, "application/json")
        self.made = write_handin(handin, self.folder)
        name = str(self.made).replace("\\", "/").rpartition("/")[2]
        if self._gave_folder:
            return f"Your hand-in is made: {name}. Your teacher finds it in {shown_place(self.folder)}.{unsaved}"
        return f"Your hand-in is made: {name}. Download it below and give it to your teacher.{unsaved}"

    def _clear(self) -> str:
        if self.made is None:
            raise KitError("Your hand-in is not made yet", fix="make it first, then clear the machine")
        kept = finish_and_clear(self.workbook, self.made)
        self.links.value = ""
        return f"The workbook is cleared for the next group. It was moved to {kept}. Close these pages now."


# --- Send: a small box on each page that hands in what the group has so far, when the group says so

#: The moments at which a page offers to send, and what the group has just done.
SEND_AFTER = {
    "answers": "your answers",
    "sketch": "your sketch",
    "results": "your results",
    "end": "your explanation and your last answer",
    "claims": "what you say about the claims",
}

ASK_FOR_DESK = "Does your class have a desk? Type the address that your teacher shows. You need to do this once."
NO_SCHOOL_NETWORK = (
    "This page runs on a hosted machine. It can't reach the network of your school. Has your teacher set up a store? "
    "Type its address. If not, make your hand-in as a file in stage 5."
)

TRY_AGAIN_S = (3.0, 5.0, 10.0, 20.0)  # while something waits and the page is open; the last one again and again


class SendBox(KitBox):
    """Hand in what the workbook holds now: to the class's folder, an address, or the class desk.

    Parameters
    ----------
    moment : a key of `SEND_AFTER`.
    add_results : called before a hand-in is made; returns entries (kind: value) to save with it.
    code : a field for the group's code that is on the page already.
    of_lesson : the address of a class desk that the lesson gives.
    beside : the other boxes of the page, which then show too what the group chose in one of them.

    What can't be sent now waits on the disk and goes out later, also after the page or the kernel was closed: any box
    on any page of the lesson sees to it.
    """

    _task: asyncio.Task | None = None  # what goes on sending

    def __init__(
        self,
        workbook: Workbook,
        lesson: str,
        stage: str,
        moment: str,
        add_results: Callable[[], Mapping[str, object]] = dict,
        code: widgets.Text | None = None,
        of_lesson: str = "",
        beside: Sequence[SendBox] = (),
    ):
        if moment not in SEND_AFTER:
            raise KitError("There is no such moment", found=moment, fix=f"use one of: {', '.join(SEND_AFTER)}")
        self.workbook, self.lesson, self.stage, self.moment = workbook, lesson, stage, moment
        self._add_results, self.outbox, self._beside = add_results, Outbox(workbook), beside
        self._of_lesson = of_lesson
        self.message = Status()
        self.send_button = action(f"Send {SEND_AFTER[moment]}", self._press)
        self.send_button.add_class("kit-send")
        self._own_code = code is None
        self.code = code or text_line("Your group's code (leave it empty to get one)", workbook.code or "")
        self.code.placeholder = "amber-otter-1"
        self.address = text_line("Address of your class desk")
        self.address.placeholder = "192.168.1.20:8765/k7mq-x3rt"
        self.keep_button = action("Use this address", lambda: attempt(self.message, self._keep_address))
        self.change_button = action("Another address", self._change)
        self._asks_for_place = False
        super().__init__()
        self._show()
        self._tell_what_was_sent()
        self._view_count = 0  # from now on the page says on how many places this is shown
        self.observe(lambda _: self._go_on(), "_view_count")

    # --- where to, and what -----------------------------------------------------------------------------------------

    @property
    def place(self) -> Place | None:
        """Where it goes; None, if nobody has said."""
        return where_to_send(self.workbook, of_lesson=self._of_lesson)

    def _show(self) -> None:
        try:
            place = self.place
        except KitError as error:  # what the school has set is wrong
            self.children = [note(str(error))]
            return
        if place is None or self._asks_for_place:
            words = NO_SCHOOL_NETWORK if is_thrown_away() else ASK_FOR_DESK
            self.children = [note(words), self.address, self.keep_button, self.message]
            return
        code = [self.code] if self._own_code and not self.workbook.code else []
        change = [] if place.set_by_school else [self.change_button]
        self.children = [
            note(
                "Send what you have so far, and your teacher can look at it with the class. It goes to "
                f"{place.words}: {place.shown}. What goes: your code, your answers and texts (also those not yet "
                "saved), your results, and when you entered them. No names. Nothing goes before you press the button."
            ),
            *code,
            row_of(self.send_button, *change),
            self.message,
        ]

    def _show_everywhere(self) -> None:
        for box in (self, *self._beside):
            box._asks_for_place = False
            box._show()

    def _change(self) -> None:
        place = self.place
        self.address.value = place.address if place else ""
        self._asks_for_place = True
        self._show()

    def _keep_address(self) -> str:
        place = remember_place(self.workbook, self.address.value)
        self._show_everywhere()
        if self.outbox.waiting():
            self._go_on(at_once=True)
            return ""
        return f"Kept. When you press Send, it goes to {place.shown}."

    # --- sent ---------------------------------------------------------------------------------------------------------

    def _press(self) -> None:
        attempt(self.message, self._put_and_send)

    def _put_and_send(self) -> None:
        place = self.place
        if place is None:
            raise KitError("Nobody has said where to send", fix="type the address of your class desk")
        if not self.workbook.entries:
            raise KitError("There is nothing to send yet", fix="save or seal an answer first")
        unsaved = save_before_handing_in(self.workbook, self.code, self.stage, self._add_results)
        try:
            entries = self.workbook.entries
            if not entries or not Kind.SENT.covers(entries[-1].kind):  # with nothing new, it is the same hand-in
                self.workbook.add(self.stage, Kind.SENT.of(self.moment), {"to": place.kind})
        except NotSaved as problem:
            unsaved = unsaved or f" {problem.problem}"
        document = make_handin(self.workbook, self.workbook.code or self.code.value, self.lesson)
        self._show_everywhere()
        try:
            self.outbox.put(document)
        except OSError:  # no room for a queue: now or never
            self.outbox.send_past_the_disk(document, place)
            self.message.say(f"Sent to {place.words}.{unsaved}")
            return
        self.message.say(f"Sending …{unsaved}")
        self._go_on(at_once=True)

    def _go_on(self, at_once: bool = False) -> None:
        """Send what waits: beside everything else where a kernel runs, else right here."""
        if not (at_once or self._view_count) or not self.outbox.waiting():
            return
        if self._task is not None and not self._task.done():
            self._task.cancel()
        try:
            self._task = asyncio.get_running_loop().create_task(self._keep_sending())
        except RuntimeError:  # no kernel around it
            if at_once and (place := self.place):
                self._tell(self.outbox.send(place), place)

    async def _keep_sending(self) -> None:
        for wait in (*TRY_AGAIN_S, *[TRY_AGAIN_S[-1]] * 10_000):
            place = self.place
            if place is None:
                return
            became = await asyncio.to_thread(self.outbox.send, place)
            self._tell(became, place)
            if not became.waiting:
                return
            await asyncio.sleep(wait)
            if not self.outbox.waiting():  # another page has sent it
                self._tell(SentNow(1, 0), place)
                return
            if not self._view_count:
                return

    def _tell(self, became: SentNow, place: Place) -> None:
        now = f"{datetime.now():%H:%M}"
        if became.for_good:
            self.message.error(became.problem)
        elif became.waiting:
            kept = "It is" if became.waiting == 1 else f"{became.waiting} hand-ins are"
            self.message.error(
                f"{became.problem} {kept} kept on this machine, and sent as soon as the line is back. "
                "You may go on working, or close this page and come back."
            )
        elif became.sent:
            self.message.say(f"Sent to {place.words} at {now}. You can go on, and send again later.")

    def _tell_what_was_sent(self) -> None:
        """After a reload: what became of the last click."""
        try:
            before, waiting = sent_before(self.workbook), len(self.outbox.waiting())
        except KitError:
            return
        if waiting:
            self.message.say(
                f"{count_of(waiting, 'hand-in').capitalize()} of yours still to be sent. It goes by itself."
            )
        elif before:
            when = datetime.fromisoformat(before[1]).astimezone()
            self.message.say(f"You sent {SEND_AFTER.get(before[0], 'your work')} at {when:%H:%M}.")

    def close(self) -> None:
        """Stop sending, too; what waits stays on the disk."""
        if self._task is not None:
            self._task.cancel()
        super().close()


def save_before_handing_in(
    workbook: Workbook, code: widgets.Text, stage: str, add_results: Callable[[], Mapping[str, object]]
) -> str:
    """Save code and results. Where the disk refuses, a sentence says so: what was saved before can still be handed in.

    Raises
    ------
    KitError : the code can't be used, or the results can't be made.
    """
    wanted = check_code(code.value.strip() or workbook.code or friendly_code())
    code.value = wanted
    try:
        if wanted != workbook.code:
            workbook.choose_code(wanted)
        for kind, value in add_results().items():
            if value != workbook.latest(kind):
                workbook.add(stage, kind, value)
    except NotSaved as problem:
        return f" It holds what was saved before. The results of this page are not in it. {problem.problem}"
    return ""
