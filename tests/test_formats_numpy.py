"""NumPy files: plain numbers in any order, and nothing else."""

import io
import pickle
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from calib.errors import FileError
from calib.formats import _stack, numpy_files, read_scan, write_scan
from tests.hostile import check_sentence
from tests.test_formats_native import SHARED, full_scan

SAID: dict[str, Any] = {"pixel_size": "50 nm", "unit": "m"}
DATA = np.arange(20.0).reshape(4, 5)


def saved(folder: Path, **several: Any) -> Path:
    np.savez_compressed(folder / "a.npz", **several)
    return folder / "a.npz"


@given(
    data=arrays.arrays(
        st.sampled_from(["u1", "i2", "<i4", ">i4", "<f4", ">f8"]),
        arrays.array_shapes(min_dims=2, max_dims=2, max_side=6),
    ),
    fortran=st.booleans(),
)
@SHARED
def test_all_types_and_orders(tmp_path: Path, data: Any, fortran: bool) -> None:
    data = np.asfortranarray(data) if fortran else data
    np.save(tmp_path / "a.npy", data)
    np.savez(tmp_path / "a.npz", data)
    expected = data.astype(np.float64)
    expected[~np.isfinite(expected)] = np.nan
    for name in ("a.npy", "a.npz"):
        np.testing.assert_array_equal(read_scan(tmp_path / name, **SAID).height[0], expected)


def test_stacks_are_passes_and_channels(tmp_path: Path) -> None:
    stack = np.stack([DATA, DATA + 1, DATA + 2, DATA + 3])
    np.save(tmp_path / "a.npy", stack.reshape(2, 2, 4, 5))
    scan = read_scan(
        tmp_path / "a.npy",
        pixel_size="1 nm",
        unit=["m", "V"],
        channels=["height", "image"],
        passes=["trace", "retrace"],
    )
    np.testing.assert_array_equal(scan.channels["image"], stack[2:])
    one = read_scan(tmp_path / "a.npy", **SAID, pages=4, first_row="top")
    np.testing.assert_array_equal(one.height[0], DATA[::-1] + 3)


def test_named_arrays(tmp_path: Path) -> None:
    path = saved(tmp_path, h=DATA, back=DATA + 1, x=np.arange(5) * 2.0, y=np.arange(4)[::-1] * 3.0, step=0.5)
    with pytest.raises(FileError, match=r'which of its arrays .* it has h \(4 x 5\), back .* say dataset = "\.\.\."'):
        read_scan(path, **SAID)
    scan = read_scan(path, unit="nm", dataset="h", fast_from="x", slow_from="y", lateral_unit="µm")
    np.testing.assert_allclose(scan.fast, np.arange(-2, 3) * 2e-6)
    np.testing.assert_allclose(scan.height[0], DATA[::-1] * 1e-9)  # its y goes down
    both = read_scan(path, **SAID, dataset=["h", "back"], passes=["trace", "retrace"])
    np.testing.assert_array_equal(both.height[1], DATA + 1)
    even = read_scan(path, unit="nm", dataset="h", fast_from="step", slow_from="step", lateral_unit="µm")
    assert even.spacing == pytest.approx((0.5e-6, 0.5e-6))
    for said, words in (
        ({"dataset": "z"}, "no array 'z'; it has h, back"),
        ({"dataset": 3}, "dataset must be a path"),
        ({"dataset": "x"}, "x is no image: its shape is 5"),
        ({"dataset": "h", "fast_from": "x"}, 'unit of x is not known: give lateral_unit = "µm"'),
        ({"dataset": "h", "fast_from": "y", "lateral_unit": "m"}, "y has 4 numbers, where the image has 5 along fast"),
        ({"dataset": "h", "fast_from": "h", "lateral_unit": "m"}, "h is no list of coordinates"),
    ):
        with pytest.raises(FileError, match=words):
            read_scan(path, **{**SAID, **said})


def test_they_are_not_written(tmp_path: Path) -> None:
    for name in ("a.npy", "a.npz"):
        with pytest.raises(FileError, match=r"NumPy files hold bare numbers; write \.nc"):
            write_scan(tmp_path / name, full_scan())


# --- broken and hostile files --------------------------------------------------------------------


