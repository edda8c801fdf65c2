"""The page of public names says what their docstrings say."""

import kit
from tests import api


def test_the_page_is_up_to_date():
    assert api.PAGE.read_text("utf-8") == api.page(), "run `python -m tests.api`"


def test_every_public_name_is_on_it_once():
    text = api.page()
    for name in kit.__all__:
        assert text.count(f"### `kit.{name}`\n") == 1, name
