"""The check of the kit's JavaScript: it finds what is wrong, and says where."""

from __future__ import annotations

import pytest

from tests.scripts import parts, problems, whole_scripts

SHARED = "function twice(x) {\n  return 2 * x;\n}\n"


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("export const four = twice(2);", []),
        ("export const four = twize(twice(1));", ["b.js:1: eslint(no-undef): 'twize' is not defined."]),
        ("const four = twice(2);", ["b.js:1: eslint(no-unused-vars): Variable 'four' is declared but never used"]),
        ("export const four = twice(2;", ["b.js:1: syntax: "]),
    ],
)
def test_undefined_and_unused_names_and_slips_of_syntax_are_found_where_they_stand(line, found):
    files = {"a.js": SHARED, "b.js": line}
    told = problems({"whole": "\n".join(files.values())}, files)
    assert len(told) == len(found)
    for one, beginning in zip(told, found, strict=True):
        assert one.startswith(beginning)


def test_a_shared_name_that_one_of_several_scripts_uses_is_not_unused():
    files = {"a.js": SHARED, "b.js": "export const four = twice(2);", "c.js": "export const one = 1;"}
    whole = {"both": files["a.js"] + files["b.js"], "one": files["a.js"] + files["c.js"]}
    assert problems(whole, files) == []
    del whole["both"]
    assert problems(whole, files) == ["a.js:1: eslint(no-unused-vars): Function 'twice' is declared but never used."]


def test_every_script_of_the_kit_is_looked_at():
    scripts, files = whole_scripts(), parts()
    assert len(files) > 10
    for path, text in files.items():
        assert any(text in script for script in scripts.values()), path
