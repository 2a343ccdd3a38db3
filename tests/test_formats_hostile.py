"""Hostile and broken files, as the commands meet them: one sentence, exit code 2, little memory, and no waiting."""

import gzip
import os
import signal
import struct
import time
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from calib.cli import app
from calib.errors import FileError
from calib.formats import _hdf5_file, _matrix, _zip, read_scan, write_scan
from tests.test_formats_native import full_scan
from tests.test_formats_sdf import text as sdf_text
from tests.test_formats_x3p import axis, document, packed

RUNNER = CliRunner()
SAID = ("--set", "unit=nm", "--set", "pixel_size=2 nm")
MEMORY = 2**27  # bytes: what the command itself and the largest of these files take


@pytest.fixture(autouse=True)
def _no_waiting() -> Iterator[None]:
    """Fail what would hang."""

    def give_up(*_: Any) -> None:
        pytest.fail("It took too long.")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(30)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def refused(path: Path, *options: str) -> str:
    """Return the one sentence that the commands give for a file."""
    sentences = []
    for command in (["inspect", str(path), *options], ["convert", str(path), *options, "-o", str(path) + ".new.nc"]):
        tracemalloc.start()
        result = RUNNER.invoke(app, command)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert result.exit_code == 2, (result.output, result.exception)
        assert result.stdout == ""
        assert len(result.stderr.splitlines()) == 1, result.stderr
        assert peak < MEMORY
        sentences.append(result.stderr)
    assert sentences[0] == sentences[1]
    return sentences[0]


# --- what is no file -----------------------------------------------------------------------------


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _link(target: str) -> Callable[[Path], None]:
    return lambda path: path.symlink_to(target)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (_pipe, "is no ordinary file, but a pipe or a device"),
        (_link("/dev/zero"), "is no ordinary file, but a pipe or a device"),
        (_link("/"), "is a folder, not a file"),
        (_link("nowhere"), "There is no file"),
        (Path.mkdir, "is a folder, not a file"),
        (Path.touch, "is empty"),
    ],
)
def test_what_is_no_file(tmp_path: Path, make: Callable[[Path], None], words: str) -> None:
    for ending in ("sdf", "x3p", "tif", "npy", "npz", "txt", "csv.gz", "xyz", "h5"):
        make(tmp_path / f"a.{ending}")
        with pytest.raises(FileError, match=words):
            read_scan(tmp_path / f"a.{ending}")
    make(tmp_path / "a.nc")
    assert words in refused(tmp_path / "a.nc")


def test_a_link_to_itself(tmp_path: Path) -> None:
    (tmp_path / "a.nc").symlink_to("a.nc")
    assert "symbolic links" in refused(tmp_path / "a.nc")


