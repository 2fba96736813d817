"""Run the command line with ``python -m fruitcount``."""

from fruitcount.cli import main

if __name__ == "__main__":
    main()
