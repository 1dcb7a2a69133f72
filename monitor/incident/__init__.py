"""The incident report: what happened in a window, what was found, who was told, and a drawing of it all."""
