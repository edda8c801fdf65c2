"""What the mutations begin with: sound files of every kind the kit reads."""

from __future__ import annotations

import io
import json
import zipfile
from functools import cache

from kit.launcher import PROJECT
from tests.invented_class import demo_handins

__all__ = ["handins", "lesson_files", "logs", "workbooks", "zips"]

LOGS = PROJECT / "tests" / "reference" / "logs"
LESSON = PROJECT / "datasets_demo" / "coasting_disc"
HEAD = 3000  # bytes of a demo log: enough to be a run


@cache
def logs() -> tuple[bytes, ...]:
    """Every hand-written log, a piece of a demo log, and the same in other line ends and encodings."""
    files = [path.read_bytes() for path in sorted(LOGS.iterdir())]
    demo = next(iter(sorted((LESSON / "passes").iterdir()))).read_bytes()[:HEAD].rsplit(b"\n", 1)[0]
    files += [demo, demo.replace(b"\n", b"\r\n"), demo.replace(b"\n", b"\r"), demo.decode().encode("utf-16")]
    long = b"magnets,trial,time_s\n" + b"".join(
        b"%d,%d,%.4f\n" % (m, k, 0.3 * i + 0.002 * i * i) for m in (1, 2) for k in (1, 2) for i in range(9)
    )
    return (*files, long, long.replace(b".", b";").replace(b",", b"\t").replace(b";", b","))


@cache
def lesson_files() -> dict[str, bytes]:
    """The files of one small lesson by name: lesson, key, list of runs, hand counts and two short logs."""
    names = {
        "lesson.toml": "lesson.toml",
        ".teacher_key.toml": "teacher_key.toml",
        "hand_counts.csv": "hand_counts.csv",
    }
    files = {name: (LESSON / kept).read_bytes() for kept, name in names.items()}
    rows = (LESSON / "runs.csv").read_bytes().splitlines()[:3]
    for row in rows[1:]:
        name = row.split(b",")[0].decode()
        files[name] = (LESSON / name).read_bytes()[:HEAD].rsplit(b"\n", 1)[0]
    return {**files, "runs.csv": b"\n".join(rows) + b"\n"}


@cache
def handins() -> tuple[bytes, ...]:
    """Invented hand-ins: long ones, unfinished ones, and one as an editor would lay it out."""
    documents = sorted((document for _, document in demo_handins()), key=lambda document: len(document["entries"]))
    chosen = [*documents[:3], *documents[-3:]]
    written = [json.dumps(document, ensure_ascii=False).encode() for document in chosen]
    return (*written, json.dumps(chosen[0], indent=1).encode())


@cache
def workbooks() -> tuple[bytes, ...]:
    """The lines of the hand-ins' workbooks."""
    return tuple(
        b"".join(json.dumps(entry, ensure_ascii=False).encode() + b"\n" for entry in json.loads(handin)["entries"])
        for handin in handins()[:4]
    )


@cache
def zips() -> tuple[bytes, ...]:
    """ZIPs of two hand-ins: stored, packed, in a folder, with something else beside them."""
    made = []
    for how, folder in ((zipfile.ZIP_STORED, ""), (zipfile.ZIP_DEFLATED, "class/"), (zipfile.ZIP_DEFLATED, "ü/")):
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", how) as archive:
            for number, handin in enumerate(handins()[:2]):
                archive.writestr(f"{folder}{number}.json", handin)
            archive.writestr(f"{folder}notes.txt", b"read me")
        made.append(buffer.getvalue())
    return tuple(made)
