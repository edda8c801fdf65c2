"""Can a thirteen-year-old read it? Grade level and length of sentences of what students read in every notebook.

Measure: the grade level of J. P. Kincaid, R. P. Fishburne, R. L. Rogers, B. S. Chissom, "Derivation of new readability
formulas for Navy enlisted personnel" (1975): 0.39 words/sentence + 11.8 syllables/word - 15.59, the number of school
years after which a text reads easily. It knows nothing of ideas or layout: passing it is needed, not enough.
"""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

from kit.lessons.cells import MADE_STAGES, MAKE_RUNS, notebook_name
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS

PROJECT = Path(__file__).parents[3]
ROOMS = PROJECT / "kit"
# Every module may make a sentence, but for the one that holds patterns of how times are written.
SPEAKING = sorted(path for path in ROOMS.rglob("*.py") if path != ROOMS / "logs" / "written.py")
PAGES = [
    "start_here.ipynb",
    *(f"{lesson}/{page}" for lesson in DEMO_LESSONS for page in [*map(notebook_name, MADE_STAGES), MAKE_RUNS]),
]
HARDEST = 7.0  # grade level: readers of twelve to thirteen
LONGEST = 25  # words in a sentence

# Words of the lesson whose syllables the rules below would miscount.
SPECIAL = {"somebody": 3, "something": 2, "sometimes": 2, "area": 3, "being": 2, "idea": 3, "ideas": 3, "equally": 3}


def syllables(word: str) -> int:
    """Syllables of an English word by rules: groups of vowels, less what is silent at the end."""
    word = re.sub("[^a-z]", "", word.lower())
    if not word:
        return 1  # a number, a sign
    if word in SPECIAL:
        return SPECIAL[word]
    spoken = re.sub(r"(?<=[^aeiouyl])es?$|(?<=[aeiouy])les?$|(?<=[^aeiouytd])ed$", "", word)  # some; whole; moved
    spoken = re.sub(r"(?<=[^aeiouy])e(?=(ly|ment|ful|less)$)", "", spoken)  # surely
    if re.search(r"([scxz]|sh|ch|g)es$", word):
        spoken = word  # pauses: the e is heard
    groups = re.findall(r"[aeiouy]+", spoken)
    apart = re.findall(r"i[aou](?!us|n$)(?<![tcsg]i[aou])|eo|ua(?!r)|yi|uou", spoken)  # di-al, vide-o, actu-al
    return max(1, len(groups) + len(apart))


def sentences(text: str) -> list[str]:
    """Sentences of a text; a heading, a list item and a paragraph each end one."""
    parts = re.split(r"(?<=[.!?:])[\s\"”*)_]+(?=[\"“A-Z(*_])|\n\s*\n|\n(?=[-#])", text)
    return [part.strip() for part in parts if re.search(r"[A-Za-z]{2}", part)]


def words(text: str) -> list[str]:
    """Words of a text. What is written with figures or signs counts as a word, a dash does not."""
    return re.findall(r"[^\W_](?:[\w.,'’%-]*\w)?", text)


def grade(text: str) -> float:
    """Flesch–Kincaid grade level."""
    found = [words(sentence) for sentence in sentences(text)]
    flat = [word for sentence in found for word in sentence]
    return 0.39 * len(flat) / len(found) + 11.8 * sum(map(syllables, flat)) / len(flat) - 15.59


def plain(markdown: str) -> str:
    """Markdown without its signs: links keep their words, code counts as one word, headings end in a stop."""
    text = re.sub(r"```.*?```", "", markdown, flags=re.DOTALL)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"`[^`]*`", "code", text)
    text = re.sub(r"^---$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^(#+ .*[^.?!\n])$", r"\1.", text, flags=re.MULTILINE)
    return re.sub(r"[*#]", "", text)


