import pytest

from kit import commands, launcher

HANDINS = launcher.PROJECT / "datasets_demo" / "class_handins"
LESSON = launcher.PROJECT / "datasets_demo" / "coasting_disc"


@pytest.fixture
def run(monkeypatch, capsys):
    """Run `class-overview` here, without a set-up; returns exit code, output and messages."""
    monkeypatch.setattr(launcher, "ensure", lambda *arguments, **needs: None)
    monkeypatch.setattr("sys.stdout.reconfigure", lambda **_: None, raising=False)
    monkeypatch.setattr("sys.stderr.reconfigure", lambda **_: None, raising=False)

    def command(*arguments):
        code = commands.main(["class-overview", *map(str, arguments)])
        return code, *capsys.readouterr()

    return command


@pytest.mark.slow
def test_page_and_tables_are_written(run, tmp_path):
    page, tables = tmp_path / "class.html", tmp_path / "tables"
    code, said, problems = run(HANDINS, "--report", page, "--lesson", LESSON, "--csv", tables)
    assert (code, problems) == (0, "")
    assert said == (
        f"28 hand-ins read. Something is missing in 5. \nThe page is in {page}.\n11 tables are in {tables}.\n"
    )
    assert "The coasting disc" in page.read_text("utf-8") and len(list(tables.glob("*.csv"))) == 11


@pytest.mark.slow
def test_one_page_to_print_is_written_beside(run, tmp_path):
    page, summary = tmp_path / "class.html", tmp_path / "one.html"
    code, said, _ = run(HANDINS, "--report", page, "--lesson", LESSON, "--summary", summary)
    assert code == 0 and f"One page to print is in {summary}." in said
    text = summary.read_text("utf-8")
    assert "28 groups handed in." in text and "22.69 s" in text and "<script" not in text


def test_files_that_do_not_count_are_named(run, hand_in, tmp_path):
    hand_in.write(tmp_path / "in", "a.json", hand_in.document("abc", hand_in.answer("turns", "half")))
    hand_in.write(tmp_path / "in", "b\x1b[31m.json", b"{")
    code, said, _ = run(tmp_path / "in", "--report", tmp_path / "class.html")
    assert code == 0
    assert "one file could not be counted.\n  b�[31m.json: This file is not a hand-in: it is not JSON" in said


def test_bad_input_is_one_clear_message(run, tmp_path):
    for arguments, message in (
        ((tmp_path / "none", "--report", "x.html"), "There is no such folder or ZIP"),
        ((tmp_path, "--report", "x.html"), "There is no hand-in here that can be used"),
        ((HANDINS, "--report", tmp_path / "no" / "x.html"), "The report can't be written"),
        ((HANDINS, "--report", tmp_path / "x.html", "--lesson", tmp_path), "There is no lesson in this folder"),
    ):
        code, _, problems = run(*arguments)
        assert code == 1 and problems.startswith("class-overview: ") and message in problems


def test_without_a_report_it_is_wrong_usage(run, capsys):
    with pytest.raises(SystemExit) as stopped:
        run(HANDINS)
    assert stopped.value.code == 2 and "--report" in capsys.readouterr().err
