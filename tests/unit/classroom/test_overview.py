import gc
import json
import shutil
import tracemalloc
import zipfile
from math import isnan
from pathlib import Path

import pytest

from kit.classroom import handins
from kit.classroom.overview import ClassReader, read_class
from kit.errors import KitError
from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson
from kit.record.entries import BANDS, MOMENTS, Band, Moment
from kit.widgets.cards import CONFIDENCE
from tests.invented_class import write_demo_class

LESSON = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
DEMO = PROJECT / "datasets_demo" / "class_handins"


def test_bands_and_moments_are_those_that_the_cards_save():
    assert tuple(BANDS) == tuple(CONFIDENCE) == tuple(Band)
    assert tuple(MOMENTS) == tuple(Moment)


def test_a_group_as_it_was_handed_in(hand_in, tmp_path):
    steps = [
        hand_in.answer("two-magnets", "half", reason="twice\r\nas much"),
        hand_in.answer("two-magnets", "between", "after discussion", "more than 9 in 10"),
        ("measure", "threshold", {"start_period_s": 0.4, "stop_period_s": None, "rule": "interpolated"}),
        ("measure", "draft:observation:runs", "it gets"),
        ("measure", "observation:runs", "it gets slower"),
        ("average", "results", [
            {"magnets": 2, "trial": 1, "duration_s": 23.1, "turns": 50.5, "status": "counted", "set_aside": ""},
            {"magnets": 2, "trial": 2, "duration_s": 20.1, "turns": 44.5, "status": "counted", "set_aside": "bumped"},
            {"magnets": 2, "trial": 3, "duration_s": 99.0, "turns": None, "status": "never slow enough"},
            {"magnets": 4, "trial": 1, "duration_s": 13.0, "turns": None},
        ]),
        ("explain", "explanation", {"claim": "more drag", "evidence": "", "reasoning": "", "rebuttal": ""}),
        hand_in.answer("two-magnets", "between", "end"),
    ]  # fmt: skip
    hand_in.write(tmp_path, "a.json", hand_in.document("silver-otter-1", *steps))
    overview = read_class(tmp_path, LESSON)
    (group,) = overview.groups
    assert (group.file, group.code, group.unchanged, group.warnings) == ("a.json", "silver-otter-1", True, ())
    assert overview.answers.to_dict("list") == {
        "group": ["silver-otter-1"] * 3,
        "question": ["two-magnets"] * 3,
        "moment": ["first", "after discussion", "end"],
        "choice": ["half", "between", "between"],
        "confidence": ["6 to 9 in 10", "more than 9 in 10", "6 to 9 in 10"],
        "reason": ["twice\nas much", "because", "because"],
    }
    assert group.entries == {"predict": 2, "measure": 2, "average": 1, "explain": 2}  # the draft is none
    assert group.start_period_s == 0.4 and isnan(group.stop_period_s)
    assert overview.runs[["x", "duration_s"]].to_numpy().tolist() == [[2.0, 23.1], [4.0, 13.0]]
    assert isnan(overview.runs["turns"].iloc[1]) and group.runs_left_out == 2
    assert group.explanation["claim"] == "more drag"
    assert overview.supported["two-magnets"] == "between" and "half" in overview.ideas["two-magnets"]


def test_an_answer_given_only_at_the_end_is_no_first_answer(hand_in, tmp_path):
    hand_in.write(tmp_path, "a.json", hand_in.document("abc", hand_in.answer("turns", "half", "end")))
    assert read_class(tmp_path, LESSON).answers["moment"].tolist() == ["end"]


def test_folder_subfolder_and_zip_are_one_class(hand_in, tmp_path):
    inner = tmp_path / "inner.json"
    for i in (1, 2, 3):
        document = hand_in.document(f"group-{i}", hand_in.answer("turns", "half", reason=str(i)))
        hand_in.write(tmp_path / "class", {1: "a.json", 2: "deep/er/b.JSON", 3: "../inner.json"}[i], document)
    with zipfile.ZipFile(tmp_path / "class" / "rest.zip", "w") as archive:
        archive.write(inner, "some folder/c.json")
        archive.writestr("__MACOSX/._c.json", b"\0")
    (tmp_path / "class" / ".DS_Store").write_bytes(b"\0")
    overview = read_class(tmp_path / "class", LESSON)
    assert [g.file for g in overview.groups] == ["a.json", "rest.zip / some folder/c.json", "deep/er/b.JSON"]
    assert overview.refused == ()
    assert [g.code for g in read_class(tmp_path / "class" / "rest.zip", LESSON).groups] == ["group-3"]


