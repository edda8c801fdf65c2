"""`[[claims]]` in a lesson file: read, or refused with the key named and an example that would do."""

import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson

LESSON = """
schema = "kit-lesson-1"
title = "A wheel"
question = "How long does it coast?"
changed = { name = "pads", words = "number of pads", values = [1, 2, 4] }
thresholds = { start_period_s = 0.3, stop_period_s = 1.2 }
sketch_up_to = { duration_s = 30, turns = 60 }

[[questions]]
id = "tilt"
text = "Does tilt matter?"
choices = [{ id = "yes", text = "yes" }, { id = "no", text = "no" }]
"""
CLAIM = """
[[claims]]
id = "level"
question = "Must it stand level?"
statement = "Tilt shortens it."
data = "claims/level"
kind = "difference"
by = "tilt_deg"
settings = [0, 3]
within = ["pads"]
closer_at = 4
ask_first = "tilt"

[[claims]]
id = "loud"
question = "Can you hear it?"
statement = "The louder, the shorter."
data = "claims/hub"
kind = "relation"
by = "sound_level_dB"
same_speed = [3, 4]
listen_at = [1, 4]
"""


@pytest.fixture
def lesson(tmp_path):
    def read(claims=CLAIM):
        (tmp_path / "lesson.toml").write_text(LESSON + claims, encoding="utf-8")
        return load_lesson(tmp_path)

    return read


def test_claims_are_read(lesson):
    level, loud = lesson().claims
    assert (level.quantity, level.settings, level.within, level.closer_at) == ("duration_s", (0.0, 3.0), ("pads",), 4.0)
    assert not level.hears
    assert loud.hears and loud.settings is None and loud.same_speed == (3.0, 4.0)
    assert lesson().claim("loud") == loud


def test_a_lesson_needs_none(lesson):
    assert lesson("").claims == ()
    with pytest.raises(KitError, match="no such claim"):
        lesson("").claim("level")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "level"', "", r"claims\[1\]\.id is missing.*id = "),
        ('id = "level"', 'id = "own"', r"claims\[1\]\.id can't be used.*Found: 'own'.*not \"own\""),
        ('id = "loud"', 'id = "level"', r"claims\[1\]\.id can't be used.*an id of its own"),
        ('data = "claims/level"', 'data = "../other"', r"claims\[1\]\.data can't be used.*below the lesson"),
        ('data = "claims/level"', 'data = "C:/x"', r"claims\[1\]\.data can't be used"),
        ('kind = "difference"', 'kind = "guess"', r"claims\[1\]\.kind can't be used.*difference, relation"),
        ("settings = [0, 3]", "", r"claims\[1\]\.settings is missing.*settings = \[0, 3\]"),
        ("settings = [0, 3]", "settings = [3, 3]", r"claims\[1\]\.settings can't be used"),
        ("settings = [0, 3]", "settings = [0, true]", r"claims\[1\]\.settings can't be used"),
        ('within = ["pads"]', 'within = ["tilt_deg"]', r"claims\[1\]\.within can't be used"),
        ('within = ["pads"]', "", r"claims\[1\]\.closer_at can't be used.*within"),
        ('ask_first = "tilt"', 'ask_first = "wind"', r"claims\[1\]\.ask_first can't be used.*'tilt'"),
        ("same_speed = [3, 4]", "", r"claims\[2\]\.same_speed is missing.*same_speed = \[3.0, 4.0\]"),
        ("same_speed = [3, 4]", "same_speed = [4, 3]", r"claims\[2\]\.same_speed can't be used"),
        ("listen_at = [1, 4]", "", r"claims\[2\]\.listen_at is missing"),
        ("listen_at = [1, 4]", 'listen_at = [1, 4]\nstep_to = "loud"', r"claims\[2\]\.step_to can't be used"),
    ],
)
def test_messages_name_the_key_and_show_what_would_do(lesson, old, new, message):
    with pytest.raises(KitError, match=message):
        lesson(CLAIM.replace(old, new, 1))
