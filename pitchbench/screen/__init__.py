"""The screen that the person sees; the only room that knows rich."""
