"""Files are written whole or not at all, and read with a sentence when that fails."""

import hashlib
import stat
from pathlib import Path

import pytest

from calib.errors import FileError, OutputExistsError, StandardError
from calib.files import parse_toml, read_head, read_toml, sha256, unknown_key, write_atomically


def fail_half_way(temporary: Path, error: BaseException) -> None:
    temporary.write_text("half")
    raise error


def write_both(temporary: Path, path: Path) -> None:
    temporary.write_text("ours")
    path.write_text("theirs")


def test_file_appears_only_when_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    with write_atomically(path) as temporary:
        assert temporary.parent == tmp_path
        assert temporary.suffix == ".json"
        temporary.write_text("new")
        assert not path.exists()
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("")
    with write_atomically(tmp_path / "new") as temporary:
        temporary.write_text("")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_existing_file_stays_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    path.write_text("old")
    with pytest.raises(OutputExistsError, match=r"model\.json exists already"), write_atomically(path):
        pytest.fail("the body must not run")
    assert path.read_text() == "old"
    with write_atomically(path, force=True) as temporary:
        temporary.write_text("new")
    assert path.read_text() == "new"


def test_file_that_appears_meanwhile_stays(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    with pytest.raises(OutputExistsError), write_atomically(path) as temporary:
        write_both(temporary, path)
    assert path.read_text() == "theirs"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("error", [RuntimeError("fault"), KeyboardInterrupt()])
def test_failure_leaves_the_old_file_and_no_temporary_one(tmp_path: Path, error: BaseException) -> None:
    path = tmp_path / "model.json"
    path.write_text("old")
    with pytest.raises(type(error)), write_atomically(path, force=True) as temporary:
        fail_half_way(temporary, error)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_full_disk_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "model.json"
    words = r"model\.json could not be written: No space left on device\."
    with pytest.raises(FileError, match=words), write_atomically(path) as temporary:
        fail_half_way(temporary, OSError(28, "No space left on device"))
    assert not list(tmp_path.iterdir())


def test_link_stays_a_link(tmp_path: Path) -> None:
    target = tmp_path / "target"
    target.write_text("old")
    link = tmp_path / "link"
    link.symlink_to(target)
    with write_atomically(link, force=True) as temporary:
        temporary.write_text("new")
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_folders_are_named(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="does not exist: create it first"), write_atomically(tmp_path / "no" / "file"):
        pytest.fail("the body must not run")
    with pytest.raises(FileError, match="is a folder"), write_atomically(tmp_path, force=True):
        pytest.fail("the body must not run")


def test_sha256(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4, the first worked example of SHA-256 (NIST, "abc")
    assert sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_unreadable_files_are_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    for name, words in (
        ("none", "There is no file"),
        ("empty", "is empty"),
        (".", "is a folder"),
        ("a\0b", "can't be"),
    ):
        with pytest.raises(FileError, match=words):
            read_head(tmp_path / name)
    with pytest.raises(FileError, match="There is no file"):
        sha256(tmp_path / "none")
    with pytest.raises(FileError, match="There is no file"):
        read_toml(tmp_path / "none")


def test_forbidden_file_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)  # nothing is forbidden to root, which tests may run as
    with pytest.raises(FileError, match=r"secret can't be read: Permission denied\."):
        read_head(tmp_path / "secret")


def test_toml_comes_with_its_digest(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\n")  # some editors begin with a byte order mark
    assert read_toml(path) == ({"a": 1}, hashlib.sha256(path.read_bytes()).hexdigest())


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"a = b\n", r"bad\.toml is not valid TOML: .*line 1"),
        (b"a = 1\na = 2", "is not valid TOML"),
        (b"\xff\xfe", "is no UTF-8 text"),
        (b"#" * (2**24 + 1), "too large"),
        (b"a = " + b"[" * 5000, "is not valid TOML"),
    ],
)
def test_bad_toml_is_one_sentence(data: bytes, words: str) -> None:
    with pytest.raises(StandardError, match=words):
        parse_toml(data, "bad.toml", error=StandardError)


def test_unknown_key_suggests_the_nearest() -> None:
    assert unknown_key("pich", ("pitch", "name")) == "did you mean 'pitch'?"
    assert unknown_key("K", ("U", "k", "u")) == "did you mean 'k'?"
    assert unknown_key("zzz", ("pitch", "name")) == "known are name, pitch."
    assert unknown_key("zzz", ()) == "there are none."


@pytest.mark.parametrize("data", [b"a." * 200_000 + b"a = 1", b"[a" + b".'a'" * 20_000 + b"]", b"x = " + b"9" * 6000])
def test_toml_that_keeps_the_parser_busy_is_refused_at_once(data: bytes) -> None:
    """Keys of many parts take it time that grows with their square; long numbers are a plain ValueError."""
    with pytest.raises(FileError, match="not valid TOML"):
        parse_toml(data, "bad.toml")
