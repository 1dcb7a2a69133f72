"""A day again: recordings read and written, played, or invented."""
