"""Dates of a history: read from ISO 8601, compared, printed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

UNZONED = timedelta(hours=14)
"""By how much a time without a zone may be off: zones reach from 12 hours behind to 14 hours ahead of UTC."""

CLOCK = timedelta(seconds=1)
"""By which times that files state may be off: many are whole seconds."""


def moment(text: object) -> tuple[datetime, bool] | None:
    """Read a date.

    Parameters
    ----------
    text
        ISO 8601, with or without a zone.

    Returns
    -------
    datetime, bool
        In UTC, and whether the text says its zone; without one it is taken as UTC. None if it is no date.
    """
    try:
        found = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return utc(found), found.tzinfo is not None


def utc(date: datetime) -> datetime:
    """Return a date in UTC; one without a zone is taken as UTC."""
    try:
        return date.replace(tzinfo=UTC) if date.tzinfo is None else date.astimezone(UTC)
    except OverflowError:  # at the very ends of the calendar
        return date.replace(tzinfo=UTC)


def written(date: datetime | None) -> str | None:
    """Return a date as ISO 8601, for files."""
    return None if date is None else date.isoformat(timespec="seconds")


def shown(date: datetime | None, never: str = "") -> str:
    """Return a date for people, to the minute, in UTC."""
    return never if date is None else f"{date:%Y-%m-%d %H:%M}"


def after(start: datetime, seconds: float) -> datetime | None:
    """Return the date so many seconds later; None if that is beyond the calendar."""
    try:
        return start + timedelta(seconds=seconds)
    except (OverflowError, ValueError):
        return None
