"""The examples in the docstrings of everything on the contents page run, and print what they say."""

import doctest

import pytest

import kit
from kit.launcher import PROJECT


def examples_of(name: str) -> list[doctest.DocTest]:
    """Those of a public name: of a class, with its methods."""
    finder = doctest.DocTestFinder(recurse=True, exclude_empty=True)
    return [test for test in finder.find(getattr(kit, name), name, globs={}) if test.examples]


@pytest.mark.slow
@pytest.mark.parametrize("name", kit.__all__)
def test_examples(name, monkeypatch):
    monkeypatch.chdir(PROJECT)
    tests = examples_of(name)
    assert tests, f"kit.{name} shows no example"
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    said: list[str] = []
    for test in tests:
        runner.run(test, out=said.append)
    assert not runner.failures, "".join(said)


def test_a_wrong_example_is_noticed():
    """Negative control."""
    wrong = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    assert doctest.DocTestRunner(verbose=False).run(wrong, out=lambda text: None).failed == 1