def test_the_fuller_hand_in_of_a_group_counts(hand_in, tmp_path):
    first = hand_in.answer("turns", "half")
    early = hand_in.document("abc", first)
    late = hand_in.document("abc", first, hand_in.answer("turns", "quarter", "after discussion"))
    for name, document in (("1.json", early), ("2.json", late), ("3.json", early)):
        hand_in.write(tmp_path, name, document)
    overview = read_class(tmp_path, LESSON)
    assert [group.file for group in overview.groups] == ["2.json"]
    assert {(r.file, r.why) for r in overview.refused} == {
        ("1.json", "Everything in it is also in 2.json, which counts."),
        ("3.json", "Everything in it is also in 2.json, which counts."),
    }


def test_nobody_is_pushed_out_by_a_file_that_only_looks_later(hand_in, tmp_path):
    real = hand_in.document("abc", hand_in.answer("turns", "half"), hand_in.answer("turns", "same", "after discussion"))
    forged = json.loads(json.dumps(real))
    extra = hand_in.document("abc", hand_in.answer("turns", "sixteenth"))["entries"][0]
    forged["entries"][0]["value"]["choice"] = "sixteenth"  # the hashes of the real one kept
    forged["entries"].append({**extra, "n": 3, "previous": forged["entries"][-1]["hash"]})
    hand_in.write(tmp_path, "forged.json", forged)
    hand_in.write(tmp_path, "real.json", real)
    overview = read_class(tmp_path, LESSON)
    assert [group.code for group in overview.groups] == ["abc", "abc (2)"]
    assert overview.refused == ()
    assert "was changed after it was saved" in " ".join(overview.groups[0].warnings)


def test_two_groups_with_one_code_are_told_apart(hand_in, tmp_path):
    for name, choice in (("1.json", "half"), ("2.json", "same")):
        hand_in.write(tmp_path, name, hand_in.document("abc", hand_in.answer("turns", choice)))
    overview = read_class(tmp_path, LESSON)
    assert overview.answers[["group", "choice"]].to_numpy().tolist() == [["abc", "half"], ["abc (2)", "same"]]
    assert "chose the same code" in overview.warnings["warning"].item()


def test_another_lesson_is_named_and_left_out(hand_in, tmp_path):
    for i in range(3):
        hand_in.write(tmp_path, f"{i}.json", hand_in.document("abc", hand_in.answer("turns", f"c{i}")))
    hand_in.write(tmp_path, "z.json", hand_in.document("xyz", hand_in.answer("q", "a"), lesson="felt_brake"))
    for lesson in (None, LESSON):
        overview = read_class(tmp_path, lesson)
        assert (overview.lesson_name, len(overview.groups)) == ("coasting_disc", 3)
        assert [(r.file, r.why) for r in overview.refused] == [
            ("z.json", "This hand-in is for another lesson, felt_brake.")
        ]


def test_answers_to_questions_the_lesson_does_not_ask_are_counted_in_a_warning(hand_in, tmp_path):
    steps = [hand_in.answer("turns", "half"), hand_in.answer("weather", "rain")]
    hand_in.write(tmp_path, "a.json", hand_in.document("abc", *steps))
    overview = read_class(tmp_path, LESSON)
    assert overview.answers["question"].tolist() == ["turns"]
    assert overview.warnings["warning"].item() == "Left out: one answer to questions that this lesson does not ask."


def test_without_a_lesson_questions_and_what_was_changed_come_from_the_files():
    overview = read_class(DEMO)
    assert overview.lesson_name == "coasting_disc" and overview.lesson is None and not overview.supported
    assert [question.id for question in overview.questions] == ["two-magnets", "turns"]
    assert [choice.id for choice in overview.ask("turns").choices] == ["half", "quarter", "same", "sixteenth"]
    assert sorted(set(overview.runs["x"])) == [1, 2, 3, 4, 6, 8, 12]
    with pytest.raises(KitError, match=r"Nobody answered this question\. Found: 'sound'"):
        overview.ask("sound")


