"""Standards: reference objects with the values of their certificates, read from TOML files.

See ``docs/reference/standard-files.md`` for the file.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, ClassVar, Literal, Self

from calib import units
from calib.errors import StandardError
from calib.files import parse_toml, read_toml, unknown_key
from calib.kinds import STANDARD, refuse_other
from calib.units import Dimension

REFERENCE_TEMPERATURE = 293.15
"""K; dimensions hold at 20 °C where nothing else is said (ISO 1:2022)."""

NOMINAL_LIMITS = 0.1
"""Limits of a thermal expansion, width or period given without uncertainty, as a part of it (our choice, no source)."""

_Day = date
_WIDEST = 100.0  # K from the reference temperature; beyond it an expansion linear in temperature is a guess


@dataclass(frozen=True)
class Value:
    """A value of a certificate.

    Attributes
    ----------
    value, u
        Value and standard uncertainty (k = 1), in SI units and radians.
    unit
        ``m``, ``rad`` or ``1/K``.
    distribution
        ``normal``, or ``rectangular`` for a value that is known by its limits only.
    source
        Where it comes from, if that is not the standard's own source.
    stated
        What the file said, for printing; empty for a value that was computed.
    """

    value: float
    u: float
    unit: str = "m"
    distribution: Literal["normal", "rectangular"] = "normal"
    source: str = ""
    stated: Mapping[str, Any] = field(default_factory=dict, compare=False)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise StandardError(f"A value must be a finite number, not {self.value!r}.")
        if not (math.isfinite(self.u) and self.u >= 0):
            raise StandardError(f"A standard uncertainty must be a finite number, zero or more, not {self.u!r}.")

    @property
    def k(self) -> float:
        """Coverage factor of the certificate; 2 where it states none."""
        return float(self.stated.get("k", 2.0))

    def __str__(self) -> str:
        said = self.stated
        if not said:
            return units.format_quantity(self.value, self.unit, u=self.u)
        value = str(said.get("value", "0"))
        if "U" in said:
            return f"{value} ± {said['U']} (k = {said['k']:g})"
        if "tolerance" in said:
            return f"{value}, within ± {said['tolerance']}"
        if "assumed" in said:
            return f"{value}, within ± {said['assumed']} (assumed)"
        return f"{value}, standard uncertainty {said['u']}" if "u" in said else value

    def to_dict(self) -> dict[str, Any]:
        """Return the value as a JSON object."""
        return {**dataclasses.asdict(self), "stated": dict(self.stated)}


@dataclass(frozen=True)
class Certificate:
    """Where the values of a standard come from: number, dates and laboratory, as far as they are known."""

    number: str = ""
    date: _Day | None = None
    laboratory: str = ""
    next_due: _Day | None = None


@dataclass(frozen=True, kw_only=True)
class Standard:
    """What all standards have in common; see :class:`Grating`, :class:`Grid`, :class:`Step`, :class:`Flat`.

    Attributes
    ----------
    name
        What people call it.
    certificate
        None if it has none.
    thermal_expansion
        Coefficient of linear expansion, 1/K.
    reference_temperature
        At which the values hold, K.
    unevenness
        How much pitch or height differ from place to place: a value of zero with its uncertainty.
    mounting
        How much pitch or height change when the standard is taken off and put back: the same.
    source, notes
        Words about its values.
    file, sha256
        The file it was read from.
    as_certified
        For a standard at another temperature: the standard it was made from.
    """

    name: str
    certificate: Certificate | None = None
    thermal_expansion: Value | None = None
    reference_temperature: float | None = None
    unevenness: Value | None = None
    mounting: Value | None = None
    source: str = ""
    notes: str = ""
    file: str = ""
    sha256: str = ""
    as_certified: Standard | None = field(default=None, compare=False)

    kind: ClassVar[str]
    REQUIRED: ClassVar[dict[str, Dimension]]
    OPTIONAL: ClassVar[dict[str, Dimension]] = {}

    def values(self) -> dict[str, Value]:
        """Return the values that the certificate gives, by name."""
        found = ((name, getattr(self, name)) for name in (*self.REQUIRED, *self.OPTIONAL))
        return {name: value for name, value in found if value is not None}

    @property
    def identity(self) -> str:
        """The same for two descriptions of one object: name and number of certificate, else the whole content."""
        certified = self.as_certified or self
        if certified.certificate is not None and certified.certificate.number:
            return f"{certified.name}, certificate {certified.certificate.number}"
        content = {key: item for key, item in certified.to_dict().items() if key not in ("file", "sha256")}
        digest = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
        return f"{certified.name}, content {digest[:16]}"

    def at(self, temperature: float | None, u_temperature: float = 0.0) -> Self:
        """Return the standard with the lengths that it has at a temperature.

        Parameters
        ----------
        temperature
            K; None if it is unknown, which leaves the values alone.
        u_temperature
            Its standard uncertainty, K.

        Returns
        -------
        Standard
            Lengths times 1 + α (T - T₀); their uncertainties include those of α and T (JCGM 100:2008, 5.1.2). The
            uncertainty of α is common to all lengths of the standard. Itself if no expansion is known.

        Raises
        ------
        StandardError
            If the temperature lies further than 100 K from that of the certificate.
        """
        certified = self if self.as_certified is None else self.as_certified
        assert isinstance(certified, type(self))
        expansion = certified.thermal_expansion
        if temperature is None or expansion is None:
            return certified
        reference = certified.reference_temperature
        rise = temperature - (REFERENCE_TEMPERATURE if reference is None else reference)
        if not abs(rise) <= _WIDEST:
            raise StandardError(
                f"The temperature of {self.name!r} lies {rise:.0f} K from that of its certificate, too far for its "
                "thermal expansion: check the temperature of the scan."
            )
        changed: dict[str, Any] = {
            name: _expanded(value, expansion, rise, u_temperature)
            for name, value in certified.values().items()
            if name not in ("angle", "flatness")
        }
        return dataclasses.replace(certified, **changed, reference_temperature=temperature, as_certified=certified)

    def summary(self) -> list[str]:
        """Return lines for people: what it is, its values with their uncertainties, where they come from."""
        lines = [f"{self.name} ({self.kind})"]
        rows = {name: str(value) for name, value in self.values().items()}
        if isinstance(self, Flat):
            rows["area"] = " x ".join(units.show(side) for side in self.area)
        rows |= {name: str(value) for name in ("unevenness", "mounting") if (value := getattr(self, name)) is not None}
        if self.thermal_expansion is not None:
            rows["thermal expansion"] = str(self.thermal_expansion)
        if self.reference_temperature is not None:
            rows["temperature"] = units.show(self.reference_temperature, "degC")
        if self.certificate is not None:
            about = self.certificate
            words = [about.number, about.laboratory, str(about.date or "")]
            words.append(f"next due {about.next_due}" if about.next_due else "")
            rows["certificate"] = ", ".join(word for word in words if word) or "without number or date"
        rows |= {name: text for name in ("source", "notes") if (text := " ".join(getattr(self, name).split()))}
        width = max(map(len, rows))
        return lines + [f"  {name.replace('_', ' '):<{width}}  {text}" for name, text in rows.items()]

    def _repr_html_(self) -> str:
        from calib.report.notebook import standard_html

        return standard_html(self)

    def __str__(self) -> str:
        return "\n".join(self.summary())

    def to_dict(self) -> dict[str, Any]:
        """Return the standard as a JSON object, in SI units; :meth:`from_dict` is its inverse."""
        content: dict[str, Any] = {"kind": self.kind}
        for part in dataclasses.fields(self):
            item = getattr(self, part.name)
            if item is None or item == "":
                continue
            if isinstance(item, (Value, Standard)):
                item = item.to_dict()
            elif isinstance(item, Certificate):
                pairs = dataclasses.asdict(item).items()
                item = {key: str(word) for key, word in pairs if word not in ("", None)}
            elif isinstance(item, tuple):
                item = list(item)
            content[part.name] = item
        return content

    @staticmethod
    def from_dict(content: Mapping[str, Any]) -> Standard:
        """Make a standard of what :meth:`to_dict` returned.

        Raises
        ------
        StandardError
            If it is something else.
        """
        try:
            return _from_dict(content)
        except (KeyError, TypeError, ValueError, AttributeError) as problem:
            raise StandardError(f"This is no description of a standard: {problem}.") from problem


@dataclass(frozen=True, kw_only=True)
class Grating(Standard):
    """Parallel lines; ``pitch`` is their distance, m."""

    pitch: Value
    kind: ClassVar[str] = "grating"
    REQUIRED: ClassVar[dict[str, Dimension]] = {"pitch": "length"}


@dataclass(frozen=True, kw_only=True)
class Grid(Standard):
    """A lattice; ``pitch_x`` and ``pitch_y`` are the lengths of its vectors, m, ``angle`` lies between them, rad."""

    pitch_x: Value
    pitch_y: Value
    angle: Value
    kind: ClassVar[str] = "grid"
    REQUIRED: ClassVar[dict[str, Dimension]] = {"pitch_x": "length", "pitch_y": "length", "angle": "angle"}


@dataclass(frozen=True, kw_only=True)
class Step(Standard):
    """A step or groove of known ``height``, m; ``width`` of the groove or ridge and ``period`` of repeated ones, m."""

    height: Value
    width: Value | None = None
    period: Value | None = None
    kind: ClassVar[str] = "step"
    REQUIRED: ClassVar[dict[str, Dimension]] = {"height": "length"}
    OPTIONAL: ClassVar[dict[str, Dimension]] = {"width": "length", "period": "length"}


@dataclass(frozen=True, kw_only=True)
class Flat(Standard):
    """A plane surface.

    Attributes
    ----------
    flatness
        Its value is the largest departure from the mean plane, m; ``u`` is the standard uncertainty of the surface at
        any one place, for which that departure (and its U, if the certificate gives one) is taken as limits.
    area
        Sides of the area for which that holds, m.
    """

    flatness: Value
    area: tuple[float, float]
    kind: ClassVar[str] = "flat"
    REQUIRED: ClassVar[dict[str, Dimension]] = {"flatness": "length"}


KINDS: dict[str, type[Standard]] = {kind.kind: kind for kind in (Grating, Grid, Step, Flat)}


def load_standard(source: str | Path, *, folder: str | Path | None = None) -> Standard:
    """Read a standard.

    Parameters
    ----------
    source
        A TOML file, or the name of a packaged standard (see :func:`packaged_standards`).
    folder
        Where a relative path begins; by default the current folder.

    Raises
    ------
    CalibError
        If there is none, or its description is incomplete or contradicts itself.
    """
    from calib.standard_file import standard_from_table

    path = Path(folder or ".") / source
    if path.exists():
        refuse_other(path, STANDARD)
    if path.is_file():
        table, digest = read_toml(path, error=StandardError)
        return standard_from_table(table, str(path), path.name, digest)
    name = str(source)
    packaged = packaged_standards()
    if name in packaged:
        data = (_packaged_folder() / f"{name}.toml").read_bytes()
        table = parse_toml(data, name, error=StandardError)
        return standard_from_table(table, name, f"{name}.toml", hashlib.sha256(data).hexdigest())
    raise StandardError(
        f"There is no file {path}, and no packaged standard of that name: {unknown_key(name, packaged)}"
    )


def packaged_standards() -> tuple[str, ...]:
    """Return the names of the standards that come with calib."""
    names = (item.name for item in _packaged_folder().iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def _packaged_folder() -> Traversable:
    package = files("calib")
    inside = package / "standards"  # an installed wheel; else it stands beside the package
    return inside if inside.is_dir() else Path(str(package)).parent / "standards"


def _expanded(value: Value, expansion: Value, rise: float, u_temperature: float) -> Value:
    scale = 1 + expansion.value * rise
    parts = (scale * value.u, value.value * rise * expansion.u, value.value * expansion.value * u_temperature)
    return dataclasses.replace(value, value=value.value * scale, u=math.hypot(*parts), distribution="normal", stated={})


def _from_dict(content: Mapping[str, Any]) -> Standard:
    kind = KINDS[content["kind"]]
    known = {part.name for part in dataclasses.fields(kind)}
    fields: dict[str, Any] = {}
    for name, item in content.items():
        if name == "certificate":
            dates = {key: date.fromisoformat(item[key]) for key in ("date", "next_due") if key in item}
            item = Certificate(**{**item, **dates})
        elif name == "as_certified":
            item = _from_dict(item)
        elif name == "area":
            item = (float(item[0]), float(item[1]))
        elif isinstance(item, Mapping):
            item = Value(**item)
        if name in known:  # a newer version may have written more
            fields[name] = item
    return kind(**fields)
