"""`python -m monitor.charts`: draws every kind anew, into the files that are shipped."""

from __future__ import annotations

from monitor.charts.pictures import KINDS, draw
from monitor.core.detectors import CATALOGUE


def main() -> None:
    """Write a picture for each kind, and remove those of kinds that are no more."""
    KINDS.mkdir(exist_ok=True)
    drawn = {f"{detector.kind}.svg": draw(detector) for detector in CATALOGUE}
    for path in KINDS.glob("*.svg"):
        if path.name not in drawn:
            path.unlink()
    for name, picture in drawn.items():
        (KINDS / name).write_text(picture, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
