import csv

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom.tables import safe_cell, write_csv

FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠", "|")
TEXTS = st.text(alphabet="=+-@\t\r\n;\"' ,a1|＝", max_size=12) | st.text(max_size=20)


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("+49 30", "'+49 30"),
        ("-3", "'-3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t'=1"),
        ("\r", "'\r"),
        ("  =1", "'  =1"),
        ("fine;=1", "fine;'=1"),
        ("two\n=lines", "two\n'=lines"),
        ("half - or less", "half - or less"),
        ("38/2=19", "38/2=19"),
        ("", ""),
    ],
)
def test_what_could_start_a_formula_is_quoted(text, safe):
    assert safe_cell(text) == safe


def test_numbers_stay_numbers():
    assert safe_cell(-3.5) == -3.5 and safe_cell(None) is None


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(TEXTS, TEXTS), min_size=1, max_size=4), TEXTS)
def test_no_cell_starts_a_formula_whatever_the_separator(tmp_path_factory, rows, name):
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    write_csv(pd.DataFrame(rows, columns=[name, "b"]), path)
    text = path.read_bytes().decode("utf-8-sig")
    cells = [cell for row in csv.reader(text.splitlines(keepends=True)) for cell in row]
    cells += [cell for line in text.splitlines() for cell in line.replace("\t", ";").replace('"', "").split(";")]
    assert not [cell for cell in cells if cell.startswith(FORMULA)]


def test_the_file_says_its_encoding_and_keeps_negative_numbers(tmp_path):
    path = write_csv(pd.DataFrame({"=x": [-1.5], "wörter": ["ü"]}), tmp_path / "t.csv")
    assert path.read_bytes() == "\ufeff'=x,wörter\r\n-1.5,ü\r\n".encode()
