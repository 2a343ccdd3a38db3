"""What a scan promises."""

import math
from typing import Any

import numpy as np
import pytest

from calib.errors import ScanError
from calib.scan import Scan

FAST, SLOW = np.array([-1.0, 0.0, 2.0]) * 1e-6, np.array([-1.0, 1.0]) * 1e-6


def scan(**changes: Any) -> Scan:
    fields: dict[str, Any] = {"channels": {"height": np.zeros((1, 2, 3))}, "fast": FAST, "slow": SLOW}
    return Scan(**{**fields, **changes})


def test_nothing_of_a_scan_can_be_changed() -> None:
    heights = np.zeros((1, 2, 3))
    made = scan(channels={"height": heights}, attributes={"a": 1}, controller={"gain": 2})
    heights[0, 0, 0] = 7
    assert made.height[0, 0, 0] == 0
    for array in (made.height, made.fast, made.slow):
        with pytest.raises(ValueError, match="read-only"):
            array.flat[0] = 1
    for mapping in (made.channels, made.units, made.attributes, made.controller):
        with pytest.raises(TypeError):
            mapping["x"] = 1  # type: ignore[index]
    with pytest.raises(AttributeError):
        made.title = "x"  # type: ignore[misc]


def test_read_only_arrays_are_kept_and_float32_stays() -> None:
    heights = np.zeros((1, 2, 3), dtype=np.float32)
    heights.flags.writeable = False
    made = scan(channels={"height": heights})
    assert made.height is heights
    assert scan(channels={"height": np.zeros((1, 2, 3), dtype=np.int16)}).height.dtype == np.float64


def test_sizes() -> None:
    made = scan()
    assert made.shape == (1, 2, 3)
    assert made.size == pytest.approx((3e-6, 2e-6))
    assert made.spacing == pytest.approx((1.5e-6, 2e-6))
    assert scan(channels={"height": np.zeros((1, 1, 3))}, slow=np.zeros(1)).spacing[1] == 0


def test_commanded_positions_of_a_turned_scan() -> None:
    made = scan(rotation=math.pi / 2, centre_x=1e-6, centre_y=2e-6)
    u, v = made.commanded()
    # Turned by 90° counter-clockwise, the fast axis points along y and the slow axis along -x.
    np.testing.assert_allclose(u, 1e-6 - np.broadcast_to(SLOW[:, None], (2, 3)), atol=1e-18)
    np.testing.assert_allclose(v, 2e-6 + np.broadcast_to(FAST[None, :], (2, 3)), atol=1e-18)
    fast, slow = made.axes
    assert fast[0] * slow[1] - fast[1] * slow[0] == pytest.approx(1)  # right-handed


def test_channels() -> None:
    heights, image = np.zeros((1, 2, 3)), np.ones((1, 2, 3))
    made = scan(channels={"image": image, "height": heights}, units={"image": "V"})
    assert made.channel == "height"
    assert made.units == {"image": "V", "height": "m"}
    np.testing.assert_array_equal(made.with_channel("image").values, image)
    only = scan(channels={"image": np.ones((2, 3))})
    assert only.values.shape == (1, 2, 3)
    assert not only.has_height
    with pytest.raises(ScanError, match="holds no heights, only 'image'"):
        _ = only.height


def test_label() -> None:
    assert scan().label == "scan"
    assert scan(attributes={"file": "a.nc"}).label == "a.nc"
    assert scan(attributes={"file": "a.nc"}, title="first").label == "first"
    assert "3 x 2 points, 3 x 2 µm" in repr(scan())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"channels": {}}, "has no channel"),
        ({"channels": {"height": np.zeros((1, 3, 2))}}, "has shape"),
        ({"channels": {"height": np.array([[["a"] * 3] * 2])}}, "does not hold numbers"),
        ({"channel": "image"}, "no channel 'image'; it has 'height'"),
        ({"units": {"height": "nm"}}, "Heights are kept in metres"),
        ({"fast": FAST[::-1]}, "fast coordinates must be finite and increasing"),
        ({"slow": np.array([0.0, np.nan])}, "slow coordinates must be finite"),
        ({"slow": np.zeros((2, 1))}, "slow coordinates must be a list"),
        ({"passes": ("forth",)}, "Passes must be"),
        ({"passes": ("trace", "trace")}, "Passes must be"),
        ({"frame": "sideways"}, "frame must be 'up' or 'down'"),
        ({"pattern": "spiral"}, "pattern must be"),
        ({"frame_of_reference": "other"}, "frame_of_reference must be"),
        ({"rotation": math.inf}, "rotation must be a finite number"),
        ({"line_period": 0.0}, "line_period must be a positive time"),
        ({"turnaround": -1.0}, "turnaround must be a time"),
        ({"line_period": 1.0, "turnaround": 0.5}, "leaves no time for the sweep"),
    ],
)
def test_contradictions_are_one_sentence(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ScanError, match=words) as caught:
        scan(**changes)
    assert str(caught.value).endswith(".")


def test_serpentine_has_one_pass() -> None:
    with pytest.raises(ScanError, match="one pass"):
        scan(channels={"height": np.zeros((2, 2, 3))}, passes=("trace", "retrace"), pattern="serpentine")
    assert scan(pattern="serpentine").shape == (1, 2, 3)
