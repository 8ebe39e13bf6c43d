"""Recordings in, results out: readings, offset, neck, drift and repeatability, for any caller."""
