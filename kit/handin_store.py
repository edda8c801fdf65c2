"""Hand-ins at an address such as s3://bucket/class-3b: an object store, or whatever else fsspec reaches.

fsspec is optional and loaded on first use; `file://` needs nothing. Keys to a store belong into the environment or the
store's own settings file. Should an address hold some all the same, no message repeats them; and since a store's own
words may, they are not passed on either.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from .errors import KitError

__all__ = ["Store", "is_address", "joined", "local_path", "shown_place"]

DEEPEST = 20  # folders within folders; local folders end by themselves, a store's names need not
BLOCK_BYTES = 1_000_000  # what is fetched at once of a ZIP


def is_address(place: object) -> bool:
    """Whether this is an address with a scheme, such as s3://…, and not a path."""
    return isinstance(place, str) and "://" in place


def local_path(place: str | Path) -> Path | None:
    """The path that is meant, on this machine; None for an address elsewhere."""
    if not is_address(place):
        return Path(place)
    if place.startswith("file://"):
        return Path(url2pathname(unquote(urlsplit(place).path)))
    return None


def joined(folder: str, name: str) -> str:
    """The address of a file in a folder."""
    return f"{folder.rstrip('/')}/{name}"


def shown_place(place: str | Path) -> str:
    """A place as it may be shown: without names, keys and tokens that the address may carry."""
    if not is_address(place):
        return str(place)
    scheme, _, rest = place.partition("://")
    rest = rest.partition("?")[0].partition("#")[0]
    secret, at, after = rest.rpartition("@")  # a key may itself hold a slash
    return f"{scheme}://{after if at and (':' in secret or '/' not in secret) else rest}"


class Store:
    """What lies at an address. Every method may raise `KitError`, worded for a teacher or a group.

    Parameters
    ----------
    address : scheme://…, as fsspec reads it; settings of the store come from the environment.
    """

    def __init__(self, address: str):
        self.shown = shown_place(address)
        if "::" in address:
            raise KitError("This address goes through several steps", file=self.shown, fix="give the plain one")
        try:
            from fsspec.core import url_to_fs
        except ImportError as problem:
            raise _lacks("fsspec", self.shown) from problem
        with self._worded():
            self._fs, self._path = url_to_fs(address)
            self._fs.invalidate_cache()  # hand-ins may have come since the last look

    @property
    def is_file(self) -> bool:
        """Whether a single file lies there."""
        with self._worded():
            return self._fs.info(self._path)["type"] == "file"

    def files(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """(path below the address, fsspec's details of it) of all files, one folder after the other."""
        with self._worded():
            if self.is_file:
                yield self._path.rpartition("/")[2], self._fs.info(self._path)
                return
            for where, folders, files in self._fs.walk(self._path, maxdepth=DEEPEST, detail=True, on_error="raise"):
                below = where[len(self._path) :].strip("/")
                for name in sorted(filter(None, files)):  # a store may list the folder itself, without a name
                    yield f"{below}/{name}".lstrip("/"), files[name]
                for name in sorted(folders):  # in this order they are walked
                    folders[name] = folders.pop(name)

    def read(self, details: dict[str, Any] | None = None, at_most: int = 0) -> bytes:
        """The first `at_most` bytes of the file with these details, or of the address itself."""
        with self._worded():
            details = self._fs.info(self._path) if details is None else details
            size = at_most if details.get("size") is None else min(int(details["size"]), at_most)
            if details["type"] != "file" or size == 0:  # a store refuses a range of nothing
                return b""
            return self._fs.cat_file(details["name"], start=0, end=size)[:at_most]

    def open(self, details: dict[str, Any]) -> BinaryIO:
        """The file with these details, to be read in places; whoever opens it closes it."""
        with self._worded():
            return self._fs.open(details["name"], "rb", block_size=BLOCK_BYTES)

    def exists(self) -> bool:
        """Whether anything lies at the address."""
        with self._worded():
            return self._fs.exists(self._path)

    def write(self, data: bytes) -> None:
        """Put a file there, whole; a store shows it only once all of it has come."""
        with self._worded("The hand-in was NOT written"):
            self._fs.makedirs(self._fs._parent(self._path), exist_ok=True)
            self._fs.pipe_file(self._path, data)

    @contextmanager
    def _worded(self, what: str = "This place can't be used") -> Iterator[None]:
        """Word whatever goes wrong out there. A store's adapter may raise anything; its text is never passed on."""
        try:
            yield
        except (KitError, GeneratorExit):
            raise
        except FileNotFoundError:
            fix = "check the address; a bucket has to be made first"
            raise KitError("There is no such folder, ZIP or bucket", file=self.shown, fix=fix) from None
        except ImportError as problem:
            raise _lacks(problem.name or "another one", self.shown) from None
        except Exception as problem:
            kind = type(problem).__name__
            if isinstance(problem, PermissionError) or "Credential" in kind:
                why, fix = "the store does not let you in", "set its keys in the environment, not in the address"
            elif isinstance(problem, ValueError):
                why, fix = "the address can't be understood", "it begins as s3://, memory:// or file:// do"
            else:
                why, fix = f"the store does not answer as it should ({kind})", "check the address and the network"
            raise KitError(f"{what}: {why}", file=self.shown, fix=fix) from None


def _lacks(name: str, shown: str) -> KitError:
    fix = 'install it: pip install "spin-down-inquiry-kit[object-store]" (in the project\'s folder: ".[object-store]")'
    return KitError(f"Addresses of this kind need the package {name}, which is not installed", file=shown, fix=fix)