class Danger:
    """Unpickling it would make a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> Any:
        return Path.touch, (self.path,)


def test_pickles_are_never_read(tmp_path: Path) -> None:
    made = tmp_path / "made"
    objects = np.array([[Danger(made), 1], [2, 3]], dtype=object)
    np.save(tmp_path / "a.npy", objects, allow_pickle=True)
    saved(tmp_path, h=objects)
    (tmp_path / "b.npy").write_bytes(pickle.dumps(Danger(made)))
    for name in ("a.npy", "a.npz", "b.npy"):
        with pytest.raises(FileError):
            read_scan(tmp_path / name, **SAID)
    assert not made.exists()


@pytest.mark.parametrize(
    "data",
    [np.zeros((2, 2), complex), np.zeros((2, 2), "U3"), np.zeros((2, 2), [("a", "f4")]), np.zeros((2, 2), "M8[s]"),
     np.zeros(3), np.zeros((0, 2)), np.zeros((2, 2), bool), np.zeros((300, 1, 1)), np.array(3.0)],
)  # fmt: skip
def test_what_is_no_image(tmp_path: Path, data: Any) -> None:
    np.save(tmp_path / "a.npy", data)
    with pytest.raises(FileError, match=r"holds no numbers that heights|is no image|more than 256 images"):
        read_scan(tmp_path / "a.npy", **SAID)


@pytest.mark.parametrize("name", ["a.npy", "a.npz"])
def test_every_truncation_is_one_sentence(tmp_path: Path, name: str) -> None:
    np.save(tmp_path / "a.npy", DATA)
    saved(tmp_path, h=DATA)
    data = (tmp_path / name).read_bytes()
    short = tmp_path / f"short{name[1:]}"
    for length in range(len(data)):
        short.write_bytes(data[:length])
        with pytest.raises(FileError, match="short"):
            read_scan(short, **SAID)


@pytest.mark.parametrize("name", ["a.npy", "a.npz"])
def test_every_broken_byte_is_one_sentence_or_a_scan(tmp_path: Path, name: str) -> None:
    np.save(tmp_path / "a.npy", DATA)
    saved(tmp_path, h=DATA)
    data = (tmp_path / name).read_bytes()
    random = np.random.default_rng(2)
    for place in range(len(data)):
        broken = bytearray(data)
        broken[place] ^= int(random.integers(1, 256))
        (tmp_path / f"b{name[1:]}").write_bytes(bytes(broken))
        check_sentence(tmp_path / f"b{name[1:]}", **SAID)


def lying(shape: str) -> bytes:
    header = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}".encode().ljust(117) + b"\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + bytes(64)


@pytest.mark.parametrize(
    "shape", ["(100000000000, 100000000000)", "(-2, -4)", "(2, 2)", "('a', 2)", "(1e9, 2)", "2", "[" * 60 + "]" * 60]
)
def test_declared_sizes_are_compared_with_the_file(tmp_path: Path, shape: str) -> None:
    (tmp_path / "a.npy").write_bytes(lying(shape))
    with zipfile.ZipFile(tmp_path / "a.npz", "w") as archive:
        archive.writestr("h.npy", lying(shape))
    for name in ("a.npy", "a.npz"):
        with pytest.raises(FileError, match=r"cut short or is broken|broken or was cut short"):
            read_scan(tmp_path / name, **SAID)


def test_bombs_and_crowds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    buffer = io.BytesIO()
    np.save(buffer, np.zeros((100, 100)))
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("h.npy", buffer.getvalue())
    monkeypatch.setattr(numpy_files, "MAX_POINTS", 9_999)
    with pytest.raises(FileError, match="more than 9999 points"):
        read_scan(tmp_path / "a.npz", **SAID)
    monkeypatch.undo()
    monkeypatch.setattr(_stack, "MAX_POINTS", 19_999)
    with pytest.raises(FileError, match="more than 19999 points"):
        read_scan(saved(tmp_path, a=np.zeros((100, 100)), b=np.ones((100, 100))), **SAID, dataset=["a", "b"])
    with zipfile.ZipFile(tmp_path / "b.npz", "w") as archive:
        for number in range(1025):
            archive.writestr(f"{number}.npy", b"")
    with pytest.raises(FileError, match="more than 1024 arrays"):
        read_scan(tmp_path / "b.npz", **SAID)
    with zipfile.ZipFile(tmp_path / "c.npz", "w") as archive:
        archive.writestr("a.npy", buffer.getvalue())
        archive.writestr("../evil.txt", b"")
    with pytest.raises(FileError, match="is no array of numbers"):
        read_scan(tmp_path / "c.npz", **SAID)