def written_in(path: Path) -> list[str]:
    """Texts in a module's code, docstrings left out. What is filled in while running counts as one word."""
    tree = ast.parse(path.read_text("utf-8"))
    bodies = [node.body for node in ast.walk(tree) if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)]
    skipped = {id(body[0].value) for body in bodies if body and isinstance(body[0], ast.Expr)}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(part) for part in ast.walk(node) if part is not node}
            if id(node) not in skipped:
                found.append("".join(v.value if isinstance(v, ast.Constant) else "12" for v in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
            found.append(node.value)
    boxes = "if stage.may_look("  # of Python, which are no sentences
    return [re.sub(r"<[^>]*>", "", text) for text in found if len(words(text)) > 3 and not text.startswith(boxes)]


def text_of(page: str) -> str:
    cells = json.loads((PROJECT / "notebooks" / page).read_text("utf-8"))["cells"]
    return plain("\n\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown"))


def lesson_texts(name: str) -> str:
    """What students read of a lesson file inside the widgets: questions, choices, cautions."""
    lesson = load_lesson(PROJECT / "datasets_demo" / name)
    asked = [text for q in lesson.questions for text in (q.text, *(choice.text for choice in q.choices))]
    return "\n\n".join([*asked, *lesson.safety, lesson.data_notice or ""])


# --- the measure itself -----------------------------------------------------------------------------------------


def test_a_published_example_has_the_published_grade():
    # worked example of the encyclopedia's article on these tests: 13 words, 24 syllables, grade 11.3
    example = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature."
    assert len(words(example)) == 13
    assert sum(map(syllables, words(example))) == 24
    assert grade(example) == pytest.approx(11.3, abs=0.05)


def test_the_easiest_sentence_has_the_published_grade():
    # the same article: sentences of two words of one syllable each give the lowest grade that real text has, -3.01
    assert grade("Cats sat. Dogs ran.") == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(
    ("count", "sample"),
    [
        (1, "time turned whole through speed curve plot stops dragged logged moved"),
        (2, "magnet magnet's measured answer seconds counted table many stages lonely changes value's logging pauses"),
        (3, "prediction average deleted interval estimate together physical condition's"),
        (4, "explanation experiment uncertainty residual comparison"),
        (5, "aluminium"),
    ],
)
def test_syllables_are_counted_as_a_dictionary_divides_them(count, sample):
    assert {word: syllables(word) for word in sample.split() if syllables(word) != count} == {}


def test_hard_text_is_noticed():
    hard = "Notwithstanding methodological heterogeneity, investigators characterise dissipation exponentially."
    assert grade(hard) > 2 * HARDEST


# --- what students read -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_a_page_reads_easily(page):
    assert grade(text_of(page)) <= HARDEST


@pytest.mark.parametrize("page", PAGES)
def test_no_sentence_of_a_page_is_long(page):
    assert [s for s in sentences(text_of(page)) if len(words(s)) > LONGEST] == []


@pytest.mark.parametrize("lesson", DEMO_LESSONS)
def test_questions_choices_and_cautions_read_easily(lesson):
    text = lesson_texts(lesson)
    assert grade(text) <= HARDEST
    assert [s for s in sentences(text) if len(words(s)) > LONGEST] == []


@pytest.mark.parametrize("module", SPEAKING, ids=lambda path: path.relative_to(ROOMS).as_posix())
def test_what_a_module_says_reads_easily(module):
    texts = written_in(module)
    assert [s for text in texts for s in sentences(text) if len(words(s)) > LONGEST] == []
    whole = [text for text in texts if re.search(r"[.?!]\s*$", text)]  # not parts of a sentence, nor of a style
    if len(whole) >= 3:
        assert grade("\n\n".join(whole)) <= HARDEST


def test_sentences_of_modules_are_found():
    assert {"cards.py", "cautions.py", "verdict.py", "claims.py", "own_claim.py"} <= {path.name for path in SPEAKING}
    found = written_in(PROJECT / "kit" / "widgets" / "cards.py")
    assert any("Then answer again." in text for text in found)
    assert not any("every text escaped" in text for text in found)  # a docstring
