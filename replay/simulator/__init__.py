"""An invented railway: trains that move, and named ways in which the truth is lost."""
