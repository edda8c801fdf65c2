"""What all widgets share, and what holds for every one of them."""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil

import ipywidgets
import pandas as pd
import pytest

import kit.widgets
from kit.errors import AmbiguousLog, KitError
from kit.plots.style import new_figure
from kit.widgets.parts import PLOTLY, Details, PlotView, Status, html_table

TABLE = pd.DataFrame({"Magnets": ["1", "2"], "Mean": ["37.97", "<i>23.11</i>"]})


@pytest.fixture
def view() -> PlotView:
    view = PlotView(height_px=300, name="the trials")
    figure = new_figure("Magnets", "Duration (s)")
    figure.add_scatter(x=[1.0, 2.0], y=[37.97, 23.11])
    view.show(figure, "Duration falls.", TABLE)
    return view


def sent(view: PlotView) -> dict:
    (output,) = view.children[0].outputs
    assert output["output_type"] == "display_data"
    return output["data"]


def test_the_figure_is_sent_as_plain_data(view):
    bundle = sent(view)[PLOTLY]
    assert bundle["layout"]["height"] == 300
    assert bundle["layout"]["template"]["layout"]["meta"] == {"template": "kit"}
    assert bundle["config"]["displaylogo"] is False
    json.dumps(bundle)  # nothing in it that the page could not read
    assert len(json.dumps(bundle)) < 20_000


def test_where_no_plot_can_be_drawn_there_are_words(view):
    assert sent(view)["text/plain"] == "Duration falls."


def test_its_place_keeps_its_height(view):
    assert view.children[0].layout.height == "302px"  # the plot and its frame


def test_a_new_figure_replaces_the_old_one(view):
    view.show(new_figure("Magnets", "Turns"), "Turns fall.", TABLE.iloc[:1])
    assert sent(view)[PLOTLY]["layout"]["yaxis"]["title"]["text"] == "Turns"
    assert (view.description, len(view.table)) == ("Turns fall.", 1)


def test_description_and_numbers_can_be_unfolded(view):
    details = view.children[1]
    assert isinstance(details, Details)
    assert details.summary == "Describe the trials and show the numbers"
    assert details.paragraphs == ["Duration falls."]
    assert details.columns == ["Magnets", "Mean"]
    assert details.rows == [["1", "37.97"], ["2", "<i>23.11</i>"]]  # the page shows it as text


def test_html_tables_escape_what_people_typed():
    made = html_table(TABLE, caption="A & B", mark=1)
    assert "&lt;i&gt;23.11&lt;/i&gt;" in made
    assert "<i>" not in made
    assert "<caption>A &amp; B</caption>" in made
    assert made.count('scope="row"') == 2
    assert made.count('scope="col"') == 2
    assert '<tr class="kit-marked"><th scope="row">2</th>' in made


def test_saying_and_refusing():
    say = Status()
    say.say("One.", "", "Two.")
    assert (say.text, say.problem) == ("One.\nTwo.", False)
    say.error(ValueError("Not that."))
    assert (say.text, say.problem) == ("Not that.", True)
    say.say("Fine.")
    assert say.problem is False


@pytest.mark.parametrize("part", [Status, Details])
def test_the_page_never_reads_text_as_markup(part):
    assert "innerHTML" not in str(part()._esm)


# --- every widget ------------------------------------------------------------------------------------------------


def widget_classes():
    for found in pkgutil.iter_modules(kit.widgets.__path__):
        module = importlib.import_module(f"kit.widgets.{found.name}")
        for value in vars(module).values():
            if inspect.isclass(value) and issubclass(value, ipywidgets.Widget) and value.__module__ == module.__name__:
                yield value


def hidden_methods(widget: type) -> set[str]:
    """Methods of ipywidgets that a class of ours replaces without calling them; only a page would notice."""
    theirs = {
        name
        for base in widget.__mro__
        if not base.__module__.startswith("kit.")
        for name, value in vars(base).items()
        if inspect.isfunction(value) and not name.startswith("__")
    }
    ours = {name: value for name, value in vars(widget).items() if inspect.isfunction(value)}
    return {name for name in theirs & ours.keys() if f"super().{name}(" not in inspect.getsource(ours[name])}


@pytest.mark.parametrize("widget", list(widget_classes()), ids=lambda widget: widget.__name__)
def test_no_widget_hides_a_method_it_inherits(widget):
    assert hidden_methods(widget) == set()


def test_the_check_notices_a_hidden_method():
    class Slip(ipywidgets.VBox):
        __module__ = "kit.widgets.slip"

        def _compare(self):
            pass

    assert hidden_methods(Slip) == {"_compare"}


def test_a_message_on_a_page_names_fields_and_no_place_on_the_server():
    status = Status()
    status.error(KitError("It is unclear", file="/srv/class/passes/a.csv", row=3, fix="say delimiter= and decimal="))
    fields = "choose what stands between the columns and the decimal sign"
    assert status.text == f"a.csv, row 3: It is unclear. What to do: {fields}."
    asked = AmbiguousLog(
        "What is it?", file="/srv/b.csv", options={"times": {"content": "times"}, "turns": {"part": 1}}
    )
    status.error(asked)
    assert status.text == "b.csv: What is it? What to do: choose an answer: times, or turns."
    assert asked._render_traceback_() == [
        "b.csv: What is it? What to do: say content='times' (times) or part=1 (turns)."
    ]
