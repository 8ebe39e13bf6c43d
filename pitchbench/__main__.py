"""`python -m pitchbench`: the same program where its script is not on the path."""

from pitchbench.commands import main

if __name__ == "__main__":
    main()
