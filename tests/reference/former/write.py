"""Go through a lesson's pages as a group does, and hand in: run by the kit of version 0.1.0, never by a later one.

    PYTHONPATH=<version 0.1.0> python write.py PAGES LESSON TO

PAGES is the folder with the lesson's notebooks, LESSON the one with its data, TO where workbook and hand-in are put.
Every cell is run, and every widget on the pages is used as a browser uses it.
"""

import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import ipywidgets
import numpy as np
from kit.lesson import load_lesson
from kit.workbook import Workbook

from kit.widgets import MakeRuns, Stage


def all_of(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from all_of(child)


def find(widget, kind):
    return next(one for one in all_of(widget) if type(one).__name__ == kind)


def press(widget, words):
    for one in all_of(widget):
        if isinstance(one, ipywidgets.Button) and one.description == words:
            one.click()
            return
    raise LookupError(words)


def answer(card, choice, reason, confidence):
    card.reason.value = "half a thou"  # a draft
    card.choice.value, card.reason.value, card.confidence.value = choice, reason, confidence
    card.save_button.click()


def write(box, text):
    box.text.value = text[: len(text) // 2]
    box.text.value = text
    box.save_button.click()


def run_cells(page):
    os.chdir(page.parent)
    names: dict = {}
    for cell in json.loads(page.read_text("utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)


def predict(stage, ids):
    for i, question in enumerate(ids):
        choices = [choice.id for choice in stage.lesson.ask(question).choices]
        card = stage.prediction(question)
        answer(card, choices[1], "Twice the brake, ½ the time. Ève says so.", "67–80 %")
        if i == 0:
            answer(card, choices[-1], "<b>The spindle</b> drags & rubs too.", "below 67 %")
    for quantity in ("duration_s", "turns"):
        curve = stage.predicted_curve(quantity)
        curve.curve.set_state({"values": [40.0 / (1 + k) for k in range(len(stage.lesson.values))]})
        curve.seal_button.click()


def make_runs(make):
    x, values = make.lesson.x, make.lesson.values
    bench = make.bench()
    bench.value = float(values[1])
    for _ in range(2):
        bench.push()
    bench.keep(1)
    slow = 1.2 * np.arange(12) ** 1.15
    make.taps()._on_keep(slow, {x: float(values[0])}, "counted aloud")
    make.live_gate()._on_keep(0.25 * np.arange(50) ** 1.2, {x: float(values[-1])}, "shaky table")
    log = "time_s\n" + "\n".join(f"{t:.5f}" for t in 0.24 * np.arange(60) ** 1.2)
    adding = make.add_files()
    file = {"name": f"{x}-{values[2]:g}_trial-7.csv", "type": "", "size": len(log), "content": memoryview(log.encode())}
    adding.upload.value = (file | {"last_modified": datetime(2026, 11, 25, tzinfo=UTC)},)
    adding.files.children[0].keep_button.click()
    sources = make.sources()
    for name in ("gate", "file"):
        sources.boxes[name].value = True
    sources.use_button.click()


def measure(stage):
    write(stage.plan(), "Three trials each, in an order by lot.")
    write(stage.own_question(), "Is it the brake or the push?")
    write(stage.observation("runs"), "The lines fan out, and never cross.")
    picker, keep, _ = stage.thresholds().children
    picker.set_state({"start_period_s": 0.3})
    run = next((i for i, r in enumerate(picker.runs) if r.repairs), None)
    if run is not None:
        picker.set_state({"refused_repairs": [[run, 0]]})
    keep.click()


def average(stage):
    table = stage.trials().children[0]
    table.set_aside(0, "a sleeve touched the rim")
    table.set_aside(1, "a door slammed")
    table.take_back(1)
    write(stage.observation("methods"), "By hand they are longer, nearly everywhere.")
    for sides in ((0, 1), (1, 2)):
        log = stage.comparisons()
        for side, place in zip(log.sides, sides, strict=True):
            side.choice.value = place
        log.decision.value, log.why.value = log.decision.options[0][1], "t′ is large, so we repeat"
        log.save_button.click()
    stage.two_methods("duration_s").children  # noqa: B018 (built and shown)


def investigate(stage, x):
    for claim in stage.lesson.claims:
        if claim.relation if hasattr(claim, "relation") else False:
            continue
        tester = find(stage.claim(claim.id), "ClaimTester")
        tester.fix("less" if tester._expect.options else None, 5.0)
        tester.shuffle(120)
        tester.ask()
        card = stage.defend(claim.id)
        for part, text in zip(
            card.boxes, ("A tilt costs time.", "few worlds", "It rubs.", "The room grew warm."), strict=True
        ):
            card.boxes[part].value = text
        card.save_button.click()
        if claim.ask_first:
            choices = [choice.id for choice in stage.lesson.ask(claim.ask_first).choices]
            answer(stage.prediction(claim.ask_first), choices[2], "more to rub", "below 67 %")
            answer(stage.final_answer(claim.ask_first), choices[0], "we saw it", "above 80 %")
    agreement = find(stage.two_methods("duration_s"), "AgreementView")
    agreement._question.set_state({"index": 1})
    own = find(stage.own_claim(), "OwnClaimCard")
    for part, box in own.boxes.items():
        box.value = f"our {part}: oil makes it longer"
    own.settings[0].value, own.settings[1].value = "dry", "oiled"
    own.draw_button.click()
    planner = find(stage.planner(), "TrialPlanner")
    planner._minutes.set_state({"value": 30.0})
    planner.draw()


def explain(stage, ids):
    stage.look_back_curve("duration_s")
    card = stage.explanation()
    for part, text in zip(
        card.boxes, ("More of it, shorter.", "see the table", "each one drags", "one spindle only"), strict=True
    ):
        card.boxes[part].value = text
    card.save_button.click()
    write(stage.observation("trend"), "The exponent hardly moves.")
    choices = [choice.id for choice in stage.lesson.ask(ids[0]).choices]
    answer(stage.final_answer(ids[0]), choices[-1], "We have seen it.", "above 80 %")
    stage.explanation().boxes["claim"].value = "More of it, shorter. Bu"  # a draft on top of what is saved


def main(pages, lesson_folder, to):
    lesson = load_lesson(lesson_folder)
    workbook = Workbook(Path(to) / f"{lesson.name}.jsonl")
    asked_later = {claim.ask_first for claim in lesson.claims}
    ids = [question.id for question in lesson.questions if question.id not in asked_later]

    def stage(name):
        return Stage(lesson, name, workbook)

    predict(stage("predict"), ids)
    make_runs(MakeRuns(lesson, workbook))
    measure(stage("measure"))
    average(stage("average"))
    for quantity in ("duration_s", "turns"):
        stage("trend").trend(quantity)
    investigate(stage("investigate"), lesson.x)
    explain(stage("explain"), ids)
    box = stage("explain").hand_in()
    box.folder, box.code.value = Path(to), "silver-otter-427"
    box.make_button.click()
    print(box.message.text, len(workbook.entries), sorted({e.kind for e in workbook.entries}))
    for page in sorted(Path(pages).glob("*.ipynb")):
        run_cells(page.resolve())


if __name__ == "__main__":
    main(*map(os.path.abspath, sys.argv[1:]))
