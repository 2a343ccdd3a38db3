"""Fuzzing of the readers of files that others made; see ``docs/reference/formats-iso.md`` for what was run."""
