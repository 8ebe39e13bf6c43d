"""What is printed: the setup sheet, figures, exports."""
