"""`python -m monitor` is the command `tallywatch`."""

from __future__ import annotations

from monitor.cli import main

if __name__ == "__main__":
    main()
