"""`python -m meshplan`: the command line."""

from meshplan.cli import main

if __name__ == "__main__":
    main()