def test_nothing_to_read_is_said_with_the_first_reason(tmp_path):
    with pytest.raises(KitError, match="There is no such folder or ZIP"):
        read_class(tmp_path / "missing")
    with pytest.raises(KitError, match=r"no hand-in here that can be used\. What to do: put"):
        read_class(tmp_path)
    (tmp_path / "notes.txt").write_text("hello")
    with pytest.raises(KitError, match=r"notes\.txt: Its name does not end in \.json"):
        read_class(tmp_path)


@pytest.mark.slow
def test_memory_grows_with_what_is_kept_not_with_what_is_read(hand_in, tmp_path):
    """Files that are mostly draft texts: 40 of them, 300 kB each, leave less than a tenth of that behind."""
    drafts = [("measure", "draft:observation:runs", f"{k} " + "x" * 10_000) for k in range(30)]

    def kept_and_peak(folder):
        read_class(folder, LESSON)
        gc.collect()
        tracemalloc.start()
        try:
            overview = read_class(folder, LESSON)
            peak = tracemalloc.get_traced_memory()[1]
            gc.collect()
            assert overview.groups
            return tracemalloc.get_traced_memory()[0], peak
        finally:
            tracemalloc.stop()

    for i in range(40):
        document = hand_in.document(f"group-{i}", hand_in.answer("turns", "half", reason=str(i)), *drafts)
        path = hand_in.write(tmp_path / "many", f"{i:02d}.json", document)
    hand_in.write(tmp_path / "one", "a.json", Path(path).read_bytes())
    assert path.stat().st_size > 300_000
    kept, peak = kept_and_peak(tmp_path / "many")
    _, peak_of_one = kept_and_peak(tmp_path / "one")
    assert kept < 40 * 15_000
    assert peak < peak_of_one + 40 * 30_000


# --- the invented class --------------------------------------------------------------------------------------------


def test_making_the_invented_class_again_changes_nothing(tmp_path):
    paths = write_demo_class(tmp_path)
    assert sorted(p.name for p in paths) == sorted(p.name for p in DEMO.glob("*.json"))
    assert all(path.read_bytes() == (DEMO / path.name).read_bytes() for path in paths)
    assert write_demo_class(tmp_path) == paths  # and is allowed where they are already
    paths[3].write_bytes(b"{}")
    with pytest.raises(KitError, match="is there already and is not overwritten"):
        write_demo_class(tmp_path)


def test_the_invented_class_says_so_and_is_as_large_as_stated():
    overview = read_class(DEMO, LESSON)
    assert len(overview.groups) == 28 and not overview.refused and not len(overview.warnings)
    assert all("no student wrote this" in group.notice and group.code.startswith("demo-") for group in overview.groups)
    assert max(path.stat().st_size for path in DEMO.iterdir()) <= 15_000
    assert overview.answers["reason"].nunique() > 100  # a class of voices, not one voice
    assert len(set(overview.answers.loc[overview.answers["moment"] == "first", "choice"])) >= 6


def test_a_folder_is_read_again_only_where_something_changed(tmp_path, monkeypatch):
    """By size and times; not by them alone where a file is so young that it may change again within a tick."""
    names = [path.name for path in sorted(DEMO.glob("*.json"))[:3]]
    for name in names:
        shutil.copy(DEMO / name, tmp_path / name)
    read: list[str] = []
    bytes_of = handins._bytes_of
    monkeypatch.setattr(handins, "_bytes_of", lambda path: read.append(path.name) or bytes_of(path))
    monkeypatch.setattr(handins, "_is_settled", lambda found: found.st_size != (tmp_path / names[2]).stat().st_size)
    reader = ClassReader(tmp_path, LESSON)
    first = reader.read()
    assert len(first.groups) == 3 and sorted(read) == names
    read.clear()
    assert reader.read() is first and read == [names[2]]
    (tmp_path / names[0]).write_bytes((tmp_path / names[0]).read_bytes() + b"\n")
    (tmp_path / names[1]).unlink()
    read.clear()
    later = reader.read()
    assert sorted(read) == [names[0], names[2]]
    assert [group.code for group in later.groups] == [group.code for group in read_class(tmp_path, LESSON).groups]
