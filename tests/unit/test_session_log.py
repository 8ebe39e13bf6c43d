"""One log, one fold: whoever reads a session, and whenever, reads the same.

Random stories: plucks of all sorts, rejected ones, every key, lost inputs, and the log read again at
any point. Set PITCHBENCH_STORIES for more of them.
"""
