"""Numerical tools that know nothing of scanners."""
