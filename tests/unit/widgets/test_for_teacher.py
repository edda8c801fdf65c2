"""The button for pages to print offers each page whole."""

import base64
import re
from pathlib import Path

from kit.paper import paper_pages
from kit.widgets import PrintPages

LESSON = Path(__file__).parents[3] / "datasets_demo" / "felt_brake"


def test_each_page_can_be_saved_on_the_chosen_paper():
    box = PrintPages(LESSON)
    box.paper.value = "Letter"
    box.children[0].children[1].click()
    found = re.findall(r'download="([^"]+)" href="data:[^,]+,([^"]+)"', box.links.value)
    assert {name: base64.b64decode(data).decode() for name, data in found} == paper_pages(box.lesson, "Letter")
    assert "Save each page" in box.message.text
