"""How fast and how lean the replay is: measured on demand, `python -m tests.bench`."""
