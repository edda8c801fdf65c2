"""What several tests do inside the browser's page: run a notebook, look at a drawing, call a page's own functions."""

from __future__ import annotations

import base64
import os
from pathlib import Path

import pytest

from kit.lessons.lesson import load_lesson
from kit.record.workbook import Workbook, default_path
from tests.sealed import seal_predictions

RUN_TO_THE_END = """async () => {
    const panel = jupyterapp.shell.currentWidget;
    await panel.context.ready;
    await panel.sessionContext.ready;
    await panel.sessionContext.session.kernel.info;
    await jupyterapp.commands.execute('notebook:run-all-cells');
    return panel.content.model.toJSON().cells;
}"""
# All that is open goes, without being saved, and the page is as it was when it had been loaded: also its address, which
# is what a reload opens.
OPEN_ANOTHER = """async (path) => {
    for (const open of [...jupyterapp.shell.widgets('main')]) open.dispose();
    localStorage.clear();
    sessionStorage.clear();
    if (document.body.dataset.jpThemeLight !== 'true')
        await jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Light' });
    jupyterapp.shell.expandLeft();
    if (!path) return;
    await jupyterapp.commands.execute('docmanager:open', { path });
    history.replaceState(history.state, '', `/lab/tree/${encodeURI(path)}`);
}"""
# What the cells before have made goes, and the notebook is read from its file again.
AS_JUST_OPENED = """async () => {
    const panel = jupyterapp.shell.currentWidget;
    await panel.sessionContext.ready;
    const { kernel } = panel.sessionContext.session;
    await kernel.info;
    const code = "import ipywidgets; ipywidgets.Widget.close_all()\\n%reset -f";
    await kernel.requestExecute({ code, store_history: false }).done;
    localStorage.clear();
    sessionStorage.clear();
    if (document.body.dataset.jpThemeLight !== 'true')
        await jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Light' });
    jupyterapp.shell.expandLeft();
    await panel.context.revert();
}"""
A_NOTEBOOK_OF_THIS_NAME_IS_OPEN = "name => window.jupyterapp?.shell.currentWidget?.context?.path?.endsWith(name)"
PICTURES = os.environ.get("KIT_PICTURES")  # where the README's pictures are taken anew

# a number that changes with what is drawn on a canvas
INK = """canvas => {
    const { width, height } = canvas, data = canvas.getContext('2d').getImageData(0, 0, width, height).data;
    let sum = 0;
    for (let i = 0; i < data.length; i += 4)
        sum = (sum * 31 + data[i] + 7 * data[i + 1] + 13 * data[i + 3]) % 1000000007;
    return sum;
}"""


def run_to_the_end(page, notebook: str) -> None:
    """Run the notebook on top; fail with the first cell that failed, as a reader of the notebook would see it."""
    for number, cell in enumerate(page.evaluate(RUN_TO_THE_END), start=1):
        for output in cell.get("outputs", ()):
            if output["output_type"] == "error":
                source = "".join(cell["source"])
                pytest.fail(
                    f"{notebook}, cell {number} failed: {output['ename']}: {output['evalue']}\n{source}", pytrace=False
                )


def panel(page):
    """The notebook on top."""
    return page.locator(".jp-NotebookPanel:not(.lm-mod-hidden)")


def follow(page, link: str, name: str) -> None:
    """Click a link of the notebook on top, wait for the notebook it leads to, and run it."""
    panel(page).get_by_role("link", name=link, exact=True).last.click()
    page.wait_for_function(A_NOTEBOOK_OF_THIS_NAME_IS_OPEN, arg=name)
    run_to_the_end(page, name)


def seal_before(copy: Path, lesson: str = "coasting_disc", *question_ids: str) -> None:
    """The group's workbook in a copy of the notebooks, its predictions sealed: what comes after them shows at once."""
    workbook = Workbook(default_path(lesson, copy / "notebooks" / lesson))
    seal_predictions(workbook, load_lesson(copy / "datasets_demo" / lesson), *question_ids)


def keep_picture(target, name: str, width: int | None = None, height: int | None = None) -> None:
    """A picture of a page or a part of it for the README, where these are asked for.

    `width`: scaled to so many pixels. `height`: cut off below so many, before scaling.
    """
    if not PICTURES:
        return
    path = Path(PICTURES) / f"{name}.png"
    target.screenshot(path=path)
    page = getattr(target, "page", target).context.new_page()  # empty: only to scale and to cut
    size = page.evaluate(
        """async ([data, width, height]) => {
            const image = new Image();
            image.src = `data:image/png;base64,${data}`;
            await image.decode();
            const { naturalWidth: w, naturalHeight: h } = image, scale = (width || w) / w;
            image.style.cssText = `display: block; width: ${w * scale}px`;
            document.body.style.margin = 0;
            document.body.replaceChildren(image);
            return [w * scale, Math.min(height || h, h) * scale].map(Math.round);
        }""",
        [base64.b64encode(path.read_bytes()).decode(), width, height],
    )
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.screenshot(path=path)
    page.close()


def as_just_opened(page, viewport: tuple[int, int]) -> None:
    """The notebook on top as if it had just been opened; only its kernel has the modules imported already."""
    page.emulate_media(reduced_motion="null")
    page.set_viewport_size({"width": viewport[0], "height": viewport[1]})
    page.evaluate(AS_JUST_OPENED)


def call_in_page(chromium, script: str, function: str, *arguments):
    """Call a function, written in JavaScript, that knows all names of a widget's script, on an empty page."""
    page = chromium.new_page()
    source = script.replace("export default { render };", "")
    try:
        return page.evaluate(
            "([source, call, args]) => new Function(`${source}; return ${call}`)()(...args)",
            [source, function, arguments],
        )
    finally:
        page.close()
