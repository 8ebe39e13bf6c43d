"""Results as documents: the setup sheet, figures, exports."""
