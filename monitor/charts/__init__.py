"""A small picture for every kind of alert, drawn from the example in the docstring of its detector.

`examples` runs the example and keeps what the detector was told and what it found; `scenes` says what there is to see of that; `pictures` draws it.
So a picture shows what the detector was really told, and changes with it.
The drawn files lie in `kinds/`; `python -m monitor.charts` writes them anew.
"""

from __future__ import annotations

from monitor.charts.pictures import KINDS, draw

__all__ = ["KINDS", "draw"]
