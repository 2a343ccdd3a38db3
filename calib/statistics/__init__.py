"""What is decided from numbers and their uncertainties: conformity, significance, control charts, trends.

Nothing here knows of scans, models or files.
"""
