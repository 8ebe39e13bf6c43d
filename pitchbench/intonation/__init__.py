"""Readings become an offset, a verdict and a saddle move."""
