"""Samples from anywhere, handed on as blocks."""
