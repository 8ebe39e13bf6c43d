"""The physics of strings: tension, stiffness, fretting, and a virtual instrument."""
