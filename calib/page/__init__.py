"""A local page on which to look at scans and to try things: nothing leaves the machine.

`opened.py` holds what was opened and what is computed of it; `pictures.py`, `profiles.py` and `gratings.py` make what
is seen, `exporting.py` writes it; `guard.py` lets nobody else in; `app.py` answers the browser, and `serving.py` runs
until it is stopped.
"""
