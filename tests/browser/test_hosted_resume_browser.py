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
