"""The guided job as a state machine, and the engine that feeds it."""
