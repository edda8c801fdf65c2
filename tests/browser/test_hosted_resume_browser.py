"""A hosted copy stops and forgets everything: what a group downloaded before brings its answers back."""

import shutil

from playwright.sync_api import expect

HOSTED = 'import os\n\nos.environ["BINDER_LAUNCH_HOST"] = "https://hosting.example/"'
WELCOME = (
    'from kit.widgets import Stage\n\nstage = Stage("../../datasets_demo/coasting_disc", "predict")\nstage.welcome()'
)
PREDICTION = 'stage.prediction("two-magnets")'

# A new kernel on a machine that knows nothing; like everything here it gives up after a time.
START_AGAIN = """async () => {
    const panel = jupyterapp.shell.currentWidget;
    const late = new Promise((_, refuse) => setTimeout(() => refuse(new Error("no new kernel in 60 s")), 60000));
    const again = async () => {
        await panel.sessionContext.restartKernel();
        await panel.sessionContext.session.kernel.info;
        await jupyterapp.commands.execute('notebook:run-all-cells');
    };
    await Promise.race([again(), late]);
}"""
RUN_AGAIN = """() => Promise.race([
    jupyterapp.commands.execute('notebook:run-all-cells'),
    new Promise((_, refuse) => setTimeout(() => refuse(new Error("not run in 60 s")), 60000)),
])"""


def test_answers_are_there_again_on_a_machine_that_forgot_everything(lab_page, make_notebook, lesson_copy, tmp_path):
    notebook = make_notebook("coasting_disc/hosted.ipynb", HOSTED, WELCOME, PREDICTION)
    page = lab_page(notebook, viewport=(1366, 1400))
    page.get_by_text("Then all its files are gone.").wait_for()
    page.get_by_text("About 19 s, half as long.").click()
    page.get_by_label("Why do you think so?").first.fill("twice the magnets")
    page.get_by_text("I am fairly sure").first.click()
    page.get_by_role("button", name="Seal my answer").first.click()
    page.get_by_text("Saved and sealed.").wait_for()

    page.get_by_role("button", name="Download my workbook").click()
    with page.expect_download() as downloaded:
        page.get_by_role("link", name="Download workbook_coasting_disc.jsonl").click()
    kept = tmp_path / downloaded.value.suggested_filename
    downloaded.value.save_as(kept)
    assert "twice the magnets" in kept.read_text(encoding="utf-8")

    workbooks = lesson_copy / "notebooks" / "coasting_disc" / "workbooks"
    assert (workbooks / "coasting_disc.jsonl").read_bytes() == kept.read_bytes()
    shutil.rmtree(workbooks)
    page.evaluate(START_AGAIN)
    page.get_by_text("Your workbook is empty.").wait_for()
    expect(page.get_by_text("twice the magnets")).to_have_count(0)

    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Put a workbook back").click()
    chooser.value.set_files(kept)
    page.get_by_text("To see them on the page, run it again").wait_for()
    page.evaluate(RUN_AGAIN)
    page.get_by_text("Your first answer (sealed):").wait_for()
    expect(page.get_by_text("twice the magnets").first).to_be_visible()
    assert (workbooks / "coasting_disc.jsonl").read_bytes() == kept.read_bytes()


def test_a_page_left_for_the_next_makes_room_and_starts_again(lab_page, make_notebook, lesson_copy):
    """Only a page on which all is saved: what was typed and not sealed stays on the screen, and its kernel with it."""
    make_notebook("coasting_disc/after.ipynb", "1 + 1")
    next_page = 'from IPython.display import Markdown\n\nMarkdown("**Next:** [Measure](after.ipynb)")'
    notebook = make_notebook("coasting_disc/left.ipynb", HOSTED, WELCOME, PREDICTION, next_page)
    page = lab_page(notebook, viewport=(1366, 1400))
    running = """async () => {
        await jupyterapp.serviceManager.sessions.refreshRunning();
        return [...jupyterapp.serviceManager.sessions.running()].some(({ path }) => path.endsWith("left.ipynb"));
    }"""

    def go_on_and_come_back(gone: bool) -> None:
        page.get_by_role("link", name="Measure").click()
        expect(page.get_by_role("tab", name="after.ipynb")).to_be_visible()
        for _ in range(60 if gone else 5):  # it goes after three seconds and a little
            page.wait_for_timeout(1_000)
            if not page.evaluate(running):
                break
        assert page.evaluate(running) is not gone
        page.get_by_role("tab", name="left.ipynb").click()

    page.get_by_text("About 19 s, half as long.").click()
    page.get_by_label("Why do you think so?").first.fill("twice the magnets")
    go_on_and_come_back(gone=False)
    expect(page.get_by_label("Why do you think so?").first).to_have_value("twice the magnets")
    page.get_by_text("I am fairly sure").first.click()
    page.get_by_role("button", name="Seal my answer").first.click()
    page.get_by_text("Saved and sealed.").wait_for()
    go_on_and_come_back(gone=True)
    expect(page.get_by_text("This page was closed to make room for others.")).to_be_visible()
    page.evaluate("() => void jupyterapp.commands.execute('notebook:restart-run-all')")  # as the sentence says
    expect(page.get_by_text("twice the magnets").first).to_be_visible()
    expect(page.get_by_text("This page was closed to make room for others.")).to_have_count(0)
