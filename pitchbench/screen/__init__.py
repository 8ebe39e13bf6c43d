"""What the person sees; the only room that knows rich."""
