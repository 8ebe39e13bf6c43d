"""pitchbench: set the intonation of a guitar or bass by ear of the microphone."""

__version__ = "0.1.0"
