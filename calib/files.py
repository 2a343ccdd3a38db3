"""Files: read with a sentence when that fails, written whole or not at all."""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import secrets
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from calib.errors import CalibError, FileError, OutputExistsError

_LARGEST_TEXT = 16 * 2**20  # of a file that people write by hand, bytes


@contextmanager
def write_atomically(path: str | Path, force: bool = False) -> Iterator[Path]:
    """Give a temporary path to write to, and rename it to ``path`` when that went well.

    Parameters
    ----------
    path
        Where the file is to appear. The temporary file stands in the same folder and has the same ending.
    force
        Whether an existing file may be replaced.

    Raises
    ------
    OutputExistsError
        If the file exists and ``force`` is false.
    FileError
        If it can't be written. The temporary file is removed then, as after any other failure.
    """
    # A link stays a link: what it points to is replaced.
    path, target = Path(path), Path(os.path.realpath(path))
    _refuse_existing(path, force)
    if path.is_dir():
        raise FileError(f"{path} is a folder: give the name of a file.")
    if not target.parent.is_dir():
        raise FileError(f"{path} can't be written, since the folder {target.parent} does not exist: create it first.")
    temporary = target.with_name(f".{secrets.token_hex(8)}{target.suffix}")
    try:
        yield temporary
        with open(temporary, "rb+") as stream:
            os.fsync(stream.fileno())
        _refuse_existing(path, force)
        os.replace(temporary, target)
        _sync_folder(target.parent)
    except OSError as error:
        raise FileError(f"{path} could not be written: {reason(error)}.") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def move_new(temporary: str | Path, path: str | Path) -> bool:
    """Give a finished file its name, unless there is something of that name: then nothing happens.

    Two who try at once never both succeed, where the file system has hard links or the system refuses to rename onto
    another file. Elsewhere the name is looked for first.

    Returns
    -------
    bool
        Whether the file has the name now.

    Raises
    ------
    FileError
        If it can't have it.
    """
    temporary, path = Path(temporary), Path(path)
    try:
        try:
            os.link(temporary, path)
        except FileExistsError:
            return False
        except OSError:  # no hard links here
            if os.path.lexists(path):
                return False
            os.rename(temporary, path)
        else:
            temporary.unlink()
        _sync_folder(path.parent)
        return True
    except FileExistsError:
        return False
    except OSError as error:
        raise FileError(f"{path} could not be written: {reason(error)}.") from error


def sha256(path: str | Path) -> str:
    """Return the SHA-256 of a file in hexadecimal digits.

    Raises
    ------
    FileError
        If it can't be read.
    """
    with _readable(Path(path)), open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_head(path: str | Path, size: int = 4096) -> bytes:
    """Return the first bytes of a file.

    Raises
    ------
    FileError
        If it is missing, no file, empty, or can't be read.
    """
    path = Path(path)
    with _readable(path), open(path, "rb") as stream:
        head = stream.read(size)
    if not head:
        raise FileError(f"{path} is empty.")
    return head


def read_toml(path: str | Path, *, error: type[CalibError] = FileError) -> tuple[dict[str, Any], str]:
    """Read a TOML file.

    Parameters
    ----------
    path
        The file; UTF-8.
    error
        Class of the error that is raised if the file is not TOML.

    Returns
    -------
    dict, str
        Its content, and the SHA-256 of the file.

    Raises
    ------
    CalibError
        If it can't be read, or is not TOML.
    """
    path = Path(path)
    with _readable(path), open(path, "rb") as stream:
        data = stream.read(_LARGEST_TEXT + 1)
    return parse_toml(data, str(path), error=error), hashlib.sha256(data).hexdigest()


def read_bounded(path: str | Path, largest: int = 2**30) -> bytes:
    """Read a whole file, unless it is larger than anything that was meant to be read.

    Raises
    ------
    FileError
        If it can't be read, or is larger than ``largest`` bytes.
    """
    path = Path(path)
    with _readable(path), open(path, "rb") as stream:
        data = stream.read(largest + 1)
    if len(data) > largest:
        raise FileError(f"{path} is larger than {largest} bytes, which is more than such a file ever holds.")
    return data


_MANY_PARTS = re.compile(r"(?:[\w\"'-]{1,64}[ \t]{0,8}\.[ \t]{0,8}){50}")


def parse_toml(data: bytes, name: str, *, error: type[CalibError] = FileError) -> dict[str, Any]:
    """Read TOML from the bytes of a file; ``name`` stands for it in the message."""
    if len(data) > _LARGEST_TEXT:
        raise error(f"{name} is too large for a TOML file.")
    try:
        text = data.decode("utf-8-sig")
        # keys of many parts take the parser time that grows with the square of their number
        if _MANY_PARTS.search(text):
            raise error(f"{name} is not valid TOML for calib: a key has far too many parts.")
        return tomllib.loads(text)
    except UnicodeDecodeError:
        raise error(f"{name} is not a TOML file: it is no UTF-8 text.") from None
    except (ValueError, RecursionError) as problem:  # of a number of thousands of digits, a plain one
        if isinstance(problem, error):
            raise
        raise error(f"{name} is not valid TOML: {str(problem).rstrip('.') or 'it is nested too deeply'}.") from None


def unknown_key(key: str, known: Iterable[str]) -> str:
    """Return the end of a sentence about an unknown key: the nearest known one, or all of them."""
    names = sorted(known)
    near = [name for name in names if name.lower() == key.lower()] or difflib.get_close_matches(key, names, n=1)
    if near:
        return f"did you mean {near[0]!r}?"
    return f"known are {', '.join(names)}." if names else "there are none."


def reason(error: OSError) -> str:
    """Return what the system said, without number and file name."""
    return (error.strerror or str(error) or type(error).__name__).rstrip(".")


def _refuse_existing(path: Path, force: bool) -> None:
    if not force and os.path.lexists(path):
        raise OutputExistsError(f"{path} exists already: choose another name, or allow it to be overwritten.")


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    if path.is_dir():
        raise FileError(f"{path} is a folder, not a file.")
    try:
        # A pipe would be waited for, and a device may never end.
        if path.exists() and not path.is_file():
            raise FileError(f"{path} is no ordinary file, but a pipe or a device: save its content to a file first.")
        yield
    except FileNotFoundError:
        raise FileError(f"There is no file {path}.") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL character in the name
        if isinstance(error, CalibError):
            raise
        words = reason(error) if isinstance(error, OSError) else str(error)
        raise FileError(f"{path} can't be read: {words}.") from error


def _sync_folder(folder: Path) -> None:
    """Make the renaming last; not every system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
