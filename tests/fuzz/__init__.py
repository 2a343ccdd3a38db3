"""Fuzzing of the readers of files that others made; see ``docs/reference/formats-limits.md`` for what was run."""
