"""Logs and reports that lie at a URL: on a share, in an object store, wherever fsspec reaches.

The rooms know folders only. So a unit's files are brought into a temporary folder, reported there, and what came of it
is taken to its place: each file written beside its place and moved into it, the page last, so that no reader meets half
a report.
"""

from __future__ import annotations

import contextlib
import secrets
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePath, PurePosixPath
from typing import TYPE_CHECKING

from pipeline.atomic import PART
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem


def is_url(place: str | Path) -> bool:
    """Whether `place` is for fsspec (`s3://bucket/logs`, `file:///mnt/logs`) and not a path of this machine."""
    return isinstance(place, str) and "://" in place


def where(place: str | Path) -> tuple[str, PurePath]:
    """The file system of `place` and the path there, to tell whether one place lies in another. Raises UsageError."""
    if not is_url(place):
        return "file", Path(place).resolve()
    fs, path = _open(place)
    protocol = fs.protocol if isinstance(fs.protocol, str) else fs.protocol[0]
    return (protocol, Path(path).resolve()) if protocol == "file" else (protocol, PurePosixPath(path))


@dataclass(frozen=True, kw_only=True)
class FarFile:
    """One file at a URL, with as much of a path's manners as finding units needs."""

    name: str
    url: str
    size: int = 0  # bytes

    def is_dir(self) -> bool:
        """No: as `Path.is_dir` would say of a file."""
        return False

    def is_file(self) -> bool:
        """Whether there is such a file, as `Path.is_file`."""
        return bool(self.url)


@dataclass(frozen=True, kw_only=True)
class FarFolder:
    """A folder at a URL, listed once, two levels deep."""

    name: str
    inside: dict[str, FarFile | FarFolder] = field(default_factory=dict)

    def is_dir(self) -> bool:
        """Yes: as `Path.is_dir` would say of a folder."""
        return True

    def is_file(self) -> bool:
        """No: as `Path.is_file` would say of a folder."""
        return False

    def iterdir(self) -> Iterator[FarFile | FarFolder]:
        """All that lies in the folder, as `Path.iterdir`."""
        return iter(self.inside.values())

    def __truediv__(self, name: str) -> FarFile | FarFolder:
        return self.inside.get(name) or FarFile(name=name, url="")


def listing(url: str) -> FarFolder:
    """The folder at `url` with its files and those of its sub-folders. Raises UsageError where there is none."""
    fs, root = _open(url)
    with _saying("read", url):
        fs.invalidate_cache()
        if not fs.isdir(root):
            raise UsageError(
                f'there is no folder "{url}"', remedy="name the folder that holds the logger files"
            )
        found = fs.find(root, maxdepth=2, withdirs=True, detail=True)
    top = FarFolder(name=_name(root))
    for path, about in sorted(found.items()):
        parts = path.removeprefix(root).strip("/").split("/")
        if not parts[0] or len(parts) > 2:
            continue
        if about["type"] == "directory":
            if len(parts) == 1:
                top.inside.setdefault(parts[0], FarFolder(name=parts[0]))
            continue
        file = FarFile(name=parts[-1], url=fs.unstrip_protocol(path), size=int(about.get("size") or 0))
        if len(parts) == 1:
            top.inside[parts[0]] = file
        else:  # an object store lists no folders, only what is in them
            folder = top.inside.setdefault(parts[0], FarFolder(name=parts[0]))
            if isinstance(folder, FarFolder):
                folder.inside[parts[1]] = file
    return top


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    """A temporary folder that is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="icelogs-") as folder:
        yield Path(folder)


def bring(files: Iterable[FarFile], folder: Path) -> tuple[Path, ...]:
    """The files, copied into `folder` under their own names. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    near = []
    for file in files:
        fs, path = _open(file.url)
        near.append(folder / file.name)
        fs.get_file(path, str(near[-1]))
    return tuple(near)


def bring_if_there(url: str, folder: Path) -> None:
    """The file at `url`, copied into `folder`; nothing where there is none. Raises OSError."""
    fs, path = _open(url)
    folder.mkdir(parents=True, exist_ok=True)
    near = folder / _name(path)
    try:
        fs.get_file(path, str(near))
    except FileNotFoundError:
        near.unlink(missing_ok=True)


def put(file: Path, url: str) -> None:
    """`file` becomes what is at `url`, whole or not at all. Raises OSError."""
    fs, target = _open(url)
    above, _, name = target.rpartition("/")
    fs.makedirs(above, exist_ok=True)
    part = f"{above}/.{name}.{secrets.token_hex(4)}{PART}"
    try:
        fs.put_file(str(file), part)
        fs.mv(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            fs.rm_file(part)
        raise


def take(folder: Path, url: str) -> None:
    """Every file of `folder` to the folder at `url`, the page last. Raises OSError, and whatever its file system does."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    for path in sorted(files, key=lambda p: (p.suffix == ".html", p)):
        put(path, below(url, path.relative_to(folder).as_posix()))


def sweep(url: str) -> None:
    """Remove what killed workers left half-written under `url`."""
    fs, root = _open(url)
    with contextlib.suppress(OSError):
        for path in fs.find(root, maxdepth=2):
            if _name(path).startswith(".") and path.endswith(PART):
                with contextlib.suppress(OSError):
                    fs.rm_file(path)


def prepare(url: str) -> None:
    """Make sure that reports can be written at `url`. Raises UsageError."""
    fs, root = _open(url)
    with _saying("written to", url):
        fs.makedirs(root, exist_ok=True)


def below(url: str, name: str) -> str:
    """The URL of `name` in the folder at `url`."""
    return f"{url.rstrip('/')}/{name}"


def beside(url: str, name: str) -> str:
    """The URL of `name` in the folder that holds what is at `url`."""
    return below(url.rstrip("/").rpartition("/")[0], name)


def _open(url: str) -> tuple[AbstractFileSystem, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise UsageError(
            f'"{url}" is a URL, and those need the extra "cluster"', remedy="pip install 'icelogs[cluster]'"
        ) from error
    try:
        fs, path = url_to_fs(url)
    except (ValueError, ImportError) as error:
        raise UsageError(f'"{url}" cannot be used ({error})', remedy="see the protocols of fsspec") from error
    return fs, path.rstrip("/")


@contextlib.contextmanager
def _saying(done: str, url: str) -> Iterator[None]:
    try:
        yield
    except UsageError:
        raise
    except Exception as error:  # each file system has errors of its own: no credentials, no such host
        reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
        raise UsageError(
            f'"{url}" cannot be {done} ({reason})', remedy="see the address and your rights there"
        ) from error


def _name(path: str) -> str:
    return path.rstrip("/").rpartition("/")[2]
