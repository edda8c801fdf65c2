"""A lesson file, its key and its claims: read, or refused with the key named and an example that would do."""

import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.lessons.teacher_key import load_key

LESSON = """
schema = "kit-lesson-1"
title = "A wheel"
question = "How long does it coast?"

[changed]
name = "pads"
words = "number of pads"
values = [1, 2, 4]
reference = 2

[thresholds]
start_period_s = 0.4
stop_period_s = 1.2

[sketch_up_to]
duration_s = 30
turns = 60

[[questions]]
id = "two-pads"
text = "With two pads?"
choices = [{ id = "same", text = "the same" }, { id = "half", text = "half" }]
"""
KEY = """
[[questions]]
id = "two-pads"
supported = "half"
[questions.ideas]
same = "pads do not matter"
"""


@pytest.fixture
def folder(tmp_path):
    def write(text=LESSON, key=KEY):
        (tmp_path / "lesson.toml").write_text(text, encoding="utf-8")
        (tmp_path / "teacher_key.toml").write_text(key, encoding="utf-8")
        return tmp_path

    return write


def test_a_lesson_is_read(folder):
    lesson = load_lesson(folder())
    assert lesson.values == (1.0, 2.0, 4.0)
    assert (lesson.x, lesson.reference, lesson.rule, lesson.level) == ("pads", 2.0, "best", "structured")
    assert lesson.asked("predict")[0].choice("half").text == "half"
    assert lesson.asked("explain") == ()
    assert load_key(lesson.folder, lesson)["two-pads"]["supported"] == "half"


def test_a_byte_order_mark_and_the_file_itself_will_do(folder):
    path = folder("\ufeff" + LESSON) / "lesson.toml"
    assert load_lesson(path).title == "A wheel"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('title = "A wheel"', "", r"lesson\.toml: The key title is missing.*title = "),
        (
            "start_period_s = 0.4",
            "start_period_s = 0,5",
            r"row 13: A number in a lesson .*point, not a comma.*write 0\.5",
        ),
        ("start_period_s = 0.4", 'start_period_s = "0,5"', r"start_period_s can't be used.*: start_period_s = 0\.5"),
        ('title = "A wheel"', "title = 3", r"The key title can't be used. Found: 3"),
        ("values = [1, 2, 4]", 'values = [1, "2"]', r"changed\.values can't be used.*values = \[1, 2, 4, 8\]"),
        ("values = [1, 2, 4]", "values = []", r"changed\.values can't be used"),
        ("values = [1, 2, 4]", "values = [2, 2]", r"changed\.values can't be used"),
        ("reference = 2", "reference = 3", r"changed\.reference can't be used.*Found: 3"),
        ("start_period_s = 0.4", "start_period_s = -1", r"thresholds\.start_period_s can't be used"),
        ("start_period_s = 0.4", "start_period_s = true", r"thresholds\.start_period_s can't be used"),
        ("stop_period_s = 1.2", "stop_period_s = 0.2", r"thresholds\.stop_period_s can't be used"),
        ('schema = "kit-lesson-1"', 'schema = "other"', r"The key schema can't be used"),
        ("duration_s = 30", "", r"sketch_up_to\.duration_s is missing"),
        ('{ id = "same", text = "the same" }, ', "", r"questions\[1\]\.choices can't be used"),
        ('id = "half"', 'id = "same"', r"questions\[1\]\.choices can't be used.*id of its own"),
        ('text = "With two pads?"', "", r"questions\[1\]\.text is missing"),
        ("[thresholds]", 'level = "easy"\n[thresholds]', None),
        ("schema =", 'level = "easy"\nschema =', r"The key level can't be used.*structured"),
        ("[changed]", "[changed", "not a TOML file"),
    ],
)
def test_messages_name_the_key_and_show_what_would_do(folder, old, new, message):
    text = LESSON.replace(old, new)
    if message is None:  # a key in another table is not looked at
        assert load_lesson(folder(text)).level == "structured"
        return
    with pytest.raises(KitError, match=message):
        load_lesson(folder(text))


OTHER = """
[[questions]]
id = "three-pads"
stage = "average"
text = "With three?"
choices = [{ id = "same", text = "the same" }, { id = "half", text = "half" }]
"""


def test_what_is_sealed_before_what_is_read(folder):
    text = LESSON + 'before = "trend"\n' + OTHER + 'after = "two-pads"\n'
    lesson = load_lesson(folder(text.replace('title = "A wheel"', 'title = "A wheel"\nwait_for_predictions = false')))
    assert [(q.before, q.after) for q in lesson.questions] == [("trend", ""), ("", "two-pads")]
    assert not lesson.wait_for_predictions
    plain = load_lesson(folder())
    assert (plain.questions[0].before, plain.questions[0].after, plain.wait_for_predictions) == ("", "", True)


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        ('before = "predict"', "", r"questions\[1\]\.before can't be used. Found: 'predict'.*before = \"measure\""),
        ('before = "lunch"', "", r"questions\[1\]\.before can't be used"),
        ("", 'before = "measure"', r"questions\[2\]\.before can't be used.*before = \"average\""),
        ('after = "two-pads"', "", r"questions\[1\]\.after can't be used.*not in a ring"),
        ('after = "three-pads"', 'after = "two-pads"', r"questions\[1\]\.after can't be used"),
        ('after = "ten-pads"', "", r"questions\[1\]\.after can't be used.*three-pads"),
        ("before = 3", "", r"questions\[1\]\.before can't be used"),
    ],
)
def test_what_cannot_wait_is_named(folder, first, second, message):
    with pytest.raises(KitError, match=message):
        load_lesson(folder(f"{LESSON}{first}\n{OTHER}{second}\n"))


