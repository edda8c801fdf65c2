"""What holds for every widget of the kit."""

import importlib
import inspect
import pkgutil

import ipywidgets
import pytest

import kit.widgets


def widget_classes():
    for found in pkgutil.iter_modules(kit.widgets.__path__):
        module = importlib.import_module(f"kit.widgets.{found.name}")
        for value in vars(module).values():
            if inspect.isclass(value) and issubclass(value, ipywidgets.Widget) and value.__module__ == module.__name__:
                yield value


def hidden_methods(widget: type) -> set[str]:
    """Methods of ipywidgets that a class of ours replaces, which only a page with a kernel would notice."""
    theirs = {
        name
        for base in widget.__mro__
        if not base.__module__.startswith("kit.")
        for name, value in vars(base).items()
        if inspect.isfunction(value) and not name.startswith("__")
    }
    return theirs & {name for name, value in vars(widget).items() if inspect.isfunction(value)}


@pytest.mark.parametrize("widget", list(widget_classes()), ids=lambda widget: widget.__name__)
def test_no_widget_hides_a_method_it_inherits(widget):
    assert hidden_methods(widget) == set()


def test_the_check_notices_a_hidden_method():
    class Slip(ipywidgets.VBox):
        __module__ = "kit.widgets.slip"

        def _compare(self):
            pass

    assert hidden_methods(Slip) == {"_compare"}
