"""Delivery: what was concluded, told to people and programs elsewhere, each once."""