def test_two_questions_of_one_id(folder):
    again = LESSON[LESSON.index("[[questions]]") :]
    with pytest.raises(KitError, match=r"questions can't be used. Found: 'two-pads'"):
        load_lesson(folder(LESSON + again))


def test_no_lesson_there(tmp_path):
    with pytest.raises(KitError, match="no such file"):
        load_lesson(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "two-pads"', 'id = "three"', "no such question"),
        ('supported = "half"', 'supported = "twice"', "no such choice"),
        ('same = "pads', 'never = "pads', "no such choice"),
    ],
)
def test_a_key_must_fit_its_lesson(folder, old, new, message):
    path = folder(key=KEY.replace(old, new))
    with pytest.raises(KitError, match=message):
        load_key(path, load_lesson(path))


def test_hand_counts(folder):
    path = folder()
    lesson = load_lesson(path)
    assert lesson.hand_counts() is None
    (path / "hand_counts.csv").write_text("# invented\npads,duration_s\n1,3.0\n")
    with pytest.raises(KitError, match="lack a column"):
        lesson.hand_counts()


# --- found by fuzzing: what a lesson's files may hold besides -------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("reference = 2", f"reference = {'9' * 400}", r"key changed.reference can't be used"),
        ("reference = 2", f"reference = {'9' * 5000}", "This is not a TOML file: .*digits"),
        ("[1, 2, 4]", "[1, 2, inf]", "key changed.values can't be used"),
        ("[1, 2, 4]", "[1, 2, nan]", "key changed.values can't be used"),
        ("[1, 2, 4]", f"[1, {'9' * 400}]", "key changed.values can't be used"),
        ("duration_s = 30", "duration_s = nan", "key sketch_up_to.duration_s can't be used"),
        ("[1, 2, 4]", "[" * 50_000, "This file is nested too deeply"),
    ],
)
def test_numbers_and_brackets_without_end(folder, old, new, message):
    with pytest.raises(KitError, match=message):
        load_lesson(folder(LESSON.replace(old, new)))


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "hand counts cannot be read"),
        (b"pads,duration_s,turns\n1,3,4\n1,3,4,5,6\n", "hand counts cannot be read.*Expected 3 fields"),
        (b"pads,duration_s,turns\n1,3,\xee\n", "hand counts cannot be read.*utf-8"),
        (b"pads,duration_s,turns\n1,3,many\n", "column turns: A hand count is not a number. Found: 'many'"),
        (b"pads,duration_s,turns\n1,,4\n", "column duration_s: A hand count is not a number"),
        (b"pads,duration_s,turns\n1,1e999,4\n", "column duration_s: A hand count is not a number"),
    ],
)
def test_hand_counts_that_cannot_be_used(folder, data, message):
    (folder() / "hand_counts.csv").write_bytes(data)
    with pytest.raises(KitError, match=message):
        load_lesson(folder()).hand_counts()


def test_in_a_cell_it_says_what_is_asked_and_changed(folder):
    lesson = load_lesson(folder(LESSON.replace("A wheel", "A <b>wheel</b> & more")))
    assert repr(lesson) == "Lesson(A <b>wheel</b> & more: number of pads 1, 2, 4; from 0.4 to 1.2 s a turn)"
    html = lesson._repr_html_()
    assert "A &lt;b&gt;wheel&lt;/b&gt; &amp; more" in html and html.count("<b>") == 1
    assert "1, 2, 4 (all groups run 2)" in html and "two-pads" in html
    assert "to the last pass" in repr(load_lesson(folder(LESSON.replace("stop_period_s = 1.2", ""))))


# --- claims -----------------------------------------------------------------------------------------------------------

TILTED_WHEEL = """
schema = "kit-lesson-1"
title = "A wheel"
question = "How long does it coast?"
changed = { name = "pads", words = "number of pads", values = [1, 2, 4] }
thresholds = { start_period_s = 0.4, stop_period_s = 1.2 }
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
def with_claims(tmp_path):
    def read(claims=CLAIM):
        (tmp_path / "lesson.toml").write_text(TILTED_WHEEL + claims, encoding="utf-8")
        return load_lesson(tmp_path)

    return read


def test_claims_are_read(with_claims):
    level, loud = with_claims().claims
    assert (level.quantity, level.settings, level.within, level.closer_at) == ("duration_s", (0.0, 3.0), ("pads",), 4.0)
    assert not level.hears
    assert loud.hears and loud.settings is None and loud.same_speed == (3.0, 4.0)
    assert with_claims().claim("loud") == loud


def test_a_lesson_needs_none(with_claims):
    assert with_claims("").claims == ()
    with pytest.raises(KitError, match="no such claim"):
        with_claims("").claim("level")


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
def test_messages_name_the_key_and_show_what_would_do_of_a_claim(with_claims, old, new, message):
    with pytest.raises(KitError, match=message):
        with_claims(CLAIM.replace(old, new, 1))