def test_a_pipe_beside_a_file_is_not_waited_for(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("1 2\n3 4\n")
    os.mkfifo(tmp_path / "a.toml")
    assert "its size is not known" in refused(tmp_path / "a.txt")
    (tmp_path / "a.toml").unlink()
    os.mkfifo(tmp_path / "pipe.txt")
    assert "is no ordinary file" in refused(tmp_path / "a.txt", *SAID, "--set", "retrace=pipe.txt")


# --- much in a small file ------------------------------------------------------------------------


@pytest.fixture
def _small_bombs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make what is allowed so small that the files of the tests are made quickly."""
    monkeypatch.setattr(_zip, "_FREE", 2**16)
    monkeypatch.setattr(_matrix, "_FREE", 2**16)
    monkeypatch.setattr(_matrix, "_MOST_EMPTY", 1000)
    monkeypatch.setattr(_matrix, "_MOST_BLOCKS", 100)
    monkeypatch.setattr(_hdf5_file, "_MOST_MEMBERS", 100)


def _npz(path: Path) -> None:
    header = b"{'descr':'<f8','fortran_order':False,'shape':(400,400)}".ljust(117) + b"\n"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file, file.open("h.npy", "w") as member:
        member.write(b"\x93NUMPY\1\0" + struct.pack("<H", len(header)) + header)
        member.write(bytes(8 * 400 * 400))


def _gz(piece: bytes, times: int) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        with gzip.open(path, "wb", 1) as file:
            for _ in range(times):
                file.write(piece)

    return make


def _tiff(path: Path) -> None:
    tifffile.imwrite(path, np.zeros((420, 420), "f4"), compression="zlib", metadata=None)


def _tags(path: Path) -> None:
    text = "<OME>" + "<a/>" * 250_000 + "</OME>"
    tifffile.imwrite(path, np.zeros((2, 2), "f4"), description=text, metadata=None)


def _long_tag(path: Path) -> None:
    attributes = " ".join(f'a{number}="1"' for number in range(200_000))
    path.write_bytes(packed(document(record2=f"<Record2 {attributes}/>")))


def _members(path: Path) -> None:
    with h5py.File(path, "w", libver="latest") as file:
        for number in range(101):
            file.create_group(f"g{number}")


def _attributes(path: Path) -> None:
    path.with_suffix(".toml").write_text("[attributes]\n" + "".join(f"k{number} = 1\n" for number in range(10_001)))
    path.write_text("1 2\n3 4\n")


def _npy_header(path: Path) -> None:
    path.write_bytes(b"\x93NUMPY\2\0" + struct.pack("<I", 2**32 - 1) + b"{'descr': '<f8', " + bytes(100))


@pytest.mark.parametrize(
    ("name", "make", "words"),
    [
        ("a.npz", _npz, "its array 'h' declares 1280128"),
        ("a.txt.gz", _gz(b"0 0\n" * 2**14, 2), "is packed a hundredfold"),
        ("b.txt.gz", _gz(b"\n" * 2**10, 3), "more than 1000 lines without numbers"),
        ("c.txt", lambda path: path.write_text("#\n" * 1001), "more than 1000 lines without numbers"),
        ("a.tif", _tiff, "page 1 declares 705600 bytes, packed in"),
        ("b.tif", _tags, "its OME-XML is too large"),
        ("a.x3p", _long_tag, "a tag of more than a megabyte"),
        ("a.h5", _members, "has more than 100 members"),
        ("a.npy", _npy_header, "declares a header of 4294967295 bytes"),
        ("a.txt", lambda path: path.write_text("1 2\n\n" * 110), "more than 100 matrices"),
        (
            "b.txt",
            lambda path: path.with_suffix(".toml").write_text("#" * 2**23) and path.write_text("1"),
            "b.toml is larger than",
        ),
        ("d.txt", _attributes, "attributes has 10001 keys"),
        ("a.csv", lambda path: path.write_text("a (nm)," * 20_000 + "\n1,2\n3,4\n"), "is no number"),
    ],
)
@pytest.mark.usefixtures("_small_bombs")
def test_much_in_a_small_file(tmp_path: Path, name: str, make: Callable[[Path], Any], words: str) -> None:
    make(tmp_path / name)
    assert words in refused(tmp_path / name, *SAID[: 0 if name == "a.x3p" else 4])


# --- numbers that no scan has --------------------------------------------------------------------


def _scaled(path: Path, **attributes: Any) -> None:
    write_scan(path, full_scan().replace(channels={"height": full_scan().height + 1}, units={}, channel=""))
    with h5py.File(path, "a") as file:
        file["height"].attrs.update(attributes)


@pytest.mark.parametrize(
    ("name", "make", "words"),
    [
        ("a.sdf", lambda path: path.write_bytes(sdf_text("1 2 3 4 5 6", Zscale="1e308")), "are too large"),
        (
            "a.x3p",
            lambda path: path.write_bytes(packed(document(axis("CX") + axis("CY") + axis("CZ", "A", "D", 1e308)))),
            "are too large",
        ),
        (
            "b.x3p",
            lambda path: path.write_bytes(
                packed(document(axis("CX", increment=1e308) + axis("CY") + axis("CZ", "A", "D", 1)))
            ),
            "lie on no grid",
        ),
        (
            "a.nc",
            lambda path: _scaled(path, scale_factor=1e308, add_offset=1.7e308),
            "makes numbers that are too large",
        ),
        ("b.nc", lambda path: _scaled(path, scale_factor=np.nan), "must be one finite number, not nan"),
        ("c.nc", lambda path: _scaled(path, scale_factor="two"), "must be one finite number, not 'two'"),
        ("d.nc", lambda path: _scaled(path, add_offset=[1.0, 2.0]), r"must be one finite number, not [1.0, 2.0]"),
    ],
)
def test_numbers_beyond_all_scans(tmp_path: Path, name: str, make: Callable[[Path], Any], words: str) -> None:
    make(tmp_path / name)
    assert words in refused(tmp_path / name)


# --- found by fuzzing, made as small as they get -------------------------------------------------


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.xyz", b"1 2 3\n\n1 2\n", "its lines differ: some have 2 numbers, others 3"),
        ("b.xyz", b"x (nm]\n9\n", "its lines have 1 numbers"),
    ],
)
def test_lists_of_points(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    (tmp_path / name).write_bytes(data)
    assert words in refused(tmp_path / name)


def test_an_empty_description(tmp_path: Path) -> None:
    (tmp_path / "a.x3p").write_bytes(packed(""))
    assert "its XML is broken at line 1: no element found" in refused(tmp_path / "a.x3p")


def test_files_that_name_each_other_as_retrace(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text('unit = "nm"\npixel_size = "2 nm"\nretrace = "a.txt"\n')
    for name in "ab":
        (tmp_path / f"{name}.txt").write_text("1 2\n3 4\n")
    assert "is said to be its own retrace" in refused(tmp_path / "a.txt")
    (tmp_path / "a.toml").write_text('unit = "nm"\npixel_size = "2 nm"\nretrace = "b.txt"\n')
    (tmp_path / "b.toml").write_text('retrace = "a.txt"\n')
    scan = read_scan(tmp_path / "a.txt")
    assert scan.passes == ("trace", "retrace")
    assert scan.attributes["retrace_file"] == "b.txt"


def test_a_line_of_separators_is_a_line(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("1,\n,\n3,\n")
    scan = read_scan(tmp_path / "a.csv", unit="m", pixel_size="1 nm")
    np.testing.assert_array_equal(scan.height[0], [[1.0], [np.nan], [3.0]])


def test_a_table_in_the_place_of_a_name(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("1 2\n3 4\n")
    (tmp_path / "a.toml").write_text("retrace.file = true\n")
    assert refused(tmp_path / "a.txt") == f"{tmp_path / 'a.txt'}: retrace must be a text, not {{'file': True}}.\n"


def test_libraries_write_nothing_to_the_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    from PIL import Image

    Image.fromarray(np.zeros((4, 4), "u1")).save(tmp_path / "a.tif", compression="tiff_lzw")
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        place = file.pages.first.dataoffsets[0]
    data[place : place + 4] = b"\xff\xff\xff\xff"
    (tmp_path / "a.tif").write_bytes(bytes(data))
    with pytest.raises(FileError, match="broken"):
        read_scan(tmp_path / "a.tif", unit="nm", pixel_size="2 nm")
    assert capfd.readouterr() == ("", "")


# --- HDF5 files that the library does not survive ------------------------------------------------

ON_LINUX = pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs copies of a process")


@ON_LINUX
@pytest.mark.parametrize("size", [2**32, 0, 2**63])
def test_texts_of_impossible_length(tmp_path: Path, size: int) -> None:
    """The heap of texts declares a length: the library takes so much memory, or goes round in a circle."""
    write_scan(tmp_path / "a.nc", full_scan())
    data = bytearray((tmp_path / "a.nc").read_bytes())
    struct.pack_into("<Q", data, data.index(b"GCOL") + 24, size)  # of the first text
    (tmp_path / "a.nc").write_bytes(bytes(data))
    assert "is broken" in refused(tmp_path / "a.nc")


def _crash(path: Path) -> None:
    os.kill(os.getpid(), signal.SIGSEGV)
    time.sleep(60)


def _circle(path: Path) -> None:
    while True:
        pass


def _hoard(path: Path) -> None:
    try:
        bytearray(2**31)
    except MemoryError:
        raise _hdf5_file._Broken from None


@ON_LINUX
@pytest.mark.parametrize("ends", [_crash, _circle, _hoard])
@pytest.mark.parametrize("name", ["a.nc", "a.h5"])
def test_the_command_survives_the_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: Callable[[Path], None], name: str
) -> None:
    write_scan(tmp_path / "a.nc", full_scan())
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["z"] = np.zeros((3, 4))
    monkeypatch.setattr(_hdf5_file, "_walk", ends)
    monkeypatch.setattr(_hdf5_file, "_SECONDS", 1)
    with pytest.raises(FileError, match="in a way that the HDF5 library can't bear"):
        read_scan(tmp_path / name)


@ON_LINUX
def test_a_file_is_walked_once_until_it_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    walks: list[Path] = []
    own = _hdf5_file._code_of_walk
    monkeypatch.setattr(_hdf5_file, "_code_of_walk", lambda path: walks.append(path) or own(path))  # type: ignore[func-returns-value]
    write_scan(tmp_path / "a.nc", full_scan())
    for _ in range(3):
        read_scan(tmp_path / "a.nc")
    assert len(walks) == 1
    write_scan(tmp_path / "a.nc", full_scan().replace(title="another"), force=True)
    assert read_scan(tmp_path / "a.nc").title == "another"
    assert len(walks) == 2
