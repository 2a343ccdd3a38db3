"""What a TIFF file says of its images beside their numbers: resolution, units, channels, and our own fields.

Resolution: TIFF 6.0 (1992), section 8. OME-XML: the OME data model 2016-06. Lines such as ``unit=nm`` in the image
description, with the resolution in pixels per that unit: common practice, no source.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from calib import units
from calib.errors import CalibError, FileError
from calib.files import parse_toml

if TYPE_CHECKING:
    from tifffile import TiffPage

NAMESPACE = "fields-of-a-scan.toml"
"""Namespace of the comment in OME-XML that holds the keys of a TOML file beside a scan."""

_ORIENTATIONS = {1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left")}
_LENGTHS = {2: 0.0254, 3: 0.01}  # ResolutionUnit: inch, centimetre
_FINEST_PRINT = 2400.0  # dots per inch: a resolution of paper and screens says nothing of what an image shows
_LARGEST_XML = 2**23  # characters
_MOST_TAGS = 200_000
_LINE = re.compile(r"^(unit|images)=(.{1,40})$", re.MULTILINE)


def said_by(pages: Sequence[TiffPage]) -> dict[str, Any]:
    """Return what the first page says of all of them, as keys of a TOML file beside it.

    Raises
    ------
    FileError
        If the text in it is broken.
    """
    page = pages[0]
    found: dict[str, Any] = {}
    tag = page.tags.get(274)
    orientation = 1 if tag is None else tag.value
    if orientation not in _ORIENTATIONS:
        raise FileError("its image lies on its side (Orientation 5 to 8): turn it before.")
    found["first_row"], found["first_column"] = _ORIENTATIONS[orientation]
    description = page.tags.get(270)
    text = description.value if description is not None and isinstance(description.value, str) else ""
    lines = dict(_LINE.findall(text.replace("\r\n", "\n")))
    if lines.get("images", "1").strip() not in ("", "1", str(len(pages))) and len(pages) == 1:
        raise FileError(f"it says that it holds {lines['images'][:12]} images, but has one page: save each as a page.")
    found |= _resolution(page, lines)
    if "<OME" in text[:4096]:
        found |= _ome(text, len(pages))
    return found


def _resolution(page: TiffPage, lines: Mapping[str, str]) -> dict[str, Any]:
    densities = []
    for code in (282, 283):
        tag = page.tags.get(code)
        value = None if tag is None else tag.value
        if not isinstance(value, tuple) or len(value) != 2 or min(value) <= 0:
            return {}
        densities.append(value[0] / value[1])
    tag = page.tags.get(296)
    unit = 2 if tag is None else int(tag.value)
    length = _LENGTHS.get(unit)
    if length is None:
        named = lines.get("unit", "").strip().replace("\\u00B5", "µ")
        try:
            length = units.factor_of(named, "length") if named else None
        except CalibError:
            length = None
    elif unit == 2 and max(densities) <= _FINEST_PRINT:
        length = None
    if length is None:
        return {}
    return {"pixel_size": [units.exact(length / density) for density in densities]}


def _ome(text: str, count: int) -> dict[str, Any]:
    if len(text) > _LARGEST_XML or text.count("<") > _MOST_TAGS or "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise FileError("its OME-XML is too large, or declares entities, which is refused for safety.")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError):
        raise FileError("its OME-XML is broken.") from None
    own = [
        "".join(child.itertext()).strip()
        for item in root.iter()
        if _tag(item) == "CommentAnnotation" and item.get("Namespace") == NAMESPACE
        for child in item
        if _tag(child) == "Value"
    ]
    if own:
        return parse_toml(own[0].encode(), "the text on its scan")
    pixels = next((item for item in root.iter() if _tag(item) == "Pixels"), None)
    if pixels is None:
        return {}
    found: dict[str, Any] = {}
    steps = [_step(pixels, axis) for axis in "XY"]
    if None not in steps:
        found["pixel_size"] = steps
    names = [
        item.get("Name") or f"channel {number}" for number, item in enumerate(pixels, 1) if _tag(item) == "Channel"
    ]
    if len(names) == count and len(set(names)) == count and count > 1:
        found["channels"] = names
    return found


def _tag(element: ElementTree.Element) -> str:
    return str(element.tag).rsplit("}", 1)[-1]


def _step(pixels: ElementTree.Element, axis: str) -> str | None:
    text, unit = pixels.get(f"PhysicalSize{axis}"), pixels.get(f"PhysicalSize{axis}Unit", "µm")
    try:
        step = units.parse(f"{text} {unit}", "length")
    except CalibError:
        return None  # "pixel" and "reference frame" are allowed there
    return units.exact(step) if step > 0 else None


def comment(table: str) -> dict[str, str]:
    """Return the annotation that holds the text of a TOML file, in characters that XML has."""
    text = re.sub("[\ufffe\uffff]", lambda found: f"\\u{ord(found.group()):04x}", table)
    tomllib.loads(text)  # what can't be read back must not be written
    return {"Namespace": NAMESPACE, "Value": text}
