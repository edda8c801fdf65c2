"""Templates: what is put in is escaped, what is forgotten is noticed, and no template is left out of a package."""

import tomllib

import jinja2
import pytest

from kit.launcher import PROJECT
from kit.plots.pages import templates


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "page.html.j2").write_text("<p class='{{ style }}'>{{ words }}</p>", encoding="utf-8")
    return tmp_path


def test_whatever_is_put_in_comes_out_as_text(folder):
    page = templates(folder).get_template("page.html.j2").render(words="<b>&</b>", style="'><script>")
    assert page == "<p class='&#39;&gt;&lt;script&gt;'>&lt;b&gt;&amp;&lt;/b&gt;</p>"


def test_a_name_that_was_forgotten_is_an_error(folder):
    with pytest.raises(jinja2.UndefinedError, match="'words' is undefined"):
        templates(folder).get_template("page.html.j2").render(style="")


def test_nothing_is_kept_from_one_call_to_the_next(folder):
    assert templates(folder) is not templates(folder)


def test_every_template_goes_into_a_package():
    settings = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["package-data"]
    found = set((PROJECT / "kit").rglob("*.j2"))
    packed = {
        file
        for package, patterns in settings.items()
        for pattern in patterns
        for file in PROJECT.joinpath(*package.split(".")).glob(pattern)
    }
    assert found and found <= packed
