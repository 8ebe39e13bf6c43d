"""Blocks become plucks, plucks become frames, frames become one reading with one uncertainty."""
